"""Single replies after IEEE 488.2 and SCPI-1999, and with what instruments add to them (facts page, A and B)."""

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from twonode.drivers.errors import ReplyError
from twonode.drivers.profile_format import NumberForm
from twonode.drivers.scpi_text import (
    parse_error_entry,
    parse_identity,
    parse_integer,
    parse_number,
    parse_number_or_infinity,
)


@pytest.mark.parametrize(
    ("reply", "value"),
    [
        ("1", 1.0),
        ("+0", 0.0),
        ("-1.5", -1.5),
        (".5", 0.5),
        ("5.", 5.0),
        ("1.000000E+03", 1000.0),
        ("1e-08\r", 1e-8),
        ("CH1:SCALE 5.0E-1", 0.5),
        (":WFMPRE:XINCR 4.0E-7", 4e-7),
        ("5.00E-01V", 0.5),
        ("1.00GSa/s", 1e9),
        ("500mV", 0.5),
        ("20kHz", 20e3),
        ("2MHz", 2e6),
        ("10 us", 10e-6),
    ],
)
def test_a_number_is_read_with_header_and_unit(reply, value):
    assert parse_number(reply, what="x") == pytest.approx(value, rel=1e-15)


@pytest.mark.parametrize(
    "reply",
    ["", "nan", "9.9E+37", "-9.9E37", "9.91E+37", "1e400", "1,2", "0x10", "1 2", "five", "5MV", "1" * 100],
)
def test_what_is_no_finite_number_is_refused(reply):
    with pytest.raises(ReplyError, match="x"):
        parse_number(reply, what="x")


@pytest.mark.parametrize("reply", ["9.9E+37", "9.900000E+37", "INF", "INFinity"])
def test_infinity_can_be_asked_for(reply):
    assert parse_number_or_infinity(reply, what="load") == float("inf")


def test_not_a_number_stays_refused_where_infinity_is_allowed():
    with pytest.raises(ReplyError, match="not a number"):
        parse_number_or_infinity("9.91E+37", what="load")


def test_whole_numbers_come_in_every_notation():
    assert [parse_integer(t, what="n") for t in ("4", "+4", "4.0E0")] == [4, 4, 4]
    with pytest.raises(ReplyError, match="whole"):
        parse_integer("4.5", what="n")


@pytest.mark.parametrize(
    ("reply", "number", "text"),
    [
        ('0,"No error"', 0, "No error"),
        ('+0,"No error"', 0, "No error"),
        ('-113,"Undefined header;FOO, bar"', -113, "Undefined header;FOO, bar"),
        ("-350", -350, ""),
        (':SYSTEM:ERROR -222,"Data out of range"', -222, "Data out of range"),
    ],
)
def test_error_entries_are_read(reply, number, text):
    entry = parse_error_entry(reply)
    assert (entry.number, entry.text) == (number, text)


def test_identities_of_real_instruments_are_taken_apart():
    # Two replies reported by users: pyvisa issue 161 and pyvisa-py issue 71.
    first = parse_identity("RIGOL TECHNOLOGIES,DG1022 ,DG1000000002,,00.03.00.09")
    assert (first.maker, first.model) == ("RIGOL TECHNOLOGIES", "DG1022")
    second = parse_identity("TEKTRONIX,TBS 1202B-EDU,C010101,CF:91.1CT FV:v4.0")
    assert (second.model, second.firmware) == ("TBS 1202B-EDU", "CF:91.1CT FV:v4.0")
    assert parse_identity("*IDN MAKER,M1").maker == "MAKER"
    assert parse_identity("").model == ""


@given(value=st.floats(min_value=-1e12, max_value=1e12, allow_nan=False))
def test_a_number_survives_the_way_out_and_back(value):
    assert parse_number(NumberForm().text(value), what="x") == pytest.approx(value, rel=1e-11, abs=1e-300)


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_no_infinity_is_ever_sent(value):
    with pytest.raises(ValueError, match="finite"):
        NumberForm().text(value)


@given(reply=st.text(max_size=80))
def test_any_text_is_read_or_refused_with_our_error(reply):
    for parse in (parse_number, parse_integer, parse_number_or_infinity):
        try:
            parse(reply, what="x")
        except ReplyError:
            continue
    with contextlib.suppress(ReplyError):
        parse_error_entry(reply)
    parse_identity(reply)
