"""Two hundred unmarked parts in the fixture: how true value and preferred value are, and how many points they take.

Seeded parts of 10 pF to 10 uF in dielectrics with their losses, on simulated benches with all their errors; the
fixture's resistors are drawn within 0.1 %, its strays as stated in `fixture`. Every bench does one null run and one
sweep of the open fixture for its batch.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from math import exp, log

import numpy as np

from tests.benchmarks._loose import loose_bench
from tests.benchmarks._runs import archive_folder
from tests.benchmarks._workers import map_cases
from tests.benchmarks.table import Row
from twonode.analysis.fixture import AUDIO_HZ, HIGH_HZ
from twonode.analysis.loose_part import LoosePart
from twonode.analysis.preferred import Series, nearest
from twonode.analysis.scout import LooseState
from twonode.drivers.simulated.bag import BagPart

PARTS_PER_BENCH = 10
FIRST_SEED = 50_000
SMALLEST_FARAD, LARGEST_FARAD = 10e-12, 10e-6
SMALL_FARAD = 100e-12
NEAR_E12 = 0.04
MOST_POINTS = 8
OFF_BY = 0.06
"""Parts lie up to this far from an E12 value: beyond 4 % some are as near to the next one."""

# Usual losses at 1 kHz and values: trade notes, section 7 and from memory.
KINDS = (
    ("mica", 0.0005, 0.0010, 10e-12, 10e-9),
    ("polypropylene", 0.0003, 0.0010, 100e-12, 1e-6),
    ("polyester", 0.003, 0.008, 1e-9, 10e-6),
    ("high-K", 0.01, 0.025, 100e-12, 470e-9),
    ("paper", 0.01, 0.05, 1e-9, 2e-6),
    ("electrolytic", 0.04, 0.1, 1e-6, 10e-6),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What was said of one part, against what the simulator knew."""

    kind: str
    farad: float
    state: str
    points: int
    found: float | None
    found_high: float | None
    relative_u: float | None
    inside: bool | None
    e12: float | None


def draw_parts(seed: int, count: int) -> list[BagPart]:
    """Values even in the logarithm, near a preferred one; then a kind in which there is such a value."""
    rng = np.random.default_rng(seed)
    return [_draw_part(rng) for _ in range(count)]


def _draw_part(rng: np.random.Generator) -> BagPart:
    printed = nearest(float(exp(rng.uniform(log(SMALLEST_FARAD), log(LARGEST_FARAD)))), Series.E12)
    kinds = [kind for kind in KINDS if kind[3] <= printed <= kind[4]]
    kind, least, most, _, _ = kinds[int(rng.integers(len(kinds)))]
    return BagPart(
        family=kind,
        farad=printed * (1.0 + float(rng.uniform(-OFF_BY, OFF_BY))),
        printed_farad=printed,
        loss=float(exp(rng.uniform(log(least), log(most)))),
    )


def batch(seed: int) -> list[Outcome]:
    """One bench with its parts."""
    os.fsync = lambda descriptor: None
    parts = draw_parts(seed, PARTS_PER_BENCH)
    with archive_folder() as archive, loose_bench(seed, parts, archive) as bench:
        return [_outcome(part, bench.measure(number)) for number, part in enumerate(parts, start=1)]


def _outcome(part: BagPart, loose: LoosePart) -> Outcome:
    value, high = loose.value, loose.capacitance_at(HIGH_HZ)
    interval = None if value is None else value.interval95
    relative = None
    if value is not None and value.value and value.standard_uncertainty is not None:
        relative = value.standard_uncertainty / value.value
    return Outcome(
        kind=part.family,
        farad=part.farad,
        state=loose.state.value,
        points=loose.points,
        found=None if value is None else value.value,
        found_high=None if high is None else high.value,
        relative_u=relative,
        inside=None if interval is None else interval[0] <= part.farad <= interval[1],
        e12=None if loose.nearest is None else loose.nearest.e12_farad,
    )


def _close(outcome: Outcome, found: float | None) -> bool:
    if found is None:
        return False
    off = abs(found - outcome.farad)
    if outcome.farad >= SMALL_FARAD:
        return off <= 0.01 * outcome.farad
    return off <= max(0.03 * outcome.farad, 1e-12)


def run(*, quick: bool = False) -> list[Row]:
    """Rows for 200 parts."""
    benches = 4 if quick else 20
    seeds = [FIRST_SEED + number for number in range(benches)]
    outcomes = [o for found in map_cases(batch, seeds, name="drawer") for o in found]
    return rows(outcomes)


def rows(outcomes: list[Outcome]) -> list[Row]:
    """The figures of any number of parts."""
    large = [o for o in outcomes if o.farad >= SMALL_FARAD]
    small = [o for o in outcomes if o.farad < SMALL_FARAD]
    near = [o for o in outcomes if abs(o.farad / nearest(o.farad, Series.E12) - 1.0) <= NEAR_E12]
    right = [o for o in near if o.e12 is not None and abs(o.e12 / nearest(o.farad, Series.E12) - 1) < 1e-6]
    inside = [o.inside for o in outcomes if o.inside is not None]
    measured = [o for o in outcomes if o.state == LooseState.MEASURED.value]
    high = [o for o in outcomes if o.found_high is not None]
    most = max(o.points for o in outcomes)
    us = [o.relative_u for o in outcomes if o.relative_u is not None]
    found = [
        _share(f"C within 1 %, 100 pF up ({len(large)} parts)", ">= 95 %", large, 0.95),
        _share(f"C within 3 % or 1 pF, below 100 pF ({len(small)} parts)", ">= 95 %", small, 0.95),
        Row(
            figure=f"right E12 value, of parts within 4 % of one ({len(near)} parts)",
            target=">= 98 %",
            measured=f"{100 * len(right) / len(near):.1f} %",
            met=len(right) >= 0.98 * len(near),
        ),
        Row(
            figure="points a part, first looks included: most, mean",
            target=f"<= {MOST_POINTS}",
            measured=f"{most}, {np.mean([o.points for o in outcomes]):.1f}",
            met=most <= MOST_POINTS,
        ),
        Row(
            figure=f"parts measured, of {len(outcomes)}; u(C) at {AUDIO_HZ:g} Hz or 120 Hz: median, largest",
            target="shown",
            measured=f"{len(measured)}; {100 * np.median(us):.3f} %, {100 * max(us):.2f} %",
            met=None,
        ),
        Row(
            figure="true C inside its 95 % interval (parts of a bench share its errors)",
            target="shown (93 to 97 %)",
            measured=f"{100 * np.mean(inside):.1f} %",
            met=None,
        ),
        Row(
            figure=f"C at 100 kHz stated, and then within 3 % ({len(outcomes)} parts)",
            target="shown",
            measured=f"{len(high)}, {sum(abs((o.found_high or 0.0) / o.farad - 1.0) <= 0.03 for o in high)}",
            met=None,
        ),
    ]
    return found


def _share(figure: str, target: str, outcomes: list[Outcome], least: float) -> Row:
    close = float(np.mean([_close(o, o.found) for o in outcomes])) if outcomes else 0.0
    return Row(figure=figure, target=target, measured=f"{100 * close:.1f} %", met=close >= least)
