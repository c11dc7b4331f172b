"""Which frequency exactly, and which time base for it.

Owns the choice of s/div, record length and the small shift that keeps samples per cycle away from small-integer
ratios and the signal away from the line and its harmonics. Pure arithmetic.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from twonode.acquire.errors import UnfitRequest
from twonode.analysis.quantities import format_quantity
from twonode.analysis.ratio import MINIMUM_CYCLES

__all__ = ["Placement", "place_frequency"]

CYCLES_MARGIN = 1.04
GOLDEN = (0.381966, 0.618034)
"""Cycles a record beyond a whole number: with the golden section no sample falls near an earlier one's phase."""
LINE_CLEARANCE = 1.3
"""Distance to a line multiple in units of 1/record; 1 is the least that can be told apart."""
WIDEST_SHIFT = 0.22


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """A frequency with the time base it is measured at.

    record_s : length of the record, s.
    """

    frequency_hz: float
    seconds_per_div: float
    record_s: float


def place_frequency(
    wanted_hz: float,
    *,
    seconds_per_div: Sequence[float],
    divisions: int,
    line_hz: float,
    lowest_hz: float,
    highest_hz: float,
) -> Placement:
    """The best frequency near the wanted one, with its time base.

    Parameters
    ----------
    seconds_per_div : the scope's steps, s/div.
    divisions : screen width.
    line_hz : mains frequency to keep clear of.
    lowest_hz, highest_hz : the generator's limits.

    Raises
    ------
    UnfitRequest : no time base holds four cycles.
    """
    shifts = np.linspace(-WIDEST_SHIFT, WIDEST_SHIFT, 441)
    best: tuple[float, Placement] | None = None
    steps = sorted(step for step in seconds_per_div if step * divisions * wanted_hz >= MINIMUM_CYCLES * 0.8)
    for rank, step in enumerate(steps[:3]):
        record_s = step * divisions
        hz = wanted_hz * (1.0 + shifts)
        cycles = hz * record_s
        fits = (cycles >= MINIMUM_CYCLES * CYCLES_MARGIN) & (hz >= lowest_hz) & (hz <= highest_hz)
        for multiple in (1, 2, 3):
            fits &= (np.abs(hz - multiple * line_hz) * record_s > LINE_CLEARANCE) | (
                hz < multiple * line_hz / 50.0
            )
        odd = np.min([np.abs(cycles % 1.0 - part) for part in GOLDEN], axis=0)
        penalty = np.abs(shifts) + 2.0 * odd + 0.06 * rank
        penalty = np.where(fits, penalty, np.inf)
        place = int(np.argmin(penalty))
        if np.isfinite(penalty[place]) and (best is None or penalty[place] < best[0]):
            found = Placement(frequency_hz=float(hz[place]), seconds_per_div=step, record_s=record_s)
            best = (float(penalty[place]), found)
    if best is None:
        raise UnfitRequest(
            f"The scope has no time base for {format_quantity(wanted_hz, 'Hz')}.",
            f"Its slowest usable setting holds {format_quantity(max(seconds_per_div) * divisions, 's')}, "
            f"and {MINIMUM_CYCLES:g} cycles are needed.",
            "Start the range higher (--from).",
        )
    return best[1]
