"""What each explanation of a part says in figures, for the sentence of a finding.

Owns the phrases, and the bound that an open or shorted part still sets to its capacitance.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, pi

from twonode.analysis.estimated import Quantity
from twonode.analysis.hypotheses import Explanation
from twonode.analysis.model import Aspect, Sweep
from twonode.analysis.part_faults import PartFault
from twonode.analysis.posterior import Posterior
from twonode.analysis.quantities import format_quantity

__all__ = ["HELD_EXPONENT", "bound_of", "explanation_figures"]

HELD_EXPONENT = 80.0
"""Of e: where the model holds a parameter, and a fit that got there ran away."""


def bound_of(explanation: Explanation, sweeps: Sequence[Sweep]) -> Quantity:
    """What an open or shorted part still says of its capacitance, F."""
    found = explanation.posterior
    if explanation.fault is PartFault.OPEN:
        return Quantity(unit="F", at_most=_held_exp(found.theta[0] + 1.645 * found.standard_uncertainty(0)))
    # A capacitance whose reactance undercut the short at the highest frequency would have been seen beside it.
    highest_hz = max(p.frequency_hz for s in sweeps if s.stage is not None for p in s.points)
    short_ohm = _held_exp(found.theta[0] - 1.645 * found.standard_uncertainty(0))
    return Quantity(unit="F", at_most=1.0 / (2 * pi * highest_hz * short_ohm))


def explanation_figures(
    explanations: Sequence[Explanation], measured: Quantity, sweeps: Sequence[Sweep]
) -> dict[PartFault, str]:
    """A phrase for each explanation. measured : the value as that of a part that works."""
    figures = {PartFault.NONE: f"{measured} (95 %)"}
    for explanation in explanations:
        found = explanation.posterior
        owner = found.model.parameters[0].owner
        match explanation.fault:
            case PartFault.OPEN:
                bound = bound_of(explanation, sweeps)
                figures[PartFault.OPEN] = f"no more capacitance is left than stray, {bound}"
            case PartFault.SHORTED:
                ohm = _held_exp(found.theta[0])
                figures[PartFault.SHORTED] = (
                    f"it behaves like {format_quantity(ohm, 'ohm', 2)}, not like a capacitor"
                )
            case PartFault.LEAKY:
                leak = _held_exp(found.theta[found.model.index(owner, Aspect.LEAK)])
                farad = _held_exp(found.theta[found.model.index(owner, Aspect.VALUE)])
                figures[PartFault.LEAKY] = (
                    f"about {format_quantity(leak, 'ohm', 2)} lies across its {format_quantity(farad, 'F')}"
                )
            case PartFault.LOSSY:
                figures[PartFault.LOSSY] = _lossy_phrase(found, owner)
            case _:
                pass
    return figures


def _lossy_phrase(found: Posterior, owner: str) -> str:
    farad = format_quantity(_held_exp(found.theta[found.model.index(owner, Aspect.VALUE)]), "F")
    if found.model.parameters[1].aspect is Aspect.LOSS and found.model.parameters[1].logarithmic:
        return f"its {farad} lose {100 * _held_exp(found.theta[1]):.2g} % (tan delta)"
    ohm = _held_exp(found.theta[found.model.index(owner, Aspect.ESR)])
    return f"its {farad} have {format_quantity(ohm, 'ohm', 2)} in series (ESR)"


def _held_exp(exponent: float) -> float:
    """exp, held where the model holds it: the fit of an explanation that is far off may run anywhere."""
    return exp(min(max(exponent, -HELD_EXPONENT), HELD_EXPONENT))
