"""The joint fit of a loose part: its admittance at each test frequency, with the fixture and the channels.

Owns the sorting of points by test frequency, the model and what comes out of it at a frequency. What is stated is left
to `loose_part`.

The part has a value and a loss of its own at each test frequency, so that nothing is said of a frequency at which
nothing was measured. The points of one test frequency lie some per cent apart, over which a loss in series or a leak
changes: their course there is taken from a series resistance and a leak found by a first look over all points; the
loss of each test frequency stays free, so that these only bend and never decide, and what is not known of the course
is added to the uncertainty as far as the points lie to one side of their test frequency. Strays, resistors, probes and
channels are the same in all sweeps, those of the open fixture and the null runs included.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from math import exp, hypot, inf, log, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.fixture import AUDIO_HZ, TEST_FREQUENCIES_HZ
from twonode.analysis.fixture_open import OpenFixture, part_admittances
from twonode.analysis.model import Aspect, Free, Model, Sweep
from twonode.analysis.network.admittance import capacitor_admittance
from twonode.analysis.posterior import Posterior, maximise
from twonode.analysis.quantities import format_quantity
from twonode.analysis.ratio import RatioPoint

__all__ = ["Equivalent", "Fitted", "LooseFit", "fit_loose_part", "parallel_ohm", "series_ohm", "wired_alike"]

Real = NDArray[np.float64]

NEAR = 1.4
"""A point belongs to a test frequency within this factor: rounding and hum move points a little."""
VALUE_SIGMA = 2.0
LOSS_SIGMA = 10.0
"""Nearly nothing is known beforehand; these only keep a frequency without information from running away."""
UNKNOWN_LOSS = 10.0
CLEAR = 0.3
"""Relative uncertainty of an admittance from which on it has no part in the first look at the loss."""


class Equivalent(Enum):
    """Which two-element equivalent a capacitance belongs to; they differ by tan delta squared."""

    PARALLEL = "parallel"
    SERIES = "series"


def series_ohm(farad: float, tan_delta: float, hz: float) -> float:
    """Resistance in series with a series equivalent capacitance, ohm."""
    return tan_delta / (2 * pi * hz * farad)


def parallel_ohm(farad: float, tan_delta: float, hz: float) -> float:
    """Resistance across a parallel equivalent capacitance, ohm; inf for no loss."""
    return inf if tan_delta == 0 else 1.0 / (2 * pi * hz * farad * tan_delta)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """The part at one test frequency: admittance w Cp (j + tan d).

    gradient : slopes of (ln Cp, tan d) by the fit's parameters, shape (2, parameters). points : that lie near it.
    course_sigma : standard uncertainty that tan d has beside those, from its course between its points.
    """

    frequency_hz: float
    points: int
    log_farad: float
    loss: float
    gradient: Real
    course_sigma: float

    def log_capacitance(self, equivalent: Equivalent) -> tuple[float, Real]:
        """ln(C / F), and its slopes by the fit's parameters."""
        if equivalent is Equivalent.PARALLEL:
            return self.log_farad, self.gradient[0]
        squared = 1.0 + self.loss * self.loss
        return self.log_farad + log(squared), self.gradient[0] + 2.0 * self.loss / squared * self.gradient[1]

    def log_resistance(self, equivalent: Equivalent) -> tuple[float, Real]:
        """ln(R / ohm) of an equivalent, for a loss above zero, and its slopes."""
        farad, by_farad = self.log_capacitance(equivalent)
        by_loss = self.gradient[1] / self.loss
        if equivalent is Equivalent.SERIES:
            return log(series_ohm(exp(farad), self.loss, self.frequency_hz)), by_loss - by_farad
        return log(parallel_ohm(exp(farad), self.loss, self.frequency_hz)), -by_loss - by_farad


@dataclass(frozen=True, slots=True, kw_only=True)
class LooseFit:
    """The fit and what it says at each test frequency, ascending."""

    posterior: Posterior
    at: tuple[Fitted, ...]

    def sigma(self, gradient: Real) -> float:
        """Standard uncertainty of what has these slopes by the parameters."""
        return sqrt(max(float(gradient @ self.posterior.covariance @ gradient), 0.0))

    def loss_sigma(self, fitted: Fitted) -> float:
        """Standard uncertainty of tan d."""
        return hypot(self.sigma(fitted.gradient[1]), fitted.course_sigma)

    def log_resistance_sigma(self, fitted: Fitted, equivalent: Equivalent) -> float:
        """Standard uncertainty of ln R of an equivalent, for a loss above zero."""
        return hypot(self.sigma(fitted.log_resistance(equivalent)[1]), fitted.course_sigma / fitted.loss)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Course:
    """How the loss goes on over frequency: tan d = w C Rs + constant + 1 / (w C Rp).

    covariance : of the three terms at 1 kHz, shape (3, 3).
    """

    esr_ohm: float
    leak_ohm: float | None
    covariance: Real

    def sigma(self, loss: float, hz: float, points: Sequence[RatioPoint]) -> float:
        """What tan d at hz is uncertain by because its points are elsewhere.

        A slope per ln f lies within the loss itself either way (all of it in series, all of it a leak), and may be
        known better from the readings.
        """
        aside = float(np.mean([log(p.frequency_hz / hz) for p in points]))
        by_terms = np.array([hz / AUDIO_HZ, 0.0, -AUDIO_HZ / hz])
        read = float(by_terms @ self.covariance @ by_terms)
        possible = loss * loss / 3.0
        return abs(aside) * sqrt(possible * read / max(possible + read, 1e-300))


def fit_loose_part(sweeps: Sequence[Sweep], *, part: str, farad: float, fixture: OpenFixture) -> LooseFit:
    """Fit one part.

    Parameters
    ----------
    sweeps : of the part, all wired alike, with points. farad : about its value, F.
    """
    course = _course(sweeps, part, fixture)
    groups = _groups(sweeps, part, course)
    frees: list[Free] = []
    start: list[float] = []
    for hz in sorted(groups):
        name = _name(part, hz)
        frees.append(Free(part=name, aspect=Aspect.VALUE, mean=log(farad), sigma=VALUE_SIGMA))
        frees.append(Free(part=name, aspect=Aspect.LOSS, mean=0.0, sigma=LOSS_SIGMA, logarithmic=False))
        start += [log(farad), 0.0]
    model = Model([*(s for hz in sorted(groups) for s in groups[hz]), *fixture.known], frees)
    posterior = maximise(model, [_started(model, start, fixture)])
    return LooseFit(
        posterior=posterior,
        at=tuple(_fitted(posterior, _name(part, hz), hz, groups[hz], course) for hz in sorted(groups)),
    )


def _name(part: str, hz: float) -> str:
    return f"{part} at {format_quantity(hz, 'Hz')}"


def _groups(sweeps: Sequence[Sweep], part: str, course: _Course) -> dict[float, list[Sweep]]:
    """Points by test frequency, each group's sweeps on a stage in which the part goes by that frequency."""
    groups: dict[float, list[Sweep]] = {}
    for sweep in sweeps:
        assert sweep.stage is not None
        own: dict[float, list[RatioPoint]] = {}
        for point in sweep.points:
            own.setdefault(_test_frequency(point.frequency_hz, [*groups, *own]), []).append(point)
        for hz, points in own.items():
            renamed = tuple(
                replace(each, name=_name(part, hz), esr_ohm=course.esr_ohm, leak_ohm=course.leak_ohm)
                if each.name == part
                else each
                for each in sweep.stage.parts
            )
            stage = replace(sweep.stage, parts=renamed)
            groups.setdefault(hz, []).append(replace(sweep, stage=stage, points=tuple(points)))
    return groups


def _test_frequency(hz: float, others: Sequence[float]) -> float:
    """The test frequency a point belongs to, one of the others near it, else its own."""
    for known in (*TEST_FREQUENCIES_HZ, *others):
        if abs(log(hz / known)) < log(NEAR):
            return known
    return hz


def _course(sweeps: Sequence[Sweep], part: str, fixture: OpenFixture) -> _Course:
    """The course of the loss by least squares over all clear points, none of its terms below zero."""
    from scipy.optimize import nnls

    rows: list[tuple[float, float, float, float]] = []
    for sweep in sweeps:
        found = part_admittances(sweep, fixture, part)
        for hz, admittance, sigma in zip(
            found.frequency_hz.tolist(), found.admittance.tolist(), found.uncertainty.tolist(), strict=True
        ):
            if sigma < CLEAR * abs(admittance) and admittance.imag > 0:
                loss = admittance.real / admittance.imag
                # To first order in the admittance's error, whose parts act through 1 and through the loss itself.
                sigma_loss = sigma / admittance.imag * sqrt(1.0 + loss * loss)
                farad = admittance.imag / (2 * pi * hz)
                rows.append((hz, loss, sigma_loss, farad))
    if len(rows) < 2:
        return _Course(esr_ohm=0.0, leak_ohm=None, covariance=UNKNOWN_LOSS**2 * np.eye(3))
    hz, loss, sigma, farad = (np.array(column) for column in zip(*rows, strict=True))
    terms = np.stack([hz / AUDIO_HZ, np.ones_like(hz), AUDIO_HZ / hz], axis=1)
    weighted = terms / sigma[:, None]
    (rising, _, falling), _ = nnls(weighted, np.maximum(loss, 0.0) / sigma)
    # In which equivalent C is constant depends on which of the two there is.
    near = int(np.argmin(np.abs(np.log(hz / AUDIO_HZ))))
    value = farad[near] * (1.0 + loss[near] ** 2 if rising > falling else 1.0)
    omega = 2 * pi * AUDIO_HZ
    return _Course(
        esr_ohm=rising / (omega * value),
        leak_ohm=1.0 / (omega * value * falling) if falling > 0 else None,
        covariance=np.linalg.inv(weighted.T @ weighted + UNKNOWN_LOSS**-2 * np.eye(3)),
    )


def _started(model: Model, start: Sequence[float], fixture: OpenFixture) -> Real:
    """The part as given, everything else as the open fixture left it."""
    theta: Real = model.mean.copy()
    theta[: len(start)] = start
    known = fixture.posterior
    for place, parameter in enumerate(model.parameters[len(start) :], start=len(start)):
        try:
            theta[place] = known.theta[known.model.index(parameter.owner, parameter.aspect)]
        except KeyError:
            continue
    return theta


def _fitted(posterior: Posterior, name: str, hz: float, sweeps: Sequence[Sweep], course: _Course) -> Fitted:
    """Value and loss of the whole part at one frequency, its resistances included."""
    model = posterior.model
    places = [model.index(name, aspect) for aspect in (Aspect.VALUE, Aspect.LOSS)]
    omega = 2 * pi * hz
    found = capacitor_admittance(
        np.array([1j * omega]),
        farad=exp(posterior.theta[places[0]]),
        loss=float(posterior.theta[places[1]]),
        esr_ohm=course.esr_ohm,
        leak_siemens=0.0 if course.leak_ohm is None else 1.0 / course.leak_ohm,
    )
    y = complex(found.y[0])
    gradient = np.zeros((2, len(model.parameters)))
    for place, slope in zip(places, (complex(found.by_log_value[0]), complex(found.by_loss[0])), strict=True):
        gradient[0, place] = slope.imag / y.imag
        gradient[1, place] = slope.real / y.imag - y.real * slope.imag / y.imag**2
    points = [point for sweep in sweeps for point in sweep.points]
    loss = y.real / y.imag
    return Fitted(
        frequency_hz=hz,
        points=len(points),
        log_farad=log(y.imag / omega),
        loss=loss,
        gradient=gradient,
        course_sigma=course.sigma(loss, hz, points),
    )


def wired_alike(sweeps: Sequence[Sweep]) -> list[Sweep]:
    """Those sweeps whose resistor and hook-up are those of the last one.

    A first look with another resistor saw little of the part, at the noisy end of the channels.
    """
    return [s for s in sweeps if _wiring(s) == _wiring(sweeps[-1])]


def _wiring(sweep: Sweep) -> Mapping[str, tuple[str, str]]:
    assert sweep.stage is not None
    return {part.name: part.between for part in sweep.stage.parts}
