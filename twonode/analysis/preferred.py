"""Preferred values: the E series of IEC 60063 in every decade.

Owns the tables and the search for the value nearest to, next below and next above a given one. Works in any
unit: farad, ohm or henry go in and come out. Knows nothing of what a part is for.
"""

from __future__ import annotations

import itertools
import math
from enum import Enum

from twonode.analysis.errors import AnalysisError

__all__ = ["PreferredValueError", "Series", "nearest", "neighbours", "values"]


class PreferredValueError(AnalysisError):
    """A value or a range for which there is no preferred value."""


class Series(Enum):
    """The series of IEC 60063 by the number of its values in a decade."""

    E3 = 3
    E6 = 6
    E12 = 12
    E24 = 24
    E48 = 48
    E96 = 96

    @property
    def decade(self) -> tuple[int, ...]:
        """The values of one decade as whole numbers: 10, 22, 47 (two digits), from E48 on 100, 105 ... (three)."""
        return _DECADES[self]


# IEC 60063. E24 is a table in the standard: eight of its values are not 10^(i/24) rounded.
_E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
# E96 is 10^(i/96) rounded to three digits without exception; E48 is every other value of it.
_E96 = tuple(round(100.0 * 10.0 ** (step / 96)) for step in range(96))
_DECADES = {
    Series.E3: _E24[::8],
    Series.E6: _E24[::4],
    Series.E12: _E24[::2],
    Series.E24: _E24,
    Series.E48: _E96[::2],
    Series.E96: _E96,
}

# A value this near to a preferred one is that value: 22e-9 and 2.2e-8 differ in the last bit.
_SAME = 1e-9
# Wider than any part or reading; beyond it decades run out of the range of a float.
_SMALLEST, _LARGEST = 1e-30, 1e30


def nearest(value: float, series: Series) -> float:
    """The value of ``series`` with the smallest deviation in percent of ``value``; the higher of two alike.

    Raises PreferredValueError where value is not above zero (or beyond 1e-30 to 1e30).
    """
    below, above = neighbours(value, series)
    # The margin keeps a tie a tie: .02 lies as far from .018 as from .022, but not in the last bit of a float.
    return below if (value - below) * (1 + _SAME) < above - value else above


def neighbours(value: float, series: Series) -> tuple[float, float]:
    """The next lower or equal and the next higher or equal value of ``series``: the same twice for a member.

    Raises PreferredValueError where value is not above zero (or beyond 1e-30 to 1e30).
    """
    _check(value)
    exponent = math.floor(math.log10(value))
    # The decade below and above too: log10 may land on the wrong side of a round value.
    ladder = [
        _scaled(mantissa, step, series)
        for step in (exponent - 1, exponent, exponent + 1)
        for mantissa in series.decade
    ]
    for lower, upper in itertools.pairwise(ladder):
        if value <= lower * (1 + _SAME):
            return lower, lower
        if value < upper * (1 - _SAME):
            return lower, upper
    raise AssertionError("the ladder reaches a decade above the value")


def values(series: Series, low: float, high: float) -> tuple[float, ...]:
    """Every value of ``series`` from ``low`` to ``high``, both included, in rising order.

    Raises PreferredValueError where a limit is not above zero (or beyond 1e-30 to 1e30) or low is above high.
    """
    _check(low)
    _check(high)
    if low > high:
        raise PreferredValueError(
            f"There is no range from {low:g} to {high:g}.",
            "The lower limit is above the upper one.",
            "Give the lower limit first.",
        )
    first, last = math.floor(math.log10(low)) - 1, math.floor(math.log10(high)) + 1
    every = (_scaled(mantissa, step, series) for step in range(first, last + 1) for mantissa in series.decade)
    return tuple(each for each in every if low * (1 - _SAME) <= each <= high * (1 + _SAME))


def _scaled(mantissa: int, exponent: int, series: Series) -> float:
    """Read from text, so that 22 nF is the same float as 22e-9 typed by a person."""
    digits = len(str(series.decade[0])) - 1
    return float(f"{mantissa}e{exponent - digits}")


def _check(value: float) -> None:
    if not _SMALLEST <= value <= _LARGEST:
        raise PreferredValueError(
            f"There is no preferred value near {value:g}.",
            "Preferred values are above zero, and no part lies outside 1e-30 to 1e30.",
            "Give a value above zero, such as 0.05 uF or 470k.",
        )
