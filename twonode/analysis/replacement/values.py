"""Preferred values instead of an old one: both opinions, with what each changes.

Owns the choice of candidates. Some take the nearest value, others the next higher within 20 %; both are shown, and
the position says which is usual there. Positions at the mains are decided elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from twonode.analysis.preferred import Series, nearest, neighbours, values
from twonode.analysis.quantities import Tolerance
from twonode.analysis.replacement.change import Change, Surroundings, change
from twonode.analysis.replacement.errors import ReplacementError
from twonode.analysis.replacement.role import (
    PartType,
    Preference,
    Role,
    RoleFacts,
    SafetyClass,
    facts_of,
    part_type,
)

__all__ = ["Opinion", "Suggestion", "check_value", "series_holding", "suggest_values", "within"]


class Opinion(Enum):
    """Why a value is in the list."""

    EXACT = "exact"
    NEAREST = "nearest"
    NEXT_HIGHER = "next higher"
    NEXT_LOWER = "next lower"
    CLOSER = "closer, in a finer series"
    TWO_IN_PARALLEL = "two in parallel"
    SAFETY = "safety class"


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggestion:
    """One value that may go in.

    value_farad : of the part, or of the two in parallel that ``parts_farad`` lists.
    series : the series that hold it, coarsest first. deviation : from the old value, as a fraction.
    within : inside the limits of the position or of the part's own tolerance.
    recommended : usual in this position; at most one in a list.
    safety : the class without which the value must not be used.
    """

    value_farad: float
    parts_farad: tuple[float, ...]
    series: tuple[Series, ...]
    opinions: tuple[Opinion, ...]
    deviation: float
    within: bool
    recommended: bool
    because: str
    change: Change
    safety: SafetyClass | None = None


_SAME = 1e-6
_TWO_DIGITS = (Series.E6, Series.E12, Series.E24)
# Below a picofarad nothing is a part; above a farad nothing in a valve set is.
_LEAST_FARAD, _MOST_FARAD = 1e-13, 1.0


def check_value(value_farad: float) -> None:
    """Raise ReplacementError for a capacitance that no part in a valve set has."""
    if not _LEAST_FARAD <= value_farad <= _MOST_FARAD:
        raise ReplacementError(
            f"A capacitor of {value_farad:g} F cannot be replaced.",
            "No part in a valve set is zero, negative, below 0.1 pF or above 1 F.",
            "Give the value on the schematic, such as 0.05uF, 22n or 250 mmf.",
        )


def series_holding(value: float) -> tuple[Series, ...]:
    """The two-digit series with this value, coarsest first."""
    return tuple(each for each in _TWO_DIGITS if abs(nearest(value, each) / value - 1) < _SAME)


def within(limits: Tolerance, deviation: float) -> bool:
    """Whether a deviation lies inside the limits, the limits themselves included."""
    return -limits.minus - _SAME <= deviation <= limits.plus + _SAME


def suggest_values(
    value_farad: float,
    role: Role,
    *,
    tolerance: Tolerance | None = None,
    surroundings: Surroundings | None = None,
) -> tuple[Suggestion, ...]:
    """Preferred values for a position that is not at the mains, in rising order.

    tolerance : the old part's own; None takes the limits usual in the position.

    A tuned circuit gets the exact value (within 1 % or its tolerance), two in parallel that make it, or nothing.
    Raises ReplacementError for an impossible value, ValueError for a position at the mains.
    """
    check_value(value_farad)
    facts = facts_of(role)
    if facts.safety is not None:
        raise ValueError("role: the mains has rules of its own")
    limits = tolerance or facts.limits
    main = part_type(role, value_farad).series
    opinions = _opinions(value_farad, main)
    if facts.preference is Preference.EXACT:
        opinions = {each: why for each, why in opinions.items() if within(limits, each / value_farad - 1)}
    chosen = _recommended(value_farad, opinions, facts, limits)
    around = surroundings or Surroundings()
    # What lies outside the limits is no suggestion; the nearest stays, marked, so that its distance is seen.
    opinions = {
        each: why
        for each, why in opinions.items()
        if within(limits, each / value_farad - 1.0)
        or (Opinion.NEAREST in why and facts.preference is not Preference.EXACT)
    }
    found = [
        Suggestion(
            value_farad=each,
            parts_farad=(each,),
            series=series_holding(each),
            opinions=tuple(why),
            deviation=_rounded(each / value_farad - 1.0),
            within=within(limits, each / value_farad - 1.0),
            recommended=each == chosen,
            because=_because(each, why, chosen, facts, main)
            if within(limits, each / value_farad - 1.0)
            else "outside the limits here",
            change=change(facts.changes, value_farad, each, around),
        )
        for each, why in sorted(opinions.items())
    ]
    if chosen is None and part_type(role, value_farad) is not PartType.ELECTROLYTIC:
        found += _two_in_parallel(value_farad, facts, limits, around)
    return tuple(found)


def _rounded(deviation: float) -> float:
    """Without the last bits of a float: an exact value deviates by nothing."""
    return round(deviation, 9) + 0.0


def _opinions(value: float, main: Series) -> dict[float, list[Opinion]]:
    exact = series_holding(value)
    if exact and exact[0].value <= main.value:
        return {nearest(value, main): [Opinion.EXACT]}
    found: dict[float, list[Opinion]] = {nearest(value, main): [Opinion.NEAREST]}
    below, above = neighbours(value, main)
    found.setdefault(above, []).append(Opinion.NEXT_HIGHER)
    if below not in found:
        found[below] = [Opinion.NEXT_LOWER]
    closest = math.inf
    for finer in _TWO_DIGITS:
        candidate = nearest(value, finer)
        off = abs(candidate / value - 1)
        if finer.value > main.value and candidate not in found and off < closest - _SAME:
            found[candidate] = [Opinion.EXACT if off < _SAME else Opinion.CLOSER]
        closest = min(closest, off)
    return found


def _with(opinions: dict[float, list[Opinion]], wanted: Opinion) -> float | None:
    return next((value for value, why in opinions.items() if wanted in why), None)


def _recommended(
    value: float, opinions: dict[float, list[Opinion]], facts: RoleFacts, limits: Tolerance
) -> float | None:
    order = [Opinion.NEAREST, Opinion.NEXT_HIGHER, Opinion.EXACT, Opinion.CLOSER, Opinion.NEXT_LOWER]
    if facts.preference is Preference.NEXT_HIGHER:
        order = [Opinion.NEXT_HIGHER, Opinion.NEAREST, Opinion.EXACT, Opinion.CLOSER, Opinion.NEXT_LOWER]
    elif facts.preference is Preference.EXACT:
        order = [Opinion.EXACT, Opinion.CLOSER, Opinion.NEAREST, Opinion.NEXT_HIGHER, Opinion.NEXT_LOWER]
    for opinion in order:
        candidate = _with(opinions, opinion)
        if candidate is not None and within(limits, candidate / value - 1.0):
            return candidate
    return None


def _because(
    value: float, why: Sequence[Opinion], chosen: float | None, facts: RoleFacts, main: Series
) -> str:
    if Opinion.EXACT in why and value == chosen:
        return "the same value is made"
    if value == chosen:
        return facts.why
    if Opinion.CLOSER in why or Opinion.EXACT in why:
        return f"closer, but not in {main.name}, in which such parts are commonly stocked"
    if Opinion.NEXT_HIGHER in why:
        return "others take the next higher within 20 %"
    if Opinion.NEAREST in why:
        return "others take the nearest"
    return "the next lower"


def _two_in_parallel(
    value: float, facts: RoleFacts, limits: Tolerance, around: Surroundings
) -> list[Suggestion]:
    """The two E24 values that come nearest together; of pairs alike, the one with the largest part."""
    ladder = values(Series.E24, value * 0.01, value)
    pairs = [(a, nearest(value - a, Series.E24)) for a in ladder if value - a > value * 0.005]
    pairs = [(a, b) for a, b in pairs if b <= a]
    if not pairs:
        return []
    a, b = min(pairs, key=lambda pair: (round(abs(sum(pair) / value - 1), 6), -pair[0]))
    total = float(f"{a + b:.9g}")
    deviation = _rounded(total / value - 1.0)
    if not within(limits, deviation):
        return []
    return [
        Suggestion(
            value_farad=total,
            parts_farad=(a, b),
            series=(),
            opinions=(Opinion.TWO_IN_PARALLEL,),
            deviation=deviation,
            within=True,
            recommended=False,
            because="no single preferred value lies within the limits; the tolerances of both parts count",
            change=change(facts.changes, value, total, around),
        )
    ]
