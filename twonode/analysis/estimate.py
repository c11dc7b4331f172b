"""From sweeps to what is said of a part: value with interval, neighbours, budget, finding.

Owns the order of the work and the result. Takes sweeps as plain data, so that a saved recording and a live sweep
take the same path; prints nothing, opens nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import exp, inf, log

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.budget import BudgetLine, best_action, budget
from twonode.analysis.errors import AnalysisError
from twonode.analysis.estimated import Quantity
from twonode.analysis.explanation_figures import HELD_EXPONENT, bound_of, explanation_figures
from twonode.analysis.findings import Finding, FindingState, judge, unexplained
from twonode.analysis.hypotheses import (
    Explanation,
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
from twonode.analysis.part_faults import PartFault
from twonode.analysis.posterior import Posterior, maximise
from twonode.analysis.quantities import Tolerance
from twonode.analysis.stage import Part

__all__ = ["MINIMUM_POINTS", "Estimate", "EstimateError", "estimate_part"]

Real = NDArray[np.float64]

MINIMUM_POINTS = 3


class EstimateError(AnalysisError):
    """The data cannot carry an estimate."""


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
            f"Too few usable points: {usable}; {MINIMUM_POINTS} are the least.",
            "With fewer, value, loss and channel gain cannot be told apart.",
            "See the reasons given for the refused points, mend them and sweep again.",
        )
    part = _part(sweeps, part_name)
    start_farad = nominal_farad if nominal_farad is not None else _rough_value(sweeps, part)
    sweeps, explanations, left_out = _explained(sweeps, part, start_farad)
    likeliest = explanations[0]
    works = next(e for e in explanations if e.fault is PartFault.NONE)
    posterior = _freed(sweeps, part, start_farad, likeliest)
    determined = likeliest.fault not in (PartFault.OPEN, PartFault.SHORTED)
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
        figures=explanation_figures(explanations, measured, sweeps),
        action=action.action if action is not None else "measure more points",
    )
    if determined and posterior is not ordinary:
        measured = _log_quantity(marginal(posterior, posterior.model.index(part_name, Aspect.VALUE)), "F")
        lines = budget(posterior, posterior.model.index(part_name, Aspect.VALUE))
        action = best_action(lines)
    if finding.state is FindingState.UNDECIDED and likeliest.fault in (PartFault.OPEN, PartFault.SHORTED):
        measured, determined = Quantity(unit="F"), False
    misfit = _misfit(posterior)
    if misfit is not None and not determined:
        capacitance = Quantity(unit="F")  # a bound would be that of a circuit which does not hold
    else:
        capacitance = measured if determined else bound_of(likeliest, sweeps)
    return Estimate(
        part=part_name,
        nominal_farad=nominal_farad,
        tolerance=tolerance,
        capacitance=capacitance,
        loss=_aspect(posterior, part_name, Aspect.LOSS, ""),
        esr=_aspect(posterior, part_name, Aspect.ESR, "ohm"),
        leak=_aspect(posterior, part_name, Aspect.LEAK, "ohm"),
        others=_neighbours(posterior, sweeps, part_name),
        budget=lines if determined else (),
        expected_relative=action.expected_sigma if determined and action is not None else None,
        finding=finding if misfit is None else unexplained(part_name, finding),
        reduced_chi_square=posterior.reduced_chi_square,
        misfit=misfit,
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
    if explanation.fault in (PartFault.OPEN, PartFault.SHORTED):
        return found
    frees: list[Free]
    if explanation.fault is PartFault.NONE:
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
    if max(abs(found.mean), abs(found.low), abs(found.high)) > HELD_EXPONENT:
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
        return Quantity(unit=unit) if sigma > 1.0 else _at_best(posterior, index, unit)
    if mean < 2.0 * sigma:
        return Quantity(unit=unit, at_most=max(mean, 0.0) + 1.645 * sigma)
    return Quantity(
        unit=unit,
        value=mean,
        standard_uncertainty=sigma,
        interval95=(max(0.0, mean - 1.96 * sigma), mean + 1.96 * sigma),
    )


def _neighbours(posterior: Posterior, sweeps: Sequence[Sweep], asked: str) -> dict[str, Quantity]:
    kinds = {p.name: p.kind for s in sweeps if s.stage is not None for p in s.stage.parts}
    found: dict[str, Quantity] = {}
    for index, parameter in enumerate(posterior.model.parameters):
        if parameter.aspect is not Aspect.VALUE or parameter.owner == asked or parameter.owner not in kinds:
            continue
        found[parameter.owner] = _at_best(posterior, index, kinds[parameter.owner].unit)
    return found


def _at_best(posterior: Posterior, index: int, unit: str) -> Quantity:
    """A parameter that is a logarithm, Gaussian around the best point."""
    mean, sigma = float(posterior.theta[index]), posterior.standard_uncertainty(index)
    value = exp(mean)
    return Quantity(
        unit=unit,
        value=value,
        standard_uncertainty=value * sigma,
        interval95=(exp(mean - 1.96 * sigma), exp(mean + 1.96 * sigma)),
    )


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
