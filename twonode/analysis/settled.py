"""Whether the readings so far settle the finding, without the figures a full estimate states.

Owns the short way that a running sweep takes after every point.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log

from twonode.analysis.findings import FindingState, conformity_probability, state_of
from twonode.analysis.hypotheses import explain_part
from twonode.analysis.model import Sweep
from twonode.analysis.part_faults import PartFault
from twonode.analysis.quantities import Tolerance
from twonode.analysis.stage import Part

__all__ = ["Standing", "standing"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """The likeliest state so far with its probability, and the value as a capacitor, F."""

    state: FindingState
    probability: float
    farad: float


def standing(
    sweeps: Sequence[Sweep],
    part: Part,
    nominal_farad: float,
    tolerance: Tolerance,
    *,
    near_farad: float | None = None,
) -> Standing:
    """Where the finding stands.

    Parameters
    ----------
    nominal_farad, tolerance : what the part is held against.
    near_farad : value found from nearly the same data, F.
    """
    explanations = explain_part(sweeps, part, nominal_farad, near_farad=near_farad)
    works = next(e for e in explanations if e.fault is PartFault.NONE)
    low, high = (log(limit) for limit in tolerance.limits(nominal_farad))
    mean = float(works.posterior.theta[0])
    inside = conformity_probability(mean, works.posterior.standard_uncertainty(0), low, high)
    chances = {state_of(e.fault): e.probability for e in explanations if e.fault is not PartFault.NONE}
    chances[FindingState.WITHIN_TOLERANCE] = works.probability * inside
    chances[FindingState.OFF_VALUE] = works.probability * (1.0 - inside)
    state = max(chances, key=lambda s: chances[s])
    return Standing(state=state, probability=chances[state], farad=exp(mean))
