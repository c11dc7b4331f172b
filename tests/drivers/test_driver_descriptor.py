"""The binary descriptor, built here field by field from the facts page's table (section C2, S4)."""

import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from twonode.drivers.descriptor import read_described
from twonode.drivers.errors import ReplyError
from twonode.drivers.profile_format import ByteOrder
from twonode.drivers.waveform import decode_codes

LENGTH = 346
CODES = np.array([-100, -1, 0, 1, 100], np.int8)
CODES_BYTES = CODES.tobytes()
# Place after "WAVEDESC" -> format and value: 0.5 V/div at 25 codes a division, offset 0.25 V, 2 us a point.
FIELDS = {
    36: ("i", LENGTH),
    40: ("i", 16),
    48: ("i", 8),
    52: ("i", 4),
    60: ("i", 5),
    116: ("i", 5),
    124: ("i", 0),
    128: ("i", 4),
    132: ("i", 0),
    136: ("i", 1),
    156: ("f", 0.02),
    160: ("f", 0.25),
    164: ("f", 100.0),
    168: ("f", -100.0),
    172: ("h", 8),
    176: ("f", 2e-6),
    180: ("d", -1e-5),
}


def block(order="<", codes=CODES_BYTES, before=b"", **changed):
    """A whole payload; ``f60=7`` puts another value at place 60."""
    descriptor = bytearray(b"WAVEDESC".ljust(LENGTH, b"\0"))
    for place, (kind, value) in FIELDS.items():
        struct.pack_into(order + kind, descriptor, place, changed.get(f"f{place}", value))
    # User text, a trigger-time array and a second length, all of which the codes come after.
    return before + bytes(descriptor) + b"u" * 16 + b"t" * 12 + codes


def read(payload, order=ByteOrder.LEAST_FIRST, code_bytes=1):
    return read_described(payload, byte_order=order, code_bytes=code_bytes, divisions_y=8)


@pytest.mark.parametrize(("order", "name"), [("<", ByteOrder.LEAST_FIRST), (">", ByteOrder.MOST_FIRST)])
def test_gain_offset_interval_and_codes_are_where_the_table_says(order, name):
    found = read(block(order), name)
    assert found.scaling.points == 5
    assert found.scaling.sample_interval_s == pytest.approx(2e-6)
    assert found.scaling.codes_per_div == pytest.approx(25.0)
    # V = GAIN * c - OFFSET.
    volts = (
        decode_codes(found.codes, signed=True) * found.scaling.volts_per_code
        + found.scaling.volts_at_code_zero
    )
    assert volts == pytest.approx(0.02 * CODES.astype(float) - 0.25)


def test_words_are_read_in_the_order_of_the_transfer():
    words = np.array([-25600, 256], ">i2").tobytes()
    found = read(block(">", words, f60=4, f116=2, f128=1), ByteOrder.MOST_FIRST, code_bytes=2)
    decoded = decode_codes(found.codes, signed=True, code_bytes=2, byte_order=ByteOrder.MOST_FIRST)
    assert decoded.tolist() == [-25600, 256]


def test_only_the_valid_points_count():
    found = read(block(f124=1, f128=3))
    assert found.codes == CODES[1:4].tobytes()
    assert found.scaling.points == 3


def test_the_descriptor_may_begin_a_little_later():
    assert read(block(before=b"\0\0\0")).scaling.points == 5


@pytest.mark.parametrize(
    ("payload", "says"),
    [
        (b"", "whole descriptor"),
        (block()[:100], "whole descriptor"),
        (block()[:-1], "5 points"),
        (block(">"), "byte order"),
        (block(f36=-1), "-1 bytes long"),
        (block(f60=7), "7 bytes"),
        (block(f116=0), "0 points"),
        (block(f128=5), "valid points"),
        (block(f124=3, f128=1), "valid points"),
        (block(f136=4), "every 4th"),
        (block(f164=-100.0), "grid"),
        (block(f164=float("nan")), "grid"),
        (block(f156=0.0), "volts per code"),
        (block(f156=float("nan")), "volts per code"),
        (block(f160=float("inf")), "zero"),
        (block(f176=-1e-6), "sample interval"),
    ],
)
def test_a_descriptor_that_cannot_be_right_is_refused(payload, says):
    with pytest.raises(ReplyError) as caught:
        read(payload)
    assert says in str(caught.value)


@given(
    garbage=st.binary(max_size=60),
    places=st.lists(st.tuples(st.integers(0, len(block()) - 1), st.integers(0, 255)), max_size=12),
)
def test_any_bytes_are_read_or_refused_with_our_error(garbage, places):
    payload = bytearray(block())
    for place, byte in places:
        payload[place] = byte
    for each in (bytes(payload), garbage, b"WAVEDESC" + garbage * 8):
        try:
            found = read(each)
        except ReplyError:
            continue
        assert len(found.codes) == found.scaling.points
