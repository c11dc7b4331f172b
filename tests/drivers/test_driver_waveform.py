"""Scaling rules against the examples and formulas printed in the programming guides (facts page, C2)."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from twonode.drivers.errors import ReplyError
from twonode.drivers.profile_format import OriginUnit
from twonode.drivers.profiles import shipped_profiles
from twonode.drivers.waveform import channel_trace, curve_scaling, decode_codes, ten_field_scaling

# Printed in the programming guide of a scope of this family: 1 V/div (YINC = V/div / 25).
PREAMBLE = "0,0,1400,1,1.000000e-08,-7.000000e-06,0,4.000000e-02,0,127"


def volts(scaling, code):
    return code * scaling.volts_per_code + scaling.volts_at_code_zero


def test_the_printed_preamble_scales_as_its_formula_says():
    scaling = ten_field_scaling(PREAMBLE, OriginUnit.CODES)
    assert (scaling.points, scaling.sample_interval_s) == (1400, 1e-8)
    # V = (c - YREF - YOR) * YINC: one division is 25 codes and 1 V.
    assert volts(scaling, 127) == pytest.approx(0.0, abs=1e-12)
    assert volts(scaling, 152) == pytest.approx(1.0)


def test_the_vertical_origin_counts_codes_in_one_family_and_volts_in_the_other():
    preamble = PREAMBLE.replace(",0,127", ",10,127")
    # V = (c - YREF - YOR) * YINC against V = (c - YREF) * YINC + YOR.
    assert volts(ten_field_scaling(preamble, OriginUnit.CODES), 137) == pytest.approx(0.0, abs=1e-12)
    assert volts(ten_field_scaling(preamble, OriginUnit.VOLTS), 137) == pytest.approx(0.4 + 10.0)


def test_curve_fields_scale_as_their_formula_says():
    # V = (c - YOFf) * YMUlt + YZEro.
    scaling = curve_scaling(
        points="2500",
        sample_interval="4.0E-7",
        volts_per_code="2.0E-2",
        code_offset="5.0E0",
        zero_volts="0.1",
    )
    assert volts(scaling, 30) == pytest.approx(25 * 0.02 + 0.1)
    assert scaling.points == 2500


@pytest.mark.parametrize(
    "preamble",
    [
        "",
        "0,0,1400,1,1e-8,0,0,4e-2,0",
        PREAMBLE + ",1",
        PREAMBLE.replace("1400", "0"),
        PREAMBLE.replace("1400", "9.9E37"),
        PREAMBLE.replace("1.000000e-08", "0"),
        PREAMBLE.replace("4.000000e-02", "-4e-2"),
        PREAMBLE.replace("4.000000e-02", "9.91E37"),
        "1" + PREAMBLE[1:],
    ],
)
def test_an_implausible_preamble_is_refused(preamble):
    with pytest.raises(ReplyError):
        ten_field_scaling(preamble, OriginUnit.CODES)


def test_an_unknown_scale_is_refused():
    with pytest.raises(ReplyError, match="unknown"):
        curve_scaling(points="5", sample_interval="1", volts_per_code="0", code_offset="0", zero_volts="0")


def test_codes_are_signed_or_not_as_the_profile_says():
    payload = bytes([0, 127, 128, 255])
    assert decode_codes(payload, signed=False).tolist() == [0, 127, 128, 255]
    assert decode_codes(payload, signed=True).tolist() == [0, 127, -128, -1]
    assert decode_codes(payload, signed=True).dtype == np.int16


def test_clipping_starts_at_the_edge_of_the_screen():
    scaling = ten_field_scaling(PREAMBLE, OriginUnit.CODES)
    transfer = shipped_profiles()["scope-ten-field"].waveform
    trace = channel_trace(
        np.array([127], np.int16), scaling, volts_per_div=1.0, transfer=transfer, divisions_y=8
    )
    # Four divisions of 25 codes on either side of 127 are on the screen.
    assert trace.lowest_code < 127 - 100 <= trace.lowest_code + 1
    assert trace.highest_code - 1 <= 127 + 100 < trace.highest_code


def test_a_range_that_does_not_belong_to_the_scaling_is_refused():
    scaling = ten_field_scaling(PREAMBLE, OriginUnit.CODES)
    transfer = shipped_profiles()["scope-ten-field"].waveform
    with pytest.raises(ReplyError, match="V/div"):
        channel_trace(np.array([1], np.int16), scaling, volts_per_div=0.5, transfer=transfer, divisions_y=8)


@given(
    preamble=st.one_of(
        st.text(max_size=100), st.lists(st.floats().map(repr), min_size=10, max_size=10).map(",".join)
    )
)
def test_any_preamble_is_read_or_refused_with_our_error(preamble):
    try:
        scaling = ten_field_scaling(preamble, OriginUnit.CODES)
    except ReplyError:
        return
    assert scaling.volts_per_code > 0
    assert np.isfinite(scaling.volts_at_code_zero)
