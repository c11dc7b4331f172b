"""The shortcut to a ratio arrives where the whole fit does, and where a closed form says."""

import numpy as np
import pytest

from twonode.analysis.ratio import read_point
from twonode.analysis.ratio_again import LONGEST_SAMPLES, ratio_again, ratio_at_refined_frequency
from twonode.analysis.traces import ChannelCodes, TracePair

RATIO = 0.7 * np.exp(-0.4j)


def channel(volts, step=0.01):
    return ChannelCodes(
        codes=np.round(volts / step).astype(np.int16),
        volts_per_code=step,
        volts_at_code_zero=0.3,
        lowest_code=-200,
        highest_code=200,
        volts_per_div=0.5,
    )


def pair(frequency_hz, samples, interval_s, *, hum_v=0.05, noise_v=0.004, seed=1, step=0.01):
    chance = np.random.default_rng(seed)
    time_s = np.arange(samples) * interval_s
    turned = np.exp(2j * np.pi * frequency_hz * time_s + 0.3j)
    hum = hum_v * np.cos(2 * np.pi * 50.01 * time_s + 1.0)
    noise = noise_v * chance.standard_normal((2, samples))
    drive, far = (
        channel((z * turned).real + hum + n, step) for z, n in zip((1.0, RATIO), noise, strict=True)
    )
    return TracePair(drive=drive, far=far, sample_interval_s=interval_s)


# Frequency, samples, interval: many line cycles, one, parts of one (where the terms are near copies), hardly any.
RECORDS = [
    (16.02, 6000, 1e-4),
    (127.0, 6000, 1e-5),
    (400.0, 6000, 2e-6),
    (1270.0, 6000, 1e-6),
    (2660.0, 30_000, 8e-8),
    (2660.0, 6000, 4e-7),
    (15.6e3, 6000, 1e-7),
    (730e3, 3000, 2e-9),
    (53.0, 6000, 1e-4),
    (385.0, 60_000, 2e-7),
]


@pytest.mark.parametrize("line_hz", [50.0, 60.0, None])
@pytest.mark.parametrize(("frequency_hz", "samples", "interval_s"), RECORDS)
def test_it_arrives_at_the_ratio_of_the_whole_fit(frequency_hz, samples, interval_s, line_hz):
    traces = pair(frequency_hz, samples, interval_s)
    filed = read_point(traces, frequency_hz, line_hz=line_hz).point.ratio
    for _ in range(2):  # the second time with what was kept of the first
        ways = [
            way(traces, frequency_hz, line_hz=line_hz) for way in (ratio_again, ratio_at_refined_frequency)
        ]
        assert min(abs(found - filed) for found in ways) < 1e-11


def test_a_frequency_that_is_a_little_off_is_refined_as_the_whole_fit_does():
    traces = pair(1000.0, 6000, 5e-6)
    filed = read_point(traces, 1000.4, line_hz=50.0).point.ratio
    assert abs(ratio_again(traces, 1000.4, line_hz=50.0) - filed) > 1e-7
    assert abs(ratio_at_refined_frequency(traces, 1000.4, line_hz=50.0) - filed) < 1e-11


def test_without_noise_hum_and_rounding_it_is_the_ratio_put_in():
    # Closed form: two sines of known ratio. Rounding, half a step at most, averages out at least fivefold.
    traces = pair(1000.0, 6000, 1e-6, hum_v=0.0, noise_v=0.0, step=5e-5)
    assert ratio_again(traces, 1000.0) == pytest.approx(RATIO, abs=5e-6)


def test_an_inverted_channel_turns_the_ratio():
    traces = pair(1000.0, 6000, 1e-6)
    turned = TracePair(
        drive=traces.drive,
        far=ChannelCodes(
            codes=traces.far.codes,
            volts_per_code=-0.01,
            volts_at_code_zero=0.0,
            lowest_code=-200,
            highest_code=200,
            volts_per_div=0.5,
        ),
        sample_interval_s=1e-6,
    )
    assert ratio_again(turned, 1000.0) == pytest.approx(-ratio_again(traces, 1000.0))


@pytest.mark.parametrize(
    ("frequency_hz", "samples"), [(1000.0, 3), (100.0, 6000), (450e3, 6000), (1000.0, LONGEST_SAMPLES + 1)]
)
def test_records_it_is_not_made_for_are_left_to_the_whole_fit(frequency_hz, samples):
    assert ratio_again(pair(frequency_hz, samples, 1e-6), frequency_hz) is None
