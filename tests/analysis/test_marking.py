"""Markings in letters and figures, temperature codes, order by agreement."""

import math
import time

import pytest
import rkm_codes
from hypothesis import given, settings
from hypothesis import strategies as st

from twonode.analysis.errors import AnalysisError, QuantityError
from twonode.analysis.marking import (
    AbsoluteTolerance,
    MarkingError,
    MeterReading,
    Scheme,
    letter_code,
    marking_document,
    parse_meter_reading,
    read_marking,
    three_digit_code,
)
from twonode.analysis.quantities import Tolerance

# IEC 60063, E24 (values as the standard's series are published; E12 and below are subsets).
E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)


def readings(text, **options):
    return [each.reading for each in read_marking(text, **options).readings]


def values(text):
    return [reading.capacitance_farad for reading in readings(text)]


def limits(text):
    return [reading.tolerance.limits for reading in readings(text) if reading.tolerance]


def percent(minus, plus=None):
    return Tolerance(minus=minus / 100, plus=(minus if plus is None else plus) / 100)


# IEC 60062, from memory; 5p6, 10p, 2n2, 10n and 101 to 103 from a component page.
@pytest.mark.parametrize(
    ("text", "farad"),
    [
        ("p47", 0.47e-12),
        ("4p7", 4.7e-12),
        ("47p", 47e-12),
        ("n47", 470e-12),
        ("4n7", 4700e-12),
        ("47n", 47e-9),
        ("µ47", 0.47e-6),
        ("4µ7", 4.7e-6),
        ("μ47", 0.47e-6),
        ("u47", 0.47e-6),
        ("5p6", 5.6e-12),
        ("10p", 10e-12),
        ("2n2", 2.2e-9),
        ("10n", 10e-9),
        ("0.022uF", 22e-9),
        ("220 pF", 220e-12),
    ],
)
def test_letter_codes_and_units_have_one_reading(text, farad):
    assert values(text) == [pytest.approx(farad, rel=1e-12)]


@pytest.mark.parametrize(
    ("text", "farad"), [("101", 100e-12), ("102", 1e-9), ("103", 10e-9), ("479", 4.7e-12), ("478", 0.47e-12)]
)
def test_three_digits_are_two_figures_and_a_multiplier_first_and_picofarads_second(text, farad):
    found = readings(text)
    assert [each.scheme for each in found] == [Scheme.THREE_DIGIT, Scheme.PLAIN_PF]
    assert found[0].capacitance_farad == pytest.approx(farad, rel=1e-12)
    assert found[1].capacitance_farad == pytest.approx(int(text) * 1e-12, rel=1e-12)


# Component pages: 104K is 100 nF ±10 %, 105K 330V is 1 µF ±10 % 330 V. Trade: 473 = 47,000 pF.
@pytest.mark.parametrize(
    ("text", "farad", "volts"),
    [
        ("104K", 100e-9, None),
        ("105K 330V", 1e-6, 330.0),
        ("473K", 47e-9, None),
        ("473k", 47e-9, None),
        ("473K400V", 47e-9, 400.0),
        ("473K400", 47e-9, 400.0),
        ("473 K 400 V", 47e-9, 400.0),
        ("473K 400 V.D.C.", 47e-9, 400.0),
        ("2G473K", 47e-9, 400.0),
        ("104KX7R 50V", 100e-9, 50.0),
    ],
)
def test_a_code_with_tolerance_letter_and_volts_has_one_reading(text, farad, volts):
    [found] = readings(text)
    assert found.capacitance_farad == pytest.approx(farad, rel=1e-12)
    assert found.tolerance.limits == percent(10)
    assert (found.voltage and found.voltage.volts) == volts


# Old trade units: common practice, no source; 0.00025 mfd = 250 pF from the trade notes.
@pytest.mark.parametrize(
    ("text", "farad"),
    [
        (".05", 50e-9),
        ("0.05", 50e-9),
        (".05 mfd", 50e-9),
        (".05MFD.", 50e-9),
        ("0.1 MF", 100e-9),
        ("0.1 MF. 600 W.V.D.C.", 100e-9),
        ("8 mf 450V", 8e-6),
        ("0.00025 mfd", 250e-12),
        ("250 mmf", 250e-12),
        ("250MMFD", 250e-12),
        ("250 µµF", 250e-12),
        ("10 kpF", 10e-9),
        # 4 pi epsilon_0 x 500 cm, with epsilon_0 = 8.8541878128e-12 F/m (CODATA 2018).
        ("500 cm", 4 * math.pi * 8.8541878128e-12 * 5.0),
    ],
)
def test_old_units_have_one_reading(text, farad):
    assert values(text) == [pytest.approx(farad, rel=1e-9)]


def test_mf_is_microfarad_and_only_small_m_capital_f_may_be_millifarad_too():
    assert values("8MF") == [pytest.approx(8e-6)]
    assert sorted(values("8mF")) == [pytest.approx(8e-6), pytest.approx(8e-3)]


def test_an_ambiguous_text_gives_every_reading():
    assert sorted(values("250")) == pytest.approx([25e-12, 250e-12, 250e-6])
    assert sorted(values("47")) == pytest.approx([47e-12, 47e-6])
    assert sorted(values("R47")) == pytest.approx([0.47e-12, 0.47e-6])
    assert sorted(values("10K")) == pytest.approx([10e-12, 10e-9, 10e-6])
    assert sorted(values("47N")) == pytest.approx([47e-12, 47e-9, 47e-6])
    assert sorted(values("10,000")) == pytest.approx([10e-12, 10e-9, 10e-6])
    assert values("4,7 nF") == pytest.approx([4.7e-9])
    assert values("4R7C")[0] == pytest.approx(4.7e-12)


def test_letters_below_ten_picofarad_mean_picofarad():
    assert limits("4R7C")[0] == AbsoluteTolerance(half_width_farad=0.25e-12)
    assert limits("4p7B") == [AbsoluteTolerance(half_width_farad=0.1e-12)]
    assert limits("4p7D") == [AbsoluteTolerance(half_width_farad=0.5e-12)]
    assert limits("47pF ±2pF") == [AbsoluteTolerance(half_width_farad=2e-12)]


def test_letters_that_tables_print_differently_give_every_meaning():
    assert limits("473H") == [percent(2.5), percent(3)]
    assert limits("5p6F") == [AbsoluteTolerance(half_width_farad=1e-12), percent(1)]
    assert limits("15pC") == [AbsoluteTolerance(half_width_farad=0.25e-12), percent(0.25)]
    assert limits("473C") == [percent(0.25), percent(0.25)]


# Percent letters as a maker's code page prints them.
@pytest.mark.parametrize(
    ("letter", "minus", "plus"),
    [("F", 1, 1), ("G", 2, 2), ("J", 5, 5), ("K", 10, 10), ("M", 20, 20), ("Z", 20, 80), ("S", 20, 50)],
)
def test_percent_letters(letter, minus, plus):
    assert limits(f"4n7{letter}") == [percent(minus, plus)]


@pytest.mark.parametrize("text", ["0.1 -20+80% 400V", "0.1 -20/+80 % 400V", "0.1uF +80-20% 400V"])
def test_written_tolerances_may_be_lopsided(text):
    [found] = readings(text)
    assert found.tolerance.limits == percent(20, 80)
    assert found.voltage.volts == 400
    assert found.capacitance_farad == pytest.approx(100e-9)


# EIA-198 via component pages; N750, N330, P100 as named there. IEC codes from memory.
@pytest.mark.parametrize(
    ("code", "slope", "spread"),
    [
        ("C0G", 0, 30),
        ("COG", 0, 30),
        ("U2J", -750, 120),
        ("P3K", -1500, 250),
        ("S2H", -330, 60),
        ("M7G", 100, 30),
        ("N750", -750, None),
        ("N330", -330, None),
        ("P100", 100, None),
        ("NP0", 0, None),
        ("NPO", 0, None),
        ("N030", -30, None),
        ("CG", 0, 30),
        ("UJ", -750, 120),
    ],
)
def test_class_1_codes(code, slope, spread):
    found = readings(f"220pF {code}")[0].temperature
    assert found.slope_ppm == pytest.approx(slope)
    assert found.spread_ppm == (None if spread is None else (spread, spread))


@pytest.mark.parametrize(
    ("code", "lowest", "highest", "minus", "plus"),
    [
        ("X7R", -55, 125, 0.15, 0.15),
        ("Z5U", 10, 85, 0.56, 0.22),
        ("Y5V", -30, 85, 0.82, 0.22),
        ("X5F", -55, 85, 0.075, 0.075),
        ("2E6", 10, 85, 0.56, 0.22),  # IEC 60384-9, from memory
    ],
)
def test_class_2_codes(code, lowest, highest, minus, plus):
    found = readings(f"103 {code}")[0].temperature
    assert found.range_c == (lowest, highest)
    assert found.change == (minus, plus)


def test_a_code_alone_is_read_and_says_that_no_value_is_marked():
    [found] = read_marking("X7R").readings
    assert found.reading.capacitance_farad is None
    assert "capacitance" in found.unknown
    assert readings("C0G")[0].scheme is Scheme.NO_VALUE
    # P3K: also 0.3 pF ±10 % in capitals, after the temperature code.
    assert [each.scheme for each in readings("P3K")] == [Scheme.NO_VALUE, Scheme.LETTER_CAPITAL]


def test_the_plain_figure_is_left_out_where_the_tolerance_rules_three_figures_out():
    assert values("473J") == [pytest.approx(47e-9)]  # 473 pF is no value of E24
    assert values("473G") == pytest.approx([47e-9, 473e-12])
    assert values("104Z5U") == [pytest.approx(100e-9)]


def test_missing_volts_are_said_and_marked_volts_are_not_called_missing():
    unknown = read_marking("473K")
    assert "working voltage" in unknown.readings[0].unknown
    assert any("Working voltage unknown" in caution for caution in unknown.cautions)
    known = read_marking("473K 400V")
    assert known.readings[0].unknown == ()
    assert known.cautions == ()


@pytest.mark.parametrize(
    "text", ["X2 0.1uF 275VAC", "0.1uF X2 275 V~", "472M Y1 250VAC", "X1Y2", "X1/Y2 222M"]
)
def test_a_safety_class_is_replaced_only_by_the_same_class(text):
    found = read_marking(text)
    assert found.readings[0].reading.safety
    assert "only by a certified part of the same safety class" in found.cautions[0]
    assert all(each.today is None for each in found.readings)


# Common practice, no source: value code and volts side by side, the volts with their unit.
@pytest.mark.parametrize(
    ("text", "farad", "volts"),
    [
        ("473 10V", 47e-9, 10.0),
        ("103 50V", 10e-9, 50.0),
        ("103 50 V", 10e-9, 50.0),
        ("220 1KV", 22e-12, 1000.0),
        ("473 400V", 47e-9, 400.0),
    ],
)
def test_figures_beside_volts_are_the_value_and_never_more_volts(text, farad, volts):
    found = readings(text)
    assert found[0].capacitance_farad == pytest.approx(farad)
    assert {reading.voltage.volts for reading in found} == {volts}


@pytest.mark.parametrize("text", ["0.1 250~", "0.1/250~"])
def test_a_wave_behind_the_volts_makes_them_ac(text):
    (found,) = readings(text)
    assert found.capacitance_farad == pytest.approx(100e-9)
    assert (found.voltage.volts, found.voltage.kind) == (250.0, "AC")


def test_volts_ac_without_a_class_still_send_to_the_safety_class():
    found = read_marking("0.1uF 250V~")
    assert found.readings[0].reading.voltage.kind == "AC"
    assert "only a certified safety-class part" in found.cautions[0]


def test_date_codes_name_all_years_they_may_mean():
    [found] = readings("473K 400V A9")  # A is 1990 or 2010 (from memory)
    assert "month 9 of 1970 or 1990 or 2010" in found.remarks[0]


# Bad input.
@pytest.mark.parametrize(
    "text",
    [
        "",
        "   ",
        "foo",
        "470R",
        "K",
        "10%",
        "473K 474K",
        "473K 10%",
        "473Q9",
        "-47",
        "0",
        "000",
        "4n7n",
        "1e400",
        "9" * 30,
        "7" * 121,
        "473 " * 11,
        "\x00",
        "473K ACME",
        "٤٧٣",
    ],
)
def test_a_marking_that_no_scheme_reads_is_refused_with_our_own_error(text):
    with pytest.raises(MarkingError) as caught:
        read_marking(text)
    assert all(caught.value.args)


def test_the_refusal_names_the_word_and_the_known_forms():
    with pytest.raises(MarkingError, match=r"reads 'ACME'") as caught:
        read_marking("473K ACME")
    assert "4n7, 473K, 4R7" in caught.value.do


@pytest.mark.parametrize("text", ["16+16 uF 450V", "40-20-20 mfd 450V", "8/8 MFD 350V", "40x40 mf"])
def test_cans_of_several_sections_are_taken_one_at_a_time(text):
    with pytest.raises(MarkingError, match="several sections"):
        read_marking(text)


# Order by agreement.
def test_a_measurement_puts_the_reading_that_agrees_first():
    found = read_marking("250", measured=parse_meter_reading("252p"))
    first, *others = found.readings
    assert first.reading.capacitance_farad == pytest.approx(250e-12)
    assert first.agreement.probability == 1
    assert first.agreement.deviation == pytest.approx(0.008)
    assert first.agreement.assumed
    assert all(each.agreement.excluded for each in others)
    assert any("taken as exact" in note for note in found.notes)


def test_agreement_is_the_probability_of_jcgm_106():
    # Limits 900 to 1100 pF, found 1080 ± 34.641 pF, so u = 20 pF: Phi(1) - Phi(-9) = 0.84134 (normal table).
    measured = MeterReading(farad=1080e-12, half_width_farad=math.sqrt(3) * 20e-12)
    [found] = read_marking("102K", measured=measured).readings
    assert found.agreement.probability == pytest.approx(0.841345, abs=1e-6)
    assert not found.agreement.excluded


def test_a_value_on_its_limit_is_inside_and_one_beyond_is_excluded():
    inside = read_marking("102K", measured=MeterReading(farad=1.1e-9)).readings[0].agreement
    beyond = read_marking("102K", measured=MeterReading(farad=1.101e-9)).readings[0].agreement
    assert (inside.probability, beyond.probability) == (1, 0)
    assert beyond.excluded


def test_nothing_agreeing_is_said():
    found = read_marking("473K", measured=parse_meter_reading("10n ± 1%"))
    assert any("excludes every reading" in note for note in found.notes)


def test_readings_without_a_value_come_last_and_have_no_agreement():
    found = read_marking("P3K", measured=parse_meter_reading("10n"))
    assert [each.agreement is None for each in found.readings] == [False, True]


def test_a_measured_value_may_have_its_limits_behind_a_space_as_parts_have():
    assert parse_meter_reading("47n 1%") == parse_meter_reading("47n ± 1%")


@pytest.mark.parametrize("text", ["0", "-3n", "", "lots", "1 %", "252p ± 200%", "0pF", "252"])
def test_a_measured_value_that_is_none_is_refused(text):
    with pytest.raises(QuantityError):
        parse_meter_reading(text)


# Today's codes.
@pytest.mark.parametrize(
    ("farad", "digits", "letters"),
    [
        (0.47e-12, "478", "p47"),
        (4.7e-12, "479", "4p7"),
        (47e-12, "470", "47p"),
        (470e-12, "471", "470p"),
        (8e-6, "805", "8µ0"),
        (47e-9, "473", "47n"),
        (4.75e-9, None, "4n75"),
        (1 / 3 * 1e-9, None, None),
        (0.0, None, None),
    ],
)
def test_values_are_encoded_exactly_or_not_at_all(farad, digits, letters):
    assert three_digit_code(farad) == digits
    assert letter_code(farad) == letters


# Independent of the decoder: letter -> percent limits, and picofarads below 10 pF (see the reference figures).
PERCENT = {"F": (1, 1), "G": (2, 2), "J": (5, 5), "K": (10, 10), "M": (20, 20), "Z": (20, 80), "S": (20, 50)}
PICOFARAD = {"B": 0.1, "C": 0.25, "D": 0.5}


def test_every_e24_value_and_multiplier_comes_back_from_both_codes():
    for power in range(-2, 8):
        for figures in E24:
            farad = float(f"{figures}e{power - 12}")
            for letter, (minus, plus) in (("J", (5, 5)), ("Z", (20, 80))):
                for code in (three_digit_code(farad), letter_code(farad)):
                    wanted = (farad, percent(minus, plus))
                    assert wanted in [
                        (each.capacitance_farad, each.tolerance.limits) for each in readings(code + letter)
                    ], code


def test_every_tolerance_letter_comes_back():
    for farad in (0.91e-12, 4.7e-12, 91e-12, 22e-9, 330e-6):
        for code in (three_digit_code(farad), letter_code(farad)):
            for letter, (minus, plus) in PERCENT.items():
                wanted = [percent(minus, plus)]
                assert [each for each in limits(code + letter) if each in wanted], code + letter
                assert farad in values(code + letter)
            for letter, picofarad in PICOFARAD.items():
                if farad < 10e-12:
                    wanted = AbsoluteTolerance(half_width_farad=picofarad * 1e-12)
                    assert wanted in limits(code + letter)


@pytest.mark.parametrize("power", [-1, 0, 1, 2, 3, 4, 5, 6])
def test_letter_codes_agree_with_rkm_codes(power):
    # rkm_codes is an independent decoder of the same notation.
    for figures in E24:
        code = letter_code(float(f"{figures}e{power - 12}"))
        assert values(code)[0] == pytest.approx(float(rkm_codes.from_rkm(code)), rel=1e-12)


_ALPHABET = "0123456789pnuµmRKJMFCNXYZVkfd.,%+-±/ ~°"
_WORDS = [
    "473K",
    "4n7",
    "100",
    ".05",
    "mfd",
    "400V",
    "V",
    "AC",
    "X2",
    "K5",
    "2A",
    "X7R",
    "%",
    "±",
    "-20",
    "+80%",
    "C",
]


@settings(max_examples=400, deadline=None)
@given(
    st.one_of(
        st.text(max_size=40),
        st.text(alphabet=_ALPHABET, max_size=24),
        st.lists(st.sampled_from(_WORDS), max_size=12).map(" ".join),
    )
)
def test_any_text_is_read_or_refused_by_our_own_error_quickly(text):
    started_s = time.process_time()
    try:
        found = read_marking(text, measured=MeterReading(farad=1e-9, half_width_farad=1e-11))
    except AnalysisError:
        pass
    else:
        assert found.readings
        document = marking_document(found)
        assert document["format"] == 1
        for reading in document["readings"]:
            if reading["capacitance"] is not None:
                assert 0 < reading["capacitance"]["value"] <= 0.1
                assert 0 <= reading["agreement"]["probability"] <= 1
    assert time.process_time() - started_s < 0.5
