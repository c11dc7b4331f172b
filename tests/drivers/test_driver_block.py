"""Blocks against pyvisa's own parser (an independent reader of IEEE 488.2 blocks) and against garbage."""

import pytest
import pyvisa.util
from hypothesis import given
from hypothesis import strategies as st
from scripted_link import reader_of

from twonode.drivers.block import read_block
from twonode.drivers.errors import ReplyError


def as_block(payload: bytes, digits: int = 9) -> bytes:
    return b"#%d%0*d" % (digits, digits, len(payload)) + payload


@given(payload=st.binary(min_size=1, max_size=300), digits=st.integers(3, 9))
def test_a_block_reads_as_pyvisa_reads_it(payload, digits):
    block = as_block(payload, digits)
    offset, length = pyvisa.util.parse_ieee_block_header(block)
    theirs = bytes(pyvisa.util.from_binary_block(block, offset, length, "B"))
    assert read_block(reader_of(block + b"\n")) == theirs == payload


def test_the_payload_may_hold_line_feeds_and_hashes():
    assert read_block(reader_of(b"#15\n#\n#0\n")) == b"\n#\n#0"


def test_a_known_header_is_skipped_and_two_line_feeds_are_used_up():
    read = reader_of(b"C1:WF ALL,#12ab\n\nnext")
    assert read_block(read, prefix_max=16, trailing=b"\n\n") == b"ab"
    assert read(4) == b"next"


@pytest.mark.parametrize(
    ("block", "says"),
    [
        (b"12#13abc\n", "'#' belongs"),
        (b"#x13abc\n", "digit belongs"),
        (b"#0abc\n", "left open"),
        (b"#3 12abc\n", "no number"),
        (b"#9999999999", "more than any record"),
        (b"#14abcd\n", "where 3 were asked for"),
        (b"#13abcX", "belongs"),
    ],
)
def test_a_wrong_block_is_refused_with_the_reason(block, says):
    with pytest.raises(ReplyError, match=says):
        read_block(reader_of(block), expected_bytes=None if b"9999" in block else 3)


@given(data=st.binary(max_size=60))
def test_garbage_gives_our_error_or_ends(data):
    try:
        payload = read_block(reader_of(data), prefix_max=8)
    except (ReplyError, EOFError):
        return
    assert payload in data
