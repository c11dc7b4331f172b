"""A part of known value in the fixture: whether the fixture reads it right.

Owns the judgement and its words. The limits on the known part are its maker's; that the reading and they agree follows
JCGM 106: the probability that the true value, as read, lies inside the limits.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log
from typing import Any

from twonode.analysis.estimated import Quantity
from twonode.analysis.findings import conformity_probability, probability_words
from twonode.analysis.loose_part import LoosePart
from twonode.analysis.quantities import Tolerance, format_quantity

__all__ = ["KnownPartCheck", "check_known_part", "known_part_document"]

AGREES_FROM = 0.05
"""Below this probability the reading and the limits contradict each other (JCGM 106, as for findings)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownPartCheck:
    """Whether a known part is read within its limits.

    probability : that its true value, as read, lies within them; 0 where no value was read.
    measured : as read, None where no value was. because : one sentence. do : what to do where it does not agree.
    """

    agrees: bool
    probability: float
    nominal_farad: float
    tolerance: Tolerance
    measured: Quantity | None
    because: str
    do: str | None


def check_known_part(loose: LoosePart, nominal_farad: float, tolerance: Tolerance) -> KnownPartCheck:
    """Compare a reading of a known part with its limits, F."""
    limits = f"{format_quantity(nominal_farad, 'F')} {tolerance}"
    found = loose.value
    do = "Check clips, probe switches and that the resistor is the one named; then check the empty fixture again."
    if found is None or found.value is None or found.standard_uncertainty is None:
        return KnownPartCheck(
            agrees=False,
            probability=0.0,
            nominal_farad=nominal_farad,
            tolerance=tolerance,
            measured=None,
            because=f"The known part of {limits} gives no value: {loose.because}",
            do=do,
        )
    low, high = tolerance.limits(nominal_farad)
    probability = conformity_probability(
        log(found.value), found.standard_uncertainty / found.value, log(low), log(high)
    )
    agrees = probability > AGREES_FROM and loose.misfit is None
    inside = "agrees with" if probability > AGREES_FROM else "lies outside"
    because = f"{found} {inside} {limits} (probability of lying within: {probability_words(probability)})."
    if loose.misfit is not None:
        because = f"{because} {loose.misfit}"
    return KnownPartCheck(
        agrees=agrees,
        probability=probability,
        nominal_farad=nominal_farad,
        tolerance=tolerance,
        measured=found,
        because=because,
        do=None if agrees else do,
    )


def known_part_document(check: KnownPartCheck) -> dict[str, Any]:
    """As JSON."""
    return {
        "expected": {
            "value": check.nominal_farad,
            "limits": list(check.tolerance.limits(check.nominal_farad)),
            "unit": "F",
        },
        "capacitance": None if check.measured is None else check.measured.document(),
        "agrees": check.agrees,
        "probability": check.probability,
        "because": check.because,
        "do": check.do,
    }
