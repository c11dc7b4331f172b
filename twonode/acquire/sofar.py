"""Where a running sweep stands: value, interval and fitted curve of the points measured so far.

Owns putting a sweep's points into the terms of analysis while it runs. It takes the short way that the planner takes
after every point; what is said in the end is worked out from the filed codes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp

from twonode.acquire.filed import channel_class
from twonode.acquire.request import SweepRequest
from twonode.analysis.channel import ChannelClass, probe_for_factor, wiring_sigma_farad
from twonode.analysis.curves import FittedCurve, curves_of
from twonode.analysis.errors import AnalysisError
from twonode.analysis.estimate import MINIMUM_POINTS
from twonode.analysis.estimated import Quantity, log_quantity
from twonode.analysis.findings import FindingState
from twonode.analysis.hookup import HookUp
from twonode.analysis.hypotheses import ordinary_model, scan_starts
from twonode.analysis.model import Sweep
from twonode.analysis.posterior import Posterior, maximise
from twonode.analysis.ratio import RatioPoint
from twonode.analysis.settled import standing
from twonode.drivers.bench import Bench

__all__ = ["SoFar", "StandsAt", "running_sweeps"]

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


def running_sweeps(
    request: SweepRequest,
    points: Sequence[RatioPoint],
    *,
    channels: ChannelClass,
    bench: str,
    null: Sweep | None,
) -> list[Sweep]:
    """A running sweep as analysis takes it, and its null run behind it where there is one.

    points : the usable ones so far. bench : what tells this scope from another.
    """
    sweep = Sweep(
        stage=request.stage,
        points=tuple(points),
        drive_probe=probe_for_factor(request.probe_factors[0]),
        far_probe=probe_for_factor(request.probe_factors[1]),
        channels=channels,
        bench=bench,
        wiring_sigma_farad=wiring_sigma_farad(request.stage) if request.hookup is HookUp.STAGE else 0.0,
    )
    return [sweep] if null is None else [sweep, null]


class SoFar:
    """Estimates of one running sweep; made on the open bench, asked from any one thread."""

    def __init__(self, bench: Bench, request: SweepRequest, null: Sweep | None = None) -> None:
        self._request = request
        self._null = null
        self._channels = channel_class(bench)
        self._bench = bench.scope.identity

    def stands_at(self, points: Sequence[RatioPoint]) -> StandsAt | None:
        """The estimate of these points; None while there are too few to carry one."""
        if len(points) < MINIMUM_POINTS:
            return None
        request = self._request
        try:
            sweeps = running_sweeps(
                request, points, channels=self._channels, bench=self._bench, null=self._null
            )
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
            capacitance=log_quantity(farad, sigma, "F") if works else Quantity(unit="F"),
            state=state,
            probability=probability,
            curve=curves_of(fitted)[0] if works else None,
        )

    def _fit(self, sweeps: Sequence[Sweep]) -> Posterior:
        model = ordinary_model(sweeps, self._request.asked, self._request.asked.value)
        return maximise(model, scan_starts(model))
