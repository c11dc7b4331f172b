"""Two estimates of one part, before and after or last year and this: has its value changed?

Owns the difference, its uncertainty and the verdict. What both estimates share cancels from the difference: with a grid
leak known to 20 %, either value is known to some 12 %, yet a change between two sweeps of the same stage is seen a
hundred times more finely, as long as the grid leak is still what it was. So the difference is stated twice, with
neighbours and channels as they were, and with everything else free to have changed as well.

Source: JCGM 100:2008, 5.2.2, uncertainty of a function of correlated quantities.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum
from math import exp, inf, log, sqrt
from typing import Any

from scipy.stats import norm

from twonode.analysis.errors import AnalysisError
from twonode.analysis.estimate import Estimate
from twonode.analysis.estimated import NORMAL_95, Quantity
from twonode.analysis.findings import FindingState
from twonode.analysis.hypotheses import ordinary_frees
from twonode.analysis.jsonvalues import finite_document
from twonode.analysis.model import Aspect, Model, Sweep
from twonode.analysis.posterior import maximise
from twonode.analysis.quantities import format_quantity
from twonode.analysis.stage import Stage

__all__ = [
    "DRIFT_LIMIT",
    "Change",
    "Comparison",
    "Difference",
    "compare",
    "comparison_document",
    "comparison_lines",
]

DRIFT_LIMIT = 0.10
"""A part that has moved by more than this between two checks is looked at again (common practice, no source)."""
_SECOND = " (second)"


class Change(Enum):
    """What is said of a change; the value is the word on screen and in files."""

    CHANGED = "changed"
    CHANGED_IF_ALONE = "changed, if its neighbours have not"
    NOT_SEEN = "no change seen"
    FINDING = "another finding"
    NOT_DETERMINED = "not determined"


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """Second less first.

    farad : difference of C. relative : the same as a fraction of the first, no unit.
    beyond_limit : probability that the relative change is larger than the limit, either way.
    """

    farad: Quantity
    relative: Quantity
    beyond_limit: float

    @property
    def significant(self) -> bool:
        """Whether zero lies outside the 95 % interval."""
        interval = self.relative.interval95
        return interval is not None and not interval[0] <= 0.0 <= interval[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two estimates side by side.

    independent : everything about the two measurements may differ; None where a value was not determined.
    together : neighbours and channels taken as unchanged; None where the stages are not the same.
    limit : the relative change that calls for another look.
    """

    first: Estimate
    second: Estimate
    independent: Difference | None
    together: Difference | None
    change: Change
    limit: float


def compare(first: Estimate, second: Estimate, *, limit: float = DRIFT_LIMIT) -> Comparison:
    """Compare two estimates of a capacitor, the earlier one first.

    limit : relative change that calls for another look, above 0.

    Raises AnalysisError for a limit that is none.
    """
    if not 0 < limit < inf:
        raise AnalysisError(
            f"A limit of {100 * limit:g} % for a change is none.",
            "A part is looked at again when it has moved by more than that.",
            "Give a share above zero, such as 10%.",
        )
    independent = _independent(first, second, limit)
    together = None if independent is None else _together(first, second, limit)
    return Comparison(
        first=first,
        second=second,
        independent=independent,
        together=together,
        change=_change(first, second, independent, together),
        limit=limit,
    )


def _change(
    first: Estimate, second: Estimate, independent: Difference | None, together: Difference | None
) -> Change:
    states = first.finding.state, second.finding.state
    faults = {FindingState.OPEN, FindingState.SHORTED, FindingState.LEAKY, FindingState.LOSSY}
    if states[0] is not states[1] and faults & set(states):
        return Change.FINDING
    if independent is None:
        return Change.NOT_DETERMINED
    if independent.significant:
        return Change.CHANGED
    if together is not None and together.significant:
        return Change.CHANGED_IF_ALONE
    return Change.NOT_SEEN


def _independent(first: Estimate, second: Estimate, limit: float) -> Difference | None:
    before, after = _value(first), _value(second)
    if before is None or after is None:
        return None
    (one, u_one), (two, u_two) = before, after
    covariance = ((u_one / one) ** 2, 0.0, (u_two / two) ** 2)
    return _difference(one, two, covariance, limit)


def _value(estimate: Estimate) -> tuple[float, float] | None:
    found = estimate.capacitance
    if found.value is None or found.standard_uncertainty is None:
        return None
    return found.value, found.standard_uncertainty


def _difference(one: float, two: float, covariance: tuple[float, float, float], limit: float) -> Difference:
    """covariance : of the two logarithms, first, both, second."""
    first, both, second = covariance
    log_sigma = sqrt(max(first - 2.0 * both + second, 0.0))
    log_ratio = _log_ratio(one, two)
    low, high = (exp(log_ratio + side * NORMAL_95 * log_sigma) - 1.0 for side in (-1.0, 1.0))
    u_farad = sqrt(max(two**2 * second - 2.0 * one * two * both + one**2 * first, 0.0))
    farad = two - one
    inside = norm.cdf(_log_ratio(1.0, 1.0 + limit), log_ratio, log_sigma) - norm.cdf(
        _log_ratio(1.0 + limit, 1.0), log_ratio, log_sigma
    )
    return Difference(
        farad=Quantity(
            unit="F",
            value=farad,
            standard_uncertainty=u_farad,
            interval95=(farad - NORMAL_95 * u_farad, farad + NORMAL_95 * u_farad),
        ),
        relative=Quantity(
            unit="",
            value=two / one - 1.0,
            standard_uncertainty=two / one * log_sigma,
            interval95=(low, high),
        ),
        beyond_limit=float(1.0 - inside),
    )


def _log_ratio(one: float, two: float) -> float:
    return log(two / one)


def _together(first: Estimate, second: Estimate, limit: float) -> Difference | None:
    """One model of both, the part twice and its neighbours once; None where the stages differ."""
    part, other = first.part, second.part + _SECOND
    ones, twos = first.posterior.model.sweeps, second.posterior.model.sweeps
    if not _same_stage(_stage(ones), _stage(twos), part, second.part):
        return None
    renamed = [_renamed(sweep, second.part, other) for sweep in twos]
    nulls = [s for s in dict.fromkeys((*ones, *renamed)) if s.stage is None]
    stages = [s for s in (*ones, *renamed) if s.stage is not None]
    found = (first.capacitance.value, second.capacitance.value)
    assert found[0] is not None
    assert found[1] is not None
    frees = [
        free
        for sweeps, name, value in ((ones, part, found[0]), (renamed, other, found[1]))
        for free in ordinary_frees(_stage(sweeps).part(name), value, value_sigma=inf)
    ]
    model = Model([*stages, *nulls], frees)
    posterior = maximise(model, [model.mean])
    places = [model.index(name, Aspect.VALUE) for name in (part, other)]
    one, two = (exp(float(posterior.theta[place])) for place in places)
    a, b = places
    covariance = posterior.covariance
    return _difference(
        one, two, (float(covariance[a, a]), float(covariance[a, b]), float(covariance[b, b])), limit
    )


def _stage(sweeps: Sequence[Sweep]) -> Stage:
    return next(s.stage for s in sweeps if s.stage is not None)


def _same_stage(one: Stage, two: Stage, part: str, other: str) -> bool:
    """Whether the two circuits are the same but for the part itself."""

    def circuit(stage: Stage, asked: str) -> object:
        return (
            stage.drive,
            stage.far,
            frozenset(
                ("asked" if p.name == asked else p.name, p.kind, frozenset(p.between))
                + (() if p.name == asked else (p.value,))
                for p in stage.parts
            ),
        )

    return circuit(one, part) == circuit(two, other)


def _renamed(sweep: Sweep, name: str, new: str) -> Sweep:
    if sweep.stage is None:
        return sweep
    parts = tuple(replace(p, name=new) if p.name == name else p for p in sweep.stage.parts)
    return replace(sweep, stage=replace(sweep.stage, parts=parts))


def comparison_document(comparison: Comparison) -> dict[str, Any]:
    """The JSON object of a comparison; values in F, relative changes as fractions."""
    first, second = comparison.first, comparison.second
    document: dict[str, Any] = {
        "format": 1,
        "parts": [first.part, second.part],
        "capacitance": [first.capacitance.document(), second.capacitance.document()],
        "findings": [first.finding.state.value, second.finding.state.value],
        "change": comparison.change.value,
        "limit": comparison.limit,
    }
    for name, difference in (
        ("independent", comparison.independent),
        ("neighbours_unchanged", comparison.together),
    ):
        document[name] = difference and {
            "difference": difference.farad.document(),
            "relative": difference.relative.document(),
            "significant": difference.significant,
            "beyond_limit": difference.beyond_limit,
        }
    return finite_document(document)


def comparison_lines(comparison: Comparison, names: tuple[str, str] = ("first", "second")) -> tuple[str, ...]:
    """What a person reads, the verdict first."""
    first, second = comparison.first, comparison.second
    best = _best(comparison)
    lines = [_headline(comparison, best)]
    if first.part != second.part:
        lines.append("  Two names: is it the same part?")
    width = max(len(name) for name in names)
    for name, each in zip(names, (first, second), strict=True):
        lines.append(f"  {name:<{width}}  {each.capacitance}  {each.finding.state.value}")
    if comparison.together is not None and comparison.independent is not None:
        lines.append(f"  Change with the neighbours as they were: {_change_words(comparison.together)}.")
        if _sigma(comparison.independent) > 1.2 * _sigma(comparison.together):
            lines.append(
                f"  Change if the neighbours may have changed too: {_change_words(comparison.independent)}."
            )
    elif comparison.independent is not None:
        lines.append(f"  Change: {_change_words(comparison.independent)}.")
    if best is not None:
        lines.append(f"  More than {100 * comparison.limit:.3g} % off its first value: {_odds(best)}.")
    return tuple(lines)


def _best(comparison: Comparison) -> Difference | None:
    return comparison.together or comparison.independent


def _headline(comparison: Comparison, best: Difference | None) -> str:
    first, part = comparison.first.part, comparison.second.part
    if first != part:
        part = f"{first}, then {part}"
    match comparison.change:
        case Change.FINDING:
            before, after = (e.finding.state.value for e in (comparison.first, comparison.second))
            return f"{part}: ANOTHER FINDING: {before}, now {after}"
        case Change.NOT_DETERMINED:
            return f"{part}: NOT COMPARED: one of the two values was not determined"
        case Change.NOT_SEEN:
            return f"{part}: NO CHANGE SEEN"
        case _:
            assert best is not None
            assert best.relative.value is not None
            recheck = ", RECHECK" if best.beyond_limit >= 0.5 else ""
            alone = "" if comparison.change is Change.CHANGED else " if its neighbours have not"
            return f"{part}: CHANGED by {100 * best.relative.value:+.3g} %{alone}{recheck}"


def _sigma(difference: Difference) -> float:
    return difference.relative.standard_uncertainty or 0.0


def _change_words(difference: Difference) -> str:
    relative, farad = difference.relative, difference.farad
    assert relative.value is not None
    assert relative.interval95 is not None
    assert farad.value is not None
    half = (relative.interval95[1] - relative.interval95[0]) / 2.0
    digits = 2 if half < 0.01 else 1 if half < 0.1 else 0
    sign = "+" if farad.value >= 0 else "-"
    return (
        f"{100 * relative.value:+.{digits}f} ± {100 * half:.{digits}f} % (95 %), "
        f"{sign}{format_quantity(abs(farad.value), 'F')}"
    )


def _odds(difference: Difference) -> str:
    if difference.beyond_limit > 0.999:
        return "more than 99.9 % sure"
    if difference.beyond_limit < 0.001:
        return "less than 0.1 %"
    return f"{100 * difference.beyond_limit:.1f} %"
