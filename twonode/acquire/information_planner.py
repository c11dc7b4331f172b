"""The next frequency where it tells most for the time it takes.

Information: at the present best fit, a point at a candidate frequency adds J'J to the precision matrix, with J the
whitened slopes there. The candidate with the largest relative drop of var(ln C) per second is taken, after a
minimum of points that would show a model that does not hold: both plateaus and the slope between.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from math import exp, log

import numpy as np
from numpy.typing import NDArray

from twonode.acquire.levels import Predictor
from twonode.acquire.plan import HIGHEST_HZ, LOWEST_HZ, BenchLimits, reach_of, usual_band
from twonode.acquire.planner import Advice
from twonode.acquire.ranges import choose_range
from twonode.acquire.request import PlanKind, SweepRequest, with_value
from twonode.acquire.sofar import running_sweeps
from twonode.acquire.timing import Placement, place_frequency
from twonode.analysis.channel import ChannelClass
from twonode.analysis.findings import probability_words
from twonode.analysis.hypotheses import ordinary_model, scan_starts
from twonode.analysis.model import Aspect, Sweep
from twonode.analysis.posterior import Posterior, maximise
from twonode.analysis.ratio import RatioPoint
from twonode.analysis.settled import standing

__all__ = ["SETTLED_FROM", "InformationPlanner"]

Real = NDArray[np.float64]

SETTLED_FROM = 0.99
"""Probability at which a sweep stops early; the finding itself is stated from 95 % on (design)."""
WORTH_WHILE = 0.05
"""Relative drop of var(C) that further points must promise."""
LEAST_POINTS = 4
"""Both plateaus, the slope and one more: as many complex points as would show a circuit that does not hold."""
MOST_POINTS = 24
UNKNOWN_SIGMA = 0.003
"""Where nothing is expected the sweep ends with a value this good: ten times better than any marking."""
CANDIDATES = 24
SCOUT_HZ = (60e3, 9e3, 1.3e3, 200.0, 30.0)
"""A first look over the whole range at a part of which nothing is known."""
EXPECTED_POINTS = 6
NEIGHBOUR_KNOWN = 1e-4
COMPANION_SIGMA = 0.0015
COMPANION_POINTS = 12
"""A sweep that a neighbour's tolerance limits goes on until a companion could bring C to this, or so many points."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Candidate:
    placement: Placement
    seconds: float


class InformationPlanner:
    """By expected drop of var(ln C) per second (module docstring).

    null : a null run's sweep, where there is one.
    per_point_s, transfer_s : generator settling, and the transfer of a record, s.
    """

    @property
    def kind(self) -> str:
        """The word of the plan."""
        return PlanKind.INFORMATION.value

    def __init__(
        self,
        request: SweepRequest,
        limits: BenchLimits,
        *,
        volts_per_div: Sequence[Sequence[float]],
        channels: ChannelClass,
        bench: str,
        null: Sweep | None,
        settle_s: float,
        transfer_s: float,
    ) -> None:
        self._request = request
        self._limits = limits
        self._steps = volts_per_div
        self._channels = channels
        self._bench = bench
        self._null = null
        self._settle_s = settle_s
        self._transfer_s = transfer_s
        self._known = request.nominal_farad is not None
        self._noise_codes = 1.0
        self._candidates: list[_Candidate] = []
        self._chosen_hz: list[float] = []
        self._posterior: Posterior | None = None
        self._farad = request.asked.value
        self._predictor = Predictor(request)
        self._band = self._find_band()
        self._opening = [self._place(hz) for hz in (self._opening_hz() if self._known else SCOUT_HZ)]
        self._total = request.points or max(EXPECTED_POINTS, len(self._opening) + 3 * (not self._known))

    @property
    def total(self) -> int:
        """A guess that grows when more is needed."""
        return self._total

    @property
    def expected_s(self) -> float:
        """Time of the opening, stretched to the guessed number of points, s."""
        opening = sum(p.record_s + self._settle_s + self._transfer_s for p in self._opening)
        return opening * self._total / len(self._opening)

    def first(self) -> Placement:
        """High in the band, where a record is short."""
        return self._opening[0]

    def advise(self, done: Sequence[RatioPoint], taken: int) -> Advice:
        """The opening in order, then by information, until the finding is settled or nothing is left to gain."""
        if taken >= (self._request.points or MOST_POINTS):
            return Advice(placement=None)
        if taken < len(self._opening):
            return Advice(placement=self._opening[taken])
        if len(done) < 2:
            # Nothing usable so far: an open part lets more through higher up, where less hum is in the way.
            higher_hz = self._opening[0].frequency_hz * 8.0 ** (1 + taken - len(self._opening))
            if higher_hz > 8.0 * HIGHEST_HZ:
                return Advice(placement=None)
            return Advice(placement=self._place(min(higher_hz, HIGHEST_HZ)))
        self._fit(done)
        enough = self._enough(done)
        if enough is not None:
            return Advice(placement=None, enough=enough)
        self._total = max(self._total, taken + 1)
        return Advice(placement=self._best(done))

    def go_on(self, done: Sequence[RatioPoint], taken_hz: Sequence[float]) -> Placement | None:
        """As if the last point before the interruption were just beginning."""
        self._chosen_hz = list(taken_hz[len(self._opening) :])
        self._total = max(self._total, len(taken_hz) + 1)
        advice = self.advise(done, len(taken_hz))
        if advice.enough is not None and len(done) < LEAST_POINTS:
            # When that is said in the middle of a sweep, one more point is on its way.
            return self._best(done)
        return advice.placement

    def _enough(self, done: Sequence[RatioPoint]) -> str | None:
        """Settled at 99 %, or nothing left to gain; never before the model has been checked."""
        if self._request.points is not None or len(done) < max(LEAST_POINTS - 1, len(self._opening)):
            return None
        nominal, tolerance = self._request.nominal_farad, self._request.tolerance
        if nominal is not None and tolerance is not None:
            stands = standing(
                self._sweeps(done), self._request.asked, nominal, tolerance, near_farad=self._farad
            )
            if stands.probability >= SETTLED_FROM:
                return f"{stands.state.value}, {probability_words(stands.probability)} sure"
        if not self._known and self._posterior is not None:
            if self._posterior.standard_uncertainty(0) <= UNKNOWN_SIGMA:
                return f"the value is known to {100 * self._posterior.standard_uncertainty(0):.2g} %"
        elif self._all_gain(done) < WORTH_WHILE and (
            len(done) >= COMPANION_POINTS or self._with_neighbours_known(done) <= COMPANION_SIGMA
        ):
            return "more points would not narrow the value by 5 % of its variance"
        return None

    def _find_band(self) -> tuple[float, float, float]:
        return usual_band(with_value(self._request, self._farad), self._limits)

    def _opening_hz(self) -> list[float]:
        """One plateau, the corner, the other plateau: what a model that does not hold would show at."""
        low_hz, corner_hz, high_hz = self._band
        request = self._request
        return [
            request.to_hz or min(high_hz, 8.0 * corner_hz),
            corner_hz,
            request.from_hz or max(low_hz, corner_hz / 4.0),
        ]

    def _place(self, hz: float) -> Placement:
        low_hz, high_hz = reach_of(self._limits)
        return place_frequency(
            min(max(hz, low_hz), high_hz),
            seconds_per_div=self._limits.seconds_per_div,
            divisions=self._limits.divisions,
            line_hz=self._request.line_hz,
            lowest_hz=low_hz,
            highest_hz=high_hz,
        )

    def _sweeps(self, done: Sequence[RatioPoint], extra: Sequence[RatioPoint] = ()) -> list[Sweep]:
        sweeps = running_sweeps(
            self._request, done, channels=self._channels, bench=self._bench, null=self._null
        )
        return [*sweeps, replace(sweeps[0], points=tuple(extra))] if extra else sweeps

    def _fit(self, done: Sequence[RatioPoint]) -> None:
        """Best fit to what is there, and the band around it when the value is not where it was expected."""
        model = ordinary_model(self._sweeps(done), self._request.asked, self._farad)
        starts = scan_starts(model) if self._posterior is None else [model.mean]
        self._posterior = maximise(model, starts)
        farad = float(exp(np.clip(self._posterior.theta[0], log(1e-13), log(1e-2))))
        if not self._candidates or abs(log(farad / self._farad)) > log(1.5):
            self._farad = farad
            self._band = self._find_band()
            self._candidates = self._find_candidates()
        self._farad = farad
        self._learn_noise(done)

    def _learn_noise(self, done: Sequence[RatioPoint]) -> None:
        """How noisy the bench is, from how uncertain the points are against what one code of noise would give."""
        self._noise_codes = 1.0
        shares = [
            (p.ratio_cov[0] + p.ratio_cov[2])
            / (2.0 * self._imagined(p.frequency_hz, done).ratio_cov[0] * max(abs(p.ratio), 1e-6) ** 2)
            * max(abs(self._imagined(p.frequency_hz, done).ratio), 1e-6) ** 2
            for p in done
        ]
        self._noise_codes = float(np.clip(np.sqrt(np.median(shares)), 0.2, 10.0))

    def _find_candidates(self) -> list[_Candidate]:
        low_hz, _, high_hz = self._band
        if self._request.from_hz is not None:
            low_hz = self._request.from_hz
        if self._request.to_hz is not None:
            high_hz = self._request.to_hz
        low_hz, high_hz = max(low_hz, LOWEST_HZ), min(high_hz, HIGHEST_HZ)
        self._predictor = predictor = Predictor(with_value(self._request, self._farad))
        found = []
        for hz in np.geomspace(low_hz, max(high_hz, 1.5 * low_hz), CANDIDATES):
            placement = self._place(float(hz))
            settle_s = self._settle_s + predictor.at(placement.frequency_hz).settle_s
            found.append(
                _Candidate(placement=placement, seconds=placement.record_s + max(settle_s, self._transfer_s))
            )
        return found

    def _gains(self, done: Sequence[RatioPoint]) -> tuple[Real, Real, Real]:
        """Precision so far, and the whitened slopes of every candidate, shape (candidates, 2, parameters)."""
        points = [self._imagined(c.placement.frequency_hz, done) for c in self._candidates]
        model = ordinary_model(self._sweeps(done, points), self._request.asked, self._farad)
        theta = model.mean.copy()
        theta[0] = log(self._farad)
        jacobian = model.evaluate(theta).jacobian
        count = len(points)
        before, imagined = jacobian[: -2 * count], jacobian[-2 * count :]
        prior = np.where(np.isfinite(model.sigma), 1.0 / model.sigma, 0.0)
        precision = before.T @ before + np.diag(prior**2)
        slopes = np.stack([imagined[:count], imagined[count:]], axis=1)
        return precision, slopes, np.array([c.seconds for c in self._candidates])

    def _best(self, done: Sequence[RatioPoint]) -> Placement:
        precision, slopes, seconds = self._gains(done)
        covariance = _inverse(precision)
        column = covariance[:, 0]
        drops = np.empty(len(seconds))
        for place, slope in enumerate(slopes):
            seen = slope @ column
            inner = np.eye(2) + slope @ covariance @ slope.T
            drops[place] = seen @ np.linalg.solve(inner, seen) / covariance[0, 0]
        taken_hz = [*(p.frequency_hz for p in done), *self._chosen_hz]
        near = np.array(
            [min(abs(log(c.placement.frequency_hz / hz)) for hz in taken_hz) for c in self._candidates]
        )
        # The very same frequency again would repeat what rounding and hum do there.
        score = -np.log1p(-np.minimum(drops, 1 - 1e-12)) / seconds * np.where(near < 0.03, 0.2, 1.0)
        choice = self._candidates[int(np.argmax(score))].placement
        self._chosen_hz.append(choice.frequency_hz)
        return choice

    def _all_gain(self, done: Sequence[RatioPoint]) -> float:
        """Relative drop of var(ln C) if every candidate were measured once more."""
        precision, slopes, _ = self._gains(done)
        flat = slopes.reshape(-1, precision.shape[0])
        before, after = _inverse(precision)[0, 0], _inverse(precision + flat.T @ flat)[0, 0]
        return float(1.0 - after / before)

    def _with_neighbours_known(self, done: Sequence[RatioPoint]) -> float:
        """Standard uncertainty of ln C if a companion told the values of all other parts."""
        precision, _, _ = self._gains(done)
        assert self._posterior is not None
        names = {p.name for p in self._request.stage.parts} - {self._request.part}
        known = precision.copy()
        for name in names:
            with suppress(KeyError):  # a part that only loads the drive node has no parameter
                place = self._posterior.model.index(name, Aspect.VALUE)
                known[place, place] += NEIGHBOUR_KNOWN**-2
        return float(np.sqrt(_inverse(known)[0, 0]))

    def _imagined(self, hz: float, done: Sequence[RatioPoint]) -> RatioPoint:
        """A point there with the noise the bench would give it; its ratio does not matter."""
        at = self._predictor.at(hz)
        level = self._request.generator_vpp
        vpp = (level * at.drive, level * at.far)
        ranges = tuple(choose_range(v, steps) for v, steps in zip(vpp, self._steps, strict=True))
        ratio = at.far / max(at.drive, 1e-12)
        codes = [max(v / 2.0 / r * 25.0, 1e-3) for v, r in zip(vpp, ranges, strict=True)]
        variance = ratio**2 * 2.0 * self._noise_codes**2 / 6000.0 * (codes[0] ** -2 + codes[1] ** -2)
        return RatioPoint(
            frequency_hz=hz,
            ratio=complex(ratio),
            ratio_cov=(variance, 0.0, variance),
            quantisation_share=0.3,
            drive_volts_per_div=done[-1].drive_volts_per_div,
            far_volts_per_div=ranges[1],
        )


def _inverse(precision: Real) -> Real:
    scale = 1.0 / np.sqrt(np.maximum(np.diag(precision), np.finfo(float).tiny))
    inverse: Real = np.linalg.pinv(precision * np.outer(scale, scale), hermitian=True) * np.outer(
        scale, scale
    )
    return inverse
