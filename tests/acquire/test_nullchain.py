"""The chain of ranges: every range tied to the first, by steps that one record can hold."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from twonode.acquire.nullchain import LARGEST_STEP, chain_of_ranges, first_ranges

TEN = tuple(m * 10.0**e for e in range(-2, 2) for m in (1, 2, 5))
ONE = tuple(step / 10 for step in TEN)


def chain(vpp, drive, far, lowest=0.02):
    first = first_ranges(vpp, drive, far)
    return first, chain_of_ranges(first, drive, far, lowest_vpp=lowest)


def key(channel, volts):
    return channel, float(f"{volts:.6g}")


@given(
    st.floats(0.05, 20.0),
    st.sampled_from([TEN, ONE]),
    st.sampled_from([TEN, ONE]),
    st.sampled_from([0.002, 0.02]),
)
def test_every_pair_ties_a_new_range_to_one_that_is_tied(vpp, drive, far, lowest):
    first, pairs = chain(vpp, drive, far, lowest)
    tied = {key(1, first.drive_volts_per_div), key(2, first.far_volts_per_div)}
    for pair in pairs:
        ends = {key(1, pair.drive_volts_per_div), key(2, pair.far_volts_per_div)}
        assert ends & tied
        assert ends - tied
        tied |= ends
        ratio = pair.drive_volts_per_div / pair.far_volts_per_div
        assert max(ratio, 1 / ratio) <= LARGEST_STEP * (1 + 1e-6)
        assert pair.drive_volts_per_div in drive
        assert pair.far_volts_per_div in far
        assert pair.node_vpp <= vpp
        # Both traces on the screen, neither of them a line.
        finer = min(pair.drive_volts_per_div, pair.far_volts_per_div)
        assert pair.node_vpp / (ratio if ratio > 1 else 1 / ratio) / finer >= 0.9
        assert pair.node_vpp <= 7.0 * finer
    assert len(tied) == len(pairs) + 2


def test_at_two_volts_all_ranges_from_the_finest_to_one_above_the_first_are_tied():
    first, pairs = chain(2.0, TEN, TEN)
    assert first.drive_volts_per_div == first.far_volts_per_div == 0.5
    for channel in ("drive_volts_per_div", "far_volts_per_div"):
        found = {round(getattr(pair, channel), 6) for pair in pairs}
        assert found | {0.5} == {0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0}


def test_the_chain_ends_where_the_generator_cannot_go_lower():
    _, pairs = chain(2.0, ONE, ONE, lowest=0.02)
    # 20 mV are ten divisions at 2 mV, four at 5 mV.
    assert min(pair.far_volts_per_div for pair in pairs) == pytest.approx(5e-3)


def test_a_channel_with_finer_ranges_than_the_other_goes_one_step_further():
    # Channel 2 at 1:1 has 5 mV/div; at 2 mV/div channel 1's finest, 10 mV, is five times as coarse.
    _, pairs = chain(2.0, TEN, ONE, lowest=0.002)
    assert min(pair.far_volts_per_div for pair in pairs) == pytest.approx(5e-3)
    assert min(pair.drive_volts_per_div for pair in pairs) == pytest.approx(10e-3)
