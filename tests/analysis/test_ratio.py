"""From traces to a ratio: true covariance, and records that must be refused."""

import numpy as np
import pytest

from twonode.analysis.ratio import Refusal, read_point
from twonode.analysis.traces import ChannelCodes, TracePair

RATIO = 0.3 * np.exp(1.1j)
STEP_V = 0.02


def channel(codes):
    return ChannelCodes(
        codes=np.clip(np.rint(codes), -128, 127).astype(np.int16),
        volts_per_code=STEP_V,
        volts_at_code_zero=0.0,
        lowest_code=-128,
        highest_code=127,
        volts_per_div=25 * STEP_V,
    )


def record(
    rng, *, hz=1234.5, cycles=4.618, samples=2500, amplitude=78.3, noise=0.5, far=None, add=None, ratio=RATIO
):
    """Both channels of one record in codes, rounded; `add` is added to the far channel."""
    interval_s = cycles / hz / samples
    t = np.arange(samples) * interval_s
    phase, offsets = rng.uniform(0, 2 * np.pi), rng.uniform(-1, 1, 2)
    drive = amplitude * np.cos(2 * np.pi * hz * t + phase) + offsets[0]
    answer = amplitude * abs(ratio) * np.cos(2 * np.pi * hz * t + phase + np.angle(ratio)) + offsets[1]
    if far is not None:
        answer = far(t)
    if add is not None:
        answer = answer + add(t)
    noise_codes = noise * rng.standard_normal((2, samples))
    return (
        TracePair(
            drive=channel(drive + noise_codes[0]),
            far=channel(answer + noise_codes[1]),
            sample_interval_s=interval_s,
        ),
        hz,
    )


def chi_square(point, truth):
    re, both, im = point.ratio_cov
    off = np.array([(point.ratio - truth).real, (point.ratio - truth).imag])
    return float(off @ np.linalg.inv([[re, both], [both, im]]) @ off)


@pytest.mark.parametrize("noise", [0.2, 0.5, 2.0])
@pytest.mark.parametrize("amplitude", [78.3, 20.7])
def test_the_stated_covariance_is_that_of_the_errors(noise, amplitude):
    rng = np.random.default_rng(3)
    found = []
    for _ in range(300):
        pair, hz = record(rng, noise=noise, amplitude=amplitude + rng.uniform(0, 1))
        found.append(chi_square(read_point(pair, hz, line_hz=50.0).point, RATIO))
    # Two degrees of freedom: mean 2, spread of the mean of 300 is 2/sqrt(300) = 0.115.
    assert np.mean(found) == pytest.approx(2.0, abs=0.42)


def test_spread_of_the_ratio_matches_the_published_bound_of_two_channels():
    # Haendel 2008 (references section 1): var dphi = (2 s^2/N)(1/A1^2 + 1/A2^2). Rounding adds 1/12 to s^2.
    rng = np.random.default_rng(4)
    angles = []
    for _ in range(400):
        pair, hz = record(rng, noise=1.0, ratio=0.5 * np.exp(0.9j))
        angles.append(np.angle(read_point(pair, hz).point.ratio / (0.5 * np.exp(0.9j))))
    bound = np.sqrt(2 * (1 + 1 / 12) / 2500 * (1 / 78.3**2 + 1 / 39.15**2))
    assert np.std(angles) == pytest.approx(bound, rel=0.1)


def test_rounding_alone_never_lets_the_uncertainty_vanish():
    pair, hz = record(np.random.default_rng(5), noise=0.0)
    point = read_point(pair, hz).point
    least = 2 * (1 / 12) / 2500 / 78.3**2
    assert point.ratio_cov[0] + point.ratio_cov[2] >= least
    assert point.quantisation_share > 0.9


def test_whole_samples_per_cycle_widen_the_uncertainty():
    rng = np.random.default_rng(6)
    golden, hz = record(rng, noise=0.0)
    whole, _ = record(rng, noise=0.0, cycles=250.0)  # ten samples a cycle, ten phases in all
    assert read_point(whole, hz).point.ratio_cov[0] > 50 * read_point(golden, hz).point.ratio_cov[0]


@pytest.mark.parametrize("hz", [31.0, 130.0, 700.0, 20e3])
def test_hum_beside_the_signal_does_not_move_the_ratio(hz):
    rng = np.random.default_rng(7)

    def hum(t):
        return 8 * np.cos(2 * np.pi * 50.01 * t + 1.0) + 3 * np.cos(2 * np.pi * 150.03 * t + 2.0)

    found = []
    for _ in range(100):
        pair, _ = record(rng, hz=hz, cycles=9.618 if hz < 200 else 4.618, add=hum)
        found.append(chi_square(read_point(pair, hz, line_hz=50.0).point, RATIO))
    assert np.mean(found) == pytest.approx(2.0, abs=0.7)


def refusals(pair, hz, **more):
    return {reason for reason, _ in read_point(pair, hz, **more).refusals}


def test_an_ordinary_record_is_used():
    pair, hz = record(np.random.default_rng(8))
    assert refusals(pair, hz, line_hz=50.0) == set()


def test_a_clipped_channel_is_refused():
    pair, hz = record(np.random.default_rng(8), amplitude=140.0)
    assert Refusal.CLIPPED in refusals(pair, hz)


def test_a_ratio_that_still_moves_is_refused():
    def settling(t):
        return 15 * np.exp(-t / (0.4 * t[-1])) * np.cos(2 * np.pi * 1234.5 * t)

    pair, hz = record(np.random.default_rng(8), add=settling)
    assert Refusal.UNSETTLED in refusals(pair, hz)


def test_a_frequency_that_is_off_is_refined_and_not_taken_for_unsettled():
    pair, hz = record(np.random.default_rng(8))
    point = read_point(pair, hz * 1.003, line_hz=50.0)
    assert point.refusals == ()
    assert abs(point.point.ratio - RATIO) < 3e-3


def test_a_burst_is_refused():
    def burst(t):
        return np.where((t > 0.4 * t[-1]) & (t < 0.41 * t[-1]), 40.0, 0.0)

    pair, hz = record(np.random.default_rng(8), add=burst)
    assert Refusal.DISTURBED in refusals(pair, hz)


def test_harmonics_of_the_sine_are_refused():
    pair, hz = record(np.random.default_rng(8), add=lambda t: 1.5 * np.cos(4 * np.pi * 1234.5 * t))
    assert Refusal.HARMONICS in refusals(pair, hz)


def test_hum_above_the_signal_is_refused():
    pair, hz = record(
        np.random.default_rng(8), hz=430.0, cycles=14.618, add=lambda t: 60 * np.cos(2 * np.pi * 50.0 * t)
    )
    assert Refusal.HUM in refusals(pair, hz, line_hz=50.0)


def test_too_few_cycles_and_too_few_samples_are_refused():
    rng = np.random.default_rng(8)
    pair, hz = record(rng, cycles=2.6)
    assert refusals(pair, hz) == {Refusal.FEW_CYCLES}
    pair, hz = record(rng, cycles=400.0)
    assert Refusal.ALIASED in refusals(pair, hz)


def test_an_inverted_channel_only_turns_the_sign():
    pair, hz = record(np.random.default_rng(9))
    far = pair.far
    inverted = ChannelCodes(
        codes=-far.codes,
        volts_per_code=-STEP_V,
        volts_at_code_zero=0.0,
        lowest_code=-128,
        highest_code=127,
        volts_per_div=far.volts_per_div,
    )
    turned = TracePair(drive=pair.drive, far=inverted, sample_interval_s=pair.sample_interval_s)
    assert read_point(turned, hz).point.ratio == pytest.approx(read_point(pair, hz).point.ratio, rel=1e-9)
