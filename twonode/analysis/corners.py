"""Corners of a response over frequency, and its best level.

Owns the search. Takes a response as a function of frequency, whatever circuit it belongs to.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

__all__ = ["HIGHEST_HZ", "LOWEST_HZ", "Corner", "Response", "Side", "best_level", "find_corners"]

Real = NDArray[np.float64]
Response = Callable[[Real], NDArray[np.complex128]]
"""Takes Hz, shape (n,), gives V/V, shape (n,)."""

LOWEST_HZ, HIGHEST_HZ = 0.1, 10e6
"""Range in which corners are looked for: wider than anything audio or broadcast sets handle."""

_PER_DECADE = 60
_HALF_POWER = math.sqrt(0.5)


class Side(Enum):
    """Which side of what passes a corner bounds."""

    LOW = "low corner"
    HIGH = "high corner"


@dataclass(frozen=True, slots=True, kw_only=True)
class Corner:
    """A frequency at which half the power of the best frequency is left (-3.01 dB)."""

    frequency_hz: float
    side: Side


def best_level(response: Response) -> tuple[float, float]:
    """The frequency in Hz at which a response is largest, 0.1 Hz to 10 MHz, and its size there."""
    hz = _fine_hz()
    return _best_of(response, hz, np.abs(response(hz)))


def _best_of(response: Response, hz: Real, size: Real) -> tuple[float, float]:
    """The largest size, looked for more finely around the largest of those given."""
    for _ in range(3):
        place = int(size.argmax())
        hz = np.geomspace(hz[max(place - 1, 0)], hz[min(place + 1, hz.size - 1)], 41)
        size = np.abs(response(hz))
    return float(hz[size.argmax()]), float(size.max())


def find_corners(response: Response) -> tuple[Corner, ...]:
    """Every corner of a response against its own best frequency, ascending, to some 1e-12 of their frequency.

    Looked for in 0.1 Hz to 10 MHz on a grid of 60 points a decade: two corners closer together than that (a trap of
    high Q) would be missed. Empty where the response stays within 3 dB, or is nothing at all.
    """
    hz = _fine_hz()
    size = np.abs(response(hz))
    _, best = _best_of(response, hz, size)
    if best == 0.0:
        return ()
    limit = best * _HALF_POWER
    above = size >= limit
    return tuple(
        Corner(
            frequency_hz=_crossing(response, hz[place], hz[place + 1], limit),
            side=Side.HIGH if above[place] else Side.LOW,
        )
        for place in np.flatnonzero(above[1:] != above[:-1])
    )


def _crossing(response: Response, low_hz: float, high_hz: float, limit: float) -> float:
    """Where the size of the response passes the limit: the stretch is cut in 32 until nothing is left of it."""
    for _ in range(8):
        hz = np.geomspace(low_hz, high_hz, 33)
        above = np.abs(response(hz)) >= limit
        # The ends lie on either side; rounding in the last round may hide the change between them.
        changes = np.flatnonzero(above[1:] != above[:-1])
        if not changes.size:
            break
        low_hz, high_hz = hz[changes[0]], hz[changes[0] + 1]
    return math.sqrt(low_hz * high_hz)


def _fine_hz() -> Real:
    count = round(_PER_DECADE * math.log10(HIGHEST_HZ / LOWEST_HZ)) + 1
    grid: Real = np.geomspace(LOWEST_HZ, HIGHEST_HZ, count)
    return grid
