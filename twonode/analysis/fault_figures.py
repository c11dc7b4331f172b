"""The figures that a diagnosis carries: what was fitted for a fault, and what is asked of an electrolytic.

Owns their names and units. Weighs nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

from twonode.analysis.diagnose import Diagnosis, Weighed
from twonode.analysis.electrolytic import (
    Electrolytic,
    electrolytic_figures,
    electrolytic_words,
    is_electrolytic,
)
from twonode.analysis.estimated import NORMAL_95, Quantity, log_quantity
from twonode.analysis.model import STRAYED, Aspect
from twonode.analysis.part_faults import PartFault
from twonode.analysis.posterior import Posterior
from twonode.analysis.quantities import format_quantity
from twonode.analysis.stage import Part, PartKind, Stage

__all__ = ["Figure", "electrolytics_of", "figures_of"]

WIDE_SIGMA = 0.35
"""From this uncertainty of a logarithm on, a range says more than a value with a half-width."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A fitted figure of a fault: what of which part."""

    part: str
    what: str
    quantity: Quantity

    def __str__(self) -> str:
        found = self.quantity
        if found.interval95 is None or found.value is None:
            return f"{self.what} {found}"
        low, high = found.interval95
        if high > found.value * exp(NORMAL_95 * WIDE_SIGMA):
            return (
                f"{self.what} {format_quantity(low, found.unit, 2)} to {format_quantity(high, found.unit, 2)}"
            )
        return f"{self.what} {found}"


_ASPECTS = {
    PartFault.LEAKY: (Aspect.LEAK, Aspect.VALUE),
    PartFault.LOSSY: (Aspect.ESR, Aspect.LOSS),
}
_WORDS = {Aspect.VALUE: "value", Aspect.LEAK: "leak", Aspect.ESR: "ESR", Aspect.LOSS: "tan δ"}


def figures_of(weighed: Weighed, stage: Stage) -> tuple[Figure, ...]:
    """The fitted figures of a hypothesis' faults; none for a part that nothing shows."""
    if weighed.posterior is None:
        return ()
    found = []
    model = weighed.posterior.model
    for name, fault in weighed.hypothesis.faults:
        part = stage.part(name)
        for aspect in _ASPECTS.get(fault, (Aspect.VALUE,)):
            try:
                place = model.index(name, aspect)
            except KeyError:
                continue
            found.append(
                Figure(
                    part=name,
                    what=_what(aspect, fault),
                    quantity=_log_quantity(weighed.posterior, place, _unit(part, aspect, fault)),
                )
            )
            if fault is PartFault.LOSSY:
                break
    return tuple(found)


def _what(aspect: Aspect, fault: PartFault) -> str:
    if aspect is Aspect.VALUE and fault is PartFault.OPEN:
        return "left across its leads"
    if aspect is Aspect.VALUE and fault is PartFault.SHORTED:
        return "left of it"
    return _WORDS[aspect]


def _unit(part: Part, aspect: Aspect, fault: PartFault) -> str:
    match aspect:
        case Aspect.LEAK | Aspect.ESR:
            return "ohm"
        case Aspect.LOSS:
            return ""
        case _:
            # An open resistor leaves a stray capacitance, a shorted capacitor some resistance.
            if fault is PartFault.OPEN:
                return "F"
            shorted = fault is PartFault.SHORTED and part.kind is PartKind.CAPACITOR
            return "ohm" if shorted else part.kind.unit


def _log_quantity(posterior: Posterior, place: int, unit: str) -> Quantity:
    centre, sigma = float(posterior.theta[place]), posterior.standard_uncertainty(place)
    if abs(centre - float(posterior.model.mean[place])) > STRAYED or sigma > STRAYED:
        return Quantity(unit=unit)  # the fit ran away: the data say nothing of this figure
    return log_quantity(exp(centre), sigma, unit)


def electrolytics_of(diagnosis: Diagnosis, *, line_hz: float = 50.0) -> tuple[Electrolytic, ...]:
    """Figures of every electrolytic that the best fit carries."""
    best = next((w.posterior for w in diagnosis.ranking if w.posterior is not None), None)
    if best is None:
        return ()
    found = []
    for part in diagnosis.stage.parts:
        if is_electrolytic(part):
            figures = electrolytic_figures(best, part, line_hz=line_hz)
            if figures is not None and electrolytic_words(figures) is not None:
                found.append(figures)
    return tuple(found)
