"""Values as on a schematic: spellings accepted, spellings refused, and the way back."""

import math
import pickle

import pytest
import rkm_codes
from hypothesis import given, settings
from hypothesis import strategies as st
from quantiphy import Quantity

from twonode.analysis.errors import QuantityError
from twonode.analysis.quantities import (
    Measured,
    Tolerance,
    format_plus_minus,
    format_quantity,
    parse_measured,
    parse_quantity,
    parse_tolerance,
)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        # IEC 60062: the letter stands for the decimal point.
        ("p47", "F", 0.47e-12),
        ("4p7", "F", 4.7e-12),
        ("47p", "F", 47e-12),
        ("n47", "F", 470e-12),
        ("4n7", "F", 4.7e-9),
        ("µ47", "F", 0.47e-6),
        ("4µ7", "F", 4.7e-6),
        ("0R22", "ohm", 0.22),
        ("4k7", "ohm", 4700),
        ("4M7", "ohm", 4.7e6),
        ("4k7 ohm", "ohm", 4700),
        ("2n2F", "F", 2.2e-9),
        # Ordinary notation.
        ("22n", "F", 22e-9),
        ("0.022uF", "F", 0.022e-6),
        ("0.022 µF", "F", 0.022e-6),
        ("0.022 μF", "F", 0.022e-6),
        ("470k", "ohm", 470e3),
        ("1M", "ohm", 1e6),
        ("470 kΩ", "ohm", 470e3),
        ("100", "ohm", 100),
        ("50mohm", "ohm", 0.05),
        ("20Hz", "Hz", 20),
        ("1.6MHz", "Hz", 1.6e6),
        ("2.5mH", "H", 2.5e-3),
        ("-1.5 V", "V", -1.5),
        ("\N{MINUS SIGN}0.3", "V", -0.3),
        ("50ms", "s", 0.05),
        ("20uA", "A", 20e-6),
        ("10%", "%", 0.1),
        ("1%", "", 0.01),
        ("0.01", "", 0.01),
        ("1e-9F", "F", 1e-9),
        # The trade's spellings, mfd = uF and mmf, mmfd = pF (common practice, no source).
        ("0.05 mfd", "F", 0.05e-6),
        (".05 MFD", "F", 0.05e-6),
        ("8MF", "F", 8e-6),
        ("250 mmf", "F", 250e-12),
        ("250MMFD", "F", 250e-12),
        ("250 uuF", "F", 250e-12),
        ("250 μμF", "F", 250e-12),
        (".05", "F", 0.05e-6),
        ("0.00025", "F", 250e-12),
        ("455 kc", "Hz", 455e3),
        ("2 megohms", "ohm", 2e6),
    ],
)
def test_a_value_as_written_is_read_to_the_last_bit(text, unit, value):
    assert parse_quantity(text, unit) == pytest.approx(value, rel=4e-16)


def test_decimal_text_is_rounded_once():
    # 22 * 1e-9 is another float than 22e-9; the one a person means is the latter.
    assert parse_quantity("22n", "F") == 22e-9
    assert parse_quantity("4n7", "F") == 4.7e-9
    assert parse_quantity("0.47u", "F") == 0.47e-6


@pytest.mark.parametrize(
    ("text", "unit", "word"),
    [
        ("22", "F", "no unit"),
        ("2.2e-8", "F", "no unit"),
        ("1M", "F", "two things"),
        ("4m7", "F", "two things"),
        ("1mF", "F", "two things"),
        ("1m", "ohm", "two things"),
        ("4m7", "ohm", "two things"),
        ("22nH", "F", "'nH' is no unit of capacitance"),
        ("220nF", "ohm", "'nF' is no unit of resistance"),
        ("4n7", "ohm", "no unit of resistance"),
        ("4k7", "F", "no unit of capacitance"),
        ("", "F", "empty"),
        ("0,022uF", "F", "comma"),
        ("nan", "ohm", "not a number"),
        ("1e999", "ohm", "too large"),
        ("0x10", "ohm", "no unit"),
        ("４k", "ohm", "not a number"),
        ("1 000", "ohm", "not a number"),
        ("4k7k", "ohm", "no unit"),
        ("10", "%", "percentage or a fraction"),
        ("10", "H", "no unit"),
    ],
)
def test_what_is_unclear_is_refused_with_the_text_and_an_example(text, unit, word):
    with pytest.raises(QuantityError) as caught:
        parse_quantity(text, unit)
    assert word in str(caught.value)
    assert repr(text) in caught.value.what
    assert "Write" in caught.value.do


def test_an_unknown_unit_is_the_programmers_error():
    with pytest.raises(ValueError, match="furlong"):
        parse_quantity("3", "furlong")


def test_the_error_survives_pickling():
    with pytest.raises(QuantityError) as caught:
        parse_quantity("22", "F")
    assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)


@settings(max_examples=200, deadline=None)
@given(st.integers(10, 99), st.integers(-12, 8))
def test_codes_written_by_rkm_codes_are_read(digits, exponent):
    # Outside reference: rkm_codes' own writer, two digits and any scale.
    unit, symbol = ("F", "F") if exponent < 0 else ("ohm", "Ω")
    value = float(f"{digits}e{exponent - 1}")
    code = rkm_codes.to_rkm(Quantity(value, symbol), strip_code=False)
    if unit == "F" and (value >= 1e-3 or value < 1e-12):
        return  # millifarads are refused on purpose; femtofarads are nobody's part
    assert parse_quantity(code.replace("c", "F"), unit) == pytest.approx(value, rel=1e-12)


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=12), st.sampled_from(["F", "ohm", "H", "Hz", "V", "s", "A", "%", ""]))
def test_any_text_gives_a_finite_value_or_our_error(text, unit):
    try:
        value = parse_quantity(text, unit)
    except QuantityError:
        return
    assert math.isfinite(value)


@pytest.mark.parametrize(
    ("text", "minus", "plus"),
    [
        ("10%", 0.1, 0.1),
        ("±5%", 0.05, 0.05),
        ("+-0.1 %", 0.001, 0.001),
        ("+/-20%", 0.2, 0.2),
        ("-20/+100%", 0.2, 1.0),
        ("-20%/+100%", 0.2, 1.0),
        ("+80/-20%", 0.2, 0.8),
        ("-0/+50%", 0.0, 0.5),
    ],
)
def test_a_tolerance_is_read_as_fractions(text, minus, plus):
    assert parse_tolerance(text) == Tolerance(minus=minus, plus=plus)


@pytest.mark.parametrize("text", ["10", "0.1", "100%", "-120/+20%", "0%", "-20/-30%", "ten", "", "10 % 5 %"])
def test_an_impossible_tolerance_is_refused(text):
    with pytest.raises(QuantityError):
        parse_tolerance(text)


def test_tolerance_limits_and_text():
    wide = parse_tolerance("-20/+100%")
    assert wide.limits(25e-6) == pytest.approx((20e-6, 50e-6))
    assert str(wide) == "-20/+100 %"
    assert str(parse_tolerance("0.1%")) == "±0.1 %"


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 999), st.integers(1, 3000))
def test_a_printed_tolerance_reads_back(minus_permille, plus_permille):
    tolerance = Tolerance(minus=minus_permille / 1000, plus=plus_permille / 1000)
    again = parse_tolerance(str(tolerance))
    assert (again.minus, again.plus) == pytest.approx((tolerance.minus, tolerance.plus))


@pytest.mark.parametrize("sign", ["±", "+-", "+/-"])
def test_a_reading_carries_its_limits(sign):
    assert parse_measured(f"482k {sign} 0.5%", "ohm") == Measured(value=482e3, half_width=2410.0)
    assert parse_measured(f"482k {sign} 2k", "ohm") == Measured(value=482e3, half_width=2000.0)


def test_limits_become_a_standard_uncertainty_by_the_rectangular_rule():
    # JCGM 100:2008 4.3.7: half-width a with nothing known in between gives u = a / sqrt(3).
    assert parse_measured("100 ± 1.7320508", "ohm").standard_uncertainty == pytest.approx(1.0, rel=1e-7)


@pytest.mark.parametrize(
    "text", ["482k", "482k ± 0", "482k ± 500k", "482k ±", "± 2k", "4k ± 2n", "1 ± 2 ± 3"]
)
def test_a_reading_without_sound_limits_is_refused(text):
    with pytest.raises(QuantityError):
        parse_measured(text, "ohm")


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (22.1e-9, "F", "22.1 nF"),
        (470e3, "ohm", "470 kΩ"),
        (15.4, "Hz", "15.4 Hz"),
        (999.6e3, "ohm", "1.00 MΩ"),
        (1.5e-3, "F", "1500 µF"),
        (1e-6, "F", "1.00 µF"),
        (0.979e-12, "F", "0.979 pF"),
        (0.9996e-12, "F", "1.00 pF"),
        (0.1, "%", "10.0 %"),
        (-0.3, "V", "-300 mV"),
        (0.0, "V", "0.00 V"),
    ],
)
def test_values_are_printed_with_three_figures(value, unit, text):
    assert format_quantity(value, unit) == text


def test_no_text_is_made_for_a_value_that_is_not_known():
    with pytest.raises(ValueError, match="finite"):
        format_quantity(math.nan, "F")


@settings(max_examples=200, deadline=None)
@given(
    st.floats(1e-12, 1e-1),
    st.sampled_from(["F", "H", "V", "s", "A"]),
    st.integers(2, 6),
)
def test_a_printed_value_reads_back_within_its_last_figure(value, unit, digits):
    again = parse_quantity(format_quantity(value, unit, digits), unit)
    assert again == pytest.approx(value, rel=0.51 * 10 ** (1 - digits))


@pytest.mark.parametrize(
    ("value", "half_width", "unit", "shown"),
    [
        # JCGM 100 (GUM), 7.2.6: two figures of an uncertainty are enough, and the value ends where it does.
        (7.67, 6.56, "ohm", "7.7 ± 6.6 Ω"),
        (74.6, 52.0, "ohm", "75 ± 52 Ω"),
        (22.31e-9, 4.79e-9, "F", "22.3 ± 4.8 nF"),
        (20.951e-9, 0.117e-9, "F", "20.95 ± 0.12 nF"),
        (0.4396, 0.0074, "V", "440 ± 7 mV"),
    ],
)
def test_a_half_width_has_two_figures_at_the_most_behind_the_point(value, half_width, unit, shown):
    assert format_plus_minus(value, half_width, unit) == shown
