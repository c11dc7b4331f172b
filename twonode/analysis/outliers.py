"""Points that do not belong with the others: a probe that slipped, a clip touched during one record.

Owns finding the point whose removal mends a fit that does not hold. It never looks while the fit holds, takes few
points at most, and everything it takes is reported: a circuit that is wrong stays wrong, and is said to be.

With P the posterior covariance and J_i a point's two whitened rows, its leverage is H = J_i P J_i', and removing it
lowers the sum of squares by r_i' (1 - H)^-1 r_i (the deletion formula of linear regression).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtrc

from twonode.analysis.model import Sweep
from twonode.analysis.posterior import Posterior

__all__ = [
    "MENDED_PROBABILITY",
    "MISFIT_PROBABILITY",
    "LeftOut",
    "fit_probability",
    "may_leave_out",
    "most_foreign",
    "without",
]

MISFIT_PROBABILITY = 1e-4
"""A fit this improbable does not hold."""
MENDED_PROBABILITY = 1e-3
"""What a fit must come to once a point is left out, or the point was not the reason."""
LEAST_KEPT = 4
POINTS_A_POINT = 5
"""One point in so many may be left out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A point that was left out of the estimate.

    sweep, point : places among the sweeps given and their points.
    sigma : by how many standard uncertainties it misses what the others say.
    """

    sweep: int
    point: int
    frequency_hz: float
    sigma: float


def fit_probability(posterior: Posterior) -> float:
    """Probability of residuals at least as large, if the model holds (chi-square of data and priors)."""
    total = posterior.data_chi_square + posterior.prior_chi_square
    degrees = max(1, posterior.model.observations - int(np.isinf(posterior.model.sigma).sum()))
    return float(chdtrc(degrees, total))


def most_foreign(posterior: Posterior) -> tuple[LeftOut, float]:
    """The point that costs the fit most, and by how much the sum of squares would fall without it."""
    best: tuple[float, LeftOut] | None = None
    start = 0
    for number, sweep in enumerate(posterior.model.sweeps):
        n = len(sweep.points)
        for place, point in enumerate(sweep.points):
            rows = [start + place, start + n + place]
            residual = posterior.evaluation.residual[rows]
            slopes = posterior.evaluation.jacobian[rows]
            left = np.eye(2) - slopes @ posterior.covariance @ slopes.T
            fall = float(residual @ np.linalg.lstsq(left, residual, rcond=1e-9)[0])
            if best is None or fall > best[0]:
                found = LeftOut(
                    sweep=number,
                    point=place,
                    frequency_hz=point.frequency_hz,
                    sigma=float(np.sqrt(max(fall, 0.0))),
                )
                best = (fall, found)
        start += 2 * n
    if best is None:
        raise ValueError("there is no point to leave out")
    return best[1], best[0]


def may_leave_out(sweeps: Sequence[Sweep], already: int) -> bool:
    """Whether another point may go: few, and enough are left."""
    points = sum(len(s.points) for s in sweeps if s.stage is not None)
    return points > LEAST_KEPT and (already + 1) * POINTS_A_POINT <= points + already


def without(sweeps: Sequence[Sweep], gone: LeftOut) -> tuple[Sweep, ...]:
    """The sweeps less one point."""
    sweep = sweeps[gone.sweep]
    points = tuple(p for place, p in enumerate(sweep.points) if place != gone.point)
    return tuple(
        replace(sweep, points=points) if number == gone.sweep else other
        for number, other in enumerate(sweeps)
    )
