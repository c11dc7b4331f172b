"""Seeded parts in the series and the shunt fixture: how true the value and its stated uncertainty are.

The parts are measured by the program's own sweep on the simulated bench, without a null run, the fixture resistor
known to 0.1 %: most of them in the process (the same drivers and command texts, no sockets), some over sockets.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from math import log, pi, sqrt
from pathlib import Path

import numpy as np

from tests.benchmarks.table import Row
from twonode.acquire import SweepClosed, SweepRequest, estimate_recordings, run_sweep
from twonode.acquire.request import PlanKind, advised_resistor
from twonode.analysis.hookup import HookUp, series_stage, shunt_stage
from twonode.analysis.quantities import Tolerance
from twonode.drivers.bench import Bench, open_bench
from twonode.drivers.simulated import SimulatedBench, SimulatedSettings, direct_links

SLOW_CORNER_HZ = 200.0
HIGHEST_CORNER_HZ = 20e3
DECADES_OHM = (1e3, 1e4, 1e5, 1e6)


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One part in one fixture."""

    hookup: HookUp
    farad: float
    ohm: float
    nominal_farad: float
    seed: int

    @property
    def corner_hz(self) -> float:
        return 1.0 / (2 * pi * self.farad * self.ohm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What the program said of a part, against what the simulator knew."""

    case: Case
    relative_u: float
    z: float
    inside: bool
    reduced_chi_square: float


def cases(hookup: HookUp, count: int, *, first_seed: int) -> list[Case]:
    """Parts log-uniform over the fixture's range; alternately the advised resistor and another decade."""
    low, high = (1e-9, 1e-6) if hookup is HookUp.SERIES else (100e-12, 100e-9)
    rng = np.random.default_rng(first_seed)
    found = []
    while len(found) < count:
        farad = float(np.exp(rng.uniform(log(low), log(high))))
        advised = advised_resistor(farad)
        if len(found) % 2 == 0:
            ohm = advised
        else:
            others = [r for r in DECADES_OHM if r < advised and 1 / (2 * pi * r * farad) <= HIGHEST_CORNER_HZ]
            if not others:
                continue
            ohm = float(rng.choice(others))
        found.append(
            Case(
                hookup=hookup,
                farad=farad,
                ohm=ohm,
                nominal_farad=farad * float(np.exp(0.1 * rng.standard_normal())),
                seed=first_seed + len(found),
            )
        )
    return found


def request_of(case: Case, *, plan: PlanKind = PlanKind.EVEN) -> SweepRequest:
    """The sweep a person would ask for, knowing the marking and the resistor."""
    make = series_stage if case.hookup is HookUp.SERIES else shunt_stage
    tolerance = Tolerance(minus=0.2, plus=0.2)
    stage = make(
        part="C1",
        value_farad=case.nominal_farad,
        tolerance=tolerance,
        resistor_ohm=case.ohm,
        resistor_tolerance=Tolerance(minus=0.001, plus=0.001),
    )
    return SweepRequest(
        hookup=case.hookup,
        stage=stage,
        part="C1",
        nominal_farad=case.nominal_farad,
        tolerance=tolerance,
        simulated=True,
        seed=case.seed,
        plan=plan,
    )


def measure(case: Case, archive: Path, *, sockets: bool) -> Outcome:
    """Sweep, file, estimate."""
    request = request_of(case)
    settings = SimulatedSettings(
        stage=request.stage, seed=case.seed, true={"C1": case.farad}, speed=20.0 if sockets else 1.0
    )
    if sockets:
        with (
            SimulatedBench(settings) as simulated,
            open_bench(
                generator=simulated.generator_resource, scope=simulated.scope_resource, clock=simulated.clock
            ) as bench,
        ):
            recording = _swept(bench, request, archive)
    else:
        links = direct_links(settings)
        with Bench.from_links(generator=links.generator, scope=links.scope, clock=links.clock) as bench:
            recording = _swept(bench, request, archive)
    estimate, _ = estimate_recordings([recording])
    found = estimate.capacitance
    if found.value is None or found.standard_uncertainty is None or found.interval95 is None:
        return Outcome(
            case=case, relative_u=float("inf"), z=0.0, inside=False, reduced_chi_square=float("inf")
        )
    low, high = found.interval95
    return Outcome(
        case=case,
        relative_u=found.standard_uncertainty / found.value,
        z=(found.value - case.farad) / found.standard_uncertainty,
        inside=low <= case.farad <= high,
        reduced_chi_square=estimate.reduced_chi_square,
    )


def _swept(bench: Bench, request: SweepRequest, archive: Path) -> Path:
    for event in run_sweep(bench, request, archive=archive):
        if isinstance(event, SweepClosed):
            return event.recording
    raise AssertionError("the sweep ended without a recording")


def rows(hookup: HookUp, count: int, socket_count: int, *, first_seed: int) -> list[Row]:
    """Figures of one fixture."""
    with tempfile.TemporaryDirectory() as folder:
        direct = [
            measure(case, Path(folder), sockets=False) for case in cases(hookup, count, first_seed=first_seed)
        ]
        socket = [
            measure(case, Path(folder), sockets=True)
            for case in cases(hookup, socket_count, first_seed=first_seed + 100_000)
        ]
    name = hookup.value
    inside = float(np.mean([o.inside for o in direct]))
    spread = sqrt(float(np.mean([o.z**2 for o in direct])))
    slow = [o.relative_u for o in direct if o.case.corner_hz <= SLOW_CORNER_HZ]
    fast = [o for o in direct if o.case.corner_hz > SLOW_CORNER_HZ]
    small = [o.relative_u for o in fast if o.case.farad < 1e-9]
    large = [o.relative_u for o in fast if o.case.farad >= 1e-9]
    found = [
        Row(
            figure=f"{name}: true C inside its 95 % interval, {len(direct)} parts in the process",
            target="92 to 98 %",
            measured=f"{100 * inside:.1f} %",
            met=0.92 <= inside <= 0.98,
        ),
        Row(
            figure=f"{name}: rms of (C - true)/u",
            target="0.9 to 1.1",
            measured=f"{spread:.3f}",
            met=0.9 <= spread <= 1.1,
        ),
        Row(
            figure=f"{name}: median u, corner below 200 Hz ({len(slow)} parts)",
            target="<= 0.3 %",
            measured=f"{100 * np.median(slow):.3f} %" if slow else "none",
            met=bool(np.median(slow) <= 0.003) if slow else None,
        ),
        Row(
            figure=f"{name}: median u, corner above 200 Hz, 1 nF and more ({len(large)} parts)",
            target="<= 1.0 %",
            measured=f"{100 * np.median(large):.3f} %",
            met=bool(np.median(large) <= 0.01),
        ),
    ]
    if small:
        found.append(
            Row(
                figure=f"{name}: median u below 1 nF, limited by the probe's own 12 pF ± 2 pF ({len(small)} parts)",
                target="1 to 2 % allowed",
                measured=f"{100 * np.median(small):.3f} %",
                met=bool(np.median(small) <= 0.02),
            )
        )
    if socket:
        inside_socket = float(np.mean([o.inside for o in socket]))
        spread_socket = sqrt(float(np.mean([o.z**2 for o in socket])))
        found += [
            Row(
                figure=f"{name}: true C inside its 95 % interval, {len(socket)} parts over sockets",
                target="shown (binomial 87 to 100 %)",
                measured=f"{100 * inside_socket:.1f} %, rms {spread_socket:.2f}",
                met=inside_socket >= 0.87,
            )
        ]
    worst = max(o.reduced_chi_square for o in direct)
    median = float(np.median([o.reduced_chi_square for o in direct]))
    found.append(
        Row(
            figure=f"{name}: reduced chi-square, median and largest",
            target="about 1",
            measured=f"{median:.2f}, {worst:.2f}",
            met=None,
        )
    )
    return found


def run(*, quick: bool = False) -> list[Row]:
    """Rows for both fixtures."""
    count, sockets = (40, 4) if quick else (400, 60)
    return [
        *rows(HookUp.SERIES, count, sockets, first_seed=10_000),
        *rows(HookUp.SHUNT, count, sockets, first_seed=20_000),
    ]
