"""Stages and shortcuts the tests of the simulated bench share."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.hookup import series_stage, shunt_stage
from twonode.analysis.quantities import Tolerance
from twonode.analysis.stage import GROUND, Part, PartKind, Stage, shipped_stage
from twonode.drivers.simulated import DirectBench

TIGHT = Tolerance(minus=1e-3, plus=1e-3)
TEN_PERCENT = Tolerance(minus=0.1, plus=0.1)


def series() -> Stage:
    return series_stage(
        part="C7",
        value_farad=22e-9,
        tolerance=TEN_PERCENT,
        resistor_ohm=100e3,
        resistor_tolerance=TIGHT,
    )


def shunt() -> Stage:
    return shunt_stage(
        part="C7", value_farad=1e-9, tolerance=TEN_PERCENT, resistor_ohm=100e3, resistor_tolerance=TIGHT
    )


def _part(name: str, kind: PartKind, first: str, second: str, value: float) -> Part:
    return Part(name=name, kind=kind, between=(first, second), value=value, tolerance=TEN_PERCENT)


def resonant() -> Stage:
    """A choke that rings with the far node's capacitor."""
    return Stage(
        title="choke and capacitor",
        drive="anode",
        far="grid",
        parts=(
            _part("R1", PartKind.RESISTOR, "anode", "tap", 4.7e3),
            _part("L1", PartKind.INDUCTOR, "tap", "grid", 0.5),
            _part("C1", PartKind.CAPACITOR, "grid", GROUND, 47e-9),
            _part("R2", PartKind.RESISTOR, "grid", GROUND, 100e3),
        ),
    )


def leaky_ladder() -> Stage:
    """Series resistance, a leak and a node between."""
    coupling = replace(
        _part("C1", PartKind.CAPACITOR, "anode", "middle", 47e-9), esr_ohm=330.0, leak_ohm=1.5e6
    )
    return Stage(
        title="leaky ladder",
        drive="anode",
        far="grid",
        parts=(
            coupling,
            _part("R1", PartKind.RESISTOR, "middle", GROUND, 220e3),
            _part("R2", PartKind.RESISTOR, "middle", "grid", 47e3),
            _part("C2", PartKind.CAPACITOR, "grid", GROUND, 470e-12),
            _part("R3", PartKind.RESISTOR, "grid", GROUND, 1e6),
        ),
    )


STAGES = {
    "series": series(),
    "shunt": shunt(),
    "receiver": shipped_stage("wrenfield-46-driver-output"),
    "resonant": resonant(),
    "leaky ladder": leaky_ladder(),
}


def fit_phasors(
    volts: NDArray[np.float64], interval_s: float, frequency_hz: float, harmonic_hz: float | None = None
) -> NDArray[np.complex128]:
    """Phasor a - jb of each row by numpy's least squares, independent of our own sine fit."""
    time_s = np.arange(volts.shape[1]) * interval_s
    columns = [np.ones_like(time_s)]
    for frequency in (frequency_hz, *((harmonic_hz,) if harmonic_hz else ())):
        columns += [np.cos(2 * np.pi * frequency * time_s), np.sin(2 * np.pi * frequency * time_s)]
    found = np.linalg.lstsq(np.array(columns).T, volts.T, rcond=None)[0]
    return found[1] - 1j * found[2]


def start_generator(bench: DirectBench, frequency_hz: float, vpp: float) -> None:
    for command in (
        "OUTP OFF",
        "OUTP:LOAD INF",
        "VOLT:UNIT VPP",
        "FUNC SIN",
        "VOLT:OFFS 0",
        f"VOLT {vpp}",
        f"FREQ {frequency_hz}",
        "OUTP ON",
    ):
        bench.generator.write(command)
    assert bench.generator.query("SYST:ERR?") == '0,"No error"'


def prepare_ten_field(bench: DirectBench, *, volts_per_div: float, seconds_per_div: float) -> None:
    for channel in (1, 2):
        for command in ("DISP ON", "COUP DC", "BWL OFF", "PROB 10", f"SCAL {volts_per_div}", "OFFS 0"):
            bench.scope.write(f":CHAN{channel}:{command}")
    bench.scope.write(f":TIM:SCAL {seconds_per_div};:ACQ:MDEP 6000")
    bench.scope.write(":TRIG:EDGE:SOUR CHAN1;LEV 0;SLOP POS;:TRIG:SWE NORM")
    assert bench.scope.query("SYST:ERR?") == '0,"No error"'


def read_ten_field(bench: DirectBench) -> tuple[NDArray[np.float64], float]:
    """Volts of both channels, shape (2, n), by the facts page's rule, and the sample interval."""
    rows = []
    interval_s = 0.0
    for channel in (1, 2):
        bench.scope.write(f":WAV:SOUR CHAN{channel};MODE RAW;FORM BYTE")
        fields = [float(text) for text in bench.scope.query(":WAV:PRE?").split(",")]
        bench.scope.write(f":WAV:STAR 1;STOP {int(fields[2])}")
        codes = np.frombuffer(bench.scope.query_block(":WAV:DATA?"), dtype=np.uint8).astype(float)
        interval_s, per_code, origin, reference = fields[4], fields[7], fields[8], fields[9]
        rows.append((codes - reference - origin) * per_code)
    return np.array(rows), interval_s


def capture_ten_field(bench: DirectBench) -> tuple[NDArray[np.float64], float]:
    bench.scope.write(":SING")
    for _ in range(1000):
        if bench.scope.query(":TRIG:STAT?") == "STOP":
            return read_ten_field(bench)
        bench.clock.sleep_s(0.005)
    raise AssertionError("the scope never stopped")
