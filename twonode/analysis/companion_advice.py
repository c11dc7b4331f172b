"""Which companion would tell most: the expected uncertainty of C for every value of a resistor box.

Owns the forecast of a second sweep. The forecast is Fisher information: of the present data, of the priors, and of a
sweep that has not been taken yet, with as many points, the same relative noise and the same ranges as the present
one, at frequencies moved with the corner.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.channel import probe_parts
from twonode.analysis.companion import (
    COMPANION_ROLE,
    CORNER_GRID_HZ,
    CORNER_GRID_RATES,
    E12,
    LARGEST_SHARE,
    LEAST_SHARE,
    Across,
    companion_name,
    companions_of,
    corners_hz,
    schematic_value,
    shifted_ohm,
    without_companions,
)
from twonode.analysis.model import Aspect, Free, Model, Sweep, UnseenPart
from twonode.analysis.network import Network
from twonode.analysis.posterior import Posterior
from twonode.analysis.quantities import Tolerance
from twonode.analysis.ratio import RatioPoint
from twonode.analysis.stage import GROUND, Part, PartKind, Stage

__all__ = ["BOX_OHM", "BOX_TOLERANCE", "CompanionAdvice", "best_companion", "expected_sigmas"]

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

BOX_OHM = (*(round(step * decade) for decade in (1_000, 10_000, 100_000) for step in E12), 1_000_000)
"""A resistor box of E12 values, 1 kohm to 1 Mohm (issue), ohm."""

BOX_TOLERANCE = Tolerance(minus=0.001, plus=0.001)
"""0.1 %: the ordinary grade of precision resistors (issue)."""

_REACH_HZ = (2.0, 1e6)
"""As in planning: lower, a point takes seconds; higher, leads and scope decide."""

AS_GOOD = 0.05
"""Relative difference of expected uncertainties that is no difference: the forecast is no better than that."""

_LEAST_RATIO = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class CompanionAdvice:
    """The second sweep that promises most.

    value : of the companion, ohm, 0.1 %; None is no companion, where there is no sweep without one yet.
    across : where to clip it on.
    expected_sigma : standard uncertainty of ln C after a second sweep with it.
    """

    value: float | None
    across: Across
    expected_sigma: float

    def words(self, part: str) -> str:
        """What to do, the value as on a schematic."""
        if self.value is None:
            return "take the companion off, sweep again and estimate both sweeps together"
        value = schematic_value(self.value, PartKind.RESISTOR)
        place = self.across.words(part)
        return f"clip a companion of {value} {100 * BOX_TOLERANCE.plus:g} % across {place} and sweep again"


def best_companion(
    posterior: Posterior,
    sweeps: Sequence[Sweep],
    part_name: str,
    index: int,
    *,
    across: Across = Across.FAR,
    box_ohm: Sequence[float] = BOX_OHM,
) -> CompanionAdvice | None:
    """The resistor of a box whose second sweep is expected to leave the smallest uncertainty.

    Of values that promise the same to 5 % the highest is taken: it moves the circuit least and keeps the corner
    furthest from where the probes' trimming matters.

    Parameters
    ----------
    posterior : the fit of what has been measured. sweeps : the same sweeps it was made from.
    part_name : the asked part. index : place of its ln C in posterior.theta.

    Returns
    -------
    The advice; None where there is no sweep of a stage, or no value of the box is of a suitable size.
    """
    try:
        found = expected_sigmas(posterior, sweeps, part_name, index, across=across, box_ohm=box_ohm)
    except UnseenPart:
        # The fit has run away (an open part may have any value): there is nothing to forecast.
        return None
    if not found:
        return None
    smallest = min(found.values())
    as_good = [ohm for ohm, sigma in found.items() if sigma <= smallest * (1.0 + AS_GOOD)]
    value = None if None in as_good else max(ohm for ohm in as_good if ohm is not None)
    return CompanionAdvice(value=value, across=across, expected_sigma=found[value])


def expected_sigmas(
    posterior: Posterior,
    sweeps: Sequence[Sweep],
    part_name: str,
    index: int,
    *,
    across: Across = Across.FAR,
    box_ohm: Sequence[float] = BOX_OHM,
) -> dict[float | None, float]:
    """Expected standard uncertainty of ln C for every value of the box that is of a suitable size, by its ohms.

    Where every sweep so far had a companion, a sweep without one is among them as None.
    """
    place = _leading(sweeps)
    if place is None:
        return {}
    sweep = sweeps[place]
    assert sweep.stage is not None
    stage = _as_fitted(posterior, without_companions(sweep.stage))
    ohm, _ = shifted_ohm(stage, part_name, across)
    suitable = [value for value in box_ohm if LEAST_SHARE <= value / ohm <= LARGEST_SHARE]
    if not suitable:
        return {}
    forecast = _Forecast(posterior, sweep, stage, part_name, across)
    choices: list[float | None] = [*suitable]
    if companions_of(sweep.stage):
        choices.append(None)
    scales = forecast.frequency_scales(choices)
    return {
        value: forecast.sigma(value, float(scale), index)
        for value, scale in zip(choices, scales, strict=True)
    }


def _leading(sweeps: Sequence[Sweep]) -> int | None:
    """The sweep a second one would be like: the first without a companion, else the first of a stage."""
    places = [i for i, s in enumerate(sweeps) if s.stage is not None and s.points]
    plain = [i for i in places if not companions_of(sweeps[i].stage)]  # type: ignore[arg-type]
    return next(iter(plain or places), None)


def _as_fitted(posterior: Posterior, stage: Stage) -> Stage:
    """The stage with every part at the value the fit gives it."""
    for part in stage.parts:
        try:
            place = posterior.model.index(part.name, Aspect.VALUE)
        except KeyError:
            continue
        # A fit that ran away must not overflow here; such a value says nothing anyway.
        value = exp(float(np.clip(posterior.theta[place], -60.0, 60.0)))
        stage = stage.replace_part(replace(part, value=value))
    return stage


class _Forecast:
    """What a second sweep would add, around one fit.

    sweep : the one the second would be like. fitted : its stage, nothing clipped on, at the fitted values.
    """

    def __init__(
        self, posterior: Posterior, sweep: Sweep, fitted: Stage, part_name: str, across: Across
    ) -> None:
        assert sweep.stage is not None
        self._posterior = posterior
        self._sweep = sweep
        self._stage = without_companions(sweep.stage)
        ends = (fitted.far, GROUND) if across is Across.FAR else fitted.part(part_name).between
        self._ends = ends
        # At the end, so that its row is the last but the probe's two.
        parts = [*fitted.parts, _resistor(1.0, ends), *probe_parts(sweep.far_probe, fitted.far, "far probe")]
        self._network = Network(parts, forced=fitted.drive)
        self._row = next(i for i, p in enumerate(self._network.parts) if p.name == part_name)
        self._clipped = len(self._network.parts) - 3
        self._present_siemens = sum(
            1.0 / part.value
            for part in companions_of(sweep.stage)
            if part.kind is PartKind.RESISTOR and set(part.between) == set(ends)
        )
        self._free = [
            Free(part=p.owner, aspect=p.aspect, mean=p.mean, sigma=p.sigma, logarithmic=p.logarithmic)
            for p in posterior.model.parameters
            if p.owner == part_name
        ]
        jacobian = posterior.evaluation.jacobian
        self._present = jacobian.T @ jacobian + np.diag(_prior_weight(posterior.model.sigma))
        levels = np.array([abs(p.ratio) for p in sweep.points])
        self._levels = np.log(np.maximum(levels, _LEAST_RATIO))
        noise = np.array([(p.ratio_cov[0] + p.ratio_cov[2]) / 2.0 for p in sweep.points])
        self._relative_noise = np.sqrt(noise) / np.maximum(levels, _LEAST_RATIO)
        self._frequency_hz = np.array([p.frequency_hz for p in sweep.points])

    def frequency_scales(self, choices: Sequence[float | None]) -> Real:
        """How far each resistor moves the corner of the present sweep, shape (values,)."""
        # Every second place of the grid is near enough to move a sweep by.
        once = self._network.admittances(CORNER_GRID_RATES[::2])
        y = np.repeat(once[:, None, :], len(choices) + 1, axis=1)
        siemens = [0.0 if ohm is None else 1.0 / ohm for ohm in choices]
        y[self._clipped] = np.array([*siemens, self._present_siemens])[:, None]
        corners = corners_hz(self._network, y, self._row, self._stage.far, CORNER_GRID_HZ[::2])
        scales: Real = corners[:-1] / corners[-1]
        return scales

    def sigma(self, ohm: float | None, scale: float, index: int) -> float:
        """Standard uncertainty of a parameter after a second sweep with this resistor."""
        stage = self._stage if ohm is None else self._stage.with_parts(_resistor(ohm, self._ends))
        frequency_hz = np.clip(self._frequency_hz * scale, *_REACH_HZ)
        points = self._points(self._ratio(ohm, frequency_hz), frequency_hz)
        model = Model([replace(self._sweep, stage=stage, points=points)], self._free)
        theta = model.mean.copy()
        places = np.empty(theta.size, dtype=int)
        new: list[float] = []
        known = self._posterior.model
        for here, parameter in enumerate(model.parameters):
            try:
                places[here] = known.index(parameter.owner, parameter.aspect)
                theta[here] = self._posterior.theta[places[here]]
            except KeyError:
                places[here] = len(known.parameters) + len(new)
                new.append(parameter.sigma)
        jacobian = model.evaluate(theta).jacobian
        count = len(known.parameters)
        total = np.zeros((count + len(new), count + len(new)))
        total[:count, :count] = self._present
        total[range(count, total.shape[0]), range(count, total.shape[0])] = _prior_weight(np.array(new))
        total[np.ix_(places, places)] += jacobian.T @ jacobian
        scaling = 1.0 / np.sqrt(np.maximum(np.diag(total), np.finfo(float).tiny))
        unit = np.zeros(total.shape[0])
        unit[index] = 1.0
        column = np.linalg.lstsq(total * np.outer(scaling, scaling), unit, rcond=None)[0]
        return float(np.sqrt(max(column[index], 0.0)) * scaling[index])

    def _ratio(self, ohm: float | None, frequency_hz: Real) -> Complex:
        y = self._network.admittances(np.asarray(2j * np.pi * frequency_hz, dtype=np.complex128))
        y[self._clipped] = 0.0 if ohm is None else 1.0 / ohm
        return self._network.transfer(y, self._stage.far)

    def _points(self, ratio: Complex, frequency_hz: Real) -> tuple[RatioPoint, ...]:
        """Points that have not been taken: ranges and relative noise of the present point of the nearest level."""
        size = np.maximum(np.abs(ratio), _LEAST_RATIO)
        nearest = np.argmin(np.abs(np.log(size)[:, None] - self._levels[None, :]), axis=1)
        points = []
        for hz, value, level, like in zip(frequency_hz, ratio, size, nearest, strict=True):
            variance = float((self._relative_noise[like] * level) ** 2)
            present = self._sweep.points[like]
            points.append(
                RatioPoint(
                    frequency_hz=float(hz),
                    ratio=complex(value),
                    ratio_cov=(variance, 0.0, variance),
                    quantisation_share=present.quantisation_share,
                    drive_volts_per_div=present.drive_volts_per_div,
                    far_volts_per_div=present.far_volts_per_div,
                )
            )
        return tuple(points)


def _resistor(ohm: float, ends: tuple[str, str]) -> Part:
    return Part(
        name=companion_name(ohm, PartKind.RESISTOR),
        kind=PartKind.RESISTOR,
        between=ends,
        value=ohm,
        tolerance=BOX_TOLERANCE,
        role=COMPANION_ROLE,
    )


def _prior_weight(sigma: Real) -> Real:
    weight: Real = np.where(np.isfinite(sigma), 1.0 / sigma, 0.0) ** 2
    return weight
