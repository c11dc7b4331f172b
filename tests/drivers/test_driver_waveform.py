"""Scaling rules against the examples and formulas printed in the programming guides (facts page, C2)."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from twonode.drivers.errors import ReplyError
from twonode.drivers.profile_format import ByteOrder, MemoryList, OriginUnit
from twonode.drivers.profiles import shipped_profiles
from twonode.drivers.waveform import (
    channel_trace,
    curve_scaling,
    decode_codes,
    listed_scaling,
    ten_field_scaling,
    vdiv_scaling,
)

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


def test_bytes_above_127_count_down_from_what_the_profile_says():
    # The guide prints FC -> -3 (255 subtracted); two's complement is -4.
    payload = bytes([0, 1, 127, 128, 252])
    assert decode_codes(payload, signed=True, negative_wrap=255).tolist() == [0, 1, 127, -127, -3]
    assert decode_codes(payload, signed=True, negative_wrap=256).tolist() == [0, 1, 127, -128, -4]


@pytest.mark.parametrize("wrap", [255, 256])
def test_a_record_says_itself_when_the_profile_counts_negative_codes_wrongly(wrap):
    sine = np.round(60 * np.sin(np.linspace(0, 40, 7000))).astype(int)
    payload = bytes(code if code >= 0 else wrap + code for code in sine)
    assert decode_codes(payload, signed=True, negative_wrap=wrap).tolist() == sine.tolist()
    with pytest.raises(ReplyError, match=f"counts negative codes from {wrap}"):
        decode_codes(payload, signed=True, negative_wrap=511 - wrap)
    # Two's complement that is in no doubt is not put to the test: it may have codes that are missing.
    assert decode_codes(payload, signed=True).size == 7000


def test_words_come_in_either_order_and_whole():
    codes = [-300, -1, 0, 256]
    for order, name in ((">", ByteOrder.MOST_FIRST), ("<", ByteOrder.LEAST_FIRST)):
        payload = np.array(codes, f"{order}i2").tobytes()
        assert decode_codes(payload, signed=True, code_bytes=2, byte_order=name).tolist() == codes
        with pytest.raises(ReplyError, match="whole number"):
            decode_codes(payload[:-1], signed=True, code_bytes=2, byte_order=name)


def test_codes_scaled_by_the_range_follow_the_printed_formula():
    # V = c * VDIV / 25 - OFST, with the units that a header brings along (facts page, C2, S3).
    scaling = vdiv_scaling(
        points=7, volts_per_div="5.00E-01V", offset="-0.5V", sample_rate="1.00GSa/s", codes_per_div=25
    )
    assert volts(scaling, 25) == pytest.approx(0.5 + 0.5)
    assert (scaling.points, scaling.sample_interval_s) == (7, 1e-9)
    with pytest.raises(ReplyError):
        vdiv_scaling(points=7, volts_per_div="1", offset="0", sample_rate="0", codes_per_div=25)


LIST_RULE = MemoryList(
    volts_per_div=("Vertical Scale",),
    sample_interval=("Sampling Period",),
    points=("Memory Length", "Memory Size"),
)


@pytest.mark.parametrize("length", ["Memory Length", "MEMORY SIZE"])
def test_a_listed_record_follows_the_printed_formula(length):
    # V = raw / 25 * vertical scale (facts page, C2, S5).
    head = f"Format,2.0E;{length},10000;Vertical Scale,2.000e-01;Sampling Period,1.0e-07;Waveform Data;\n"
    scaling = listed_scaling(head.encode(), LIST_RULE, codes_per_div=25)
    assert volts(scaling, 50) == pytest.approx(0.4)
    assert (scaling.points, scaling.sample_interval_s) == (10000, 1e-7)


@pytest.mark.parametrize("head", [b"", b"Vertical Scale,1;Memory Size,10;", b"\xff,;", b"Vertical Scale,x;"])
def test_a_list_without_what_is_needed_is_refused(head):
    with pytest.raises(ReplyError):
        listed_scaling(head, LIST_RULE, codes_per_div=25)


def test_points_without_data_are_refused():
    scaling = ten_field_scaling(PREAMBLE, OriginUnit.VOLTS)
    transfer = shipped_profiles()["scope-ten-field-volts"].waveform
    with pytest.raises(ReplyError, match="2 of its 4 points"):
        channel_trace(
            np.array([128, 0, 0, 130], np.int16), scaling, volts_per_div=1.0, transfer=transfer, divisions_y=8
        )


def test_the_grid_that_the_instrument_states_decides_where_the_screen_ends():
    transfer = shipped_profiles()["scope-wavedesc"].waveform
    scaling = replace(
        ten_field_scaling(PREAMBLE, OriginUnit.VOLTS), volts_per_code=1 / 30, codes_per_div=30.0
    )
    trace = channel_trace(
        np.array([0], np.int16), scaling, volts_per_div=1.0, transfer=transfer, divisions_y=8
    )
    assert (trace.lowest_code, trace.highest_code) == (-121, 121)
    with pytest.raises(ReplyError, match="V/div"):
        channel_trace(np.array([0], np.int16), scaling, volts_per_div=2.0, transfer=transfer, divisions_y=8)


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
