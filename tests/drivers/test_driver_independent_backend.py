"""Generator and voltmeter profiles against instruments that pyvisa-sim, an independent program, simulates.

The devices are described here from the facts page (sections A and B): what they do not know goes into their error
queue, so a command that is spelt differently fails.
"""

import pytest
import pyvisa

from twonode.drivers import link as link_module
from twonode.drivers.clock import VirtualClock
from twonode.drivers.errors import CommandRefused, SettingNotTaken
from twonode.drivers.generator import Generator
from twonode.drivers.link import open_link
from twonode.drivers.profiles import matching_profiles, shipped_profiles
from twonode.drivers.voltmeter import Voltmeter

DEVICES = r"""
spec: "1.1"
devices:
  generator:
    eom:
      ASRL INSTR: {q: "\n", r: "\n"}
      USB INSTR: {q: "\n", r: "\n"}
    error:
      error_queue:
        - {q: ":SYST:ERR?", default: '0,"No error"', command_error: '-113,"Undefined header"'}
    dialogues:
      - {q: "*IDN?", r: "TWONODE,SIM-G1,0,1.0"}
      - {q: "*CLS"}
    properties:
      load:
        default: "50"
        getter: {q: ":OUTP1:LOAD?", r: "{:s}"}
        setter: {q: ":OUTP1:LOAD {:s}"}
        specs: {type: str, valid: ["50", "INF"]}
      output:
        default: "ON"
        getter: {q: ":OUTP1?", r: "{:s}"}
        setter: {q: ":OUTP1 {:s}"}
        specs: {type: str, valid: ["ON", "OFF"]}
      unit:
        default: VRMS
        getter: {q: ":SOUR1:VOLT:UNIT?", r: "{:s}"}
        setter: {q: ":SOUR1:VOLT:UNIT {:s}"}
        specs: {type: str, valid: ["VPP", "VRMS", "DBM"]}
      shape:
        default: SQU
        getter: {q: ":SOUR1:FUNC?", r: "{:s}"}
        setter: {q: ":SOUR1:FUNC {:s}"}
        specs: {type: str, valid: ["SIN", "SQU"]}
      offset:
        default: 1.5
        getter: {q: ":SOUR1:VOLT:OFFS?", r: "{:.6E}"}
        setter: {q: ":SOUR1:VOLT:OFFS {}"}
        specs: {type: float, min: -5, max: 5}
      amplitude:
        default: 5.0
        getter: {q: ":SOUR1:VOLT?", r: "{:.6E}"}
        setter: {q: ":SOUR1:VOLT {}"}
        specs: {type: float, min: 0.001, max: 20}
      frequency:
        default: 1.0
        getter: {q: ":SOUR1:FREQ?", r: "{:.9E}"}
        setter: {q: ":SOUR1:FREQ {}"}
        specs: {type: float, min: 1e-3, max: 2e6}
  short names:
    eom:
      USB INSTR: {q: "\n", r: "\n"}
    error:
      error_queue:
        - {q: ":SYST:ERR?", default: '0,"No error"', command_error: '-113,"Undefined header"'}
    dialogues:
      - {q: "*IDN?", r: "TWONODE,SIM-G1B,0,1.0"}
      - {q: "*CLS"}
SAME PROPERTIES
  voltmeter:
    eom:
      USB INSTR: {q: "\n", r: "\n"}
    error:
      error_queue:
        - {q: ":SYST:ERR?", default: '+0,"No error"', command_error: '-113,"Undefined header"'}
    dialogues:
      - {q: "*IDN?", r: "TWONODE,SIM-DMM,0,1.0"}
      - {q: "*CLS"}
      - {q: ":MEAS:VOLT:DC?", r: "-1.25000000E+00"}
  letter pairs:
    eom:
      ASRL INSTR: {q: "\n", r: "\n"}
    error: "?"
    dialogues:
      - {q: "a", r: "SIM-G4"}
      - {q: "bw0"}
      - {q: "bo0.0"}
    properties:
      amplitude:
        default: 5.0
        getter: {q: "how much, for the test alone?", r: "{:.1f}"}
        setter: {q: "ba{}"}
        specs: {type: float, min: 0, max: 20}
      hundredths of a hertz:
        default: 1000
        getter: {q: "cf", r: "cf{:09d}"}
        setter: {q: "bf{}"}
        specs: {type: int, min: 0, max: 999999999}
resources:
  ASRL2::INSTR: {device: letter pairs}
  ASRL1::INSTR: {device: generator}
  USB::0x1111::0x2222::0x1::INSTR: {device: generator}
  USB::0x1111::0x2222::0x3::INSTR: {device: short names}
  USB::0x1111::0x2222::0x2::INSTR: {device: voltmeter}
"""
_PROPERTIES = DEVICES[DEVICES.index("    properties:\n") : DEVICES.index("  short names:\n")]
DEVICES = DEVICES.replace(
    "SAME PROPERTIES\n",
    _PROPERTIES.replace(":SOUR1:VOLT:OFFS", ":SOUR1:DCO")
    .replace(":SOUR1:VOLT?", ":SOUR1:AMP?")
    .replace(":SOUR1:VOLT {", ":SOUR1:AMP {"),
)
ADDRESSES = ["ASRL1::INSTR", "USB::0x1111::0x2222::0x1::INSTR", "USB::0x1111::0x2222::0x3::INSTR"]


@pytest.fixture(autouse=True)
def independent_backend(tmp_path, monkeypatch):
    (tmp_path / "bench.yaml").write_text(DEVICES, encoding="utf-8")
    manager = pyvisa.ResourceManager(f"{tmp_path / 'bench.yaml'}@sim")
    monkeypatch.setattr(link_module, "_resource_manager", lambda backend: manager)
    yield
    manager.close()


def generator_at(address):
    link = open_link(address, backend="python")
    (profile,) = matching_profiles(link.identity)
    return Generator(link, identity=link.identity, profile=profile, clock=VirtualClock())


@pytest.mark.parametrize("address", ADDRESSES)
def test_the_generator_profile_drives_it(address):
    generator = generator_at(address)
    generator.prepare()
    assert generator.output_is_off()
    assert generator.set_level(2.0) == 2.0
    assert generator.set_frequency(1234.5) == 1234.5
    generator.output(True)
    assert not generator.output_is_off()
    generator.make_safe()
    assert generator.output_is_off()


def test_what_it_does_not_take_is_noticed():
    generator = generator_at(ADDRESSES[0])
    # Within the profile's range and out of this device's own: it keeps the old one and queues an error.
    with pytest.raises((CommandRefused, SettingNotTaken)):
        generator.set_frequency(5e6)


def test_the_letter_pair_profile_drives_one_that_cannot_be_asked_for_its_level():
    profile = shipped_profiles()["generator-letter-pairs"]
    link = open_link("ASRL2::INSTR", backend="python", identify=profile.identification, baud_rate=9600)
    generator = Generator(link, identity=link.identity, profile=profile, clock=VirtualClock())
    generator.prepare()
    ask = "how much, for the test alone?"
    assert link.query(ask) == "0.0"
    assert generator.set_level(2.0) == 2.0
    assert link.query(ask) == "0.0"
    assert generator.set_frequency(1234.5) == 1234.5
    generator.output(True)
    assert link.query(ask) == "2.0"
    generator.make_safe()
    assert link.query(ask) == "0.0"
    assert generator.output_is_off() is None


def test_the_voltmeter_profile_drives_it():
    link = open_link("USB::0x1111::0x2222::0x2::INSTR", backend="python")
    (profile,) = matching_profiles(link.identity)
    meter = Voltmeter(link, identity=link.identity, profile=profile, clock=VirtualClock())
    meter.prepare()
    assert meter.read_dc_v() == -1.25
