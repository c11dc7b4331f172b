"""Which dielectric an unmarked part may have, as probabilities.

Owns the families with what is usual of them, and their weighing against a measured loss, value and change of value
over frequency. A loss is shared by several families, so the answer is a list and never a name; the working voltage
does not show in any of these figures.

p(family | data) goes as prior x p(value | family) x p(loss | family) x p(change | family): the value uniform in its
logarithm over the family's range with soft ends, the loss lognormal in the family and Gaussian in the measurement
(integrated over the true loss), the change of capacitance from 1 kHz to 100 kHz Gaussian in both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from math import log, sqrt

import numpy as np

__all__ = ["FAMILIES", "Dielectric", "Family", "FamilyShare", "weigh_families"]


class Dielectric(Enum):
    """Families that a sweep can tell apart at best; the value is the word on screen and in files."""

    MICA = "mica"
    LOW_LOSS_FILM = "low-loss film"
    POLYESTER = "polyester film"
    HIGH_K = "high-K ceramic"
    PAPER = "old paper"
    ELECTROLYTIC = "electrolytic"


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """What is usual of a family.

    prior : share among unmarked parts of any value. farad : usual lowest and highest value, F.
    loss, loss_spread : median of tan delta at 1 kHz, and standard deviation of its logarithm.
    change, change_spread : relative change of C from 1 kHz to 100 kHz, and its standard deviation.
    """

    dielectric: Dielectric
    prior: float
    farad: tuple[float, float]
    loss: float
    loss_spread: float
    change: float
    change_spread: float


# Losses at 1 kHz: trade notes, section 7 (mica and polypropylene below 0.1 %, polyester about 0.5 %, high-K 1 to
# 2.5 %, old paper above 1 %, from memory and one film maker's table). Shares, ranges and changes: common practice and
# from memory, no source; they decide only where the loss leaves it open.
FAMILIES = (
    Family(
        dielectric=Dielectric.MICA,
        prior=0.2,
        farad=(2e-12, 12e-9),
        loss=0.0005,
        loss_spread=0.5,
        change=-0.001,
        change_spread=0.006,
    ),
    Family(
        dielectric=Dielectric.LOW_LOSS_FILM,
        prior=0.2,
        farad=(30e-12, 10e-6),
        loss=0.0004,
        loss_spread=0.5,
        change=-0.001,
        change_spread=0.006,
    ),
    Family(
        dielectric=Dielectric.POLYESTER,
        prior=0.2,
        farad=(500e-12, 12e-6),
        loss=0.005,
        loss_spread=0.3,
        change=-0.012,
        change_spread=0.01,
    ),
    Family(
        dielectric=Dielectric.HIGH_K,
        prior=0.15,
        farad=(50e-12, 1e-6),
        loss=0.016,
        loss_spread=0.35,
        change=-0.03,
        change_spread=0.025,
    ),
    Family(
        dielectric=Dielectric.PAPER,
        prior=0.15,
        farad=(200e-12, 4e-6),
        loss=0.018,
        loss_spread=0.6,
        change=-0.02,
        change_spread=0.025,
    ),
    Family(
        dielectric=Dielectric.ELECTROLYTIC,
        prior=0.1,
        farad=(0.4e-6, 10e-3),
        loss=0.12,
        loss_spread=0.7,
        change=-0.3,
        change_spread=0.3,
    ),
)

_LOSS_GRID = np.geomspace(2e-5, 5.0, 600)
_SOFT_DECADES = 0.15
"""A part outside its family's usual values is rare, not impossible."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyShare:
    """A family with its probability."""

    dielectric: Dielectric
    probability: float


def weigh_families(
    *,
    farad: float,
    tan_delta: float | None,
    tan_delta_u: float | None = None,
    change: float | None = None,
    change_u: float | None = None,
    families: Sequence[Family] = FAMILIES,
) -> tuple[FamilyShare, ...]:
    """Probabilities of the families, the likeliest first; they add up to 1.

    Parameters
    ----------
    farad : value at 1 kHz (120 Hz for a large one), F.
    tan_delta, tan_delta_u : at 1 kHz, best value (which noise may carry below zero) and standard uncertainty; None
        where not determined.
    change, change_u : relative change of C from 1 kHz to 100 kHz, and its standard uncertainty; None where unknown.

    Raises ValueError for a value that is not above zero, or an estimate without its uncertainty.
    """
    if not farad > 0:
        raise ValueError(f"farad: need > 0, got {farad}")
    scores = [
        log(family.prior)
        + _value_score(family, farad)
        + _loss_score(family, tan_delta, tan_delta_u)
        + _change_score(family, change, change_u)
        for family in families
    ]
    weights = np.exp(np.array(scores) - max(scores))
    weights /= weights.sum()
    found = [
        FamilyShare(dielectric=family.dielectric, probability=float(weight))
        for family, weight in zip(families, weights, strict=True)
    ]
    return tuple(sorted(found, key=lambda each: -each.probability))


def _value_score(family: Family, farad: float) -> float:
    low, high = (log(limit) for limit in family.farad)
    outside = max(low - log(farad), log(farad) - high, 0.0) / (_SOFT_DECADES * log(10.0))
    return -log(high - low) - 0.5 * outside**2


def _loss_score(family: Family, tan_delta: float | None, sigma: float | None) -> float:
    if tan_delta is None:
        return 0.0
    if sigma is None or not sigma > 0:
        raise ValueError(f"tan_delta_u: need > 0, got {sigma}")
    logs = np.log(_LOSS_GRID)
    # Tails heavier than a lognormal's: a family's bad specimens are not a thousand million times rarer than the usual.
    z = (logs - log(family.loss)) / family.loss_spread
    prior = np.exp(-0.5 * z**2) + 0.01 * np.exp(-0.5 * (z / 3.0) ** 2)
    prior /= prior.sum()
    likelihood = np.exp(-0.5 * ((tan_delta - _LOSS_GRID) / sigma) ** 2)
    # A precise loss may fall between two points of the grid.
    step = np.gradient(_LOSS_GRID)
    if sigma < float(np.interp(max(tan_delta, _LOSS_GRID[0]), _LOSS_GRID, step)):
        return float(np.log(np.interp(log(max(tan_delta, 2e-5)), logs, prior / step) * sigma + 1e-300))
    return float(np.log(prior @ likelihood + 1e-300))


def _change_score(family: Family, change: float | None, sigma: float | None) -> float:
    if change is None:
        return 0.0
    if sigma is None or not sigma >= 0:
        raise ValueError(f"change_u: need >= 0, got {sigma}")
    spread = sqrt(family.change_spread**2 + sigma**2)
    z = (change - family.change) / spread
    return -log(spread) - 0.5 * min(z * z, 30.0)
