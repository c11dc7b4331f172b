"""Lists of keys and values, against the replies printed on the facts page (section B)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from twonode.drivers.errors import ReplyError
from twonode.drivers.keyvalue import parse_listed, parse_pairs
from twonode.drivers.scpi_text import parse_number

WAVE = "C1:BSWV WVTP,SINE,FRQ,1000HZ,PERI,0.001S,AMP,2V,OFST,0V,HLEV,1V,LLEV,-1V,PHSE,0"


def value(reply, key):
    return parse_pairs(reply, what="x").get(key, what="x", reply=reply)


@pytest.mark.parametrize(
    ("key", "number"),
    [("FRQ", 1000.0), ("PERI", 1e-3), ("AMP", 2.0), ("ofst", 0.0), ("LLEV", -1.0), ("PHSE", 0.0)],
)
@pytest.mark.parametrize("reply", [WAVE, WAVE.removeprefix("C1:BSWV "), WAVE + ",BANDSTATE,OFF"])
def test_the_printed_reply_is_read_with_and_without_header_and_with_keys_nobody_knows(reply, key, number):
    assert parse_number(value(reply, key), what="x") == number


def test_the_state_stands_ahead_of_the_pairs():
    reply = "C1:OUTP ON,LOAD,HZ,PLRT,NOR"
    assert [value(reply, key) for key in ("", "LOAD", "PLRT")] == ["ON", "HZ", "NOR"]


def test_other_commands_of_the_same_form_are_read_too():
    assert value("TRSE EDGE,SR,C1,HT,OFF", "SR") == "C1"
    assert value("ACQW AVERAGE,16", "AVERAGE") == "16"
    assert value("SAMPLING", "") == "SAMPLING"


def test_a_field_that_was_lost_on_the_way_never_gives_another_fields_value():
    fields = WAVE.split(",")
    refused = 0
    for lost in range(len(fields)):
        reply = ",".join(fields[:lost] + fields[lost + 1 :])
        try:
            assert value(reply, "AMP") == "2V"
        except ReplyError:
            refused += 1
    assert refused >= 2


@pytest.mark.parametrize("reply", ["", "ON,AMP,1V,AMP,2V", "FRQ", "AMP,", "C1:BSWV", "A," * 3000])
def test_a_missing_or_doubled_key_is_refused(reply):
    with pytest.raises(ReplyError):
        value(reply, "AMP")


def test_a_list_with_semicolons_keeps_blanks_in_keys_and_empty_values():
    listed = parse_listed("Format,2.0E;Vertical Scale,5.0e-01;Label,;Waveform Data;\n", what="x").values
    assert listed["VERTICAL SCALE"] == "5.0e-01"
    assert listed["LABEL"] == ""
    with pytest.raises(ReplyError, match="twice"):
        parse_listed("a,1;A,2;", what="x")


@given(text=st.text(max_size=60) | st.text("AB,;1 :", max_size=40))
def test_any_text_is_read_or_refused_with_our_error(text):
    for parse in (parse_pairs, parse_listed):
        try:
            found = parse(text, what="x")
        except ReplyError:
            continue
        assert all(key == key.upper() for key in found.values if key.isascii())
