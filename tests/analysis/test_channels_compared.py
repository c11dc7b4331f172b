"""What a null run says by itself, and what it is expected to bring, on made points."""

import numpy as np
import pytest
from made_sweeps import made_sweep, true_stage, wrenfield

from twonode.analysis.budget import budget
from twonode.analysis.channel import PROBE_1
from twonode.analysis.channels_compared import compare_channels
from twonode.analysis.estimate import estimate_part
from twonode.analysis.model import Sweep
from twonode.analysis.null_advice import sigma_after_null
from twonode.analysis.ratio import RatioPoint

T_S = 120e-6
NOISE = 1e-4


def null_sweep(*, gain=0.0, trimming=0.0, skew_s=0.0, noise=NOISE, ranges=(0.2,), seed=1, **more):
    """Channel 2 over channel 1 by the divider's own formula (two parallel RC pairs), with noise."""
    rng = np.random.default_rng(seed)
    points = []
    for volts in ranges:
        for hz in np.geomspace(20.0, 100e3, 8):
            st = 2j * np.pi * hz * T_S
            far = (1 + st * (1 + trimming)) / (1 + st * (1 + 0.1 * trimming))
            exact = (1 + gain) * far * np.exp(-2j * np.pi * hz * skew_s)
            points.append(
                RatioPoint(
                    frequency_hz=float(hz),
                    ratio=complex(exact + noise * (rng.normal() + 1j * rng.normal())),
                    ratio_cov=(noise**2, 0.0, noise**2),
                    quantisation_share=0.2,
                    drive_volts_per_div=0.2,
                    far_volts_per_div=volts,
                )
            )
    return Sweep(stage=None, points=tuple(points), **more)


@pytest.mark.parametrize("trimming", [0.02, -0.04])
def test_gain_trimming_and_delay_are_told_apart(trimming):
    found = compare_channels(null_sweep(gain=-0.012, trimming=trimming, skew_s=0.7e-9))
    assert found.gain.value == pytest.approx(np.log1p(-0.012), abs=4 * found.gain.standard_uncertainty)
    assert found.trimming.value == pytest.approx(trimming, abs=4 * found.trimming.standard_uncertainty)
    assert found.skew_s.value == pytest.approx(0.7e-9, abs=4 * found.skew_s.standard_uncertainty)
    assert found.gain.standard_uncertainty < 1e-4
    assert found.trimming.standard_uncertainty < 3e-3
    assert found.unexplained < 5 * NOISE
    assert 0.3 < found.reduced_chi_square < 2.0


def test_probes_without_a_divider_have_no_trimming():
    found = compare_channels(null_sweep(gain=0.01, drive_probe=PROBE_1, far_probe=PROBE_1))
    assert found.trimming is None
    assert found.gain.value == pytest.approx(np.log1p(0.01), abs=4 * found.gain.standard_uncertainty)


def test_a_circuit_between_the_probes_is_not_explained():
    null = null_sweep()
    corner_hz = 1.6
    passed = [p.ratio / (1 - 1j * corner_hz / p.frequency_hz) for p in null.points]
    points = tuple(
        RatioPoint(**{name: getattr(p, name) for name in RatioPoint.__slots__} | {"ratio": ratio})
        for p, ratio in zip(null.points, passed, strict=True)
    )
    found = compare_channels(Sweep(stage=None, points=points))
    # Only probes far outside any class could make such a course of 1.
    assert found.strain > 6
    assert compare_channels(null).strain < 4


def test_a_sweep_of_a_stage_is_no_comparison():
    with pytest.raises(ValueError, match="null run"):
        compare_channels(made_sweep(wrenfield(), true_stage()))
    with pytest.raises(ValueError, match="points"):
        compare_channels(Sweep(stage=None, points=()))


def estimated(*sweeps):
    return estimate_part(sweeps, "C7", nominal_farad=22e-9)


def test_the_forecast_is_what_such_a_null_run_brings():
    """The forecast against the estimate with a null run of the noise it assumes."""
    sweep = made_sweep(wrenfield(), true_stage(), noise=1e-4)
    before = estimated(sweep).posterior
    place = 0
    forecast = sigma_after_null(before, place)
    after = estimated(sweep, null_sweep(noise=0.55e-4, ranges=(0.2, 0.05))).posterior
    assert forecast < before.standard_uncertainty(place)
    assert forecast == pytest.approx(after.standard_uncertainty(place), rel=0.1)


def test_with_a_null_run_there_none_is_advised_and_the_shares_add_up():
    sweep = made_sweep(wrenfield(), true_stage(), noise=1e-4)
    without = budget(estimated(sweep).posterior, 0)
    lines = budget(estimated(sweep, null_sweep(ranges=(0.2, 0.05))).posterior, 0)
    for each in (without, lines):
        assert sum(line.share for line in each) == pytest.approx(1.0, abs=1e-6)
    assert any(line.action.startswith("do a null run") for line in without)
    by_source = {line.source: line for line in lines}
    assert by_source["null run"].share > 0
    assert by_source["channel gain"].expected_sigma is None
    assert not any(line.action.startswith("do a null run") for line in lines)
