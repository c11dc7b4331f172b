"""An old result against today's: what a later program says of the same raw data.

Owns when a value counts as changed: by more than its standard uncertainty, or into another finding. Anything less is
the same answer in other words.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from twonode.analysis.estimate import Estimate
from twonode.analysis.quantities import format_plus_minus

__all__ = ["Redone", "Said", "redone", "said_in"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What a result said of a part.

    value_farad, uncertainty_farad : None where the value was not determined. finding : its word. program : who said it.
    """

    value_farad: float | None
    uncertainty_farad: float | None
    finding: str | None
    program: str | None = None

    def __str__(self) -> str:
        if self.value_farad is None or self.uncertainty_farad is None:
            return f"no value, {self.finding or 'no finding'}"
        figure = format_plus_minus(self.value_farad, 1.96 * self.uncertainty_farad, "F")
        return f"{figure}, {self.finding or 'no finding'}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Redone:
    """One recording worked out again.

    before : None where it had no result of this part yet. changed : by more than the uncertainty, or another finding.
    """

    recording: str
    part: str
    before: Said | None
    after: Said
    changed: bool


def said_in(document: Mapping[str, Any]) -> Said | None:
    """What a stored estimate says; None where it is no estimate."""
    finding, found = document.get("finding"), document.get("capacitance")
    if not isinstance(finding, Mapping) or not isinstance(found, Mapping):
        return None
    value, uncertainty = found.get("value"), found.get("standard_uncertainty")
    number = isinstance(value, int | float) and isinstance(uncertainty, int | float)
    state, program = finding.get("state"), document.get("program")
    return Said(
        value_farad=float(value) if number and value is not None else None,
        uncertainty_farad=float(uncertainty) if number and uncertainty is not None else None,
        finding=state if isinstance(state, str) else None,
        program=program if isinstance(program, str) else None,
    )


def redone(recording: str, before: Said | None, estimate: Estimate) -> Redone:
    """Today's estimate beside what was said before."""
    after = Said(
        value_farad=estimate.capacitance.value,
        uncertainty_farad=estimate.capacitance.standard_uncertainty,
        finding=estimate.finding.state.value,
    )
    return Redone(
        recording=recording,
        part=estimate.part,
        before=before,
        after=after,
        changed=before is not None and _changed(before, after),
    )


def _changed(before: Said, after: Said) -> bool:
    if before.finding != after.finding:
        return True
    if before.value_farad is None or after.value_farad is None:
        return before.value_farad is not after.value_farad
    limit = max(before.uncertainty_farad or 0.0, after.uncertainty_farad or 0.0)
    return abs(after.value_farad - before.value_farad) > limit
