"""The finding: what is said of a part, how probable it is, why, and what was not tested.

Owns the decision rule. Whether a value conforms follows JCGM 106: the probability that the true value lies inside
the limits; a statement is made from 95 % on, otherwise the finding is undecided. Faults come weighed by evidence
from `hypotheses`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import Enum
from math import erf, log, sqrt

from twonode.analysis.part_faults import PartFault
from twonode.analysis.quantities import Tolerance, format_quantity

__all__ = [
    "NOT_TESTED",
    "STATED_FROM",
    "SWEEP_LIMITS",
    "Finding",
    "FindingState",
    "certainty_words",
    "conformity_probability",
    "judge",
    "probability_words",
    "state_of",
    "unexplained",
]

STATED_FROM = 0.95

NOT_TESTED = ("leakage at working voltage",)
"""What no small-signal sweep can clear."""

SWEEP_LIMITS = (
    "Measured with a small signal at 0 V bias: leakage at working voltage is not tested.",
    "A high-K ceramic loses capacitance under its working voltage; this sweep cannot see how much.",
)


class FindingState(Enum):
    """What is said of a part; the value is the word on screen and in files."""

    WITHIN_TOLERANCE = "within tolerance"
    OFF_VALUE = "off value"
    OPEN = "open"
    SHORTED = "shorted"
    LEAKY = "leaky"
    LOSSY = "lossy"
    UNDECIDED = "undecided"  # an answer too: comes with the next measurement


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A statement about a part.

    probability : of the stated finding; for `undecided` that of the likeliest of the others.
    because : one sentence with the figures.
    action : what to do next; for `undecided` what would decide it.
    probabilities : of every state that was weighed; they add up to 1.
    """

    state: FindingState
    probability: float
    because: str
    action: str
    not_tested: tuple[str, ...]
    probabilities: Mapping[FindingState, float]


def state_of(fault: PartFault) -> FindingState:
    """The finding that a fault is, which goes by the same word. Raises ValueError for NONE, which is no fault."""
    return FindingState(fault.value)


def certainty_words(state: FindingState, probability: float) -> str:
    """How sure a finding is, never rounded up to certainty; of an undecided one, how likely the likeliest other is."""
    if state is FindingState.UNDECIDED:
        return f"the likeliest answer has {100 * min(probability, 0.99):.0f} %"
    return f"{probability_words(probability)} sure"


def probability_words(probability: float) -> str:
    """A probability in percent, never rounded up to certainty."""
    return "more than 99.9 %" if probability > 0.999 else f"{100 * probability:.1f} %"


def unexplained(part: str, finding: Finding) -> Finding:
    """What is left of a finding where no circuit that was tried describes the readings: nothing is decided by them."""
    nearest = "" if finding.state is FindingState.UNDECIDED else f"; {finding.state.value} comes nearest"
    return replace(
        finding,
        state=FindingState.UNDECIDED,
        because=f"{part}: no circuit that was tried describes the readings{nearest}.",
        action="Compare the stage with the set, check clips and probe switches, and sweep again.",
    )


def conformity_probability(mean: float, sigma: float, low: float, high: float) -> float:
    """Probability that a Gaussian quantity lies inside limits.

    Source: JCGM 106:2012, 7.3 (the worked example is in the tests).
    """
    if not sigma > 0:
        raise ValueError(f"sigma: need > 0, got {sigma}")
    return 0.5 * (erf((high - mean) / (sigma * sqrt(2.0))) - erf((low - mean) / (sigma * sqrt(2.0))))


def judge(
    *,
    part: str,
    faults: Mapping[PartFault, float],
    log_mean: float,
    log_sigma: float,
    nominal_farad: float | None,
    tolerance: Tolerance | None,
    figures: Mapping[PartFault, str],
    action: str,
) -> Finding:
    """State a finding.

    Parameters
    ----------
    faults : probability of each kind of explanation; they add up to 1.
    log_mean, log_sigma : of ln(C / F), given that the part works as a capacitor.
    nominal_farad, tolerance : what it should be; None where nothing is known, which leaves a sound part undecided.
    figures : for each fault a phrase with the fitted figures.
    action : what would shrink the uncertainty of C most.
    """
    probabilities = {state_of(f): p for f, p in faults.items() if f is not PartFault.NONE}
    works = faults.get(PartFault.NONE, 0.0)
    if nominal_farad is None or tolerance is None:
        top_fault = max((f for f in faults), key=lambda f: faults[f])
        if top_fault is not PartFault.NONE and faults[top_fault] >= STATED_FROM:
            return _stated(part, state_of(top_fault), faults[top_fault], figures[top_fault], probabilities)
        return Finding(
            state=FindingState.UNDECIDED,
            probability=works,
            because=f"{part} works as a capacitor ({figures[PartFault.NONE]}), but no expected value was given.",
            action="Give the value it should have (--expect) and its tolerance.",
            not_tested=NOT_TESTED,
            probabilities=probabilities | {FindingState.UNDECIDED: works},
        )
    low, high = tolerance.limits(nominal_farad)
    inside = conformity_probability(log_mean, log_sigma, log(low), log(high))
    probabilities |= {
        FindingState.WITHIN_TOLERANCE: works * inside,
        FindingState.OFF_VALUE: works * (1.0 - inside),
    }
    limits = f"{format_quantity(nominal_farad, 'F')} {tolerance}"
    phrases = {
        FindingState.WITHIN_TOLERANCE: f"{figures[PartFault.NONE]} lies inside {limits}",
        FindingState.OFF_VALUE: f"{figures[PartFault.NONE]} lies outside {limits}",
    } | {state_of(f): phrase for f, phrase in figures.items() if f is not PartFault.NONE}
    state = max(probabilities, key=lambda s: probabilities[s])
    if probabilities[state] >= STATED_FROM:
        return _stated(part, state, probabilities[state], phrases[state], probabilities)
    second = max((s for s in probabilities if s is not state), key=lambda s: probabilities[s])
    return Finding(
        state=FindingState.UNDECIDED,
        probability=probabilities[state],
        because=(
            f"{part} may be {state.value} ({100 * probabilities[state]:.0f} %) or {second.value} "
            f"({100 * probabilities[second]:.0f} %): {phrases[state]}."
        ),
        action=f"To decide: {_deciding(part, state, second, action)}.",
        not_tested=NOT_TESTED,
        probabilities=probabilities,
    )


def _deciding(part: str, state: FindingState, second: FindingState, action: str) -> str:
    """What tells two states apart: more knowledge of the value, or a look at the part itself."""
    values = {FindingState.WITHIN_TOLERANCE, FindingState.OFF_VALUE}
    if {state, second} <= values:
        return action
    if FindingState.OPEN in (state, second):
        return f"lift one end of {part} and sweep it alone in a fixture"
    if FindingState.LOSSY in (state, second):
        return f"lift one end of {part} and sweep it alone, to higher frequencies"
    return f"lift one end of {part} and measure its resistance with a meter, the set unplugged and discharged"


_NEXT = {
    FindingState.WITHIN_TOLERANCE: "Check leakage at working voltage with a meter before trusting it.",
    FindingState.OFF_VALUE: "Lift one end and sweep again if anything else could shift the value; else replace it.",
    FindingState.OPEN: "Check the far clip and the joints, lift one end and sweep again; then replace it.",
    FindingState.SHORTED: "Check with an ohmmeter, the set unplugged; look for what the short has overloaded.",
    FindingState.LEAKY: "Measure its leakage with a meter at working voltage, or replace it.",
    FindingState.LOSSY: "Replace it; check its leakage too.",
}


def _stated(
    part: str,
    state: FindingState,
    probability: float,
    phrase: str,
    probabilities: Mapping[FindingState, float],
) -> Finding:
    return Finding(
        state=state,
        probability=min(1.0, probability),
        because=f"{part}: {phrase}.",
        action=_NEXT[state],
        not_tested=NOT_TESTED,
        probabilities=probabilities,
    )
