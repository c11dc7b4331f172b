"""What may be wrong with a capacitor, each as a model of its own that explains the same data.

Owns the prior rates and parameter priors of these faults, and the fits. States probabilities of faults;
whether a value is inside a tolerance is judged elsewhere.

The rates and typical values are working assumptions about parts that come to a repair bench (common practice, no
source). They matter only where the data leave the question open.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, inf, log

import numpy as np

from twonode.analysis.model import Aspect, Free, Model, Sweep
from twonode.analysis.part_faults import (
    LEAK_OHM,
    SHORT_OHM,
    SHORT_SIGMA,
    STRAY_FARAD,
    STRAY_SIGMA,
    PartFault,
    dielectric_frees,
)
from twonode.analysis.posterior import Posterior, maximise
from twonode.analysis.prior import family_of
from twonode.analysis.stage import Part

__all__ = ["RATES", "Explanation", "explain_part", "ordinary_frees", "ordinary_model", "scan_starts"]

LEAST_FAVOUR = 3.0
"""How much better than a sound part a leak must explain the data before it counts as something the data say."""

RATES = {
    PartFault.NONE: 0.80,
    PartFault.OPEN: 0.04,
    PartFault.SHORTED: 0.03,
    PartFault.LEAKY: 0.08,
    PartFault.LOSSY: 0.05,
}
"""NONE is a capacitor of whatever value that works as one: whether the value is off is judged from that fit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """One fault's best fit and how probable the fault is against the others."""

    fault: PartFault
    posterior: Posterior
    probability: float


def ordinary_frees(part: Part, nominal_farad: float, *, value_sigma: float) -> list[Free]:
    """Free aspects of a part that works as a capacitor.

    value_sigma : standard deviation of ln C around the nominal value; inf leaves it to the data.
    """
    value = Free(part=part.name, aspect=Aspect.VALUE, mean=log(nominal_farad), sigma=value_sigma)
    return [value, *dielectric_frees(part, nominal_farad)]


def ordinary_model(sweeps: Sequence[Sweep], part: Part, nominal_farad: float) -> Model:
    """Model with the part's value left to the data and its loss held near that of its family."""
    return Model(sweeps, ordinary_frees(part, nominal_farad, value_sigma=inf))


def scan_starts(model: Model, *, decades: float = 4.0, keep: int = 2) -> list[np.ndarray]:
    """Starting points for the first parameter (a log value), which a search from far off might miss.

    At each place of a coarse grid the other parameters are fitted in one linear step; the best places are kept.
    """
    finite = np.isfinite(model.sigma)
    weight = np.where(finite, 1.0 / model.sigma, 0.0)
    trials: list[tuple[float, np.ndarray]] = []
    for shift in np.linspace(-decades, decades, int(2 * decades / 0.5) + 1) * log(10.0):
        theta = model.mean.copy()
        theta[0] += shift
        found = model.evaluate(theta)
        others = found.jacobian[:, 1:]
        precision = others.T @ others + np.diag(weight[1:] ** 2)
        step = -np.linalg.lstsq(precision, others.T @ found.residual, rcond=None)[0]
        left = found.residual + others @ step
        trials.append((float(left @ left + np.sum((weight[1:] * step) ** 2)), theta))
    trials.sort(key=lambda t: t[0])
    return [theta for _, theta in trials[:keep]]


def explain_part(
    sweeps: Sequence[Sweep], part: Part, nominal_farad: float, *, near_farad: float | None = None
) -> tuple[Explanation, ...]:
    """Fit every kind of explanation to the same data and weigh them by evidence and prior rate.

    Parameters
    ----------
    near_farad : value of a fit to nearly the same data, which spares the search for a start.

    Returns
    -------
    Explanations, most probable first; the probabilities add up to 1.
    """
    fits = {fault: _fit(fault, sweeps, part, nominal_farad, near_farad) for fault in RATES}
    scores = {f: log(RATES[f]) + _evidence(p) for f, p in fits.items()}
    best = max(scores.values())
    weights = {fault: exp(score - best) for fault, score in scores.items()}
    favour = _evidence(fits[PartFault.LEAKY]) - _evidence(fits[PartFault.NONE])
    if favour < log(LEAST_FAVOUR):
        # A leak too large in ohms to be seen here is as likely after the sweep as before: not found, but not tested.
        weights[PartFault.NONE] += weights[PartFault.LEAKY]
        weights[PartFault.LEAKY] = 0.0
    total = sum(weights.values())
    found = [
        Explanation(fault=fault, posterior=fits[fault], probability=weights[fault] / total) for fault in RATES
    ]
    return tuple(sorted(found, key=lambda e: -e.probability))


def _evidence(posterior: Posterior) -> float:
    if posterior.log_evidence is None:
        raise ValueError("explanations are compared by evidence, which needs proper priors")
    return posterior.log_evidence


def _starts(model: Model, near_farad: float | None, *, decades: float = 4.0) -> list[np.ndarray]:
    """From a known neighbourhood, else from a scan."""
    if near_farad is None:
        return scan_starts(model, decades=decades)
    start = model.mean.copy()
    start[0] = log(near_farad)
    return [start]


def _fit(
    fault: PartFault, sweeps: Sequence[Sweep], part: Part, nominal_farad: float, near_farad: float | None
) -> Posterior:
    ordinary = ordinary_frees(part, nominal_farad, value_sigma=1.2)
    match fault:
        case PartFault.NONE:
            model = Model(sweeps, ordinary)
            return maximise(model, _starts(model, near_farad))
        case PartFault.LEAKY:
            leak = Free(part=part.name, aspect=Aspect.LEAK, mean=log(LEAK_OHM), sigma=1.7)
            model = Model(sweeps, [*ordinary, leak])
            return maximise(model, _leak_starts(model, model.index(part.name, Aspect.LEAK), near_farad))
        case PartFault.LOSSY:
            model = Model(sweeps, _lossy_frees(part, nominal_farad))
            return maximise(model, _starts(model, near_farad))
        case PartFault.OPEN:
            model = Model(
                sweeps, [Free(part=part.name, aspect=Aspect.VALUE, mean=log(STRAY_FARAD), sigma=STRAY_SIGMA)]
            )
            return maximise(model, [model.mean])
        case PartFault.SHORTED:
            model = Model(
                sweeps,
                [
                    Free(part=part.name, aspect=Aspect.LEAK, mean=log(SHORT_OHM), sigma=SHORT_SIGMA),
                    Free(part=part.name, aspect=Aspect.VALUE, mean=log(nominal_farad), sigma=1.2),
                ],
            )
            return maximise(model, scan_starts(model, decades=1.5))
        case PartFault.OFF_VALUE:
            raise ValueError("a value that is off is judged from the fit of a part that works")


def _lossy_frees(part: Part, nominal_farad: float) -> list[Free]:
    """Loss well above the family's, as a dielectric's tan delta or, for electrolytics, as ESR."""
    frees = ordinary_frees(part, nominal_farad, value_sigma=1.2)
    family = family_of(nominal_farad)
    if family.esr_ohm is not None:
        raised = (part.esr_ohm or family.esr_ohm) * 10.0
        return [*frees[:-1], Free(part=part.name, aspect=Aspect.ESR, mean=log(raised), sigma=0.7)]
    return [frees[0], Free(part=part.name, aspect=Aspect.LOSS, mean=log(0.08), sigma=0.6)]


def _leak_starts(model: Model, leak: int, near_farad: float | None) -> list[np.ndarray]:
    """A leak and a value can be mistaken for each other from a bad start, so a few of each are tried."""
    starts = []
    for resistance in (1e5, 3e6):
        model_start = model.mean.copy()
        model_start[leak] = log(resistance)
        starts.append(model_start)
    (near,) = _starts(model, near_farad)[:1]
    near[leak] = log(1e7)
    return [*starts, near]
