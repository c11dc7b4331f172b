"""From sweeps to what is said of a part: value with interval, neighbours, budget, finding.

Owns the order of the work and the result. Takes sweeps as plain data, so that a saved recording and a live sweep
take the same path; prints nothing, opens nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import exp, inf, log, pi
from typing import Any

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.budget import BudgetLine, best_action, budget
from twonode.analysis.errors import AnalysisError
from twonode.analysis.findings import Finding, FindingState, judge
from twonode.analysis.hypotheses import (
    Explanation,
    Fault,
    explain_part,
    ordinary_frees,
    ordinary_model,
    scan_starts,
)
from twonode.analysis.marginal import Marginal, marginal
from twonode.analysis.model import Aspect, Free, Model, Sweep
from twonode.analysis.outliers import (
    MENDED_PROBABILITY,
    MISFIT_PROBABILITY,
    LeftOut,
    fit_probability,
    may_leave_out,
    most_foreign,
    without,
)
from twonode.analysis.posterior import Posterior, maximise
from twonode.analysis.quantities import Tolerance, format_plus_minus, format_quantity
from twonode.analysis.stage import Part

__all__ = ["Estimate", "EstimateError", "Quantity", "estimate_part"]

Real = NDArray[np.float64]

MINIMUM_POINTS = 3


class EstimateError(AnalysisError):
    """The data cannot carry an estimate."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """An estimated quantity, or a bound where only that exists.

    value, standard_uncertainty, interval95 : in `unit`; None where not determined.
    at_least, at_most : 95 % bounds, in `unit`.
    """

    unit: str
    value: float | None = None
    standard_uncertainty: float | None = None
    interval95: tuple[float, float] | None = None
    at_least: float | None = None
    at_most: float | None = None

    def __str__(self) -> str:
        if self.value is not None and self.interval95 is not None:
            half = (self.interval95[1] - self.interval95[0]) / 2.0
            return format_plus_minus(self.value, half, self.unit)
        if self.at_most is not None:
            return f"at most {format_quantity(self.at_most, self.unit, 2)}"
        if self.at_least is not None:
            return f"at least {format_quantity(self.at_least, self.unit, 2)}"
        return "not determined"

    def document(self) -> dict[str, Any]:
        """As JSON: null for what was not determined, with the bound where there is one."""
        document: dict[str, Any] = {
            "value": self.value,
            "standard_uncertainty": self.standard_uncertainty,
            "interval95": list(self.interval95) if self.interval95 is not None else None,
            "unit": self.unit,
        }
        for key in ("at_least", "at_most"):
            bound = getattr(self, key)
            if bound is not None:
                document[key] = bound
        return document


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """Everything one estimate says of one part.

    capacitance, loss, esr, leak : of the asked part; None for what was not in the model.
    others : neighbours, by name.
    budget : of the variance of ln C; empty where C was not determined.
    expected_relative : relative standard uncertainty of C that the best action promises; None if none helps.
    misfit : a sentence where the model does not describe the data, else None.
    corner_hz : where the circuit's ratio is 3 dB below its largest, Hz, if that is near the sweep.
    posterior : the fit the figures are taken from.
    explanations : all kinds of explanation that were weighed.
    left_out : points that do not belong with the others, in the order they were left out.
    """

    part: str
    nominal_farad: float | None
    tolerance: Tolerance | None
    capacitance: Quantity
    loss: Quantity | None
    esr: Quantity | None
    leak: Quantity | None
    others: Mapping[str, Quantity]
    budget: tuple[BudgetLine, ...]
    expected_relative: float | None
    finding: Finding
    reduced_chi_square: float
    misfit: str | None
    corner_hz: float | None
    points: int
    posterior: Posterior
    explanations: tuple[Explanation, ...]
    left_out: tuple[LeftOut, ...] = ()


def estimate_part(
    sweeps: Sequence[Sweep],
    part_name: str,
    *,
    nominal_farad: float | None,
    tolerance: Tolerance | None = None,
) -> Estimate:
    """Estimate one capacitor from one or several sweeps, jointly.

    Parameters
    ----------
    sweeps : those with a stage must contain the part; null runs may be among them.
    nominal_farad : expected value, F; None where nothing is known.
    tolerance : limits the part is held against; None leaves a sound part undecided.

    Raises
    ------
    EstimateError : fewer usable points than the model needs.
    UnseenPart : the part does not change the ratio.
    """
    usable = sum(len(s.points) for s in sweeps if s.stage is not None)
    if usable < MINIMUM_POINTS:
        raise EstimateError(
            f"Only {usable} usable points were measured; {MINIMUM_POINTS} are the least.",
            "With fewer, value, loss and channel gain cannot be told apart.",
            "See the reasons given for the refused points, mend them and sweep again.",
        )
    part = _part(sweeps, part_name)
    start_farad = nominal_farad if nominal_farad is not None else _rough_value(sweeps, part)
    sweeps, explanations, left_out = _explained(sweeps, part, start_farad)
    likeliest = explanations[0]
    works = next(e for e in explanations if e.fault is Fault.NONE)
    posterior = _freed(sweeps, part, start_farad, likeliest)
    determined = likeliest.fault not in (Fault.OPEN, Fault.SHORTED)
    if likeliest is works:
        ordinary = posterior
    elif determined:
        ordinary = _freed(sweeps, part, start_farad, works)
    else:
        # As a capacitor it would have any value: only the prior keeps this fit from running away.
        ordinary = works.posterior
    value = marginal(ordinary, 0)
    lines = budget(ordinary, 0)
    action = best_action(lines)
    measured = _log_quantity(value, "F")
    finding = judge(
        part=part_name,
        faults={e.fault: e.probability for e in explanations},
        log_mean=value.mean,
        log_sigma=value.sigma,
        nominal_farad=nominal_farad,
        tolerance=tolerance,
        figures=_figures(explanations, measured, sweeps),
        action=action.action if action is not None else "measure more points",
    )
    if determined and posterior is not ordinary:
        measured = _log_quantity(marginal(posterior, posterior.model.index(part_name, Aspect.VALUE)), "F")
        lines = budget(posterior, posterior.model.index(part_name, Aspect.VALUE))
        action = best_action(lines)
    if finding.state is FindingState.UNDECIDED and likeliest.fault in (Fault.OPEN, Fault.SHORTED):
        measured, determined = Quantity(unit="F"), False
    return Estimate(
        part=part_name,
        nominal_farad=nominal_farad,
        tolerance=tolerance,
        capacitance=measured if determined else _bound(likeliest, sweeps),
        loss=_aspect(posterior, part_name, Aspect.LOSS, ""),
        esr=_aspect(posterior, part_name, Aspect.ESR, "ohm"),
        leak=_aspect(posterior, part_name, Aspect.LEAK, "ohm"),
        others=_neighbours(posterior, sweeps, part_name),
        budget=lines if determined else (),
        expected_relative=action.expected_sigma if determined and action is not None else None,
        finding=finding,
        reduced_chi_square=posterior.reduced_chi_square,
        misfit=_misfit(posterior),
        corner_hz=_corner(posterior),
        points=usable,
        posterior=posterior,
        explanations=explanations,
        left_out=left_out,
    )


def _explained(
    sweeps: Sequence[Sweep], part: Part, start_farad: float
) -> tuple[Sequence[Sweep], tuple[Explanation, ...], tuple[LeftOut, ...]]:
    """The weighed explanations; where none holds, without the few points that keep one from holding."""
    explanations = explain_part(sweeps, part, start_farad)
    kept, trial = sweeps, explanations
    gone: list[LeftOut] = []
    while fit_probability(trial[0].posterior) < MISFIT_PROBABILITY and may_leave_out(kept, len(gone)):
        foreign, _ = most_foreign(trial[0].posterior)
        gone.append(foreign)
        kept = without(kept, foreign)
        trial = explain_part(kept, part, start_farad)
        if fit_probability(trial[0].posterior) >= MENDED_PROBABILITY:
            return kept, trial, tuple(gone)
    # Nothing was mended: the circuit or the bench is wrong, and every point stays.
    return sweeps, explanations, ()


def _part(sweeps: Sequence[Sweep], name: str) -> Part:
    for sweep in sweeps:
        if sweep.stage is not None:
            return sweep.stage.part(name)
    raise EstimateError(
        "There is no sweep among the recordings.",
        "A null run alone says nothing of a part.",
        "Give the recording of a sweep as well.",
    )


def _rough_value(sweeps: Sequence[Sweep], part: Part) -> float:
    """Value of a part of which nothing is known, from the whole range a bench can reach, F."""
    model = ordinary_model(sweeps, part, 1e-8)
    return exp(maximise(model, scan_starts(model, decades=4.0, keep=3)).theta[0])


def _freed(sweeps: Sequence[Sweep], part: Part, nominal_farad: float, explanation: Explanation) -> Posterior:
    """The explanation's fit again, the part's value left to the data alone."""
    found = explanation.posterior
    if explanation.fault in (Fault.OPEN, Fault.SHORTED):
        return found
    frees: list[Free]
    if explanation.fault is Fault.NONE:
        frees = ordinary_frees(part, nominal_farad, value_sigma=inf)
    else:
        frees = []
        for parameter in found.model.parameters:
            if parameter.owner == part.name:
                sigma = inf if parameter.aspect is Aspect.VALUE else parameter.sigma
                frees.append(
                    Free(
                        part=part.name,
                        aspect=parameter.aspect,
                        mean=parameter.mean,
                        sigma=sigma,
                        logarithmic=parameter.logarithmic,
                    )
                )
    return maximise(Model(sweeps, frees), [found.theta])


def _log_quantity(found: Marginal, unit: str) -> Quantity:
    if max(abs(found.mean), abs(found.low), abs(found.high)) > _HELD_EXPONENT:
        return Quantity(unit=unit)  # the fit ran away: the data do not say where it ends
    value = exp(found.mean)
    return Quantity(
        unit=unit,
        value=value,
        standard_uncertainty=value * found.sigma,
        interval95=(exp(found.low), exp(found.high)),
    )


def _aspect(posterior: Posterior, part: str, aspect: Aspect, unit: str) -> Quantity | None:
    try:
        index = posterior.model.index(part, aspect)
    except KeyError:
        return None
    mean, sigma = float(posterior.theta[index]), posterior.standard_uncertainty(index)
    if posterior.model.parameters[index].logarithmic:
        if sigma > 1.0:
            return Quantity(unit=unit)
        value = exp(mean)
        return Quantity(
            unit=unit,
            value=value,
            standard_uncertainty=value * sigma,
            interval95=(exp(mean - 1.96 * sigma), exp(mean + 1.96 * sigma)),
        )
    if mean < 2.0 * sigma:
        return Quantity(unit=unit, at_most=max(mean, 0.0) + 1.645 * sigma)
    return Quantity(
        unit=unit,
        value=mean,
        standard_uncertainty=sigma,
        interval95=(max(0.0, mean - 1.96 * sigma), mean + 1.96 * sigma),
    )


_HELD_EXPONENT = 80.0


def _held_exp(exponent: float) -> float:
    """exp, held where the model holds it: the fit of an explanation that is far off may run anywhere."""
    return exp(min(max(exponent, -_HELD_EXPONENT), _HELD_EXPONENT))


def _bound(explanation: Explanation, sweeps: Sequence[Sweep]) -> Quantity:
    """What an open or shorted part still says of its capacitance."""
    found = explanation.posterior
    if explanation.fault is Fault.OPEN:
        return Quantity(unit="F", at_most=_held_exp(found.theta[0] + 1.645 * found.standard_uncertainty(0)))
    # A capacitance whose reactance undercut the short at the highest frequency would have been seen beside it.
    highest_hz = max(p.frequency_hz for s in sweeps if s.stage is not None for p in s.points)
    short_ohm = _held_exp(found.theta[0] - 1.645 * found.standard_uncertainty(0))
    return Quantity(unit="F", at_most=1.0 / (2 * pi * highest_hz * short_ohm))


def _neighbours(posterior: Posterior, sweeps: Sequence[Sweep], asked: str) -> dict[str, Quantity]:
    kinds = {p.name: p.kind for s in sweeps if s.stage is not None for p in s.stage.parts}
    found: dict[str, Quantity] = {}
    for index, parameter in enumerate(posterior.model.parameters):
        if parameter.aspect is not Aspect.VALUE or parameter.owner == asked or parameter.owner not in kinds:
            continue
        mean, sigma = float(posterior.theta[index]), posterior.standard_uncertainty(index)
        value = exp(mean)
        found[parameter.owner] = Quantity(
            unit=kinds[parameter.owner].unit,
            value=value,
            standard_uncertainty=value * sigma,
            interval95=(exp(mean - 1.96 * sigma), exp(mean + 1.96 * sigma)),
        )
    return found


def _figures(
    explanations: Sequence[Explanation], measured: Quantity, sweeps: Sequence[Sweep]
) -> dict[Fault, str]:
    figures = {Fault.NONE: f"{measured} (95 %)"}
    for explanation in explanations:
        found = explanation.posterior
        owner = found.model.parameters[0].owner
        match explanation.fault:
            case Fault.OPEN:
                bound = _bound(explanation, sweeps)
                figures[Fault.OPEN] = f"no more capacitance is left than stray, {bound}"
            case Fault.SHORTED:
                ohm = _held_exp(found.theta[0])
                figures[Fault.SHORTED] = (
                    f"it behaves like {format_quantity(ohm, 'ohm', 2)}, not like a capacitor"
                )
            case Fault.LEAKY:
                leak = _held_exp(found.theta[found.model.index(owner, Aspect.LEAK)])
                farad = _held_exp(found.theta[found.model.index(owner, Aspect.VALUE)])
                figures[Fault.LEAKY] = (
                    f"about {format_quantity(leak, 'ohm', 2)} lies across its {format_quantity(farad, 'F')}"
                )
            case Fault.LOSSY:
                figures[Fault.LOSSY] = _lossy_phrase(found, owner)
            case Fault.NONE:
                pass
    return figures


def _lossy_phrase(found: Posterior, owner: str) -> str:
    farad = format_quantity(_held_exp(found.theta[found.model.index(owner, Aspect.VALUE)]), "F")
    if found.model.parameters[1].aspect is Aspect.LOSS and found.model.parameters[1].logarithmic:
        return f"its {farad} lose {100 * _held_exp(found.theta[1]):.2g} % (tan delta)"
    ohm = _held_exp(found.theta[found.model.index(owner, Aspect.ESR)])
    return f"its {farad} have {format_quantity(ohm, 'ohm', 2)} in series (ESR)"


def _misfit(posterior: Posterior) -> str | None:
    if fit_probability(posterior) >= MISFIT_PROBABILITY:
        return None
    return (
        f"The circuit does not describe the readings (reduced chi-square {posterior.reduced_chi_square:.1f}): "
        "the interval cannot be trusted. Check the stage, the clips and the probe switches."
    )


def _corner(posterior: Posterior) -> float | None:
    """Frequency nearest the middle of the sweep where the ratio is 3 dB below its largest, Hz."""
    for place, sweep in enumerate(posterior.model.sweeps):
        if sweep.stage is None:
            continue
        measured = np.array([p.frequency_hz for p in sweep.points])
        grid = np.geomspace(measured.min() / 10.0, measured.max() * 10.0, 600)
        level = np.abs(posterior.model.curve(posterior.theta, place, grid))
        above = level >= level.max() / np.sqrt(2.0)
        crossings = np.flatnonzero(above[1:] != above[:-1])
        if crossings.size == 0:
            return None
        middle = log(float(np.sqrt(measured.min() * measured.max())))
        nearest = crossings[np.argmin(np.abs(np.log(grid[crossings]) - middle))]
        low, high = np.log(level[nearest : nearest + 2] / (level.max() / np.sqrt(2.0)))
        share = low / (low - high)
        return float(grid[nearest] * (grid[nearest + 1] / grid[nearest]) ** share)
    return None
