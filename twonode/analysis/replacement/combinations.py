"""One part or two from a list of parts at hand: single, in parallel, in series.

Owns the search and the volts of the pair. Nothing is offered that is rated below what the position needs, and
nothing whose dielectric does not belong there. Never asked for a position at the mains.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import Enum

from twonode.analysis.quantities import Tolerance
from twonode.analysis.replacement.role import Role, facts_of
from twonode.analysis.replacement.stock import StockPart
from twonode.analysis.replacement.suitability import Fit, suitable_dielectric
from twonode.analysis.replacement.values import within

__all__ = ["Arrangement", "Combination", "Refused", "StockAdvice", "from_stock"]

UNSTATED = Tolerance(minus=0.2, plus=0.2)
"""For a part whose list names no tolerance (common practice, no source)."""
_SHOWN = 3
# Resistors that equalise a series pair pass DC: harmless across a supply, a leak where DC must be kept away.
_MAY_BE_EQUALISED = frozenset({Role.FIRST_FILTER, Role.POWER_FILTER})


class Arrangement(Enum):
    """How the parts are joined."""

    SINGLE = "single"
    PARALLEL = "parallel"
    SERIES = "series"


@dataclass(frozen=True, slots=True, kw_only=True)
class Combination:
    """One or two parts at hand.

    low_farad, high_farad : what the parts' tolerances allow. rated_v : of the whole, never below what is needed.
    shares : of the voltage, nominal, by charge; for a series pair only.
    equalise : both parts need an equalising resistor across them.
    """

    arrangement: Arrangement
    parts: tuple[StockPart, ...]
    value_farad: float
    low_farad: float
    high_farad: float
    deviation: float
    rated_v: float
    shares: tuple[float, ...]
    equalise: bool
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A line of the list that cannot be used alone, and why."""

    part: StockPart
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StockAdvice:
    """What the list offers: singles first, then pairs where one comes nearer than every single part.

    because : a word where nothing fits.
    """

    found: tuple[Combination, ...]
    refused: tuple[Refused, ...]
    because: str | None


def from_stock(
    stock: tuple[StockPart, ...],
    value_farad: float,
    role: Role,
    *,
    needed_v: float,
    tolerance: Tolerance | None = None,
) -> StockAdvice:
    """Choose from parts at hand.

    needed_v : volts DC that the position needs. tolerance : the old part's own, else the limits usual there.

    Raises ValueError for a position at the mains.
    """
    facts = facts_of(role)
    if facts.safety is not None:
        raise ValueError("role: nothing is ever chosen from a list for the mains")
    limits = tolerance or facts.limits
    usable, refused = [], []
    for part in stock:
        why = _unfit(part, role)
        if why is None:
            usable.append(part)
        else:
            refused.append(Refused(part=part, because=why))
    rated = [part for part in usable if part.rated_v >= needed_v * (1 - 1e-9)]
    refused += [
        Refused(
            part=part,
            because=f"rated {part.rated_v:g} V, needed {needed_v:.0f} V"
            + ("; only in series with another" if role in _MAY_BE_EQUALISED else ""),
        )
        for part in usable
        if part.rated_v < needed_v * (1 - 1e-9)
    ]
    singles = heapq.nsmallest(_SHOWN, (_single(part, value_farad) for part in rated), key=_rank)
    singles = [each for each in singles if within(limits, each.deviation)]
    nearest_single = abs(singles[0].deviation) if singles else math.inf

    def nearer(value: float) -> bool:
        off = value / value_farad - 1.0
        return within(limits, off) and abs(off) < nearest_single - 1e-6

    pairs = heapq.nsmallest(_SHOWN, _pairs(usable, value_farad, role, needed_v, nearer), key=_rank)
    found = (*singles, *pairs)
    because = None if found else "no part at hand, and no two of them, fit in value, volts and dielectric"
    return StockAdvice(found=found, refused=tuple(sorted(refused, key=_line)), because=because)


def _line(refused: Refused) -> int:
    return refused.part.line


def _rank(each: Combination) -> tuple[float, int, float, int]:
    """Nearer first; of those alike fewer parts, then the lower rating (the smaller part)."""
    return (round(abs(each.deviation), 6), len(each.parts), each.rated_v, each.parts[0].line)


def _unfit(part: StockPart, role: Role) -> str | None:
    if part.quantity == 0:
        return "none are left"
    if part.dielectric is None:
        return None
    advice = suitable_dielectric(part.dielectric, role, part.value_farad)
    if part.dielectric.endswith("safety part"):
        return "its rating is for AC: what it stands of DC is not in the list"
    return f"{part.dielectric}: {advice.because}" if advice.fit is Fit.DOES_NOT else None


def _tolerance(part: StockPart) -> Tolerance:
    return part.tolerance or UNSTATED


def _notes(parts: tuple[StockPart, ...]) -> list[str]:
    notes = []
    if any(part.dielectric is None for part in parts):
        notes.append("the list does not say what dielectric it is: see which suit")
    if any(part.tolerance is None for part in parts):
        notes.append("no tolerance in the list: taken as 20 %")
    return notes


def _single(part: StockPart, wanted: float) -> Combination:
    low, high = _tolerance(part).limits(part.value_farad)
    return Combination(
        arrangement=Arrangement.SINGLE,
        parts=(part,),
        value_farad=part.value_farad,
        low_farad=low,
        high_farad=high,
        deviation=round(part.value_farad / wanted - 1, 9) + 0.0,
        rated_v=part.rated_v,
        shares=(),
        equalise=False,
        notes=tuple(_notes((part,))),
    )


def _pairs(
    parts: list[StockPart], wanted: float, role: Role, needed_v: float, nearer: Callable[[float], bool]
) -> Iterator[Combination]:
    """Every pair that stands the volts; the value is looked at first, as a long list has very many pairs."""
    for place, first in enumerate(parts):
        for second in parts[place if first.quantity > 1 else place + 1 :]:
            together = first.value_farad + second.value_farad
            stands = min(first.rated_v, second.rated_v) >= needed_v * (1 - 1e-9)
            if stands and nearer(together):
                yield _parallel(first, second, wanted)
            if nearer(first.value_farad * second.value_farad / together):
                pair = _series(first, second, wanted, role, needed_v)
                if pair is not None:
                    yield pair


def _parallel(first: StockPart, second: StockPart, wanted: float) -> Combination:
    limits = [_tolerance(part).limits(part.value_farad) for part in (first, second)]
    value = first.value_farad + second.value_farad
    return Combination(
        arrangement=Arrangement.PARALLEL,
        parts=(first, second),
        value_farad=value,
        low_farad=sum(low for low, _ in limits),
        high_farad=sum(high for _, high in limits),
        deviation=round(value / wanted - 1, 9) + 0.0,
        rated_v=min(first.rated_v, second.rated_v),
        shares=(),
        equalise=False,
        notes=tuple(_notes((first, second))),
    )


def _series(
    first: StockPart, second: StockPart, wanted: float, role: Role, needed_v: float
) -> Combination | None:
    """The pair in series; None where it would not stand the volts."""
    a, b = first.value_farad, second.value_farad
    value = a * b / (a + b)
    (a_low, a_high), (b_low, b_high) = (_tolerance(part).limits(part.value_farad) for part in (first, second))
    alone = min(first.rated_v, second.rated_v)
    equalise = alone < needed_v * (1 - 1e-9)
    # By charge the smaller part takes the larger share; most when it is at its lower limit, the other at its upper.
    by_charge = min(first.rated_v * (a_low + b_high) / b_high, second.rated_v * (b_low + a_high) / a_high)
    if equalise and (role not in _MAY_BE_EQUALISED or by_charge < needed_v * (1 - 1e-9)):
        return None
    notes = _notes((first, second))
    if equalise:
        notes.append(
            "needs an equalising resistor across each part, as leakage divides the volts otherwise; "
            "both must pass more than the worse part leaks"
        )
    else:
        notes.append("each part alone stands the whole voltage: no equalising resistors, which would leak DC")
    return Combination(
        arrangement=Arrangement.SERIES,
        parts=(first, second),
        value_farad=value,
        low_farad=a_low * b_low / (a_low + b_low),
        high_farad=a_high * b_high / (a_high + b_high),
        deviation=round(value / wanted - 1, 9) + 0.0,
        rated_v=by_charge if equalise else alone,
        shares=(b / (a + b), a / (a + b)),
        equalise=equalise,
        notes=tuple(notes),
    )
