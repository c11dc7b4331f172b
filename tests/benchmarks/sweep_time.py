"""How long a whole sweep takes against what it cannot go below, in real time over sockets.

The simulated bench runs in a process of its own, at life speed, with 60 ms of transfer latency a channel and a
generator that settles in 50 ms. The floor is the sum over points of record + max(settling, transfer of both
channels); without overlap settling and transfer follow one another.
"""

from __future__ import annotations

import multiprocessing
import tempfile
import time
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

from tests.benchmarks.table import Row
from twonode.acquire import PointDone, SweepClosed, SweepRequest, SweepStarted, run_sweep
from twonode.acquire.levels import Predictor
from twonode.acquire.request import PlanKind
from twonode.analysis.hookup import HookUp, series_stage, shunt_stage
from twonode.analysis.quantities import Tolerance
from twonode.analysis.stage import Stage
from twonode.drivers.bench import open_bench
from twonode.drivers.simulated import SimulatedBench, SimulatedSettings
from twonode.recordings.reader import read_recording

LATENCY_S = 0.060
SETTLING_S = 0.050
TEN = Tolerance(minus=0.1, plus=0.1)
TIGHT = Tolerance(minus=0.001, plus=0.001)


@dataclass(frozen=True, slots=True, kw_only=True)
class Timed:
    """Seconds of one sweep: measured from the output going on to the last point, and its parts."""

    whole_s: float
    floor_s: float
    could_be_saved_s: float
    points: int


def fixtures() -> dict[str, tuple[HookUp, Stage, float]]:
    """Two ordinary jobs."""
    return {
        "10 nF series into 100 kΩ": (
            HookUp.SERIES,
            series_stage(
                part="C1", value_farad=10e-9, tolerance=TEN, resistor_ohm=100e3, resistor_tolerance=TIGHT
            ),
            10e-9,
        ),
        "1 nF shunt behind 10 kΩ": (
            HookUp.SHUNT,
            shunt_stage(
                part="C1", value_farad=1e-9, tolerance=TEN, resistor_ohm=10e3, resistor_tolerance=TIGHT
            ),
            1e-9,
        ),
    }


def _serve(settings: SimulatedSettings, end: Connection) -> None:
    with SimulatedBench(settings) as bench:
        end.send((bench.generator_resource, bench.scope_resource))
        end.recv()


def timed(hookup: HookUp, stage: Stage, farad: float, *, overlap: bool, plan: PlanKind, seed: int) -> Timed:
    """One sweep."""
    settings = SimulatedSettings(
        stage=stage, seed=seed, transfer_latency_s=LATENCY_S, generator_settle_s=SETTLING_S
    )
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    server = context.Process(target=_serve, args=(settings, theirs), daemon=True)
    server.start()
    try:
        generator, scope = ours.recv()
        request = SweepRequest(
            hookup=hookup,
            stage=stage,
            part="C1",
            nominal_farad=farad,
            tolerance=TEN,
            simulated=True,
            plan=plan,
        )
        with tempfile.TemporaryDirectory() as archive, open_bench(generator=generator, scope=scope) as bench:
            start_s = end_s = 0.0
            recording = None
            for event in run_sweep(bench, request, archive=Path(archive), overlap=overlap):
                match event:
                    case SweepStarted():
                        start_s = time.perf_counter()
                    case PointDone():
                        end_s = time.perf_counter()
                    case SweepClosed():
                        recording = read_recording(event.recording)
            assert recording is not None
            relay_s = bench.generator.profile.relay_s
        predictor = Predictor(request)
        floor_s = saved_s = 0.0
        for row in recording.points:
            settling_s = SETTLING_S + predictor.at(row.frequency_hz).settle_s
            floor_s += row.samples * row.sample_interval_s + max(settling_s, 2 * LATENCY_S)
            saved_s += min(settling_s, 2 * LATENCY_S)
        return Timed(
            whole_s=end_s - start_s - relay_s,
            floor_s=floor_s,
            could_be_saved_s=saved_s,
            points=len(recording.points),
        )
    finally:
        ours.send("end")
        server.join(timeout=10)


def run(*, quick: bool = False) -> list[Row]:
    """Rows for both jobs."""
    rows = []
    for name, (hookup, stage, farad) in list(fixtures().items())[: 1 if quick else 2]:
        for plan in (PlanKind.EVEN,) if quick else (PlanKind.EVEN, PlanKind.INFORMATION):
            with_overlap = timed(hookup, stage, farad, overlap=True, plan=plan, seed=3)
            without = timed(hookup, stage, farad, overlap=False, plan=plan, seed=3)
            ratio = with_overlap.whole_s / with_overlap.floor_s
            # Both sweeps take the same points, so the difference is what the overlap saved.
            saved = (without.whole_s - with_overlap.whole_s) / with_overlap.could_be_saved_s
            label = f"{name}, {with_overlap.points} points, plan {plan.value}"
            rows += [
                Row(
                    figure=f"{label}: whole sweep / floor",
                    target="<= 1.15",
                    measured=f"{ratio:.3f} ({with_overlap.whole_s:.2f} s)",
                    met=ratio <= 1.15,
                ),
                Row(
                    figure=f"{label}: saved of what overlap can save",
                    target=">= 80 %",
                    measured=f"{100 * saved:.0f} % (without overlap {without.whole_s:.2f} s)",
                    met=saved >= 0.8,
                ),
            ]
    return rows
