"""Where a variance comes from, and what would shrink it most.

Owns the lines of the budget and the computed gain of each action. The shares are exact for the linearised problem
and add up to 1.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.model import Aspect, Parameter
from twonode.analysis.posterior import Posterior

__all__ = ["BudgetLine", "budget"]

Real = NDArray[np.float64]

NOISE = "noise"
QUANTISATION = "quantisation"
METER_SIGMA = 0.005 / 3**0.5
"""A hand-held meter's 0.5 % on ohms (class figure), as a standard uncertainty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetLine:
    """One source of a variance.

    share : 0 to 1; the shares of a budget add up to 1.
    action : what would shrink this source.
    expected_sigma : standard uncertainty of the parameter after that action, in the parameter's own terms; None
        where no action helps.
    """

    source: str
    share: float
    action: str
    expected_sigma: float | None


def budget(posterior: Posterior, index: int) -> tuple[BudgetLine, ...]:
    """Budget of one parameter's variance, largest share first.

    Parameters
    ----------
    index : place of the parameter in posterior.theta.
    """
    shares: dict[str, float] = {}
    for parameter, share in zip(posterior.model.parameters, posterior.prior_shares(index), strict=True):
        shares[parameter.source] = shares.get(parameter.source, 0.0) + float(share)
    by_point = posterior.data_shares(index)
    rounding = np.array([p.quantisation_share for s in posterior.model.sweeps for p in s.points])
    shares[QUANTISATION] = float(by_point @ rounding)
    shares[NOISE] = float(by_point @ (1.0 - rounding))
    total = sum(shares.values())
    lines = []
    for source, share in shares.items():
        action, after = _action(source, posterior, index)
        lines.append(BudgetLine(source=source, share=share / total, action=action, expected_sigma=after))
    return tuple(sorted(lines, key=lambda line: -line.share))


def best_action(lines: tuple[BudgetLine, ...]) -> BudgetLine | None:
    """The line whose action promises the smallest uncertainty; None where nothing helps."""
    helping = [line for line in lines if line.expected_sigma is not None]
    return min(helping, key=lambda line: line.expected_sigma or 0.0) if helping else None


def _action(source: str, posterior: Posterior, index: int) -> tuple[str, float | None]:
    """Advice for a source and the standard uncertainty it would lead to."""
    if source in (NOISE, QUANTISATION):
        return "measure more points, or the same ones longer", _after_more_data(posterior, index, 4.0)
    if source in ("channel gain", "channel skew", "probe compensation"):
        known = {Aspect.GAIN: 5e-4, Aspect.COMPENSATION: 1e-3, Aspect.SHAPE: 1e-4, Aspect.SKEW: 1e-10}
        return (
            "do a null run: both probes on the drive node",
            _after_knowing(posterior, index, lambda p: known.get(p.aspect)),
        )
    if source == "probe loading":
        return (
            "measure the far probe's capacitance, or use a smaller resistor",
            _after_knowing(posterior, index, lambda p: 0.02 if p.source == source else None),
        )
    if source == "frequency":
        return "use a generator with a better frequency standard", None
    parameter = next(p for p in posterior.model.parameters if p.source == source)
    if parameter.source != parameter.owner:  # an aspect of the asked part itself
        return "measure more points on both sides of the corner", _after_more_data(posterior, index, 4.0)
    return (
        f"measure {source} with a meter, the set unplugged and {source} lifted at one end if anything is beside it",
        _after_knowing(posterior, index, lambda p: METER_SIGMA if p.source == source else None),
    )


def _precision(posterior: Posterior, sigma: Real, data_weight: float = 1.0) -> Real:
    jacobian = posterior.evaluation.jacobian
    prior = np.where(np.isfinite(sigma), 1.0 / sigma, 0.0) ** 2
    total: Real = data_weight * (jacobian.T @ jacobian) + np.diag(prior)
    return total


def _sigma_of(precision: Real, index: int) -> float:
    scale = 1.0 / np.sqrt(np.maximum(np.diag(precision), np.finfo(float).tiny))
    covariance = np.linalg.pinv(precision * np.outer(scale, scale), hermitian=True)
    return float(np.sqrt(covariance[index, index]) * scale[index])


def _after_more_data(posterior: Posterior, index: int, times: float) -> float:
    return _sigma_of(_precision(posterior, posterior.model.sigma, times), index)


def _after_knowing(posterior: Posterior, index: int, known: Callable[[Parameter], float | None]) -> float:
    """Uncertainty if some parameters were known at least as well as `known` says."""
    sigma = posterior.model.sigma.copy()
    for place, parameter in enumerate(posterior.model.parameters):
        limit = known(parameter)
        if limit is not None:
            sigma[place] = min(sigma[place], limit)
    return _sigma_of(_precision(posterior, sigma), index)
