"""How many points a sweep takes until its finding is settled.

Parts within 30 % of the marked value, in series and shunt fixtures and in the Wrenfield stage, with a null run. The
default plan stops by itself; its points are counted, the one that was already under way when the answer came
included. A sweep whose estimate is undecided counts as never settled. The even plan cannot stop by itself: shown is
after how many of its points, in their order, the same rule (99 %) would have been met; for comparison that number is
shown for the default plan too.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf
from pathlib import Path

import numpy as np

from tests.benchmarks._parts import PARTS_PER_BENCH, TEN, Wired, draw_wired, neighbours
from tests.benchmarks._runs import archive_folder, measure, measure_null
from tests.benchmarks._workers import map_cases
from tests.benchmarks.table import Row
from twonode.acquire import PointDone
from twonode.acquire.information_planner import SETTLED_FROM
from twonode.acquire.request import PlanKind
from twonode.analysis.estimate import MINIMUM_POINTS, estimate_part
from twonode.analysis.findings import FindingState
from twonode.analysis.hookup import HookUp
from twonode.analysis.model import Sweep
from twonode.analysis.settled import standing
from twonode.drivers.simulated import SimulatedSettings
from twonode.errors import TwonodeError

FIRST_SEED = 60_000
HOOKUPS = (HookUp.SERIES, HookUp.SHUNT, HookUp.STAGE)
WITHIN = 0.30


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One bench with the numbers of the parts measured on it."""

    seed: int
    parts: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """Points of one part; inf where its finding was not settled.

    taken : until the default plan stopped. needed : of its points, until 99 %. even : the same of the even plan.
    bench_s, even_bench_s : both sweeps' time on the bench's clock, whole sweeps.
    """

    hookup: HookUp
    taken: float
    needed: float
    even: float
    bench_s: float
    even_bench_s: float


def _points_needed(sweep: Sweep, null: Sweep, wired: Wired) -> float:
    """After how many points the finding stands at 99 %."""
    part = wired.stage.part(wired.part)
    for count in range(MINIMUM_POINTS, len(sweep.points) + 1):
        sweeps = [replace(sweep, points=sweep.points[:count]), null]
        if standing(sweeps, part, wired.nominal_farad, TEN).probability >= SETTLED_FROM:
            return float(count)
    return inf


def measure_bench(case: Case) -> list[Outcome]:
    """The null run of a bench, then its parts, each by both plans."""
    first = _draw(case.parts[0])[0]
    with archive_folder() as archive:
        try:
            null = measure_null(
                SimulatedSettings(stage=first.stage, seed=case.seed), first.request(case.seed), archive
            )
        except TwonodeError:
            # Refused, such as for probes that are trimmed too badly: nothing is settled on this bench.
            return [_unsettled(number) for number in case.parts]
        return [_measure_part(number, case.seed, archive, null) for number in case.parts]


def _unsettled(number: int) -> Outcome:
    return Outcome(
        hookup=_draw(number)[0].hookup, taken=inf, needed=inf, even=inf, bench_s=inf, even_bench_s=inf
    )


def _draw(number: int) -> tuple[Wired, float]:
    rng = np.random.default_rng([FIRST_SEED, number])
    wired = draw_wired(HOOKUPS[number % len(HOOKUPS)], rng)
    return wired, wired.nominal_farad * (1.0 + float(rng.uniform(-WITHIN, WITHIN)))


def _measure_part(number: int, seed: int, archive: Path, null: Sweep) -> Outcome:
    wired, farad = _draw(number)
    settings = SimulatedSettings(
        stage=wired.stage,
        seed=seed,
        noise_stream=number,
        true=neighbours(wired, FIRST_SEED + number) | {wired.part: farad},
    )
    planned = measure(settings, wired.request(seed), archive, null=null)
    even = measure(settings, wired.request(seed, PlanKind.EVEN), archive, null=null)
    estimate = estimate_part(
        [planned.sweep, null], wired.part, nominal_farad=wired.nominal_farad, tolerance=TEN
    )
    settled = estimate.finding.state is not FindingState.UNDECIDED
    taken = sum(isinstance(event, PointDone) for event in planned.events)
    return Outcome(
        hookup=wired.hookup,
        taken=float(taken) if settled else inf,
        needed=_points_needed(planned.sweep, null, wired),
        even=_points_needed(even.sweep, null, wired),
        bench_s=planned.bench_s,
        even_bench_s=even.bench_s,
    )


def _words(counts: list[float]) -> str:
    """Median, 90 % quantile, and how many were never settled."""
    ordered = np.sort(counts)
    nine = ordered[int(0.9 * len(ordered))]
    never = int(np.isinf(ordered).sum())
    return f"median {np.median(ordered):g}, 90 % within {nine:g}, never settled {never} of {len(ordered)}"


def run(*, quick: bool = False) -> list[Row]:
    count = 24 if quick else 300
    benches = [
        Case(seed=FIRST_SEED + first // PARTS_PER_BENCH, parts=tuple(range(first, first + PARTS_PER_BENCH)))
        for first in range(0, count, PARTS_PER_BENCH)
    ]
    found = [
        o
        for outcomes in map_cases(measure_bench, benches, name="settling points (benches)")
        for o in outcomes
    ]
    taken = [o.taken for o in found]
    rows = [
        Row(
            figure=f"points until the default plan stops with a settled finding, {len(found)} parts",
            target="median <= 7",
            measured=_words(taken),
            met=bool(np.median(taken) <= 7),
        ),
        Row(
            figure="  points of the default plan until the finding stands at 99 %",
            target="shown",
            measured=_words([o.needed for o in found]),
            met=None,
        ),
        Row(
            figure="  points of the even plan until the finding stands at 99 %",
            target="shown beside it",
            measured=_words([o.even for o in found]),
            met=None,
        ),
        Row(
            figure="  time on the bench's clock, whole sweep: default plan, even plan of 12 points, medians",
            target="shown",
            measured=f"{np.median([o.bench_s for o in found]):.1f} s, "
            f"{np.median([o.even_bench_s for o in found]):.1f} s",
            met=None,
        ),
    ]
    for hookup in HOOKUPS:
        own = [o for o in found if o.hookup is hookup]
        rows.append(
            Row(
                figure=f"  {hookup.value}: default plan; even plan",
                target="shown",
                measured=f"{_words([o.taken for o in own])}; {_words([o.even for o in own])}",
                met=None,
            )
        )
    return rows
