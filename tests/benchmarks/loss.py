"""Tan delta of loose parts, 0.0005 to 0.1: how true it is, and whether its interval holds what it says.

Values from 10 pF to 10 uF and losses evenly in the logarithm, whatever dielectric there may be with such a pair, on
simulated benches with all their errors (see `drawer`).
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from math import exp, log, pi, sqrt

import numpy as np

from tests.benchmarks._loose import loose_bench
from tests.benchmarks._runs import archive_folder
from tests.benchmarks._workers import map_cases
from tests.benchmarks.table import Row
from twonode.analysis.estimated import Quantity
from twonode.analysis.fixture import AUDIO_HZ
from twonode.analysis.loose_part import LoosePart
from twonode.drivers.simulated.bag import BagPart

PARTS_PER_BENCH = 4
FIRST_SEED = 60_000
LOWEST, HIGHEST = 0.0005, 0.1
NEXT_TO_NONE = (2e-5, 3e-4)
"""Losses that are to end as bounds; they count for nothing else."""
SMALLEST_FARAD, LARGEST_FARAD = 10e-12, 10e-6
ALLOWED, ALLOWED_RELATIVE = 0.0006, 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """Loss at 1 kHz as found, against the simulator's; None where neither value nor bound was stated.

    esr, parallel : the two equivalent resistances at 1 kHz as stated.
    """

    farad: float
    loss: float
    points: int
    best: float | None
    sigma: float | None
    interval: tuple[float, float] | None
    at_most: float | None
    esr: Quantity | None
    parallel: Quantity | None

    @property
    def resistances(self) -> list[bool]:
        """Whether true ESR and true resistance across lie inside the intervals that are stated."""
        # Y = w C (j + tan d), so that Rs = tan d / (w C (1 + tan d**2)) and Rp = 1 / (w C tan d).
        reactance = 1.0 / (2 * pi * AUDIO_HZ * self.farad)
        true = reactance * self.loss / (1 + self.loss**2), reactance / self.loss
        stated = [
            (each.interval95, ohm) for each, ohm in zip((self.esr, self.parallel), true, strict=True) if each
        ]
        return [ends[0] <= ohm <= ends[1] for ends, ohm in stated if ends is not None]

    @property
    def close(self) -> bool:
        """Whether the best value is within what is allowed."""
        return self.best is not None and abs(self.best - self.loss) <= max(
            ALLOWED, ALLOWED_RELATIVE * self.loss
        )


def batch(seed: int) -> list[Outcome]:
    """One bench with its parts, the last of them with next to no loss."""
    os.fsync = lambda descriptor: None
    rng = np.random.default_rng(seed)
    ranges = [(LOWEST, HIGHEST)] * PARTS_PER_BENCH + [NEXT_TO_NONE]
    parts = [_draw_part(rng, *limits) for limits in ranges]
    with archive_folder() as archive, loose_bench(seed, parts, archive) as bench:
        return [_outcome(part, bench.measure(number)) for number, part in enumerate(parts, start=1)]


def _draw_part(rng: np.random.Generator, least: float, most: float) -> BagPart:
    farad = float(exp(rng.uniform(log(SMALLEST_FARAD), log(LARGEST_FARAD))))
    loss = float(exp(rng.uniform(log(least), log(most))))
    return BagPart(family="any", farad=farad, printed_farad=farad, loss=loss)


def _outcome(part: BagPart, loose: LoosePart) -> Outcome:
    reading = loose.at(AUDIO_HZ)
    tan_delta = None if reading is None else reading.tan_delta
    return Outcome(
        farad=part.farad,
        loss=part.loss,
        points=loose.points,
        best=None if reading is None else reading.best,
        sigma=None if reading is None else reading.standard_uncertainty,
        interval=None if tan_delta is None else tan_delta.interval95,
        at_most=None if tan_delta is None else tan_delta.at_most,
        esr=None if reading is None else reading.esr,
        parallel=None if reading is None else reading.parallel_resistance,
    )


def run(*, quick: bool = False) -> list[Row]:
    """Rows for 800 parts."""
    seeds = [FIRST_SEED + number for number in range(20 if quick else 200)]
    return rows([o for found in map_cases(batch, seeds, name="loss") for o in found])


def rows(outcomes: list[Outcome]) -> list[Row]:
    """The figures of any number of parts."""
    asked = [o for o in outcomes if o.loss >= LOWEST]
    close = float(np.mean([o.close for o in asked]))
    stated = [o for o in asked if o.interval is not None]
    inside = float(np.mean([o.interval[0] <= o.loss <= o.interval[1] for o in stated if o.interval]))
    bounded = [o for o in outcomes if o.at_most is not None]
    below = [o.loss <= o.at_most for o in bounded if o.at_most is not None]
    known = [(o.best, o.sigma, o) for o in outcomes if o.best is not None and o.sigma]
    kept = all((o.at_most is not None) == (best < 2 * sigma) for best, sigma, o in known)
    resistances = [inside for o in asked for inside in o.resistances]
    crossing = sum(
        o.esr is not None and o.esr.interval95 is not None and o.esr.interval95[0] <= 0 for o in outcomes
    )
    z = [(best - o.loss) / sigma for best, sigma, o in known]
    within = float(np.mean([abs(each) <= 1.96 for each in z]))
    us = [sigma for _, sigma, _ in known]
    return [
        Row(
            figure=f"tan delta within 0.0006 or 10 % ({len(asked)} parts; nothing stated counts as missed)",
            target=">= 95 %",
            measured=f"{100 * close:.1f} %",
            met=close >= 0.95,
        ),
        Row(
            figure=f"true tan delta inside its 95 % interval ({len(stated)} parts with one)",
            target="93 to 97 %",
            measured=f"{100 * inside:.1f} %",
            met=0.93 <= inside <= 0.97,
        ),
        Row(
            figure=f"an upper bound where it is below 2 u, and only there ({len(bounded)} of {len(known)} parts, "
            "those with next to no loss included)",
            target="always",
            measured="always" if kept else "not always",
            met=kept and bool(bounded),
        ),
        Row(
            figure="true tan delta below its 95 % bound",
            target="shown (95 % and more)",
            measured=f"{sum(below)} of {len(below)}",
            met=None,
        ),
        Row(
            figure=f"true ESR, and true resistance across, inside their 95 % intervals ({len(resistances)}); intervals "
            "of an ESR that hold zero",
            target="shown (93 to 97 %; none)",
            measured=f"{100 * float(np.mean(resistances)):.1f} %; {crossing}",
            met=None,
        ),
        Row(
            figure="within 1.96 u, bounds included; rms of (found - true)/u",
            target="shown (95 %, 1)",
            measured=f"{100 * within:.1f} %, {sqrt(float(np.mean(np.square(z)))):.3f}",
            met=None,
        ),
        Row(
            figure="u(tan delta): median, 95 % of the parts below; most points a part",
            target="shown",
            measured=f"{1e3 * np.median(us):.2f}e-3, {1e3 * np.quantile(us, 0.95):.2f}e-3; "
            f"{max(o.points for o in outcomes)}",
            met=None,
        ),
    ]
