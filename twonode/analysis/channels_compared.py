"""What a null run says of two channels, in three figures a person can use.

Owns the fit of a null run by itself and the differences read off it. An estimate does not go this way: it takes the
null run's points as they are, together with the sweep's.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.model import Aspect, Model, Sweep
from twonode.analysis.posterior import Posterior, maximise

__all__ = ["ChannelDifferences", "Difference", "compare_channels"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """Channel 2 minus channel 1, with its standard uncertainty."""

    value: float
    standard_uncertainty: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelDifferences:
    """Differences of the two channels.

    gain : relative, on the range of channel 1 that most points were taken on, at low frequency.
    trimming : of the probes' relative trimming errors; None where neither is a divider.
    skew_s : s by which channel 2 lags.
    reduced_chi_square : about 1 where gains, trimming and skew describe the readings.
    strain : how far the least plausible of the channels' own errors lies from what its class allows, in standard
        uncertainties; what no pair of probes does can only be fitted with one far out.
    unexplained, unexplained_hz : the largest difference between reading and description, V/V, and where it is.
    """

    gain: Difference
    trimming: Difference | None
    skew_s: Difference
    reduced_chi_square: float
    strain: float
    unexplained: float
    unexplained_hz: float


def compare_channels(null: Sweep) -> ChannelDifferences:
    """The differences that a null run shows.

    Raises ValueError for a sweep of a stage, or one without points.
    """
    if null.stage is not None or not null.points:
        raise ValueError("null: need a null run with points")
    model = Model([null])
    found = maximise(model, [model.mean])
    pairs = [(p.drive_volts_per_div, p.far_volts_per_div) for p in null.points]
    drive, far = max(pairs, key=pairs.count)
    gain = _difference(
        found,
        Aspect.GAIN,
        f"{null.bench} channel 2 at {far:.6g} V/div",
        f"{null.bench} channel 1 at {drive:.6g} V/div",
    )
    assert gain is not None
    skew = _difference(found, Aspect.SKEW, null.bench, "")
    assert skew is not None
    left = np.abs(found.evaluation.ratio[0] - np.array([p.ratio for p in null.points]))
    worst = int(np.argmax(left))
    return ChannelDifferences(
        gain=gain,
        trimming=_difference(
            found, Aspect.COMPENSATION, f"{null.bench} far probe", f"{null.bench} drive probe"
        ),
        skew_s=skew,
        reduced_chi_square=found.reduced_chi_square,
        strain=float(np.abs((found.theta - model.mean) / model.sigma).max()),
        unexplained=float(left[worst]),
        unexplained_hz=null.points[worst].frequency_hz,
    )


def _difference(found: Posterior, aspect: Aspect, plus: str, minus: str) -> Difference | None:
    """One parameter minus another; one that the model does not have counts as zero."""
    weight: NDArray[np.float64] = np.zeros(found.theta.size)
    for owner, sign in ((plus, 1.0), (minus, -1.0)):
        try:
            weight[found.model.index(owner, aspect)] += sign
        except KeyError:
            continue
    if not weight.any():
        return None
    return Difference(
        value=float(weight @ found.theta),
        standard_uncertainty=sqrt(float(weight @ found.covariance @ weight)),
    )
