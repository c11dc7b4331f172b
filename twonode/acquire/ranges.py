"""Which V/div for which amplitude.

Owns the choice and its hysteresis: every change of range brings a gain error of its own, so a range is kept while
the trace fills it usefully.
"""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["FULLEST_DIV", "LEAST_DIV", "choose_range", "coarser", "finer_exists"]

FULLEST_DIV = 6.6
"""Peak-to-peak divisions a fresh range is chosen for, of eight: 5 to 7 are aimed at (instrument facts)."""
KEPT_UP_TO_DIV = 7.2
LEAST_DIV = 1.6
"""A fifth of the screen: below, a finer range is taken where there is one (design)."""


def choose_range(vpp: float, steps: Sequence[float], current: float | None = None) -> float:
    """V/div for a peak-to-peak voltage, V at the probe tip.

    steps : ascending. current : the range in use, kept while the trace fills it between a fifth and seven eighths.
    """
    if current is not None and current in steps and LEAST_DIV * 1.05 <= vpp / current <= KEPT_UP_TO_DIV:
        return current
    return next((step for step in steps if vpp <= FULLEST_DIV * step), steps[-1])


def finer_exists(volts_per_div: float, steps: Sequence[float]) -> bool:
    """Whether there is a finer range than this."""
    return steps[0] < volts_per_div * (1 - 1e-9)


def coarser(volts_per_div: float, steps: Sequence[float]) -> float:
    """The next coarser range, or the same where there is none."""
    return next((step for step in steps if step > volts_per_div * (1 + 1e-9)), steps[-1])
