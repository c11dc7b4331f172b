"""What a null run would bring: the expected uncertainty of one parameter after it.

Owns the forecast of a null run that has not been taken. It is Fisher information: of the present data, of the
priors, and of a null run over frequency and over the ranges in use, its noise that of the present points.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from math import log

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.model import Model
from twonode.analysis.posterior import Posterior
from twonode.analysis.ratio import RatioPoint

__all__ = ["sigma_after_null"]

Real = NDArray[np.float64]

FREQUENCIES_HZ = tuple(float(hz) for hz in np.geomspace(20.0, 100e3, 8))
COMPARED_AT_HZ = 400.0
"""As the null run takes them."""

NOISE_SHARE = 0.55
"""Noise of a null point over the smallest of the present points. Ten times the samples make it 0.32 on a scope that
has the memory; where a point is only taken twice it is 0.71. Between the two the forecast was within 25 % of what
simulated null runs brought on either kind."""

USUAL_STEP = 10.0 ** (1.0 / 3.0)
"""Of a 1-2-5 sequence: the null run compares neighbours, and far ranges by way of those between."""


def sigma_after_null(posterior: Posterior, index: int) -> float | None:
    """Standard uncertainty of a parameter if a null run of the first sweep's bench were added.

    Parameters
    ----------
    index : place of the parameter in posterior.theta.

    Returns
    -------
    In the parameter's own terms; None where there is no sweep of a stage to go with.
    """
    sweep = next((s for s in posterior.model.sweeps if s.stage is not None and s.points), None)
    if sweep is None:
        return None
    null = Model([replace(sweep, stage=None, points=_null_points(sweep.points))])
    known = posterior.model
    places: list[int] = []
    new: list[float] = []
    theta = null.mean.copy()
    for here, parameter in enumerate(null.parameters):
        try:
            place = known.index(parameter.owner, parameter.aspect)
            theta[here] = posterior.theta[place]
        except KeyError:
            place = len(known.parameters) + len(new)
            new.append(parameter.sigma)
        places.append(place)
    present, added = posterior.evaluation.jacobian, null.evaluate(theta).jacobian
    total = np.diag(_weight(np.concatenate([known.sigma, new])))
    total[: present.shape[1], : present.shape[1]] += present.T @ present
    total[np.ix_(places, places)] += added.T @ added
    scale = 1.0 / np.sqrt(np.maximum(np.diag(total), np.finfo(float).tiny))
    covariance = np.linalg.pinv(total * np.outer(scale, scale), hermitian=True)
    return float(np.sqrt(covariance[index, index]) * scale[index])


def _null_points(points: Sequence[RatioPoint]) -> tuple[RatioPoint, ...]:
    """Points of a null run that ties the ranges of these points together."""
    smallest = min((p.ratio_cov[0] + p.ratio_cov[2]) / 2.0 / max(abs(p.ratio), 1e-9) ** 2 for p in points)
    variance = NOISE_SHARE**2 * smallest

    def point(hz: float, drive: float, far: float, steps: int = 1) -> RatioPoint:
        return RatioPoint(
            frequency_hz=hz,
            ratio=1.0 + 0.0j,
            ratio_cov=(steps * variance, 0.0, steps * variance),
            quantisation_share=0.0,
            drive_volts_per_div=drive,
            far_volts_per_div=far,
        )

    ranges = sorted({v for p in points for v in (p.drive_volts_per_div, p.far_volts_per_div)}, reverse=True)
    found = [point(hz, ranges[0], ranges[0]) for hz in FREQUENCIES_HZ]
    for wider, finer in pairwise(ranges):
        # Between two ranges that do not touch, every step adds its two comparisons.
        steps = max(1, 2 * round(log(wider / finer) / log(USUAL_STEP)) - 1)
        found += [point(COMPARED_AT_HZ, wider, finer, steps), point(COMPARED_AT_HZ, finer, finer)]
    return tuple(found)


def _weight(sigma: Real) -> Real:
    weight: Real = np.where(np.isfinite(sigma), 1.0 / sigma, 0.0) ** 2
    return weight
