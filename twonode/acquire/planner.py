"""The next frequency while a sweep runs: what every planner answers, and the one whose plan is known beforehand.

A planner is asked as soon as a point is finished, and answers while the next one is on its way: what it chooses is
measured after that, so it is one point behind and costs no time. `information_planner` is the other one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from twonode.acquire.plan import SweepPlan
from twonode.acquire.request import PlanKind
from twonode.acquire.timing import Placement
from twonode.analysis.ratio import RatioPoint

__all__ = ["Advice", "EvenPlanner", "Planner"]

SAME_FREQUENCY = 1e-6
"""Relative; far below any distance of two points, far above what a file's digits lose."""


class Planner(Protocol):
    """Chooses frequencies while a sweep runs."""

    @property
    def kind(self) -> str:
        """Word for the recording."""
        ...

    @property
    def total(self) -> int:
        """Points there will be, as far as is known."""
        ...

    @property
    def expected_s(self) -> float:
        """How long the whole sweep takes, as far as is known, s."""
        ...

    def first(self) -> Placement:
        """Where to begin."""
        ...

    def advise(self, done: Sequence[RatioPoint], taken: int) -> Advice:
        """What to do after the point that is just beginning.

        done : usable points so far. taken : points begun, the one now beginning included.
        """
        ...

    def go_on(self, done: Sequence[RatioPoint], taken_hz: Sequence[float]) -> Placement | None:
        """Where to begin after an interruption; None where nothing is left to take.

        done : usable points. taken_hz : frequencies asked for, one a point, refused ones too.
        """
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """Where to go on; placement None ends the sweep, `enough` says why when it was not the plan's end."""

    placement: Placement | None
    enough: str | None = None


class EvenPlanner:
    """Evenly spaced in the logarithm or named in the request, all known beforehand."""

    @property
    def kind(self) -> str:
        """The word of the plan."""
        return self._kind.value

    def __init__(self, plan: SweepPlan, kind: PlanKind = PlanKind.EVEN) -> None:
        self._placements = plan.placements
        self._each_s = plan.expected_s / len(plan.placements)
        self._kind = kind
        self._before = 0

    @property
    def total(self) -> int:
        """All points of the plan."""
        return self._before + len(self._placements)

    @property
    def expected_s(self) -> float:
        """Time of the plan, or of what is left of it, s."""
        return self._each_s * len(self._placements)

    def first(self) -> Placement:
        """The first of the plan."""
        return self._placements[0]

    def advise(self, done: Sequence[RatioPoint], taken: int) -> Advice:
        """The next of the plan."""
        return Advice(placement=self._placements[taken - self._before] if taken < self.total else None)

    def go_on(self, done: Sequence[RatioPoint], taken_hz: Sequence[float]) -> Placement | None:
        """The first of the plan that was not taken; the others that were not follow."""
        taken = np.array(taken_hz)
        self._before = len(taken)
        self._placements = tuple(
            each
            for each in self._placements
            if not np.any(np.abs(taken / each.frequency_hz - 1.0) < SAME_FREQUENCY)
        )
        return self._placements[0] if self._placements else None
