"""Where a variance comes from, and what would shrink it most.

Owns the lines of the budget and the computed gain of each action. The shares are exact for the linearised problem
and add up to 1.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.companion import is_companion
from twonode.analysis.companion_advice import CompanionAdvice, best_companion
from twonode.analysis.hookup import KNOWN_RESISTOR_ROLE
from twonode.analysis.model import Parameter
from twonode.analysis.null_advice import sigma_after_null
from twonode.analysis.posterior import Posterior
from twonode.analysis.stage import Part, PartKind

__all__ = ["BudgetLine", "best_action", "budget"]

Real = NDArray[np.float64]

NOISE = "noise"
QUANTISATION = "quantisation"
NULL_RUN = "null run"
"""Noise and quantisation of the null runs' own points."""

_CHANNELS = ("channel gain", "channel skew", "probe compensation")
METER_SIGMA = 0.005 / 3**0.5
"""A hand-held meter's 0.5 % on ohms (class figure), as a standard uncertainty."""
METER_SIGMA_OTHER = 0.02 / 3**0.5
"""The same on farads and henries: 2 % (class figure)."""
CLOSER_SIGMA = 0.0002 / 3**0.5
"""A resistor read with a good bench meter, 0.02 % (class figure)."""
COMPANION_FROM = 0.02
"""Share of all neighbours together below which no companion is worked out: it could not help."""


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
    sweeps = posterior.model.sweeps
    rounding = np.array([p.quantisation_share for s in sweeps for p in s.points])
    in_null = np.array([s.stage is None for s in sweeps for _ in s.points], dtype=bool)
    shares[QUANTISATION] = float(by_point @ np.where(in_null, 0.0, rounding))
    shares[NOISE] = float(by_point @ np.where(in_null, 0.0, 1.0 - rounding))
    if in_null.any():
        shares[NULL_RUN] = float(by_point @ in_null)
    total = sum(shares.values())
    advice = _Advice(posterior, index, shares)
    lines = []
    for source, share in shares.items():
        action, after = advice.of(source)
        lines.append(BudgetLine(source=source, share=share / total, action=action, expected_sigma=after))
    return tuple(sorted(lines, key=lambda line: -line.share))


def best_action(lines: tuple[BudgetLine, ...]) -> BudgetLine | None:
    """The line whose action promises the smallest uncertainty; None where nothing helps."""
    helping = [line for line in lines if line.expected_sigma is not None]
    return min(helping, key=lambda line: line.expected_sigma or 0.0) if helping else None


class _Advice:
    """What would shrink each source of one variance, and the standard uncertainty that would lead to."""

    def __init__(self, posterior: Posterior, index: int, shares: Mapping[str, float]) -> None:
        self._posterior = posterior
        self._index = index
        stages = [sweep.stage for sweep in posterior.model.sweeps if sweep.stage is not None]
        self._parts = {part.name: part for stage in stages for part in stage.parts}
        self._asked = posterior.model.parameters[index].owner
        self._companion = self._best_companion(shares)
        self._after_null: float | None = None

    def of(self, source: str) -> tuple[str, float | None]:
        """Action and expected standard uncertainty for a line of the budget; None where no action helps."""
        if source in (NOISE, QUANTISATION):
            return "measure more points, or the same ones longer", self._after_more_data()
        if source == NULL_RUN:
            again = self._after_more_data(2.0, null_runs=True)
            return "do the null run again and estimate with both", again
        if source in _CHANNELS:
            return self._of_channels()
        if source == "probe loading":
            return (
                "measure the far probe's capacitance, or use a smaller resistor",
                self._after_knowing(lambda p: 0.02 if p.source == source else None),
            )
        if source == "frequency":
            return "use a generator with a better frequency standard", None
        parameter = next(p for p in self._posterior.model.parameters if p.source == source)
        if parameter.source != parameter.owner:  # an aspect of the asked part itself
            return "measure more points on both sides of the corner", self._after_more_data()
        return self._of_part(source, self._parts.get(source))

    def _of_part(self, name: str, part: Part | None) -> tuple[str, float | None]:
        if part is not None and is_companion(part):
            return (
                f"read the {name} with a bench meter good to 0.02 %",
                self._after_knowing(lambda p: CLOSER_SIGMA if p.source == name else None),
            )
        ohmic = part is None or part.kind is PartKind.RESISTOR
        limit = METER_SIGMA if ohmic else METER_SIGMA_OTHER
        metered = self._after_knowing(lambda p: limit if p.source == name else None)
        if part is not None and part.role == KNOWN_RESISTOR_ROLE:
            return f"measure {name} with a meter before clipping it in", metered
        if self._companion is not None and self._companion.expected_sigma < metered:
            return self._companion.words(self._asked), self._companion.expected_sigma
        lifted = f"the set unplugged and {name} lifted at one end if anything is beside it"
        return f"measure {name} with a meter, {lifted}", metered

    def _best_companion(self, shares: Mapping[str, float]) -> CompanionAdvice | None:
        """None in a fixture, whose resistor is known or can be read, and where neighbours hardly matter."""
        if any(part.role == KNOWN_RESISTOR_ROLE for part in self._parts.values()):
            return None
        neighbours = sum(
            shares.get(name, 0.0) for name, part in self._parts.items() if not is_companion(part)
        )
        if neighbours < COMPANION_FROM * sum(shares.values()):
            return None
        return best_companion(self._posterior, self._posterior.model.sweeps, self._asked, self._index)

    def _of_channels(self) -> tuple[str, float | None]:
        """A null run that is there already has said what it can."""
        if any(sweep.stage is None for sweep in self._posterior.model.sweeps):
            return "do the null run again, at this sweep's level", None
        if self._after_null is None:
            self._after_null = sigma_after_null(self._posterior, self._index)
        return "do a null run: both probes on the drive node", self._after_null

    def _after_more_data(self, times: float = 4.0, *, null_runs: bool = False) -> float:
        """Uncertainty with so many times the data, of the sweeps or of the null runs."""
        sweeps = self._posterior.model.sweeps
        each = [times if (sweep.stage is None) is null_runs else 1.0 for sweep in sweeps]
        weight = np.repeat(each, [2 * len(sweep.points) for sweep in sweeps])
        return _sigma_of(_precision(self._posterior, self._posterior.model.sigma, weight), self._index)

    def _after_knowing(self, known: Callable[[Parameter], float | None]) -> float:
        """Uncertainty if some parameters were known at least as well as `known` says."""
        sigma = self._posterior.model.sigma.copy()
        for place, parameter in enumerate(self._posterior.model.parameters):
            limit = known(parameter)
            if limit is not None:
                sigma[place] = min(sigma[place], limit)
        return _sigma_of(_precision(self._posterior, sigma), self._index)


def _precision(posterior: Posterior, sigma: Real, row_weight: Real | float = 1.0) -> Real:
    """Information of data and priors; row_weight : of each data row, scalar or shape (rows,)."""
    jacobian = posterior.evaluation.jacobian
    prior = np.where(np.isfinite(sigma), 1.0 / sigma, 0.0) ** 2
    weighted = jacobian * np.broadcast_to(row_weight, jacobian.shape[:1])[:, None]
    total: Real = jacobian.T @ weighted + np.diag(prior)
    return total


def _sigma_of(precision: Real, index: int) -> float:
    scale = 1.0 / np.sqrt(np.maximum(np.diag(precision), np.finfo(float).tiny))
    covariance = np.linalg.pinv(precision * np.outer(scale, scale), hermitian=True)
    return float(np.sqrt(covariance[index, index]) * scale[index])
