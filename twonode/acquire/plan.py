"""Which frequencies a sweep takes.

Owns the even plan: evenly spaced in the logarithm over the band in which the ratio tells about the part; and the
plan of a request that names its frequencies.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from twonode.acquire.errors import UnfitRequest
from twonode.acquire.levels import Predictor
from twonode.acquire.request import SweepRequest, informative_band
from twonode.acquire.timing import Placement, place_frequency
from twonode.analysis.quantities import format_quantity

__all__ = [
    "HIGHEST_HZ",
    "LOWEST_HZ",
    "BenchLimits",
    "SweepPlan",
    "plan_sweep",
    "reach_of",
    "usual_band",
]

USUAL_POINTS = 12
LOWEST_HZ = 2.0
HIGHEST_HZ = 1e6
"""Below 2 Hz a point takes seconds; above 1 MHz leads and scope bandwidth decide. Explicit ranges may go further."""


class BenchLimits(Protocol):
    """What planning must know of the instruments."""

    @property
    def frequency_min_hz(self) -> float:
        """Lowest frequency of the generator, Hz."""
        ...

    @property
    def frequency_max_hz(self) -> float:
        """Highest frequency of the generator, Hz."""
        ...

    @property
    def seconds_per_div(self) -> tuple[float, ...]:
        """Time base steps of the scope, ascending, s/div."""
        ...

    @property
    def divisions(self) -> int:
        """Width of the scope's screen."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepPlan:
    """Frequencies with their time bases, in the order they are taken, and the expected time in s."""

    placements: tuple[Placement, ...]
    expected_s: float


def plan_sweep(request: SweepRequest, limits: BenchLimits, *, per_point_s: float) -> SweepPlan:
    """Plan evenly spaced frequencies, or those that the request names.

    Parameters
    ----------
    per_point_s : what a point costs beside waiting and record (generator settling, transfer), s.

    Raises
    ------
    UnfitRequest : the range is out of the generator's or the scope's reach.
    """
    reach = reach_of(limits)
    if request.frequencies_hz:
        wanted = np.array(request.frequencies_hz)
    else:
        low_hz, _, high_hz = usual_band(request, limits)
        wanted = np.geomspace(high_hz, low_hz, request.points or USUAL_POINTS)
    predictor = Predictor(request)
    placements: list[Placement] = []
    seconds = 0.0
    for hz in wanted:
        placement = place_frequency(
            float(hz),
            seconds_per_div=limits.seconds_per_div,
            divisions=limits.divisions,
            line_hz=request.line_hz,
            lowest_hz=reach[0],
            highest_hz=reach[1],
        )
        placements.append(placement)
        seconds += placement.record_s + predictor.at(placement.frequency_hz).settle_s + per_point_s
    return SweepPlan(placements=tuple(placements), expected_s=seconds)


def reach_of(limits: BenchLimits) -> tuple[float, float]:
    """Lowest and highest frequency that generator and scope can do together, Hz."""
    slowest_record_s = max(limits.seconds_per_div) * limits.divisions
    return max(limits.frequency_min_hz, 4.2 / slowest_record_s), limits.frequency_max_hz


def usual_band(request: SweepRequest, limits: BenchLimits) -> tuple[float, float, float]:
    """Lower end, corner and upper end of the band a sweep covers, Hz, explicit ends included.

    Raises
    ------
    UnfitRequest : an explicit end is out of the instruments' reach.
    """
    reach = reach_of(limits)
    for name, hz in (("--from", request.from_hz), ("--to", request.to_hz)):
        if hz is not None and not reach[0] <= hz <= reach[1]:
            raise UnfitRequest(
                f"{name} {format_quantity(hz, 'Hz')} is out of these instruments' reach.",
                f"Generator and scope together go from {format_quantity(reach[0], 'Hz')} "
                f"to {format_quantity(reach[1], 'Hz')}.",
                f"Choose {name} within that.",
            )
    low_hz, corner_hz, high_hz = informative_band(
        request, lowest_hz=max(LOWEST_HZ, reach[0]), highest_hz=min(HIGHEST_HZ, reach[1])
    )
    low_hz, high_hz = _given_range(request, low_hz, high_hz, reach)
    return low_hz, min(max(corner_hz, low_hz), high_hz), high_hz


def _given_range(
    request: SweepRequest, low_hz: float, high_hz: float, reach: tuple[float, float]
) -> tuple[float, float]:
    """The chosen band, with explicit ends in place; an end that was not given keeps clear of the given one."""
    if request.from_hz is not None:
        low_hz = request.from_hz
        high_hz = max(high_hz, min(reach[1], 10.0 * low_hz))
    if request.to_hz is not None:
        high_hz = request.to_hz
        if request.from_hz is None:
            low_hz = min(low_hz, max(reach[0], high_hz / 10.0))
    return low_hz, high_hz
