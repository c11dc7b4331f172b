"""The container of raw codes."""

import numpy as np
import pytest

from twonode.analysis.errors import TraceError
from twonode.analysis.traces import ChannelCodes, TracePair


def channel(row, **changes):
    values = {
        "codes": np.array(row, dtype=np.int16),
        "volts_per_code": 0.01,
        "volts_at_code_zero": -1.28,
        "lowest_code": 0,
        "highest_code": 255,
        "volts_per_div": 0.32,
    }
    return ChannelCodes(**(values | changes))


def test_volts_are_codes_times_step_plus_offset():
    # By hand: 128 * 0.01 - 1.28 = 0, 178 * 0.01 - 1.28 = 0.5.
    volts = channel([128, 178]).volts()
    assert volts.dtype == np.float64
    assert volts == pytest.approx([0.0, 0.5], abs=1e-15)


def test_codes_cannot_be_changed_afterwards():
    with pytest.raises(ValueError, match="read-only"):
        channel([1, 2]).codes[0] = 5


@pytest.mark.parametrize(("codes", "clipped"), [([0, 10], True), ([10, 255], True), ([1, 254], False)])
def test_a_code_at_either_end_means_clipped(codes, clipped):
    assert channel(codes).clipped is clipped


@pytest.mark.parametrize(
    "changes",
    [
        {"codes": np.zeros(3, dtype=np.uint8)},
        {"codes": np.zeros((2, 2), dtype=np.int16)},
        {"codes": np.zeros(0, dtype=np.int16)},
        {"volts_per_code": 0.0},
        {"volts_per_code": float("nan")},
        {"volts_at_code_zero": float("inf")},
        {"lowest_code": 255},
        {"volts_per_div": 0.0},
    ],
)
def test_scaling_that_makes_no_sense_is_refused(changes):
    with pytest.raises(TraceError, match=next(iter(changes))):
        channel([1, 2], **changes)


def test_both_channels_share_one_length_and_time_base():
    pair = TracePair(drive=channel([1, 2, 3]), far=channel([4, 5, 6]), sample_interval_s=1e-3)
    assert (pair.samples, pair.duration_s) == (3, pytest.approx(3e-3))
    assert pair == TracePair(drive=channel([1, 2, 3]), far=channel([4, 5, 6]), sample_interval_s=1e-3)
    assert pair != TracePair(drive=channel([1, 2, 3]), far=channel([4, 5, 7]), sample_interval_s=1e-3)
    with pytest.raises(TraceError, match="3 samples"):
        TracePair(drive=channel([1, 2, 3]), far=channel([4, 5]), sample_interval_s=1e-3)
    with pytest.raises(TraceError, match="sample_interval_s"):
        TracePair(drive=channel([1]), far=channel([4]), sample_interval_s=0.0)
