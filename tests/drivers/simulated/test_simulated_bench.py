"""The bench as a whole: chance from one seed, sockets, shutting down; the voltmeter."""

from __future__ import annotations

import math
import socket
import subprocess
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from simulated_stages import (
    STAGES,
    TEN_PERCENT,
    capture_ten_field,
    prepare_ten_field,
    series,
    start_generator,
)
from spice_transient import needs_ngspice

from twonode.analysis.stage import GROUND, Part, PartKind, Stage
from twonode.drivers.link import open_link
from twonode.drivers.simulated import (
    Fault,
    FaultKind,
    ScopeFamily,
    SimulatedBench,
    SimulatedSettings,
    direct_links,
)
from twonode.drivers.simulated.truth import draw_truth
from twonode.drivers.simulated.voltmeter import LOOSE_END, MeterTip, dc_volts, shown_v


def trace(settings: SimulatedSettings) -> NDArray[np.float64]:
    bench = direct_links(settings)
    prepare_ten_field(bench, volts_per_div=0.5, seconds_per_div=1e-3)
    start_generator(bench, 400.0, 3.0)
    bench.clock.sleep_s(0.3)
    capture_ten_field(bench)
    return capture_ten_field(bench)[0]


def test_the_same_seed_and_commands_give_the_same_codes_and_another_seed_others() -> None:
    first, again = (trace(SimulatedSettings(stage=series(), seed=7)) for _ in range(2))
    np.testing.assert_array_equal(first, again)
    other = trace(SimulatedSettings(stage=series(), seed=8))
    assert np.any(first != other)


def test_another_noise_stream_leaves_parts_and_instruments_as_they_are() -> None:
    settings = SimulatedSettings(stage=series(), seed=7)
    again = replace(settings, noise_stream=1)
    assert draw_truth(settings).value == draw_truth(again).value
    difference = trace(settings) - trace(again)
    assert np.any(difference != 0)
    assert np.abs(difference.mean(axis=1)).max() < 0.01


def test_adding_a_companion_changes_no_other_draw() -> None:
    stage = series()
    companion = Part(name="Rc", kind=PartKind.RESISTOR, between=("far", GROUND), value=100e3)
    plain = draw_truth(SimulatedSettings(stage=stage, seed=9))
    joined = draw_truth(SimulatedSettings(stage=stage.with_parts(companion), seed=9))
    assert {n: joined.value[n] for n in plain.value} == plain.value
    assert joined.probes == plain.probes
    np.testing.assert_array_equal(joined.gain_error, plain.gain_error)


def test_draws_have_the_spread_the_design_gives_them() -> None:
    truths = [draw_truth(SimulatedSettings(stage=series(), seed=seed)) for seed in range(400)]
    # Standard error of a standard deviation over 400 draws: 3.5 %; bounds at four of them.
    for sigma, draws in {
        0.1 / math.sqrt(3): [math.log(t.value["C7"] / 22e-9) for t in truths],
        1e-3 / math.sqrt(3): [math.log(t.value["R"] / 100e3) for t in truths],
        0.03: [t.probes[0].compensation for t in truths],
        1e-9: [t.skew_s for t in truths],
        30e-6: [t.time_base_error for t in truths],
        0.015: [t.gain_error[0, 5] for t in truths],
        2e-12 / math.sqrt(3): [t.probes[1].farad for t in truths],
    }.items():
        assert np.std(draws) == pytest.approx(sigma, rel=0.14)
    levels = np.array([t.noise_lsb for t in truths])
    assert levels.min() >= 0.2
    assert levels.max() <= 2.0
    assert levels.mean() == pytest.approx(1.1, abs=0.11)
    pairs = np.array([t.gain_error[:, 5] for t in truths])
    assert abs(np.corrcoef(pairs.T)[0, 1]) < 0.2


def test_true_values_and_faults_override_what_was_drawn() -> None:
    stage = STAGES["receiver"]
    faults = {
        "C7": Fault(kind=FaultKind.LEAKY, amount=2e6),
        "C6": Fault(kind=FaultKind.OPEN),
        "R9": Fault(kind=FaultKind.OFF_VALUE, amount=330e3),
    }
    truth = draw_truth(SimulatedSettings(stage=stage, true={"C7": 18e-9}, faults=faults))
    parts = {part.name: part for part in truth.parts}
    assert (parts["C7"].value, parts["C7"].leak_ohm) == (18e-9, 2e6)
    assert parts["C6"].value == 1.5e-12
    assert parts["R9"].value == truth.value["R9"] == 330e3
    shorted = draw_truth(
        SimulatedSettings(stage=stage, faults={"C7": Fault(kind=FaultKind.SHORTED)}, loss=0.0)
    )
    assert next(p for p in shorted.parts if p.name == "C7").kind is PartKind.RESISTOR
    assert next(p for p in shorted.parts if p.name == "C6").loss == 0.0


@pytest.mark.parametrize(
    "fields",
    [
        {"true": {"C7": 0.0}},
        {"true": {"C7": math.nan}},
        {"probe_factor": (10, 5)},
        {"seed": -1},
        {"residual_dc_v": {"nowhere": 3.0}},
        {"speed": 0.0},
        {"noise_lsb": -1.0},
        {"faults": {"R": Fault(kind=FaultKind.LOSSY, amount=0.1)}},
    ],
)
def test_settings_that_make_no_bench_are_refused(fields: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"need|not in|fits"):
        SimulatedSettings(stage=series(), **fields)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("kind", "amount"), [(FaultKind.LEAKY, None), (FaultKind.OPEN, 3.0), (FaultKind.ESR, -1.0)]
)
def test_a_fault_needs_its_amount_and_only_where_it_has_one(kind: FaultKind, amount: float | None) -> None:
    with pytest.raises(ValueError, match="fault"):
        Fault(kind=kind, amount=amount)


def ask_block(link_query: socket.socket, text: str) -> bytes:
    link_query.sendall(text.encode() + b"\n")
    reader = link_query.makefile("rb")
    assert reader.read(1) == b"#"
    length = int(reader.read(int(reader.read(1))))
    payload = reader.read(length)
    assert reader.read(1) == b"\n"
    return payload


@pytest.mark.parametrize("family", [ScopeFamily.TEN_FIELD, ScopeFamily.CURVE])
def test_a_record_with_line_feeds_in_it_crosses_the_socket_whole(family: ScopeFamily) -> None:
    """Through pyvisa (open_link) and through a plain socket: the same bytes."""
    settings = SimulatedSettings(stage=series(), seed=3, scope_family=family, speed=20.0)
    with SimulatedBench(settings) as bench:
        generator, scope = open_link(bench.generator_resource), open_link(bench.scope_resource)
        for text in ("OUTP:LOAD INF", "VOLT 19", "FREQ 300", "OUTP ON"):
            generator.write(text)
        assert generator.query("SYST:ERR?") == '0,"No error"'
        if family is ScopeFamily.TEN_FIELD:
            for channel in (1, 2):
                scope.write(f":CHAN{channel}:DISP ON;COUP DC;BWL OFF;PROB 10;SCAL 5;OFFS -22")
            scope.write(":TIM:SCAL 0.001;:ACQ:MDEP 6000;:SING")
            bench.clock.sleep_s(0.5)
            assert scope.query(":TRIG:STAT?") == "STOP"
            scope.write(":WAV:SOUR CHAN1;MODE RAW;FORM BYTE;STAR 1;STOP 6000")
            ask, length = ":WAV:DATA?", 6000
        else:
            scope.write("HEAD OFF;:SEL:CH2 ON;:CH1:COUP DC;BAN OFF;PRO 10;SCA 5")
            scope.write("HOR:MAI:SCA 1E-3;:ACQ:STOPA SEQ;STATE ON")
            assert scope.query("*OPC?") == "1"
            scope.write("DAT:SOU CH1;ENC RIB")
            ask, length = "CURV?", 2500
        payload = scope.query_block(ask, expected_bytes=length)
        assert payload.count(b"\n") > 5
        with socket.create_connection(("127.0.0.1", int(bench.scope_resource.split("::")[2]))) as plain:
            assert ask_block(plain, ask) == payload
        generator.close()
        scope.close()


def test_a_bench_closes_at_once_even_while_an_instrument_waits_for_a_trigger() -> None:
    settings = SimulatedSettings(stage=series(), scope_family=ScopeFamily.CURVE)
    with SimulatedBench(settings) as bench:
        port = int(bench.scope_resource.split("::")[2])
        waiting = socket.create_connection(("127.0.0.1", port))
        waiting.sendall(b"TRIG:MAI:MOD NORM;:ACQ:STOPA SEQ;STATE ON\n*OPC?\n")
        time.sleep(0.1)
        start_s = time.monotonic()
    assert time.monotonic() - start_s < 1.0
    with waiting:
        waiting.settimeout(2.0)
        assert waiting.recv(10) == b""
    with pytest.raises((ConnectionRefusedError, TimeoutError)):
        socket.create_connection(("127.0.0.1", port), timeout=1.0)
    assert not [t for t in threading.enumerate() if t.name.startswith("simulated")]


def test_a_client_that_hangs_up_while_waiting_does_not_block_the_next() -> None:
    settings = SimulatedSettings(stage=series(), scope_family=ScopeFamily.CURVE)
    with SimulatedBench(settings) as bench:
        address = ("127.0.0.1", int(bench.scope_resource.split("::")[2]))
        with socket.create_connection(address) as first:
            first.sendall(b"TRIG:MAI:MOD NORM;:ACQ:STOPA SEQ;STATE ON\n*OPC?\n")
            time.sleep(0.1)
        with socket.create_connection(address, timeout=2.0) as second:
            second.sendall(b"*IDN?\n")
            assert second.recv(100).endswith(b"\n")


def test_a_message_without_end_is_thrown_away_and_queued_as_an_overrun() -> None:
    with SimulatedBench(SimulatedSettings(stage=series())) as bench:
        address = ("127.0.0.1", int(bench.generator_resource.split("::")[2]))
        with socket.create_connection(address, timeout=2.0) as link:
            link.sendall(b"X" * 70000)
            time.sleep(0.1)
            link.sendall(b"\n*CLS\nSYST:ERR?\n*IDN?\n")
            replies = link.makefile("rb")
            assert replies.readline() == b'0,"No error"\n'
            assert b"SIM" in replies.readline()


# The voltmeter.


def live_stage() -> Stage:
    return STAGES["receiver"]


@pytest.mark.ngspice
@needs_ngspice
def test_dc_volts_behind_a_leaky_capacitor_are_those_of_ngspice_op(tmp_path: Path) -> None:
    stage = live_stage()
    faults = {"C7": Fault(kind=FaultKind.LEAKY, amount=5e6)}
    truth = draw_truth(SimulatedSettings(stage=stage, seed=2, faults=faults))
    value = truth.value
    deck = (
        "* grid volts\n"
        f"VHT ht 0 {value['HT']!r}\nR9 ht anode {value['R9']!r}\nRLEAK anode grid 5e6\n"
        f"R12 grid 0 {value['R12']!r}\nRM grid 0 10e6\n"
        ".control\nop\nwrdata out.txt v(grid)\nquit 0\n.endc\n.end\n"
    )
    (tmp_path / "deck.cir").write_text(deck)
    subprocess.run(["ngspice", "-b", "deck.cir"], cwd=tmp_path, check=True, capture_output=True, timeout=30)
    expected = float(np.loadtxt(tmp_path / "out.txt").ravel()[-1])
    assert expected > 5
    assert dc_volts(truth.parts, stage.far) == pytest.approx(expected, rel=1e-6)


def test_a_sound_capacitor_leaves_the_grid_at_zero_and_a_supply_reads_its_volts() -> None:
    truth = draw_truth(SimulatedSettings(stage=live_stage(), seed=2))
    assert dc_volts(truth.parts, "output grid") == pytest.approx(0.0, abs=1e-6)
    assert dc_volts(truth.parts, "ht") == 210.0
    assert dc_volts(truth.parts, GROUND) == 0.0


def test_the_meter_reads_within_half_a_percent_and_three_counts() -> None:
    errors = []
    for seed in range(40):
        settings = SimulatedSettings(
            stage=live_stage(), seed=seed, faults={"C7": Fault(kind=FaultKind.LEAKY, amount=5e6)}
        )
        bench = direct_links(settings)
        truth = bench.world.truth
        true_v = dc_volts(truth.parts, "output grid", load_ohm=truth.meter_ohm)
        read_v = float(bench.voltmeter.query("MEAS:VOLT:DC?"))
        assert read_v == float(bench.voltmeter.query("READ?"))
        assert 4 < true_v < 40, "the range of 10 mV steps"
        errors.append((read_v - true_v) / (0.005 * true_v + 3.5 * 0.01))
    assert np.abs(errors).max() <= 1.0
    assert np.abs(errors).max() > 0.3


def test_meters_differ_by_their_seed_within_one_percent_of_ten_megohms() -> None:
    ohms = [draw_truth(SimulatedSettings(stage=live_stage(), seed=seed)).meter_ohm for seed in range(60)]
    assert 9.9e6 <= min(ohms) < 9.91e6
    assert 10.09e6 < max(ohms) <= 10.1e6


@pytest.mark.parametrize(
    ("volts", "step"), [(0.39, 1e-4), (0.41, 1e-3), (3.9, 1e-3), (39.0, 1e-2), (399.0, 0.1), (900.0, 1.0)]
)
def test_the_last_digit_is_that_of_the_range(volts: float, step: float) -> None:
    shown = shown_v(volts + 0.37 * step, [0.0] * 5, [0.0] * 5)
    assert shown == pytest.approx(volts, abs=1e-9)
    assert shown_v(volts + 0.63 * step, [0.0] * 5, [0.0] * 5) == pytest.approx(volts + step, abs=1e-9)
    assert shown_v(1200.0, [0.0] * 5, [0.0] * 5) is None


@pytest.mark.ngspice
@needs_ngspice
@pytest.mark.parametrize("meter_ohm", [math.inf, 10e6, 9.93e6])
@pytest.mark.parametrize("name", ["anode", "grid"])
def test_every_node_with_and_without_the_meter_is_that_of_ngspice_op(
    name: str, meter_ohm: float, tmp_path: Path
) -> None:
    stage = live_stage()
    faults = {"C7": Fault(kind=FaultKind.LEAKY, amount=80e6)}
    value = draw_truth(SimulatedSettings(stage=stage, seed=3, faults=faults)).value
    node = {"anode": stage.drive, "grid": stage.far}[name]
    meter = "" if math.isinf(meter_ohm) else f"RM {name} 0 {meter_ohm!r}\n"
    deck = (
        "* live stage with 20 nA of grid current\n"
        f"VHT ht 0 {value['HT']!r}\nR9 ht anode {value['R9']!r}\nRLEAK anode grid 80e6\n"
        f"R12 grid 0 {value['R12']!r}\nIG 0 grid 20e-9\n{meter}"
        ".options gmin=1e-20 reltol=1e-9\n"
        f".control\nset numdgt=12\nop\nwrdata out.txt v({name})\nquit 0\n.endc\n.end\n"
    )
    (tmp_path / "deck.cir").write_text(deck)
    subprocess.run(["ngspice", "-b", "deck.cir"], cwd=tmp_path, check=True, capture_output=True, timeout=30)
    expected = float(np.loadtxt(tmp_path / "out.txt").ravel()[-1])
    truth = draw_truth(SimulatedSettings(stage=stage, seed=3, faults=faults))
    ours = dc_volts(truth.parts, node, load_ohm=meter_ohm, injected_a={stage.far: 20e-9})
    assert ours == pytest.approx(expected, rel=1e-7)


def test_the_tip_moves_from_node_to_node_and_to_a_loose_end() -> None:
    stage = live_stage()
    settings = SimulatedSettings(
        stage=stage,
        seed=4,
        faults={"C7": Fault(kind=FaultKind.LEAKY, amount=1e9)},
        grid_current_a={stage.far: 1e-6},
        imperfection=0.0,
        meter_node=stage.drive,
    )
    bench = direct_links(settings)
    value = bench.world.truth.value

    def read(**tip: Any) -> float:
        bench.meter.hold(MeterTip(**tip))
        return float(bench.voltmeter.query("READ?"))

    # By hand: HT 210 V behind R9 with the meter's 10 Mohm; then 1 uA and the leak into R12 parallel 10 Mohm.
    at_drive = 210.0 * 10e6 / (10e6 + value["R9"])
    assert float(bench.voltmeter.query("READ?")) == pytest.approx(at_drive, abs=0.2)
    below = 1 / (1 / value["R12"] + 1 / 10e6)
    leak_a = (210.0 - 1e-6 * below) / (1e9 + value["R9"] + below)
    assert read(node=stage.far) == pytest.approx((1e-6 + leak_a) * below, abs=1e-3)
    assert read(node=stage.far, lifted="C7") == pytest.approx(1e-6 * below, abs=1e-3)
    assert read(node=stage.far, valve_out=True) == pytest.approx(
        210.0 * below / (1e9 + value["R9"] + below), abs=1e-3
    )
    loose = 210.0 * 10e6 / (1e9 + 10e6 + value["R9"])
    assert read(node=LOOSE_END, lifted="C7") == pytest.approx(loose, abs=2e-3)
    for wrong in ({"node": "screen"}, {"node": LOOSE_END}, {"node": stage.far, "lifted": "C99"}):
        with pytest.raises(ValueError, match="not in the stage"):
            bench.meter.hold(MeterTip(**wrong))


def test_an_inductor_carries_dc_and_a_tolerance_of_one_sided_kind_stays_inside() -> None:
    stage = STAGES["resonant"].with_parts(
        Part(name="V", kind=PartKind.SUPPLY, between=("ht", GROUND), value=100.0),
        Part(name="R8", kind=PartKind.RESISTOR, between=("ht", "anode"), value=100e3, tolerance=TEN_PERCENT),
    )
    truth = draw_truth(SimulatedSettings(stage=stage, seed=1))
    value = truth.value
    # Divider: R8 and R1 (the choke is a wire) into R2 parallel 10 Mohm.
    below = 1 / (1 / value["R2"] + 1 / 10e6)
    expected = 100.0 * below / (below + value["R8"] + value["R1"])
    assert dc_volts(truth.parts, "grid") == pytest.approx(expected, rel=1e-6)
