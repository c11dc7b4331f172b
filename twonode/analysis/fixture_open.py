"""The fixture left open: its strays and the channels in front of it, and what a raw ratio then says of a part.

Owns the fit of null run and open-fixture sweep, the refusal of a fixture that was not open, and the part's admittance
worked out of one ratio by these. That is a first look; `loose_part` takes all readings together, the open fixture's
among them, so that nothing is subtracted twice and every uncertainty is carried.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp, pi

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.errors import AnalysisError
from twonode.analysis.estimated import NORMAL_95, Quantity
from twonode.analysis.fixture import STRAY_ACROSS, STRAY_TO_GROUND
from twonode.analysis.model import Aspect, Model, Sweep
from twonode.analysis.outliers import MISFIT_PROBABILITY, fit_probability
from twonode.analysis.posterior import Posterior, maximise
from twonode.analysis.quantities import format_quantity
from twonode.analysis.stage import GROUND, PartKind, Stage

__all__ = ["FixtureNotOpen", "OpenFixture", "PartAdmittances", "open_fixture", "part_admittances"]

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

MOST_STRAY_FARAD = 6e-12
"""What clips leave from one to the other is a picofarad or two (from memory)."""
SHORTED_RATIO = 0.9
CODES_PER_DIV = 25.0
DRIVE_DIV = 2.0
"""Amplitude of the drive trace in divisions, roughly."""
BURIED_CODES = 2.0
BURIED_ERROR_CODES = 0.05
"""Rounding, and hum that is not fitted quite, may leave some hundredths of a code of a sine that is not there (from
memory). It decides only whether a first look believes a trace of less than some codes."""


class FixtureNotOpen(AnalysisError):
    """A part or a short is in the fixture that should be empty, or nothing of it is seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenFixture:
    """What is known of the fixture before a part goes in.

    across, to_ground : capacitance from clip to clip, and from far node to ground, the probe's own included.
    sweeps : of the open fixture. nulls : null runs of the same bench.
    posterior : of both together. misfit : a sentence where they do not fit the fixture's circuit, else None.
    """

    across: Quantity
    to_ground: Quantity
    sweeps: tuple[Sweep, ...]
    nulls: tuple[Sweep, ...]
    posterior: Posterior
    misfit: str | None

    @property
    def known(self) -> tuple[Sweep, ...]:
        """Everything that goes into the estimate of a part beside its own sweeps."""
        return (*self.sweeps, *self.nulls)


def open_fixture(sweeps: Sequence[Sweep], nulls: Sequence[Sweep] = ()) -> OpenFixture:
    """The strays of an empty fixture.

    Parameters
    ----------
    sweeps : of stages made by `fixture_stage(..., part=None)`, with points.
    nulls : null runs of the same bench; without one the strays come out within some per cent, and losses are not seen.

    Raises
    ------
    FixtureNotOpen : a part or a short is in it.
    ValueError : no sweep, or none with points.
    """
    if not any(s.points for s in sweeps) or any(s.stage is None for s in sweeps):
        raise ValueError("sweeps: need a sweep of the open fixture, with points")
    _refuse_filled(sweeps)
    model = Model([*sweeps, *nulls])
    posterior = maximise(model, [model.mean])
    return OpenFixture(
        across=_sum(posterior, [STRAY_ACROSS]),
        to_ground=_sum(posterior, [STRAY_TO_GROUND, f"{sweeps[0].bench} far probe C"]),
        sweeps=tuple(sweeps),
        nulls=tuple(nulls),
        posterior=posterior,
        misfit=None
        if fit_probability(posterior) >= MISFIT_PROBABILITY
        else "The open fixture's readings do not fit its circuit "
        f"(reduced chi-square {posterior.reduced_chi_square:.1f}): check clips, probe switches and the resistor.",
    )


def _refuse_filled(sweeps: Sequence[Sweep]) -> None:
    """Look at the raw ratios: far more than a picofarad or two passes where something was left in."""
    for sweep in sweeps:
        assert sweep.stage is not None
        lowest = min(sweep.points, key=lambda p: p.frequency_hz)
        if abs(lowest.ratio) > SHORTED_RATIO:
            raise FixtureNotOpen(
                f"The empty fixture passes {100 * abs(lowest.ratio):.0f} % at "
                f"{format_quantity(lowest.frequency_hz, 'Hz')}: it is shorted, or a large part is in it.",
                "Its own few picofarads are to be found, and they do not show beside that.",
                "Take the part out, see that the clips do not touch, and sweep the empty fixture again.",
            )
        found = part_admittances(sweep, None)
        farad = float(np.median(found.admittance.imag / (2 * pi * found.frequency_hz)))
        if farad > MOST_STRAY_FARAD:
            raise FixtureNotOpen(
                f"About {format_quantity(farad, 'F', 2)} are in the fixture that should be empty.",
                "Clips leave a picofarad or two; more would be taken off every part that follows.",
                "Take the part out, keep the leads apart, and sweep the empty fixture again.",
            )


def _sum(posterior: Posterior, names: Sequence[str]) -> Quantity:
    """Capacitances side by side: they are known together far better than each for itself."""
    places = [posterior.model.index(name, Aspect.VALUE) for name in names]
    farads = np.exp(posterior.theta[places])
    value = float(farads.sum())
    sigma = float(np.sqrt(farads @ posterior.covariance[np.ix_(places, places)] @ farads))
    return Quantity(
        unit="F",
        value=value,
        standard_uncertainty=sigma,
        interval95=(value * exp(-NORMAL_95 * sigma / value), value * exp(NORMAL_95 * sigma / value)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PartAdmittances:
    """What lies between the part's clips, one value a point; arrays of shape (n,).

    admittance : S. uncertainty : its standard uncertainty in any one direction, S, to first order.
    """

    frequency_hz: Real
    admittance: Complex
    uncertainty: Real


def part_admittances(sweep: Sweep, fixture: OpenFixture | None, part: str | None = None) -> PartAdmittances:
    """Each ratio of a fixture sweep turned into the admittance between the part's clips.

    From the nodal equation of the far node: in series Y = H Yg / (1 - H), Yg being all from far to ground; to ground
    Y = Yr (1 - H) / H less what else is there, Yr being all from drive to far.

    fixture : its strays and channels are allowed for; None takes the channels as equal, and strays stay in Y.
    part : the loose part's name; None for an open fixture in series.
    """
    stage = sweep.stage
    assert stage is not None
    hz = np.array([p.frequency_hz for p in sweep.points])
    s = 2j * pi * hz
    factor, sigma = _channel_factor(sweep, fixture)
    ratio = np.array([p.ratio for p in sweep.points]) / factor
    noise = np.sqrt([(p.ratio_cov[0] + p.ratio_cov[2]) / 2.0 for p in sweep.points])
    error = np.hypot(np.hypot(noise, sigma * np.abs(ratio)), _buried(sweep))
    across, ground = (_place_admittance(stage, where, part, s, fixture) for where in (stage.drive, GROUND))
    ground = ground + 1.0 / sweep.far_probe.resistance_ohm
    ground = ground + s * _probe_farad(sweep, fixture)
    series = part is None or stage.drive in stage.part(part).between
    if series:
        admittance = ratio * ground / (1.0 - ratio)
        by_ratio = np.abs(ground / (1.0 - ratio) ** 2)
        admittance = admittance - across
    else:
        admittance = across * (1.0 - ratio) / ratio - ground
        by_ratio = np.abs(across / ratio**2)
    return PartAdmittances(frequency_hz=hz, admittance=admittance, uncertainty=by_ratio * error)


def _place_admittance(
    stage: Stage, where: str, part: str | None, s: Complex, fixture: OpenFixture | None
) -> Complex:
    """All known parts between the far node and `where`, strays only where the fixture says what they are."""
    total = np.zeros(s.size, dtype=np.complex128)
    for each in stage.parts:
        if set(each.between) != {stage.far, where} or each.name == part:
            continue
        if each.kind is PartKind.RESISTOR:
            total += 1.0 / each.value
        elif fixture is not None:
            total += s * exp(fixture.posterior.theta[fixture.posterior.model.index(each.name, Aspect.VALUE)])
        elif where == GROUND:
            total += s * each.value
    return total


def _probe_farad(sweep: Sweep, fixture: OpenFixture | None) -> float:
    if fixture is None:
        return sweep.far_probe.capacitance_farad
    model = fixture.posterior.model
    return exp(fixture.posterior.theta[model.index(f"{sweep.bench} far probe C", Aspect.VALUE)])


def _buried(sweep: Sweep) -> Real:
    """What may be left of hum and rounding in a far trace of less than some codes, V/V; else nothing.

    The drive trace fills at least a fifth of its screen, so that its range says about how large it is.
    """
    errors = np.zeros(len(sweep.points))
    for place, point in enumerate(sweep.points):
        code = point.far_volts_per_div / CODES_PER_DIV / (DRIVE_DIV * point.drive_volts_per_div)
        if abs(point.ratio) < BURIED_CODES * code:
            errors[place] = BURIED_ERROR_CODES * code
    return errors


def _channel_factor(sweep: Sweep, fixture: OpenFixture | None) -> tuple[Complex, Real]:
    """What the channels make of a ratio of one, and its relative standard uncertainty, at each point of a sweep."""
    equal = replace(sweep, stage=None)
    model = Model([equal])
    theta, covariance = model.mean.copy(), np.diag(model.sigma**2)
    if fixture is not None:
        known = fixture.posterior
        places = []
        for place, parameter in enumerate(model.parameters):
            try:
                places.append((place, known.model.index(parameter.owner, parameter.aspect)))
            except KeyError:
                continue
        own, theirs = (np.array(each, dtype=int) for each in zip(*places, strict=True))
        theta[own] = known.theta[theirs]
        covariance[np.ix_(own, own)] = known.covariance[np.ix_(theirs, theirs)]
    found = model.evaluate(theta)
    n = len(sweep.points)
    # Whitened slopes back to V/V: only their size matters here.
    scale = np.sqrt([(p.ratio_cov[0] + p.ratio_cov[2]) / 2.0 for p in sweep.points])
    spread = np.einsum("ij,jk,ik->i", found.jacobian, covariance, found.jacobian)
    sigma = np.sqrt((spread[:n] + spread[n : 2 * n]) / 2.0) * scale
    return found.ratio[0], sigma
