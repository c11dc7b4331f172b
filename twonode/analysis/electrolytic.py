"""What a repairer asks of an electrolytic: C at 100 or 120 Hz, ESR and its course over frequency, loss as tan delta.

Owns these figures as functions of a fit, with their uncertainties. The model has a series resistance and a dielectric
loss that is constant over frequency; the ESR at a frequency is both: R + tan_d / (2 pi f C). A figure that the data
do not narrow against what was taken for granted beforehand is not stated.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import exp, log, pi, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.estimated import Quantity, log_quantity
from twonode.analysis.model import Aspect
from twonode.analysis.posterior import Posterior
from twonode.analysis.quantities import format_quantity
from twonode.analysis.stage import Part, PartKind

__all__ = [
    "Electrolytic",
    "electrolytic_document",
    "electrolytic_figures",
    "electrolytic_words",
    "is_electrolytic",
]

Real = NDArray[np.float64]

NARROWED = 0.8
WIDEST = 0.5
"""A figure is stated where its standard uncertainty is below that share of what it was beforehand, and the logarithm's
below this: 95 % within a factor of 2.7."""
FREQUENCY_STEPS = 25


@dataclass(frozen=True, slots=True, kw_only=True)
class Electrolytic:
    """Figures of one electrolytic; None where the data do not carry one.

    at_hz : 100 or 120 Hz, twice the mains frequency: the ripple it works at.
    capacitance : F. tan_delta : at at_hz, all losses.
    esr_low, esr_high : frequency in Hz and ESR in ohm at the lowest and the highest frequency measured at which the
        data determine it.
    """

    part: str
    at_hz: float
    capacitance: Quantity | None
    tan_delta: Quantity | None
    esr_low: tuple[float, Quantity] | None
    esr_high: tuple[float, Quantity] | None


def is_electrolytic(part: Part) -> bool:
    """Whether a part is an electrolytic: said so, or one microfarad and more with nothing said."""
    if part.kind is not PartKind.CAPACITOR:
        return False
    if part.dielectric is not None:
        return "electrolytic" in part.dielectric or "tantalum" in part.dielectric
    return part.value >= 1e-6


def electrolytic_figures(posterior: Posterior, part: Part, *, line_hz: float = 50.0) -> Electrolytic | None:
    """Figures of a part from a fit in which it is free; None for a part that the fit does not hold.

    Parameters
    ----------
    posterior : with the part's value among its parameters, ESR and loss where they are free.
    line_hz : mains frequency.
    """
    model = posterior.model
    at_hz = 2.0 * line_hz
    places: dict[Aspect, int] = {}
    for aspect in (Aspect.VALUE, Aspect.ESR, Aspect.LOSS):
        try:
            places[aspect] = model.index(part.name, aspect)
        except KeyError:
            continue
    if Aspect.VALUE not in places:
        return None

    def read(theta: Real) -> tuple[float, float, float]:
        farad = exp(theta[places[Aspect.VALUE]])
        esr = part.esr_ohm
        if Aspect.ESR in places:
            esr = exp(theta[places[Aspect.ESR]])
        loss = float(theta[places[Aspect.LOSS]]) if Aspect.LOSS in places else part.loss
        if Aspect.LOSS in places and model.logarithmic[places[Aspect.LOSS]]:
            loss = exp(loss)
        return farad, esr, max(loss, 0.0)

    def farad(theta: Real) -> float:
        return read(theta)[0]

    def esr_at(hz: float) -> Callable[[Real], float]:
        def esr(theta: Real) -> float:
            c, r, loss = read(theta)
            return r + loss / (2 * pi * hz * c)

        return esr

    def tan_delta(theta: Real) -> float:
        c, r, loss = read(theta)
        return 2 * pi * at_hz * c * r + loss

    frequencies = [p.frequency_hz for s in model.sweeps for p in s.points if s.stage is not None]
    determined: list[tuple[float, Quantity]] = []
    if frequencies:
        for hz in np.geomspace(min(frequencies), max(frequencies), FREQUENCY_STEPS).tolist():
            found = _quantity(posterior, esr_at(hz), "ohm")
            if found is not None:
                determined.append((hz, found))
    return Electrolytic(
        part=part.name,
        at_hz=at_hz,
        capacitance=_quantity(posterior, farad, "F"),
        tan_delta=_quantity(posterior, tan_delta, ""),
        esr_low=determined[0] if determined else None,
        esr_high=determined[-1] if determined else None,
    )


def _quantity(posterior: Posterior, figure: Callable[[Real], float], unit: str) -> Quantity | None:
    """A positive figure as a function of the parameters, Gaussian in its logarithm; None where not narrowed."""
    theta = posterior.theta
    value = figure(theta)
    if not value > 0:
        return None
    slopes = _slopes(figure, theta, posterior)
    sigma = sqrt(float(slopes @ posterior.covariance @ slopes))
    before = sqrt(float(np.sum((slopes[slopes != 0] * posterior.model.sigma[slopes != 0]) ** 2)))
    if not sigma < min(WIDEST, NARROWED * before):
        return None
    return log_quantity(value, sigma, unit)


def _slopes(figure: Callable[[Real], float], theta: Real, posterior: Posterior) -> Real:
    """d ln(figure) / d theta by central differences of a hundredth of a standard uncertainty."""
    slopes = np.zeros(theta.size)
    for place, parameter in enumerate(posterior.model.parameters):
        if parameter.aspect not in (Aspect.VALUE, Aspect.ESR, Aspect.LOSS):
            continue
        step = 0.01 * posterior.standard_uncertainty(place)
        if not step > 0:
            continue
        up, down = theta.copy(), theta.copy()
        up[place] += step
        down[place] -= step
        above, below = figure(up), figure(down)
        if above > 0 and below > 0:
            slopes[place] = (log(above) - log(below)) / (2.0 * step)
    return slopes


def electrolytic_document(found: Electrolytic) -> dict[str, Any]:
    """The figures as JSON values, SI; null for what the data do not carry."""
    return {
        "part": found.part,
        "at_hz": found.at_hz,
        "capacitance": None if found.capacitance is None else found.capacitance.document(),
        "tan_delta": None if found.tan_delta is None else found.tan_delta.document(),
        "esr": [
            {"frequency_hz": hz, **quantity.document()}
            for hz, quantity in dict.fromkeys(e for e in (found.esr_low, found.esr_high) if e is not None)
        ],
    }


def electrolytic_words(found: Electrolytic) -> str | None:
    """The figures as one sentence; None where there are none."""
    said = []
    if found.capacitance is not None:
        said.append(f"C at {found.at_hz:g} Hz {found.capacitance} (95 %)")
    for name, figure in (("low", found.esr_low), ("high", found.esr_high)):
        if figure is not None and not (name == "high" and figure == found.esr_low):
            said.append(f"ESR {figure[1]} at {_hertz(figure[0])}")
    if found.tan_delta is not None:
        said.append(f"tan δ at {found.at_hz:g} Hz {found.tan_delta}")
    return f"{found.part}: {'; '.join(said)}." if said else None


def _hertz(hz: float) -> str:
    return format_quantity(hz, "Hz", 2)
