"""Every generator family: one contract on its simulated dialect, and the very messages of the facts page's table."""

import msgspec
import numpy as np
import pytest
from scripted_link import ScriptedLink
from test_driver_scope import STAGE

from twonode.acquire.filed import filed_instruments
from twonode.drivers.bench import Bench, open_bench
from twonode.drivers.clock import VirtualClock
from twonode.drivers.errors import (
    CommandRefused,
    ReplyError,
    SettingNotTaken,
    SettingRefused,
    UnknownInstrument,
)
from twonode.drivers.generator import Generator
from twonode.drivers.profile_format import AmplitudeMeaning, InstrumentKind
from twonode.drivers.profiles import profile_of_family, shipped_profiles
from twonode.drivers.simulated.bench import SimulatedBench, direct_links
from twonode.drivers.simulated.settings import GeneratorFamily, ScopeFamily, SimulatedSettings


class AcknowledgingLink(ScriptedLink):
    """G3 and G4 in memory: `WMA2.00` is asked for with `RMA`; with ``acknowledge`` each write is answered."""

    def __init__(self, replies, acknowledge=None):
        super().__init__(replies)
        self.acknowledge = acknowledge

    def write(self, text):
        assert self.acknowledge is None, f"{text}: its acknowledgement was left in the pipe"
        self.sent.append(text)

    def query(self, text, *, timeout_s=None):
        self.sent.append(text)
        if text not in self.replies:
            assert self.acknowledge is not None, text
            return self.acknowledge
        reply = self.replies[text]
        return reply() if callable(reply) else reply


def generator_on(link, name, **changed):
    profile = msgspec.structs.replace(shipped_profiles()[name], **changed)
    return Generator(link, identity="X", profile=profile, clock=VirtualClock())


@pytest.mark.parametrize("family", GeneratorFamily)
def test_what_every_family_does_on_its_simulated_dialect(family):
    links = direct_links(SimulatedSettings(stage=STAGE, seed=5, generator_family=family))
    profile = profile_of_family(family.value, InstrumentKind.GENERATOR)
    with Bench.from_links(
        generator=links.generator,
        scope=links.scope,
        clock=links.clock,
        generator_profile=profile.name if profile.identify else None,
        allow_unverified=True,
    ) as bench:
        generator = bench.generator
        assert generator.profile is profile
        assert not links.world.output_on
        generator.prepare()
        for vpp in (generator.vpp_min, 2.0, 0.3):
            assert generator.set_level(vpp) == pytest.approx(vpp, rel=0.05)
        assert not links.world.output_on
        for hz in (12.34, 1000.0, 123456.7):
            assert generator.set_frequency(hz) == pytest.approx(hz, rel=1e-4)
        generator.output(True)
        assert links.world.output_on
        assert generator.output_is_off() is (False if generator.output_confirmed else None)
        with pytest.raises(SettingRefused):
            generator.set_level(generator.vpp_max * 1.01)
    assert not links.world.output_on


def test_a_family_without_an_identity_is_not_talked_to_without_its_profile():
    links = direct_links(SimulatedSettings(stage=STAGE, generator_family=GeneratorFamily.WRITE_READ))
    with (
        pytest.raises(UnknownInstrument, match="something else"),
        Bench.from_links(
            # The scope's link does not know UMO, and says something else or nothing.
            generator=ScriptedLink({"UMO": "?"}),
            scope=links.scope,
            clock=links.clock,
            generator_profile="generator-write-read",
            allow_unverified=True,
        ),
    ):
        pass


def test_key_value_commands_are_those_of_the_table():
    wave = "C1:BSWV WVTP,SINE,FRQ,1000HZ,PERI,0.001S,AMP,2V,OFST,0V,HLEV,1V,LLEV,-1V,PHSE,0"
    link = ScriptedLink({"C1:BSWV?": wave, "C1:OUTP?": "C1:OUTP OFF,LOAD,HZ,PLRT,NOR"})
    generator = generator_on(link, "generator-key-value", prepare_vpp=2.0)
    generator.prepare()
    assert generator.set_frequency(1000.0) == 1000.0
    assert [text for text in link.sent if not text.endswith("?")] == [
        "C1:OUTP OFF",
        "C1:OUTP LOAD,HZ",
        "C1:BSWV WVTP,SINE",
        "C1:BSWV OFST,0",
        "C1:BSWV AMP,2",
        "C1:BSWV FRQ,1000",
    ]
    with pytest.raises(SettingNotTaken, match="output on"):
        generator.output(True)
    link.replies["C1:OUTP?"] = "C1:OUTP OFF,LOAD,50,PLRT,NOR"
    with pytest.raises(SettingNotTaken, match="load"):
        generator.prepare()


G3_REPLIES = {"RMN": "0", "RMW": "00", "RMO": "0", "RMA": "20000", "RMF": "00001000000000"}


def test_write_read_commands_are_those_of_the_table_and_every_acknowledgement_is_heard():
    link = AcknowledgingLink(dict(G3_REPLIES), acknowledge="")
    generator = generator_on(link, "generator-write-read", prepare_vpp=2.0)
    generator.prepare()
    assert generator.set_frequency(1000.0) == 1000.0
    assert [text for text in link.sent if text.startswith("W")] == [
        "WMN0",
        "WMW00",
        "WMO0.00",
        "WMA2.00",
        "WMF00001000000000",
    ]
    link.acknowledge = "ERR"
    with pytest.raises(CommandRefused, match="ERR"):
        generator.set_frequency(1000.0)


def test_the_unit_of_a_reply_is_settled_once_by_what_was_sent():
    link = AcknowledgingLink(dict(G3_REPLIES), acknowledge="")
    generator = generator_on(link, "generator-write-read")
    link.replies["RMF"] = "1000.000000"
    assert generator.set_frequency(1000.0) == 1000.0
    # From now on the reply is in hertz: half a gigahertz is not read as 500 Hz in microhertz.
    link.replies["RMF"] = "500000000"
    with pytest.raises(SettingNotTaken):
        generator.set_frequency(500.0)
    # No unit agrees: nothing is believed.
    other = generator_on(AcknowledgingLink(dict(G3_REPLIES), acknowledge=""), "generator-write-read")
    with pytest.raises(SettingNotTaken):
        other.set_frequency(777.0)


G5_REPLIES = {
    ":r20=0.": ":r20=0,0.",
    ":r21=0.": ":r21=0.",
    ":r23=0.": ":r23=100000,0.",
    ":r25=0.": ":r25=2000.",
    ":r27=0.": ":r27=1000.",
}


def test_colon_register_commands_are_those_of_the_table_and_every_acknowledgement_is_heard():
    link = AcknowledgingLink(dict(G5_REPLIES), acknowledge=":ok")
    generator = generator_on(link, "generator-colon-registers", prepare_vpp=2.0)
    generator.prepare()
    assert generator.set_frequency(1000.0) == 1000.0
    assert [text for text in link.sent if text.startswith(":w")] == [
        ":w20=0,0.",
        ":w21=0.",
        ":w27=1000.",
        ":w25=2000.",
        ":w23=100000,0.",
    ]
    # Shown in another unit than hertz, the figure is another one.
    link.replies[":r23=0."] = ":r23=100000,1."
    with pytest.raises(ReplyError):
        generator.set_frequency(1000.0)
    link.acknowledge = ":err"
    with pytest.raises(CommandRefused, match=":err"):
        generator.output(True)


def test_letter_pair_commands_are_those_of_the_table_and_fit_its_line():
    link = AcknowledgingLink({"cf": "cf000100000"})
    generator = generator_on(link, "generator-letter-pairs")
    generator.prepare()
    generator.set_level(2.0)
    assert generator.set_frequency(1000.0) == 1000.0
    # The amplitude is the switch: with the output off only zero was ever sent.
    assert link.sent == ["ba0.0", "bw0", "bo0.0", "bf000100000", "cf"]
    generator.output(True)
    assert link.sent[-1] == "ba2.0"
    generator.set_level(0.5)
    assert link.sent[-1] == "ba0.5"
    generator.output(False)
    assert link.sent[-1] == "ba0.0"
    assert max(map(len, link.sent)) <= 15


def test_what_cannot_be_read_back_is_named_in_the_recording_and_at_the_end(caplog):
    links = direct_links(SimulatedSettings(stage=STAGE, generator_family=GeneratorFamily.LETTER_PAIRS))
    with Bench.from_links(
        generator=links.generator,
        scope=links.scope,
        clock=links.clock,
        generator_profile="generator-letter-pairs",
    ) as bench:
        filed, scope = filed_instruments(bench, level_vpp=2.0, probe_factors=(10.0, 10.0))
    assert filed.settings["not_read_back"] == "sine; offset 0 V; amplitude; output on and off"
    assert filed.settings["load"] == "no such setting"
    assert filed.settings["profile_hardware_status"] == "untested on hardware"
    assert "not_read_back" not in scope.settings
    assert "commanded and not confirmed" in caplog.text
    # It was commanded, so the bench does not call the state unknown.
    assert bench.farewell is None


def test_between_the_steps_of_an_amplitude_nothing_is_sent():
    link = AcknowledgingLink({})
    with pytest.raises(SettingRefused, match=r"nearest that can be sent to it is 0\.1 V"):
        generator_on(link, "generator-letter-pairs").set_level(0.14)
    assert link.sent == []


def test_a_figure_meaning_50_ohm_is_halved_in_any_form():
    link = AcknowledgingLink({"cf": "cf000100000"})
    generator = generator_on(
        link,
        "generator-letter-pairs",
        amplitude_means=AmplitudeMeaning.INTO_50_OHM,
        vpp_min=0.2,
        prepare_vpp=0.2,
    )
    assert generator.set_level(2.0) == 2.0
    generator.output(True)
    assert link.sent[-1] == "ba1.0"


@pytest.mark.parametrize("reply", ["", "cg000100000", "cf", "cf12x"])
def test_a_reply_that_is_not_of_the_family_is_refused(reply):
    with pytest.raises(ReplyError):
        generator_on(AcknowledgingLink({"cf": reply}), "generator-letter-pairs").set_frequency(1000.0)


@pytest.mark.parametrize(
    ("generator", "scope"),
    [
        (GeneratorFamily.WRITE_READ, ScopeFamily.SIGNED_CODES),
        (GeneratorFamily.LETTER_PAIRS, ScopeFamily.WAVEDESC),
        (GeneratorFamily.KEY_VALUE, ScopeFamily.MEMORY_LIST),
        (GeneratorFamily.COLON_REGISTERS, ScopeFamily.CURVE_NEWER),
    ],
)
def test_over_sockets_line_ends_and_blocks_leave_nothing_in_the_pipe(generator, scope):
    settings = SimulatedSettings(
        stage=STAGE, seed=5, speed=8.0, generator_family=generator, scope_family=scope
    )
    profile = profile_of_family(generator.value, InstrumentKind.GENERATOR)
    with (
        SimulatedBench(settings) as served,
        open_bench(
            generator=served.generator_resource,
            scope=served.scope_resource,
            clock=served.clock,
            generator_profile=profile.name,
            allow_unverified=True,
        ) as bench,
    ):
        bench.scope.prepare((10.0, 10.0))
        bench.generator.prepare()
        bench.generator.set_level(2.0)
        bench.generator.set_frequency(1000.0)
        bench.generator.output(True)
        bench.scope.set_time(0.5e-3)
        for channel in (1, 2):
            bench.scope.set_volts_per_div(channel, 0.5)
        # Bench seconds: eight of them go by in one of a busy machine.
        for _ in range(2):
            trace = bench.scope.capture(timeout_s=100.0).channel_1
            assert np.ptp(trace.codes) * trace.volts_per_code == pytest.approx(2.0, rel=0.2)
    assert not served.world.output_on
