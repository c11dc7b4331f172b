"""Maximum a posteriori point of a model, its covariance and its evidence.

Owns the minimisation (scipy's MINPACK wrapper on data and prior rows), the Laplace approximation around it, and the
exact split of a variance among its sources. Knows nothing of parts or findings.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from twonode.analysis.model import Evaluation, Model

__all__ = ["Minimum", "Posterior", "laplace", "least_squares_minimum", "maximise"]

Real = NDArray[np.float64]

SEARCH_TOLERANCE = 1e-8
"""A millionth of the smallest standard uncertainties that occur (1e-4 of a value)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Minimum:
    """End of a least-squares search.

    converged : the search stopped because it was done; whether an uncertainty can be believed is another question.
    cost : sum of squared residuals.
    """

    x: Real
    cost: float
    converged: bool
    message: str


def least_squares_minimum(
    residual: Callable[[Real], Real],
    jacobian: Callable[[Real], Real],
    start: Real,
    *,
    evaluations: int = 200,
    tolerance: float = 1e-12,
) -> Minimum:
    """Minimise a sum of squares by Levenberg-Marquardt.

    Parameters
    ----------
    residual : from shape (p,) to (m,), m >= p.
    jacobian : from shape (p,) to (m, p).
    start : shape (p,).
    tolerance : relative change of the sum, and of the scaled parameters, at which the search ends; of the parameters
        never more than a hundred-millionth, as a single one that is known to a millionth would end it at once.

    Source: MINPACK lmder, by way of scipy.optimize.least_squares.
    """
    found = least_squares(
        residual,
        start,
        jac=jacobian,
        method="lm",
        x_scale="jac",
        xtol=min(tolerance, SEARCH_TOLERANCE),
        ftol=tolerance,
        gtol=min(tolerance, SEARCH_TOLERANCE),
        max_nfev=evaluations,
    )
    return Minimum(
        x=np.asarray(found.x),
        cost=float(2.0 * found.cost),
        converged=bool(found.status > 0),
        message=found.message,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Posterior:
    """A Gaussian around the best point of a model.

    theta : shape (p,), in the order of model.parameters.
    covariance : shape (p, p).
    data_chi_square : sum of squared whitened data residuals.
    prior_chi_square : the same of the priors.
    log_evidence : Laplace; None where a parameter has no proper prior.
    """

    model: Model
    theta: Real
    covariance: Real
    data_chi_square: float
    prior_chi_square: float
    log_evidence: float | None
    converged: bool
    evaluation: Evaluation

    @property
    def reduced_chi_square(self) -> float:
        """Data and priors over their degrees of freedom; about 1 where the model holds."""
        unconstrained = int(np.isinf(self.model.sigma).sum())
        degrees = max(1, self.model.observations - unconstrained)
        return (self.data_chi_square + self.prior_chi_square) / degrees

    def standard_uncertainty(self, index: int) -> float:
        """Posterior standard deviation of a parameter, in its own terms."""
        return float(np.sqrt(self.covariance[index, index]))

    def prior_shares(self, index: int) -> Real:
        """Share of a parameter's variance that each prior brings in, shape (p,).

        With P the posterior covariance, the estimate is linear in data and prior means, so its variance is
        c' (J'J + S^-2) c with c = P[:, index]: the second term splits by parameter, the first by data point, and
        together they are exactly the variance.
        """
        column = self.covariance[:, index]
        shares: Real = (column / self.model.sigma) ** 2 / self.covariance[index, index]
        return shares

    def data_shares(self, index: int) -> Real:
        """Share of a parameter's variance that each data point's noise brings in, shape (points,)."""
        pulled = (self.evaluation.jacobian @ self.covariance[:, index]) ** 2 / self.covariance[index, index]
        shares = []
        start = 0
        for sweep in self.model.sweeps:
            n = len(sweep.points)
            shares.append(pulled[start : start + n] + pulled[start + n : start + 2 * n])
            start += 2 * n
        return np.concatenate(shares)


def maximise(model: Model, starts: Sequence[Real], *, tolerance: float = SEARCH_TOLERANCE) -> Posterior:
    """Best point of a model from several starts.

    Parameters
    ----------
    starts : each of shape (p,); the search keeps the lowest end.
    tolerance : relative, of the sum of squares and the parameters, at which a search ends.

    Raises
    ------
    ValueError : no start given.
    """
    if not starts:
        raise ValueError("starts: need at least one")
    wanted = np.isfinite(model.sigma)
    weight = np.where(wanted, 1.0 / model.sigma, 0.0)
    prior_rows = np.diag(weight)[wanted]
    memory: dict[bytes, Evaluation] = {}

    def evaluate(theta: Real) -> Evaluation:
        key = theta.tobytes()
        if key not in memory:
            memory.clear()
            memory[key] = model.evaluate(theta)
        return memory[key]

    def residual(theta: Real) -> Real:
        return np.concatenate([evaluate(theta).residual, (weight * (theta - model.mean))[wanted]])

    def jacobian(theta: Real) -> Real:
        return np.concatenate([evaluate(theta).jacobian, prior_rows])

    best = min(
        (least_squares_minimum(residual, jacobian, start, tolerance=tolerance) for start in starts),
        key=lambda m: m.cost,
    )
    return laplace(model, best.x, converged=best.converged)


def laplace(model: Model, theta: Real, *, converged: bool) -> Posterior:
    """Gaussian approximation around theta, which should be a minimum.

    The evidence is the integral of likelihood times priors in that approximation, up to a constant that depends on
    the data alone.
    """
    evaluation = model.evaluate(theta)
    wanted = np.isfinite(model.sigma)
    precision = evaluation.jacobian.T @ evaluation.jacobian + np.diag(
        np.where(wanted, 1.0 / model.sigma, 0.0) ** 2
    )
    # Scaled to unit diagonal before inverting: gains and seconds of skew differ by nine decades.
    scale = 1.0 / np.sqrt(np.maximum(np.diag(precision), np.finfo(float).tiny))
    scaled = precision * np.outer(scale, scale)
    covariance = np.linalg.pinv(scaled, hermitian=True) * np.outer(scale, scale)
    data = float(evaluation.residual @ evaluation.residual)
    prior = float(np.sum(((theta - model.mean)[wanted] / model.sigma[wanted]) ** 2))
    evidence = None
    if wanted.all():
        _, log_determinant = np.linalg.slogdet(scaled)
        log_volume = log_determinant - 2.0 * float(np.log(scale).sum())
        evidence = -0.5 * (data + prior) - float(np.log(model.sigma).sum()) - 0.5 * float(log_volume)
    return Posterior(
        model=model,
        theta=theta,
        covariance=covariance,
        data_chi_square=data,
        prior_chi_square=prior,
        log_evidence=evidence,
        converged=converged,
        evaluation=evaluation,
    )
