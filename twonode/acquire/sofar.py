"""Where a running sweep stands: value, interval and fitted curve of the points measured so far.

Owns putting a sweep's points into the terms of analysis while it runs. It takes the short way that the planner takes
after every point; what is said in the end is worked out from the filed codes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp

from twonode.acquire.request import SweepRequest
from twonode.analysis.channel import ChannelClass, probe_for_factor, wiring_sigma_farad
from twonode.analysis.curves import FittedCurve, curves_of
from twonode.analysis.errors import AnalysisError
from twonode.analysis.estimate import MINIMUM_POINTS, Quantity
from twonode.analysis.findings import FindingState
from twonode.analysis.hookup import HookUp
from twonode.analysis.hypotheses import ordinary_model, scan_starts
from twonode.analysis.marginal import NORMAL_95
from twonode.analysis.model import Sweep
from twonode.analysis.posterior import Posterior, maximise
from twonode.analysis.ratio import RatioPoint
from twonode.analysis.settled import standing
from twonode.drivers.bench import Bench

__all__ = ["SoFar", "StandsAt"]

_WORKING = (FindingState.WITHIN_TOLERANCE, FindingState.OFF_VALUE, None)


@dataclass(frozen=True, slots=True, kw_only=True)
class StandsAt:
    """What the points so far say.

    capacitance : as a capacitor with a Gaussian interval; not determined where it is likelier open, shorted or leaky.
    state, probability : the likeliest finding; None where nothing is expected of the part.
    curve : the fitted circuit as a capacitor of that value; None where it is likelier none.
    """

    points: int
    capacitance: Quantity
    state: FindingState | None
    probability: float | None
    curve: FittedCurve | None


class SoFar:
    """Estimates of one running sweep; made on the open bench, asked from any one thread."""

    def __init__(self, bench: Bench, request: SweepRequest, null: Sweep | None = None) -> None:
        self._request = request
        self._null = null
        self._channels = ChannelClass(gain_sigma=bench.scope.profile.gain_standard_uncertainty)
        self._bench = bench.scope.identity

    def stands_at(self, points: Sequence[RatioPoint]) -> StandsAt | None:
        """The estimate of these points; None while there are too few to carry one."""
        if len(points) < MINIMUM_POINTS:
            return None
        request = self._request
        try:
            sweeps = self._sweeps(points)
            fitted = self._fit(sweeps)
            farad = exp(fitted.theta[0])
            state = probability = None
            if request.nominal_farad is not None and request.tolerance is not None:
                stands = standing(
                    sweeps, request.asked, request.nominal_farad, request.tolerance, near_farad=farad
                )
                state, probability = stands.state, stands.probability
        except AnalysisError:
            # Three points may not carry it yet; the next one may.
            return None
        works = state in _WORKING
        sigma = fitted.standard_uncertainty(0)
        return StandsAt(
            points=len(points),
            capacitance=Quantity(
                unit="F",
                value=farad,
                standard_uncertainty=farad * sigma,
                interval95=(farad * exp(-NORMAL_95 * sigma), farad * exp(NORMAL_95 * sigma)),
            )
            if works
            else Quantity(unit="F"),
            state=state,
            probability=probability,
            curve=curves_of(fitted)[0] if works else None,
        )

    def _sweeps(self, points: Sequence[RatioPoint]) -> list[Sweep]:
        request = self._request
        sweep = Sweep(
            stage=request.stage,
            points=tuple(points),
            drive_probe=probe_for_factor(request.probe_factors[0]),
            far_probe=probe_for_factor(request.probe_factors[1]),
            channels=self._channels,
            bench=self._bench,
            wiring_sigma_farad=wiring_sigma_farad(request.stage) if request.hookup is HookUp.STAGE else 0.0,
        )
        return [sweep] if self._null is None else [sweep, self._null]

    def _fit(self, sweeps: Sequence[Sweep]) -> Posterior:
        model = ordinary_model(sweeps, self._request.asked, self._request.asked.value)
        return maximise(model, scan_starts(model))
