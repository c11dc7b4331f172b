"""Colour dots and bands in words and initials."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from twonode.analysis.marking import Arrow, MarkingError, Scheme, parse_meter_reading, read_marking
from twonode.analysis.marking.colourwords import Colour
from twonode.analysis.quantities import Tolerance

COLOURS = [each.value for each in Colour]


def readings(text, **options):
    return [each.reading for each in read_marking(text, **options).readings]


def of(scheme, text, **options):
    return [each for each in readings(text, **options) if each.scheme is scheme]


def percent(value):
    return Tolerance(minus=value / 100, plus=value / 100)


# Moulded mica code page: red-green-black = 25 mmfd = 25 pF, 500 V, ±20 %.
def test_three_dots():
    [found] = of(Scheme.MICA_THREE, "red green black")
    assert found.capacitance_farad == pytest.approx(25e-12)
    assert found.tolerance.limits == percent(20)
    assert found.voltage.volts == 500
    assert "500 V by the scheme, not marked" in found.remarks


# The same page: voltage dot x100 V, gold 1000, silver 2000, none 500; tolerance dot 1-9 %, gold 5, silver 10, none 20.
@pytest.mark.parametrize(
    ("volts", "tolerance", "wanted_v", "wanted_percent"),
    [
        ("red", "yellow", 200, 4),
        ("gold", "silver", 1000, 10),
        ("silver", "gold", 2000, 5),
        ("none", "none", 500, 20),
        ("white", "brown", 900, 1),
    ],
)
def test_five_dots_in_either_order_of_volts_and_tolerance(volts, tolerance, wanted_v, wanted_percent):
    for last, order in (((volts, tolerance), "fourth volts"), ((tolerance, volts), "fourth tolerance")):
        found = of(Scheme.MICA_FIVE, " ".join(("red green black", *last)))
        [one] = [each for each in found if each.remarks[0].startswith(order)]
        assert one.capacitance_farad == pytest.approx(25e-12)
        assert one.voltage.volts == wanted_v
        assert one.tolerance.limits == percent(wanted_percent)


# US Army OD1647: white-brown-red / ?, blue, red = 1200 pF. It prints blue as 2 %, the five-dot table has 6 %.
@pytest.mark.parametrize("third", ["silver", "red", "brown"])
def test_the_six_dots_of_od1647_list_both_tolerances_that_are_printed(third):
    found = of(Scheme.SIX_DOT_IDENTIFIED, f"white brown red / {third} blue red")
    assert [each.capacitance_farad for each in found] == pytest.approx([1200e-12] * 2)
    assert [each.tolerance.limits for each in found] == [percent(6), percent(2)]
    assert all("trade mica" in each.remarks for each in found)


# The same code: black-green-brown / red, yellow, black = 51 pF, class C, ±4 %; military mica 500 V below 6800 pF.
def test_military_six_dots():
    [found] = of(Scheme.SIX_DOT_IDENTIFIED, "black green brown / red yellow black")
    assert found.capacitance_farad == pytest.approx(51e-12)
    assert found.tolerance.limits == percent(4)
    assert found.voltage.volts == 500
    assert any(remark.startswith("class C") for remark in found.remarks)
    [large] = of(Scheme.SIX_DOT_IDENTIFIED, "black blue grey / red yellow red")
    assert (large.capacitance_farad, large.voltage.volts) == (pytest.approx(6800e-12), 300)


# RETMA REC-115A: class C ±200, E +100/-20, I +150/-50, J +100/-50 ppm; gold 0.1, silver 0.01; insulation 3000/6000 MΩ.
@pytest.mark.parametrize(
    ("colour", "spread"),
    [
        ("black", (1000, 1000)),
        ("brown", (500, 500)),
        ("red", (200, 200)),
        ("orange", (100, 100)),
        ("yellow", (20, 100)),
        ("grey", (50, 150)),
        ("white", (50, 100)),
    ],
)
def test_retma_mica_classes(colour, spread):
    found = of(Scheme.SIX_DOT_IDENTIFIED, f"white brown red / {colour} silver gold")[0]
    assert found.capacitance_farad == pytest.approx(1.2e-12)
    assert found.temperature.spread_ppm == spread
    assert found.voltage is None
    assert f"at least {3000 if colour == 'black' else 6000} MΩ insulation when new" in found.remarks


@pytest.mark.parametrize("identifier", ["silver", "none"])
def test_silver_and_bare_identifiers_are_paper(identifier):
    [found] = of(Scheme.SIX_DOT_IDENTIFIED, f"{identifier} brown green / brown silver orange")
    assert "paper" in found.remarks
    assert found.capacitance_farad == pytest.approx(15e-9)


def test_old_six_dots_have_three_figures():
    found = of(Scheme.MICA_SIX, "red green brown / green silver brown")
    assert [each.capacitance_farad for each in found] == pytest.approx([2510e-12])
    assert found[0].tolerance.limits == percent(10)
    assert found[0].voltage.volts == 500


def test_white_first_is_an_identifier_or_a_nine_and_both_are_listed():
    schemes = {each.scheme for each in readings("white brown red / red green red")}
    assert schemes == {Scheme.SIX_DOT_IDENTIFIED, Scheme.MICA_SIX}


def test_six_colours_without_rows_are_read_row_by_row_and_round():
    found = of(Scheme.SIX_DOT_IDENTIFIED, "white brown red red green brown")
    assert {each.remarks[0] for each in found} == {
        "bottom row from the left: class, tolerance, multiplier",
        "bottom row from the right: multiplier, tolerance, class",
    }
    assert sorted(each.capacitance_farad for each in found) == pytest.approx([120e-12, 1200e-12])
    assert of(Scheme.PAPER_BANDS, "brown red orange black brown none") == []


# Ceramic temperature colours from a code table: black 0, brown -30 ... violet -750.
@pytest.mark.parametrize(
    ("colour", "ppm"),
    list(
        zip(
            ["black", "brown", "red", "orange", "yellow", "green", "blue", "violet"],
            (0, -30, -80, -150, -220, -330, -470, -750),
            strict=True,
        )
    ),
)
def test_tubular_ceramics_start_with_the_temperature_colour(colour, ppm):
    found = of(Scheme.CERAMIC, f"{colour} green black red white")
    assert [each.temperature.slope_ppm for each in found] == [ppm]
    assert found[0].capacitance_farad == pytest.approx(5000e-12)
    assert found[0].tolerance.limits == percent(10)  # from memory


def test_ceramic_tolerance_colours_mean_picofarads_up_to_ten():
    [found] = of(Scheme.CERAMIC, "black green black white green")  # 50 x 0.1 pF, from memory
    assert found.capacitance_farad == pytest.approx(5e-12)
    assert found.tolerance.limits.half_width_farad == pytest.approx(0.5e-12)


def test_moulded_paper_bands_have_one_or_two_figures_of_volts():
    # From memory: 473, ±20 %, 600 V and 1600 V.
    [one] = of(Scheme.PAPER_BANDS, "yellow violet orange black blue")
    [two] = of(Scheme.PAPER_BANDS, "yellow violet orange black brown blue")
    assert one.capacitance_farad == two.capacitance_farad == pytest.approx(47e-9)
    assert (one.voltage.volts, two.voltage.volts) == (600, 1600)


def test_colours_may_be_shortened_and_joined():
    plain = readings("red red orange")
    for text in (
        "rd rd og",
        "R R O",
        "red-red-orange",
        "red, red, orange",
        "Red RED ora",
        "red red orange dots",
    ):
        assert readings(text) == plain, text
    assert readings("bk br gn") == readings("black brown green")
    assert readings("purple gray gold") == readings("violet grey gold")
    assert readings("red green black no dot no colour") == readings("red green black none none")


@pytest.mark.parametrize(
    ("text", "colours"),
    [
        ("b red red", "black brown blue"),
        ("bl red red", "black blue"),
        # Gold and grey are multipliers in one scheme each.
        ("red red g", "green grey gold"),
        ("red red gr", "green grey"),
    ],
)
def test_an_initial_that_fits_several_colours_gives_each_of_them(text, colours):
    found = readings(text)
    named = {each.remarks[0].split()[-1] for each in found}
    assert named == set(colours.split())


def test_too_many_doubtful_initials_are_asked_back():
    with pytest.raises(MarkingError, match="several colours") as caught:
        read_marking("b b g g")
    assert "Write these colours out" in caught.value.do


@pytest.mark.parametrize(
    ("word", "nearest"), [("yelow", "yellow"), ("orenge", "orange"), ("sliver", "silver")]
)
def test_an_unknown_colour_is_refused_with_the_nearest(word, nearest):
    with pytest.raises(MarkingError, match=word) as caught:
        read_marking(f"red {word} black")
    assert nearest in caught.value.do


def test_a_colour_like_no_other_is_refused_with_the_list():
    with pytest.raises(MarkingError, match="'xqz'") as caught:
        read_marking("red xqz black")
    assert "black, brown, red" in caught.value.do


@pytest.mark.parametrize(
    "text", ["red", "red green", "red " * 7, "red green / blue", "red / green / blue / black"]
)
def test_a_number_of_colours_that_no_scheme_has_is_refused(text):
    with pytest.raises(MarkingError, match="no scheme known here has that many"):
        read_marking(text)


@pytest.mark.parametrize("text", ["gold red black", "black black red", "none none none", "grey white violet"])
def test_colours_that_no_scheme_reads_are_refused_with_the_reason(text):
    with pytest.raises(MarkingError, match="No scheme reads") as caught:
        read_marking(text)
    assert "arrow" in caught.value.do


def test_values_that_no_colour_coded_part_has_are_left_out_aloud():
    # Row by row the multiplier is violet, 12 x 10^7 pF; taken round it is red.
    found = read_marking("white brown red red silver violet")
    found_farad = sorted(each.reading.capacitance_farad for each in found.readings)
    assert found_farad == pytest.approx([1200e-12, 91.2e-9])
    assert any(note.startswith("Left out: 120 µF") for note in found.notes)


def test_the_arrow_turns_the_part_round():
    assert readings("black green red", arrow=Arrow.LEFT)[0].capacitance_farad == pytest.approx(25e-12)
    both = of(Scheme.MICA_THREE, "brown green red", arrow=Arrow.UNKNOWN)
    assert [each.capacitance_farad for each in both] == pytest.approx([1500e-12, 250e-12])
    # Two rows turned by half a turn: the last dot of the bottom row becomes the first of the top row.
    turned = readings("red blue red / red brown white", arrow=Arrow.LEFT)
    straight = readings("white brown red / red blue red")
    assert [each.capacitance_farad for each in turned] == [each.capacitance_farad for each in straight]


def test_the_measurement_chooses_between_schemes():
    found = read_marking("white brown red / red green red", measured=parse_meter_reading("91n ± 1%"))
    first, second = found.readings
    assert first.reading.scheme is Scheme.MICA_SIX
    assert not first.agreement.excluded
    assert second.agreement.excluded


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.sampled_from([*COLOURS, "b", "gr", "/", "bk", "no dot", "yelow", "9"]), max_size=8),
    st.sampled_from(Arrow),
)
def test_any_colours_are_read_or_refused_by_our_own_error(words, arrow):
    try:
        found = read_marking(" ".join(words), arrow=arrow)
    except MarkingError:
        return
    assert found.readings
    assert all(0 < (each.reading.capacitance_farad or 1e-12) <= 0.1 for each in found.readings)
