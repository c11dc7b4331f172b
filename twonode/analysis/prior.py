"""What is known of a part before it is measured, as a Gaussian on the logarithm of its value.

Owns the translation of tolerances, meter readings and age into a mean and a standard deviation.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi, sqrt

from twonode.analysis.quantities import Tolerance
from twonode.analysis.stage import Part

__all__ = [
    "AGED_SHIFT",
    "AGED_SIGMA",
    "ESR_SIGMA",
    "Family",
    "LogPrior",
    "family_of",
    "log_prior",
    "tolerance_prior",
]

AGED_SHIFT = 0.10
AGED_SIGMA = 0.20
"""Old carbon composition drifts upward, commonly by 5 to 30 % (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LogPrior:
    """ln(value / SI unit) ~ N(mean, sigma**2)."""

    mean: float
    sigma: float


def tolerance_prior(nominal: float, tolerance: Tolerance) -> LogPrior:
    """Limits read as a Gaussian: sigma = t / sqrt(3) around the nominal value.

    Unequal limits (such as -20/+100 %) are taken in the logarithm, centred between them.

    Source: sigma of limits with nothing known in between, JCGM 100:2008, 4.3.7.
    """
    if tolerance.minus == tolerance.plus:
        return LogPrior(mean=log(nominal), sigma=tolerance.plus / sqrt(3.0))
    low, high = (log(limit) for limit in tolerance.limits(nominal))
    return LogPrior(mean=(low + high) / 2.0, sigma=(high - low) / (2.0 * sqrt(3.0)))


def log_prior(part: Part) -> LogPrior:
    """Prior of a part: its own reading where there is one, else its tolerance, wider and shifted when aged."""
    if part.measured is not None:
        reading = part.measured
        return LogPrior(mean=log(reading.value), sigma=reading.standard_uncertainty / reading.value)
    prior = tolerance_prior(part.value, part.tolerance_or_default())
    if part.aged:
        return LogPrior(mean=prior.mean + AGED_SHIFT, sigma=max(prior.sigma, AGED_SIGMA))
    return prior


ESR_SIGMA = 0.8
"""Spread of ln(ESR) within a family: a factor of two either way (from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """What a sound part of a family loses: tan delta of the dielectric, and ESR where it is a matter of design."""

    loss: float
    loss_sigma: float
    esr_ohm: float | None


def family_of(farad: float) -> Family:
    """Film, paper, mica and ceramic lose a part in a thousand to some per cent; an electrolytic has an ESR.

    From one microfarad up the part is taken for an electrolytic unless something else is known: tan delta near 0.1
    at 120 Hz (from memory), booked as series resistance.
    """
    if farad >= 1e-6:
        return Family(loss=0.01, loss_sigma=0.02, esr_ohm=0.08 / (2 * pi * 120.0 * farad))
    return Family(loss=0.004, loss_sigma=0.01, esr_ohm=None)
