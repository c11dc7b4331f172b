"""What a hypothesis on a stage predicts that a further measurement will read.

Owns the predictions: Gaussians around the hypothesis' fit, its posterior covariance carried through the measurement's
own slopes, plus the noise of the measurement.

A fault's own parameter may be open over decades (a leak that was not seen yet), where one linearisation would be far
off. So each Gaussian is split along that parameter into five narrower ones, and each of these is linearised.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.dc_reading import DcReading
from twonode.analysis.diagnose import Diagnosis, Hypothesis, Weighed, under
from twonode.analysis.measurement_action import Action, DcAction, OhmsAction, SweepAction
from twonode.analysis.meter_reading import dc_reading, dc_sigma_v, ohm_reading
from twonode.analysis.model import Aspect, Free, Model, Sweep, UnseenPart
from twonode.analysis.part_faults import PartFault, fault_frees, fault_variants
from twonode.analysis.posterior import Posterior
from twonode.analysis.ratio import RatioPoint
from twonode.analysis.stage import Stage

__all__ = ["ExpectedBench", "HypothesisState", "Mixture", "predict"]

Real = NDArray[np.float64]

SPLIT_FROM = 0.15
"""A fault's parameter that is open by more than this (in its logarithm) is split."""
_PLACES: Real = np.array([-1.8, -0.9, 0.0, 0.9, 1.8])
_NARROW = 0.5
_WEIGHTS: Real = np.exp(-0.5 * _PLACES**2 / (1.0 - _NARROW**2))
LEAST_NOISE, USUAL_NOISE = 2e-4, 1e-3
FLOOR_RATIO = 1e-3
"""A far signal below a thousandth of the drive is read on the finest range: its noise no longer shrinks with it."""
_STEPS = np.array([m * 10.0**e for e in range(-3, 2) for m in (1.0, 2.0, 5.0)])


class ExpectedBench:
    """What the sweeps so far say of the noise and ranges of a further one."""

    def __init__(self, sweeps: Sequence[Sweep]) -> None:
        self.like = sweeps[0]
        shares = [
            sqrt((p.ratio_cov[0] + p.ratio_cov[2]) / 2.0) / max(abs(p.ratio), FLOOR_RATIO)
            for s in sweeps
            for p in s.points
        ]
        self.noise = max(float(np.median(shares)) if shares else USUAL_NOISE, LEAST_NOISE)
        drive = [p.drive_volts_per_div for s in sweeps for p in s.points]
        self.drive_range = float(np.median(drive)) if drive else 0.5

    def sweep(self, action: SweepAction, ratio: NDArray[np.complex128] | None) -> Sweep:
        """The further sweep, its points at zero: what the model predicts is then its residual.

        ratio : what is expected there; None where that is yet to be found.
        """
        sizes = np.ones(len(action.frequencies_hz)) if ratio is None else np.abs(ratio)
        sizes = np.maximum(sizes, FLOOR_RATIO)
        points = tuple(
            RatioPoint(
                frequency_hz=hz,
                ratio=0j,
                ratio_cov=((self.noise * size) ** 2, 0.0, (self.noise * size) ** 2),
                quantisation_share=0.3,
                drive_volts_per_div=self.drive_range,
                far_volts_per_div=float(
                    _STEPS[np.searchsorted(_STEPS, min(size, 1.0) * self.drive_range * 0.99)]
                ),
            )
            for hz, size in zip(action.frequencies_hz, sizes.tolist(), strict=True)
        )
        return replace(self.like, stage=action.stage, points=points)


@dataclass(frozen=True, slots=True)
class Mixture:
    """Predicted data of one hypothesis: Gaussians in whitened terms.

    weight (k,), mean (k, d), lower Cholesky factors (k, d, d), log of the determinants' roots (k,).
    """

    weight: Real
    mean: Real
    factor: Real
    log_root: Real

    def draw(self, count: int, rng: np.random.Generator) -> Real:
        """Shape (count, d)."""
        place = rng.choice(self.weight.size, size=count, p=self.weight)
        normal = rng.standard_normal((count, self.mean.shape[1]))
        drawn: Real = self.mean[place] + np.einsum("nij,nj->ni", self.factor[place], normal)
        return drawn

    def log_density(self, data: Real) -> Real:
        """Log density, up to what all hypotheses share, shape (n,); data of shape (n, d)."""
        left = data[None, :, :] - self.mean[:, None, :]
        solved = np.linalg.solve(self.factor, np.swapaxes(left, 1, 2))
        logs = np.log(self.weight)[:, None] - 0.5 * np.sum(solved**2, axis=1) - self.log_root[:, None]
        top = logs.max(axis=0)
        summed: Real = top + np.log(np.exp(logs - top).sum(axis=0))
        return summed


class HypothesisState:
    """One hypothesis as it stands: where its parameters are and how they are spread."""

    def __init__(self, weighed: Weighed, diagnosis: Diagnosis, stage: Stage) -> None:
        self.hypothesis: Hypothesis = weighed.hypothesis
        self.posterior: Posterior = weighed.posterior or _fallback(diagnosis)
        self.frees: list[Free] = []
        self.split: tuple[str, Aspect] | None = None
        # What is known of a fault's own parameter that nothing has shown yet: share, mean and spread.
        self.beforehand: list[tuple[float, float, float]] = []
        for name, fault in weighed.hypothesis.faults:
            frees = fault_frees(diagnosis.stage.part(name), fault)
            self.frees += frees
            own = _own_aspect(fault, frees)
            if self.split is None:
                self.split = (name, own)
                if weighed.posterior is None:
                    self.beforehand = [
                        (share, free.mean, free.sigma)
                        for share, variant in fault_variants(diagnosis.stage.part(name), fault)
                        for free in variant
                        if free.aspect is own
                    ]
        self.known = {(p.owner, p.aspect): place for place, p in enumerate(self.posterior.model.parameters)}

    def placed(self, model: Model) -> tuple[Real, Real]:
        """Mean and covariance of a further model's parameters: as fitted so far, or as known beforehand."""
        theta, covariance = model.mean.copy(), np.diag(np.square(model.sigma))
        shared = [
            (place, self.known[p.owner, p.aspect])
            for place, p in enumerate(model.parameters)
            if (p.owner, p.aspect) in self.known
        ]
        if shared:
            here, there = (np.array(each) for each in zip(*shared, strict=True))
            theta[here] = self.posterior.theta[there]
            covariance[np.ix_(here, here)] = self.posterior.covariance[np.ix_(there, there)]
        return theta, covariance

    def pieces(self, model: Model) -> list[tuple[float, Real, Real]]:
        """Weight, mean and covariance of the Gaussians whose linearisations together stand for the state."""
        theta, covariance = self.placed(model)
        if self.split is None:
            return [(1.0, theta, covariance)]
        try:
            place = model.index(*self.split)
        except KeyError:
            return [(1.0, theta, covariance)]
        if not self.beforehand:
            return self._split(theta, covariance, place)
        found = []
        for share, mean, sigma in self.beforehand:
            moved, spread = theta.copy(), covariance.copy()
            moved[place], spread[place, place] = mean, sigma**2
            found += [(share * w, t, c) for w, t, c in self._split(moved, spread, place)]
        return found

    @staticmethod
    def _split(theta: Real, covariance: Real, place: int) -> list[tuple[float, Real, Real]]:
        spread = sqrt(covariance[place, place])
        if spread < SPLIT_FROM:
            return [(1.0, theta, covariance)]
        column = covariance[:, place] / spread
        narrowed = covariance - np.outer(column, column) * (1.0 - _NARROW**2)
        return [
            (float(w), theta + column * x, narrowed)
            for w, x in zip(_WEIGHTS / _WEIGHTS.sum(), _PLACES, strict=True)
        ]


def _fallback(diagnosis: Diagnosis) -> Posterior:
    """For a fault that nothing measured so far shows, all else is as in the healthy stage."""
    healthy = next(w for w in diagnosis.ranking if not w.hypothesis.faults)
    assert healthy.posterior is not None
    return healthy.posterior


def _own_aspect(fault: PartFault, frees: Sequence[Free]) -> Aspect:
    """The parameter that a fault is about."""
    present = [f.aspect for f in frees]
    wanted = {
        PartFault.LEAKY: (Aspect.LEAK,),
        PartFault.LOSSY: (Aspect.ESR, Aspect.LOSS),
    }.get(fault, ())
    return next((a for a in wanted if a in present), Aspect.VALUE)


def predict(
    action: Action,
    states: Sequence[HypothesisState],
    bench: ExpectedBench,
    diagnosis: Diagnosis,
) -> list[Mixture]:
    """What every hypothesis predicts of a measurement, in the order of the states, all in the same whitened terms.

    Raises AnalysisError where the changed circuit cannot be solved, or a meter cannot read such a part.
    """
    match action:
        case SweepAction():
            return _predict_sweep(action, states, bench)
        case DcAction():
            reading = dc_reading(action.stage, action.node, 0.0, meter_ohm=action.meter_ohm)
            return [_predict_volts(state, reading) for state in states]
        case OhmsAction():
            # One over the ohms is what an ohmmeter's volts are to first order; a range in the middle of what
            # the hypotheses say tells them apart best, and a meter has one there.
            part = diagnosis.stage.part(action.part)
            reading = ohm_reading(part, part.value if part.kind.unit == "ohm" else 1e6)
            return [_predict_volts(state, reading, fixed=True) for state in states]


def _model(state: HypothesisState, sweeps: Sequence[Sweep], readings: Sequence[DcReading] = ()) -> Model:
    there, read = under(state.hypothesis, sweeps, readings)
    try:
        return Model(there, state.frees, read)
    except UnseenPart:
        # There the part does not matter, whatever it has.
        return Model(sweeps, (), readings)


def _predict_sweep(
    action: SweepAction, states: Sequence[HypothesisState], bench: ExpectedBench
) -> list[Mixture]:
    plain = bench.sweep(action, None)
    reference = _model(states[0], [plain])
    theta, _ = states[0].placed(reference)
    expected = reference.evaluate(theta).ratio[0]
    sweep = bench.sweep(action, expected)
    found = []
    sizes = np.maximum(np.abs(expected), FLOOR_RATIO)
    for state in states:
        model = _model(state, [sweep])
        weights, means, covariances = [], [], []
        for weight, centre, covariance in state.pieces(model):
            at = model.evaluate(centre)
            own = np.maximum(np.abs(at.ratio[0]), FLOOR_RATIO) / sizes
            noise = np.diag(np.tile(own**2, 2))
            weights.append(weight)
            means.append(at.residual)
            covariances.append(noise + at.jacobian @ covariance @ at.jacobian.T)
        found.append(_mixture(weights, means, covariances))
    return found


def _predict_volts(state: HypothesisState, reading: DcReading, *, fixed: bool = False) -> Mixture:
    """A reading's volts; fixed : its uncertainty does not depend on what is read."""
    model = _model(state, [], [reading])
    weights, means, covariances = [], [], []
    for weight, centre, covariance in state.pieces(model):
        at = model.evaluate(centre)
        volts = float(at.residual[0]) * reading.sigma_v + reading.volts
        noise = 1.0 if fixed else (dc_sigma_v(volts) / reading.sigma_v) ** 2
        weights.append(weight)
        means.append(np.array([volts / reading.sigma_v]))
        covariances.append(noise + at.jacobian @ covariance @ at.jacobian.T)
    return _mixture(weights, means, covariances)


def _mixture(weights: Sequence[float], means: Sequence[Real], covariances: Sequence[Real]) -> Mixture:
    factor = np.linalg.cholesky(np.stack(covariances))
    return Mixture(
        np.array(weights),
        np.stack(means),
        factor,
        np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1),
    )
