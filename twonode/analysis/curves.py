"""Measured points beside the fitted circuit, ready to be drawn.

Owns taking the fitted channel errors off the points, and their uncertainties along and across. Draws nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.estimate import Estimate
from twonode.analysis.look import decibels
from twonode.analysis.posterior import Posterior
from twonode.analysis.ratio import RatioPoint

__all__ = ["FittedCurve", "PlottedPoint", "curves_of", "degrees_beside", "fitted_curves", "plotted_point"]

_HALF_95 = 1.96

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedCurve:
    """One sweep of an estimate.

    frequency_hz, ratio, sigma : points less the fitted channel errors, shape (n,); sigma relative, standard.
    residual_size, residual_angle : measured against modelled, in standard uncertainties, shape (n,).
    phased : whether a phase was measured, shape (n,). Where none was, the ratio has the model's phase, and whatever is
        said of angles is NaN.
    fine_hz, fine_ratio : the fitted circuit, shape (m,).
    """

    frequency_hz: Real
    ratio: Complex
    sigma_size: Real
    sigma_angle: Real
    residual_size: Real
    residual_angle: Real
    fine_hz: Real
    fine_ratio: Complex
    phased: NDArray[np.bool_]

    def degrees(self) -> tuple[Real, Real]:
        """Phases of the fitted circuit, shape (m,), and of the points beside it, shape (n,), degrees; NaN for none."""
        fine: Real = np.degrees(np.unwrap(np.angle(self.fine_ratio)))
        beside = degrees_beside(self.ratio, self.fine_hz, fine, self.frequency_hz)
        return fine, np.where(self.phased, beside, np.nan)


def fitted_curves(estimate: Estimate, also_hz: Sequence[float] = ()) -> list[FittedCurve]:
    """The sweeps behind an estimate, in their order, null runs left out.

    also_hz : frequencies that the fine curve has to reach as well, Hz.
    """
    return curves_of(estimate.posterior, also_hz)


def curves_of(posterior: Posterior, also_hz: Sequence[float] = ()) -> list[FittedCurve]:
    """`fitted_curves` of a fit that nothing was concluded from yet."""
    found = []
    for place, sweep in enumerate(posterior.model.sweeps):
        if sweep.stage is None or not sweep.points:
            continue
        order = np.argsort([p.frequency_hz for p in sweep.points])
        frequency_hz = np.array([p.frequency_hz for p in sweep.points])[order]
        measured = np.array([p.ratio for p in sweep.points])[order]
        covariance = np.array([p.ratio_cov for p in sweep.points])[order]
        modelled = posterior.evaluation.ratio[place][order]
        phased = np.array([not p.magnitude_only for p in sweep.points])[order]
        measured = np.where(phased, measured, np.abs(measured) * np.exp(1j * np.angle(modelled)))
        circuit = posterior.model.curve(posterior.theta, place, frequency_hz)
        sigma_size, sigma_angle = _along_and_across(modelled, covariance)
        sigma_angle = np.where(phased, sigma_angle, np.nan)
        off = measured / modelled - 1.0
        reach_hz = np.concatenate([frequency_hz / 2.0, frequency_hz * 2.0, also_hz])
        fine_hz = np.geomspace(reach_hz.min() / 1.05, reach_hz.max() * 1.05, 600)
        found.append(
            FittedCurve(
                frequency_hz=frequency_hz,
                ratio=measured / modelled * circuit,
                sigma_size=sigma_size,
                sigma_angle=sigma_angle,
                residual_size=off.real / sigma_size,
                residual_angle=off.imag / sigma_angle,
                fine_hz=fine_hz,
                fine_ratio=posterior.model.curve(posterior.theta, place, fine_hz),
                phased=phased,
            )
        )
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class PlottedPoint:
    """One measured ratio as it is drawn: dB and degrees, with 95 % half-widths."""

    frequency_hz: float
    decibels: float
    degrees: float
    decibels_half: float
    degrees_half: float


def plotted_point(point: RatioPoint) -> PlottedPoint:
    """A measured point as it is drawn before anything is fitted: phase between -180 and 180 degrees."""
    ratio = np.array([point.ratio])
    size, angle = _along_and_across(ratio, np.array([point.ratio_cov]))
    return PlottedPoint(
        frequency_hz=point.frequency_hz,
        decibels=float(decibels(ratio)[0]),
        degrees=float(np.degrees(np.angle(ratio))[0]),
        decibels_half=float(_HALF_95 * size[0] * 20.0 / np.log(10.0)),
        degrees_half=float(_HALF_95 * np.degrees(angle[0])),
    )


def _along_and_across(ratio: Complex, covariance: Real) -> tuple[Real, Real]:
    """Relative standard uncertainties of size and angle (rad), each shape (n,).

    ratio : shape (n,). covariance : shape (n, 3), var Re, cov Re Im, var Im.
    """
    size = np.abs(ratio)
    cos, sin = ratio.real / size, ratio.imag / size
    re, both, im = covariance.T
    along = cos**2 * re + 2 * cos * sin * both + sin**2 * im
    across = sin**2 * re - 2 * cos * sin * both + cos**2 * im
    return np.sqrt(along) / size, np.sqrt(across) / size


def degrees_beside(ratio: Complex, curve_hz: Real, curve_degrees: Real, frequency_hz: Real) -> Real:
    """Phases in degrees, each turned by whole revolutions to lie beside the curve."""
    near = np.interp(np.log(frequency_hz), np.log(curve_hz), curve_degrees)
    plain = np.degrees(np.angle(ratio))
    result: Real = plain + 360.0 * np.round((near - plain) / 360.0)
    return result
