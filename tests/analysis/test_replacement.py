"""Replacement advice against the trade's own figures, closed forms and IEC 60063.

"Trade notes" below are the figures bench workers hand on, recomputed here; where a rule has no source it is called
common practice, no source, in the code as well.
"""

import itertools
import math

import pytest

from twonode.analysis.leakage_limits import Measure, shipped_limits
from twonode.analysis.leakage_readings import LeakRole
from twonode.analysis.preferred import Series
from twonode.analysis.quantities import QuantityError, Tolerance, parse_quantity
from twonode.analysis.replacement import (
    ReplacementError,
    ReplacementRequest,
    Role,
    StockError,
    Surroundings,
    WorkingVoltage,
    advise_replacement,
    parse_role,
    parse_secondary,
    parse_stock,
    parse_working_voltage,
    replacement_document,
)
from twonode.analysis.replacement.change import AVC_LEAST_TIMES, avc_lost, change, corner_hz, loss_db
from twonode.analysis.replacement.combinations import Arrangement, from_stock
from twonode.analysis.replacement.mains import Line, capacitor_current_a, mains_advice
from twonode.analysis.replacement.rating import rated_voltage, rectifier_peak_v, standard_ratings_v
from twonode.analysis.replacement.role import Changes, PartType, SafetyClass, facts_of, part_type
from twonode.analysis.replacement.suitability import (
    Fit,
    dielectric_named,
    dielectric_names,
    suitable,
    suitable_dielectric,
)
from twonode.analysis.replacement.values import Opinion, suggest_values

AT_MAINS = [role for role in Role if facts_of(role).safety is not None]
AWAY = [role for role in Role if facts_of(role).safety is None]
HT = WorkingVoltage(volts=265.0, label="B+")
AVC = WorkingVoltage(volts=20.0, label="AVC")


def ask(value, role, **more):
    return advise_replacement(
        ReplacementRequest(value_farad=parse_quantity(value, "F"), role=role, **{"working": HT, **more})
    )


def by_opinion(suggestions):
    return {opinion: each for each in suggestions for opinion in each.opinions}


# Trade notes on what replaces the old round values, with the change in percent; the first is the usual one.
FILM = [
    (".002", ["2.2n", 10]),
    (".003", ["3.3n", 10]),
    (".004", ["3.9n", -3]),
    (".005", ["4.7n", -6], ["5.6n", 12]),
    (".006", ["5.6n", -7], ["6.8n", 13]),
    (".008", ["8.2n", 3]),
    (".02", ["22n", 10]),
    (".025", ["27n", 8], ["22n", -12]),
    (".03", ["33n", 10]),
    (".04", ["39n", -3]),
    (".05", ["47n", -6]),
    (".2", ["220n", 10]),
    (".25", ["270n", 8], ["220n", -12]),
    (".5", ["470n", -6]),
]


@pytest.mark.parametrize(("old", "usual", "other"), [(*row, None)[:3] for row in FILM])
def test_old_round_values_become_what_the_trade_takes(old, usual, other):
    suggestions = suggest_values(parse_quantity(old, "F"), Role.COUPLING)
    chosen = next(each for each in suggestions if each.recommended)
    assert chosen.value_farad == parse_quantity(usual[0], "F")
    assert chosen.deviation * 100 == pytest.approx(usual[1], abs=0.51)
    if other is not None:
        found = next(each for each in suggestions if each.value_farad == parse_quantity(other[0], "F"))
        assert found.deviation * 100 == pytest.approx(other[1], abs=0.51)
        assert not found.recommended


@pytest.mark.parametrize(
    ("old", "role", "usual", "also"),
    [
        ("8uF", Role.POWER_FILTER, "10uF", None),
        ("16uF", Role.FIRST_FILTER, "15uF", None),
        ("16uF", Role.POWER_FILTER, "22uF", "15uF"),
        ("20uF", Role.POWER_FILTER, "22uF", None),
        ("30uF", Role.POWER_FILTER, "33uF", None),
        ("40uF", Role.POWER_FILTER, "47uF", None),
        ("250p", Role.PLATE_BYPASS, "240p", "270p"),
    ],
)
def test_electrolytics_and_small_values_become_what_the_trade_takes(old, role, usual, also):
    suggestions = suggest_values(parse_quantity(old, "F"), role)
    assert [each.value_farad for each in suggestions if each.recommended] == [parse_quantity(usual, "F")]
    if also is not None:
        assert parse_quantity(also, "F") in [each.value_farad for each in suggestions]


def test_both_opinions_are_shown_with_their_reasons():
    found = by_opinion(suggest_values(50e-9, Role.COUPLING))
    assert found[Opinion.NEAREST].value_farad == 47e-9
    assert found[Opinion.NEXT_HIGHER].value_farad == 56e-9
    assert found[Opinion.NEAREST].recommended
    assert not found[Opinion.NEXT_HIGHER].recommended
    assert "bass" in found[Opinion.NEAREST].because
    assert "20 %" in found[Opinion.NEXT_HIGHER].because


def test_a_bypass_takes_the_next_higher_and_a_coupling_capacitor_the_nearest():
    assert by_opinion(suggest_values(50e-9, Role.SCREEN_BYPASS))[Opinion.NEXT_HIGHER].recommended
    assert by_opinion(suggest_values(50e-9, Role.COUPLING))[Opinion.NEAREST].recommended


def test_a_value_of_the_series_is_replaced_by_itself_alone():
    (only,) = suggest_values(22e-9, Role.COUPLING)
    assert only.opinions == (Opinion.EXACT,)
    assert only.recommended
    assert only.deviation == 0
    assert only.series == (Series.E6, Series.E12, Series.E24)


def test_the_parts_own_tolerance_decides_how_far_the_value_may_move():
    tight = Tolerance(minus=0.05, plus=0.05)
    found = suggest_values(50e-9, Role.COUPLING, tolerance=tight)
    assert [each.value_farad for each in found if each.recommended] == [51e-9]
    assert all(each.within for each in found if each.recommended)
    nearest = by_opinion(found)[Opinion.NEAREST]
    assert not nearest.within  # 47 nF is -6 %
    assert nearest.because == "outside the limits here"


def test_tuned_circuits_get_the_exact_value_or_two_that_make_it_or_none():
    exact = suggest_values(240e-12, Role.TUNED)
    assert [(each.value_farad, each.recommended) for each in exact] == [(240e-12, True)]
    (pair,) = suggest_values(250e-12, Role.TUNED)
    assert pair.opinions == (Opinion.TWO_IN_PARALLEL,)
    assert sum(pair.parts_farad) == pytest.approx(250e-12, rel=1e-9)
    assert not pair.recommended
    # 103 pF within 0.1 %: no single E24 value; the pair must really come that near, or there is none.
    narrow = Tolerance(minus=0.001, plus=0.001)
    for each in suggest_values(103.3e-12, Role.TUNED, tolerance=narrow):
        assert abs(sum(each.parts_farad) / 103.3e-12 - 1) <= 0.001 + 1e-6


@pytest.mark.parametrize("value", [1e-13, 3.3e-12, 470e-12, 1e-9, 33.7e-9, 1e-6, 99e-6, 5e-3])
@pytest.mark.parametrize("role", AWAY)
def test_no_position_gets_more_than_one_usual_value_and_it_lies_within_the_limits(role, value):
    suggestions = suggest_values(value, role)
    chosen = [each for each in suggestions if each.recommended]
    assert len(chosen) <= 1
    limits = facts_of(role).limits
    for each in chosen:
        assert -limits.minus - 1e-6 <= each.value_farad / value - 1 <= limits.plus + 1e-6
    assert [each.value_farad for each in suggestions] == sorted(
        each.value_farad for each in suggestions
    ) or suggestions[-1].opinions == (Opinion.TWO_IN_PARALLEL,)


# Outside table: f/fc at which a coupling network loses L dB, r = 1/sqrt(10^(L/10) - 1).
@pytest.mark.parametrize(
    ("loss", "ratio"),
    [
        (0.1, 6.5522),
        (0.5, 2.8628),
        (1, 1.9652),
        (2, 1.3076),
        (3, 1.00238),
        (6, 0.57918),
        (10, 1 / 3),
        (20, 0.100504),
    ],
)
def test_the_low_frequency_loss_is_that_of_the_table(loss, ratio):
    assert loss_db(ratio) == pytest.approx(loss, abs=2e-4)
    corner = corner_hz(470e3, 47e-9)
    around = Surroundings(next_ohm=470e3, at_hz=(ratio * corner,))
    there = change(Changes.LOW_FREQUENCIES, 50e-9, 47e-9, around)
    assert there.at[0].loss_db == pytest.approx(loss, abs=2e-4)


# Outside figures: 1/(2 pi R C), Hz, agreed by four circuit programs.
@pytest.mark.parametrize(
    ("farad", "ohm", "hertz"),
    [
        (10e-9, 470e3, 33.8628),
        (20e-9, 470e3, 16.9314),
        (22e-9, 470e3, 15.3922),
        (10e-9, 500e3, 31.8310),
        (100e-9, 1e6, 1.59155),
        (50e-9, 250e3, 12.7324),
        (25e-6, 1e3, 6.36620),
    ],
)
def test_corners_are_those_of_the_circuit_programs(farad, ohm, hertz):
    assert corner_hz(ohm, farad) == pytest.approx(hertz, rel=1e-5)


def test_what_feeds_a_coupling_capacitor_lowers_its_corner_by_series_resistance():
    around = Surroundings(next_ohm=470e3, source_ohm=60e3)
    there = change(Changes.LOW_FREQUENCIES, 50e-9, 47e-9, around)
    assert there.corner_hz == pytest.approx(1 / (2 * math.pi * 530e3 * 47e-9), rel=1e-12)
    assert there.was_corner_hz == pytest.approx(1 / (2 * math.pi * 530e3 * 50e-9), rel=1e-12)
    # By hand: corner 6.389 Hz against 50 Hz loses 10 log10(1 + (6.389/50)^2) = 0.0703 dB.
    assert there.at[0].loss_db == pytest.approx(0.0703, abs=1e-4)
    assert there.at[0].frequency_hz == 50.0


def test_a_plate_bypass_loses_high_frequencies_against_the_two_resistances_in_parallel():
    # Trade notes: 250 pF on a 60 k plate node is -33 dB at 455 kHz, -3 dB at 10.6 kHz.
    around = Surroundings(next_ohm=60e3, at_hz=(455e3, 10.6e3))
    there = change(Changes.HIGH_FREQUENCIES, 250e-12, 250e-12, around)
    assert there.at[0].loss_db == pytest.approx(33, abs=0.5)
    assert there.at[1].loss_db == pytest.approx(3, abs=0.05)
    halved = change(
        Changes.HIGH_FREQUENCIES, 250e-12, 250e-12, Surroundings(next_ohm=120e3, source_ohm=120e3)
    )
    assert halved.corner_hz == pytest.approx(there.corner_hz, rel=1e-12)


def test_what_a_leak_takes_from_the_avc_is_said_with_the_trades_own_figures():
    # Trade notes section 11, 8: 2 M feed, 12 M leak: 14 % of the AVC lost; below 40 M (20 times) the part is replaced.
    assert avc_lost(2e6, 12e6) == pytest.approx(2 / 14)
    advice = ask("50n", Role.AVC_FILTER, working=AVC, surroundings=Surroundings(next_ohm=2e6))
    assert (advice.avc.least_ohm, advice.avc.lost) == (pytest.approx(40e6), pytest.approx(2 / 42))
    (said,) = (note for note in advice.notes if note.startswith("leakage"))
    for words in ("2.00 MΩ", "40.0 MΩ", "4.8 % of the AVC", "12.0 MΩ would take 14 %"):
        assert words in said
    assert replacement_document(advice)["avc_leakage"] == {
        "feed_ohm": 2e6,
        "least_ohm": pytest.approx(40e6),
        "avc_lost": pytest.approx(2 / 42),
    }


def test_the_least_insulation_of_an_avc_filter_is_the_limit_of_a_leak_check():
    (limit,) = shipped_limits().for_role(LeakRole.AVC_FILTER, bias_known=False, resistor_known=True)
    assert limit.measure is Measure.LEAK_OVER_RESISTOR
    assert limit.leaky == AVC_LEAST_TIMES


def test_without_the_feed_resistor_the_avc_that_a_leak_takes_is_not_known():
    advice = ask("50n", Role.AVC_FILTER, working=AVC)
    assert advice.avc is None
    assert any("AVC" in line and "--next" in line for line in advice.unknown)
    coupling = ask("50n", Role.COUPLING, surroundings=Surroundings(next_ohm=470e3))
    assert coupling.avc is None
    assert not any("AVC" in line for line in (*coupling.notes, *coupling.unknown))


def test_other_positions_change_what_matters_there():
    avc = change(Changes.TIME_CONSTANT, 50e-9, 47e-9, Surroundings(next_ohm=2e6))
    assert avc.time_constant_s == pytest.approx(0.094)
    assert avc.was_time_constant_s == pytest.approx(0.1)
    # Half the ripple is -6.02 dB.
    assert change(Changes.RIPPLE, 10e-6, 20e-6, Surroundings()).ripple_db == pytest.approx(-6.0206, abs=1e-4)
    # 2 % more capacitance tunes 1 % lower.
    assert change(Changes.TUNING, 100e-12, 102e-12, Surroundings()).tuning == pytest.approx(
        -0.00985, abs=1e-5
    )
    # Reactance of 20 uF at 120 Hz: 66.3146 ohm (outside figure).
    ripple = change(Changes.RIPPLE, 20e-6, 20e-6, Surroundings(at_hz=(120.0,)))
    assert ripple.at[0].reactance_ohm == pytest.approx(66.3146, rel=1e-5)
    assert change(Changes.LOW_FREQUENCIES, 50e-9, 47e-9, Surroundings()).corner_hz is None


# --- rated voltage


@pytest.mark.parametrize(
    ("text", "volts", "supply"),
    [
        ("B+ 265V", 265.0, True),
        ("265V", 265.0, False),
        ("265", 265.0, False),
        ("HT 265 V", 265.0, True),
        ("H.T. 265V DC", 265.0, True),
        ("HT line 250V", 250.0, True),
        ("b+265v", 265.0, True),
        ("B+: 0.3kV", 300.0, True),
        ("265VDC", 265.0, False),
        ("cathode 8V", 8.0, False),
    ],
)
def test_voltages_are_read_as_people_name_them(text, volts, supply):
    read = parse_working_voltage(text)
    assert read.volts == pytest.approx(volts)
    assert read.is_supply is supply


@pytest.mark.parametrize("text", ["120 VAC", "mains 230V", "230V~", "line 117V", "265V AC", "250 V rms"])
def test_a_voltage_of_the_mains_or_ac_is_never_taken_for_dc(text):
    with pytest.raises(ReplacementError, match="mains, or AC"):
        parse_working_voltage(text)


@pytest.mark.parametrize("text", ["0V", "-265V", "B+ 0", "30kV"])
def test_impossible_working_voltages_are_refused(text):
    with pytest.raises(ReplacementError, match="working voltage"):
        parse_working_voltage(text)


@pytest.mark.parametrize("text", ["", "B+", "265 ohm", "lots", "1,000V"])
def test_what_is_no_voltage_is_refused(text):
    with pytest.raises(QuantityError):
        parse_working_voltage(text)


def test_the_rectifiers_peak_is_that_of_the_trade_notes():
    # Trade notes: 250-0-250 V gives 354 V peak, 382 at line +8 %.
    assert parse_secondary("250-0-250V") == 250.0
    assert rectifier_peak_v(250.0) == pytest.approx(354, abs=0.5)
    assert rectifier_peak_v(250.0, 0.08) == pytest.approx(382, abs=0.5)


def test_secondaries_are_read_and_others_refused():
    assert parse_secondary("300 - 0 - 310 V") == 310.0
    assert parse_secondary("250V") == 250.0
    assert parse_secondary("250-0-250 V AC") == 250.0
    for text in ("", "x", "0V", "250-250", "-250V", "250-0-"):
        with pytest.raises(ReplacementError, match="no transformer secondary"):
            parse_secondary(text)


def test_behind_250_0_250_volts_400_is_thin_and_630_is_suggested():
    # Trade notes: so 400 V is thin; 630 V usual (common practice, no source).
    rated = rated_voltage(Role.COUPLING, PartType.FILM, HT, secondary_v=250.0, asked_v=400.0)
    assert rated.suggested_v == 630.0
    assert rated.surge_v == pytest.approx(382, abs=0.5)
    assert rated.asked_fits is False
    assert "not suggested" in rated.asked_because
    assert rated_voltage(Role.COUPLING, PartType.FILM, HT, asked_v=630.0).asked_fits is True


def test_an_electrolytic_behind_270_volts_needs_450():
    # A magazine column of 1993: volts x 1.2 under rating x 0.8; 270 V needs 450 V.
    rated = rated_voltage(Role.POWER_FILTER, PartType.ELECTROLYTIC, WorkingVoltage(volts=270.0))
    assert rated.suggested_v == 450.0
    assert rated.needed_v >= 1.5 * 270.0
    # A known peak of 382 V leaves 400 V thin for an electrolytic too.
    known = rated_voltage(Role.POWER_FILTER, PartType.ELECTROLYTIC, HT, secondary_v=250.0)
    assert known.suggested_v == 450.0


def test_a_cathode_bypass_is_rated_from_its_own_volts():
    rated = rated_voltage(Role.CATHODE_BYPASS, PartType.ELECTROLYTIC, WorkingVoltage(volts=8.0))
    assert rated.needed_v == pytest.approx(12.0)
    assert rated.suggested_v == 16.0


@pytest.mark.parametrize(("volts", "suggested"), [(100.0, 1000.0), (265.0, 1000.0), (400.0, 1250.0)])
def test_the_output_plate_takes_at_least_a_thousand_volts(volts, suggested):
    # A repair guide on output stages: 1000 V or more.
    rated = rated_voltage(Role.OUTPUT_PLATE, PartType.FILM, WorkingVoltage(volts=volts))
    assert rated.suggested_v == suggested
    assert rated.needed_v >= 1000.0


@pytest.mark.parametrize("role", AWAY)
def test_no_rating_below_the_working_voltage_or_the_surge_is_ever_suggested(role):
    for kind, volts, secondary in itertools.product(
        (PartType.FILM, PartType.MICA_OR_C0G, PartType.ELECTROLYTIC),
        (1.0, 12.0, 105.0, 265.0, 330.0, 450.0, 999.0, 5000.0),
        (None, 6.3, 250.0, 800.0),
    ):
        rated = rated_voltage(role, kind, WorkingVoltage(volts=volts), secondary_v=secondary)
        assert rated.needed_v >= max(volts, rated.surge_v)
        if facts_of(role).surge and secondary is not None:
            assert rated.surge_v >= rectifier_peak_v(secondary)
        if rated.suggested_v is None:
            assert max(standard_ratings_v(kind)) < rated.needed_v
        else:
            assert rated.suggested_v >= rated.needed_v * (1 - 1e-9)


def test_a_rated_voltage_below_the_working_voltage_is_refused():
    with pytest.raises(ReplacementError, match="200 V is refused") as caught:
        ask("47n", Role.COUPLING, rated_asked_v=200.0)
    assert "265 V" in caught.value.what


def test_volts_of_a_warm_electrode_are_no_ground_for_a_rating():
    with pytest.raises(ReplacementError, match="warm valves only"):
        ask("47n", Role.COUPLING, working=WorkingVoltage(volts=105.0, label="plate"))


def test_where_no_part_is_made_for_the_volts_none_is_named():
    advice = ask("20uF", Role.POWER_FILTER, working=WorkingVoltage(volts=400.0))
    assert advice.rated.suggested_v is None
    assert "no standard rating" in advice.in_short
    assert any("matter for design" in line for line in advice.rated.because)


@pytest.mark.parametrize("rise", [-0.1, 0.6, math.nan])
def test_an_impossible_line_rise_is_refused(rise):
    with pytest.raises(ReplacementError, match="line"):
        rated_voltage(Role.COUPLING, PartType.FILM, HT, line_rise=rise)


@pytest.mark.parametrize("asked", [0.0, -630.0, math.nan])
def test_an_impossible_rating_is_refused(asked):
    with pytest.raises(ReplacementError, match="rated voltage"):
        rated_voltage(Role.COUPLING, PartType.FILM, HT, asked_v=asked)


# --- positions


@pytest.mark.parametrize(
    ("text", "role"),
    [
        ("coupling", Role.COUPLING),
        ("Cathode-Bypass", Role.CATHODE_BYPASS),
        ("anode bypass", Role.PLATE_BYPASS),
        ("bypass", Role.BYPASS),
        ("avc", Role.AVC_FILTER),
        ("tone", Role.OUTPUT_PLATE),
        ("filter capacitor", Role.POWER_FILTER),
        ("tuned", Role.TUNED),
        ("across the line", Role.ACROSS_LINE),
        ("line-to-chassis", Role.LINE_TO_CHASSIS),
        ("B- to chassis", Role.LINE_TO_CHASSIS),
        *((role.value, role) for role in Role),
    ],
)
def test_positions_are_read_as_people_name_them(text, role):
    assert parse_role(text) is role


def test_an_unknown_position_gets_the_nearest_suggestion():
    with pytest.raises(ReplacementError, match="did you mean 'coupling'"):
        parse_role("cuopling")
    with pytest.raises(ReplacementError, match="is no known role"):
        parse_role("")


@pytest.mark.parametrize(
    "text", ["line filter", "mains", "line", "mains filter capacitor", "power line bypass"]
)
def test_at_the_mains_no_position_is_guessed(text):
    with pytest.raises(ReplacementError, match="which position at the mains"):
        parse_role(text)


# --- dielectrics


@pytest.mark.parametrize("role", list(Role))
@pytest.mark.parametrize("value", [10e-12, 999e-12, 1e-9, 9.9e-9, 47e-9, 0.5e-6, 1e-6, 100e-6])
def test_every_dielectric_has_a_verdict_with_a_reason_in_every_position(role, value):
    every = suitable(role, value)
    assert sorted(each.name for each in every) == sorted(dielectric_names())
    assert all(each.because and each.source for each in every)
    assert every[0].fit is Fit.SUITS


def fits(role, value):
    return {each.name: each.fit for each in suitable(role, value)}


def test_high_k_ceramic_stays_out_of_coupling_tone_and_tuning():
    # Common practice, no source.
    for role in (Role.COUPLING, Role.OUTPUT_PLATE, Role.TONE_CONTROL, Role.TUNED):
        for value in (100e-12, 4.7e-9, 47e-9):
            assert fits(role, value)["high-K ceramic"] is Fit.DOES_NOT


def test_film_suits_coupling_mica_and_c0g_suit_tuned_circuits_and_small_values():
    # Common practice, no source: film for coupling and bypass, mica or C0G for tuned circuits and under 1000 pF.
    assert fits(Role.COUPLING, 47e-9)["polyester film"] is Fit.SUITS
    assert fits(Role.SCREEN_BYPASS, 47e-9)["polypropylene film"] is Fit.SUITS
    for name in ("silver mica", "C0G ceramic"):
        assert fits(Role.TUNED, 220e-12)[name] is Fit.SUITS
        assert fits(Role.PLATE_BYPASS, 250e-12)[name] is Fit.SUITS
    assert fits(Role.PLATE_BYPASS, 1e-9)["polyester film"] is Fit.SUITS
    assert fits(Role.PLATE_BYPASS, 0.001e-6)["polyester film"] is Fit.SUITS


def test_electrolytics_belong_to_cathodes_and_filters_only():
    for role in (Role.CATHODE_BYPASS, Role.POWER_FILTER, Role.FIRST_FILTER):
        assert fits(role, 25e-6)["aluminium electrolytic"] is Fit.SUITS
    for role in (Role.COUPLING, Role.AVC_FILTER, Role.OUTPUT_PLATE, Role.TUNED):
        assert fits(role, 1e-6)["aluminium electrolytic"] is Fit.DOES_NOT


@pytest.mark.parametrize("value", [100e-12, 4.7e-9, 50e-9, 0.5e-6])
def test_at_the_mains_only_the_safety_class_suits(value):
    across, chassis = fits(Role.ACROSS_LINE, value), fits(Role.LINE_TO_CHASSIS, value)
    assert {name for name, fit in chassis.items() if fit is not Fit.DOES_NOT} == {"class Y safety part"}
    assert {name for name, fit in across.items() if fit is not Fit.DOES_NOT} == {
        "class X safety part",
        "class Y safety part",
    }


def test_dielectrics_are_known_by_their_other_names():
    assert dielectric_named("NP0") == dielectric_named("c0g") == "C0G ceramic"
    assert dielectric_named("Mica") == "silver mica"
    assert dielectric_named("X2") == "class X safety part"
    assert dielectric_named("unobtainium") is None
    with pytest.raises(ValueError, match="no dielectric"):
        suitable_dielectric("unobtainium", Role.COUPLING, 1e-9)


# --- at the mains


@pytest.mark.parametrize(
    ("value", "milliampere"), [(".0022", 0.10), (".0047", 0.21), (".01", 0.45), (".05", 2.3), (".1", 4.5)]
)
def test_currents_at_120_volts_are_those_of_the_trade_notes(value, milliampere):
    farad = parse_quantity(value, "F")
    current = capacitor_current_a(farad, Line(volts=120.0, frequency_hz=60.0))
    assert current == pytest.approx(milliampere * 1e-3, rel=0.03)
    assert current == pytest.approx(2 * math.pi * 60.0 * farad * 120.0, rel=1e-12)


def test_an_old_line_to_chassis_capacitor_is_not_copied():
    # Trade notes, worked job: .05 passes 2.26 mA; a .0047 Y part 0.21 mA.
    advice = mains_advice(50e-9, Role.LINE_TO_CHASSIS, line_v=120.0, line_hz=60.0)
    chosen = next(each for each in advice.suggestions if each.recommended)
    assert chosen.value_farad == 4.7e-9
    assert chosen.safety is SafetyClass.Y
    currents = {each.value_farad: each for each in advice.currents}
    assert currents[50e-9].current_a == pytest.approx(2.26e-3, abs=0.005e-3)
    assert not currents[50e-9].suggested
    assert currents[4.7e-9].current_a == pytest.approx(0.21e-3, abs=0.005e-3)
    assert any("do not copy" in line for line in advice.cautions)


@pytest.mark.parametrize("role", [Role.LINE_TO_CHASSIS, Role.AERIAL_ISOLATION])
@pytest.mark.parametrize("value", [47e-12, 1e-9, 2e-9, 4.7e-9, 10e-9, 0.1e-6, 1e-3])
@pytest.mark.parametrize("line", [(None, None), (120.0, 60.0), (230.0, 50.0), (240.0, None), (100.0, 50.0)])
def test_no_y_part_is_suggested_that_is_large_or_passes_much(role, value, line):
    advice = mains_advice(value, role, line_v=line[0], line_hz=line[1])
    assert advice.suggestions
    for each in advice.suggestions:
        assert each.safety is SafetyClass.Y
        assert each.value_farad <= min(4.7e-9, value * 1.2) * (1 + 1e-9)
        for mains in advice.lines:
            assert capacitor_current_a(each.value_farad, mains) <= 0.23e-3
    assert sum(each.recommended for each in advice.suggestions) == 1


def test_without_a_line_the_suggestion_is_safe_on_both_usual_ones():
    advice = mains_advice(50e-9, Role.LINE_TO_CHASSIS)
    assert advice.assumed_line
    assert {(line.volts, line.frequency_hz) for line in advice.lines} == {(120.0, 60.0), (230.0, 50.0)}
    assert (
        max(each.value_farad for each in advice.suggestions) == 2.2e-9
    )  # 4.7 nF would pass 0.34 mA at 230 V


def test_across_the_line_takes_class_x_and_nothing_above_a_microfarad():
    advice = mains_advice(50e-9, Role.ACROSS_LINE, line_v=120.0)
    assert [(each.value_farad, each.safety) for each in advice.suggestions] == [(47e-9, SafetyClass.X)]
    large = mains_advice(8e-6, Role.ACROSS_LINE, line_v=120.0)
    assert large.suggestions == ()
    assert any("licensed practice" in line for line in large.cautions)
    assert any("bleeder" in line for line in mains_advice(0.25e-6, Role.ACROSS_LINE).cautions)


@pytest.mark.parametrize("role", AT_MAINS)
@pytest.mark.parametrize("value", ["1n", ".05", "1u", "40uF"])
def test_at_the_mains_no_volts_no_stock_and_no_pair_are_ever_offered(role, value):
    stock = parse_stock("value,voltage,dielectric\n47n,630V,film\n4.7n,3kV,Y2\n", "parts.csv")
    advice = ask(value, role, rated_asked_v=630.0, stock=stock, working=WorkingVoltage(volts=600.0))
    assert advice.rated is None
    assert advice.stock is None
    document = replacement_document(advice)
    assert document["rated_voltage"] is None
    assert document["stock"] is None
    assert document["mains"]["safety_class"] in ("X", "Y")
    for each in document["suggestions"]:
        assert each["safety_class"] == document["mains"]["safety_class"]
        assert len(each["parts"]) == 1
    # None of the volts that were typed comes back.
    assert "630" not in str(document)
    assert "600" not in str({key: document[key] for key in ("in_short", "notes", "asked", "unknown")})
    assert len(advice.notes) == 3


@pytest.mark.parametrize(
    ("volts", "hertz"), [(0.0, 60.0), (-120.0, 60.0), (5000.0, 60.0), (120.0, 0.0), (math.nan, 50)]
)
def test_an_impossible_line_is_refused(volts, hertz):
    with pytest.raises(ReplacementError, match="line of"):
        mains_advice(50e-9, Role.ACROSS_LINE, line_v=volts, line_hz=hertz)


def test_a_frequency_without_volts_is_refused():
    with pytest.raises(ReplacementError, match="without the line voltage"):
        mains_advice(50e-9, Role.ACROSS_LINE, line_hz=60.0)


def test_advice_made_for_one_side_of_the_mains_refuses_the_other():
    with pytest.raises(ValueError, match="mains"):
        suggest_values(50e-9, Role.LINE_TO_CHASSIS)
    with pytest.raises(ValueError, match="mains"):
        rated_voltage(Role.ACROSS_LINE, PartType.FILM, HT)
    with pytest.raises(ValueError, match="mains"):
        mains_advice(50e-9, Role.COUPLING)
    with pytest.raises(ValueError, match="mains"):
        from_stock((), 50e-9, Role.LINE_TO_CHASSIS, needed_v=0.0)


# --- parts at hand

HEADER = "value,voltage,tolerance,dielectric,quantity\n"


def stock_of(*lines):
    return parse_stock(HEADER + "".join(f"{line}\n" for line in lines), "parts.csv")


def test_a_list_of_parts_is_read():
    text = "\N{ZERO WIDTH NO-BREAK SPACE}Voltage,bin,Value,quantity\r\n630V,A3,.047uF,2\r\n\r\n1kV,,4n7,\r\n"
    first, second = parse_stock(text, "parts.csv")
    assert (first.value_farad, first.rated_v, first.quantity, first.line) == (47e-9, 630.0, 2, 2)
    assert (second.value_farad, second.rated_v, second.quantity, second.line) == (4.7e-9, 1000.0, 1, 4)
    assert second.dielectric is None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "lists no part"),
        ("value,voltage\n", "lists no part"),
        ("value\n47n\n", "line 1: column 'voltage' is missing"),
        ("value;voltage\n47n;630V\n", "semicolons"),
        ("value,voltage,quantiy\n47n,630V,1\n", "did you mean 'quantity'"),
        ("value,voltage,value\n47n,630V,1\n", "twice"),
        ("value,voltage\n0,047uF,630V\n", "line 2: 3 fields for 2 columns"),
        ('value,voltage\n"0,047uF",630V\n', "line 2, column 'value'"),
        ("value,voltage\n47n,630V\n47,630V\n", "line 3, column 'value'"),
        ("value,voltage\n0uF,630V\n", "line 2, column 'value'"),
        ("value,voltage\n-47n,630V\n", "line 2, column 'value'"),
        ("value,voltage\n47n,\n", "line 2, column 'voltage'"),
        ("value,voltage\n47n\n", "line 2, column 'voltage'"),
        ("value,voltage\n47n,0V\n", "line 2, column 'voltage'"),
        ("value,voltage\n47n,-630V\n", "line 2, column 'voltage'"),
        ("value,voltage,tolerance\n47n,630V,10\n", "line 2, column 'tolerance'"),
        ("value,voltage,dielectric\n47n,630V,cheese\n", "line 2, column 'dielectric'"),
        ("value,voltage,quantity\n47n,630V,two\n", "line 2, column 'quantity'"),
        ("value,voltage,quantity\n47n,630V,-1\n", "line 2, column 'quantity'"),
        ("value,voltage\n" + "47n,630V\n" * 1001, "more than 1000 lines"),
        ("value,voltage\n" + "4" * 200_000 + "n,630V\n", "line 2"),
    ],
)
def test_a_list_that_cannot_be_read_names_line_and_column(text, said):
    with pytest.raises(StockError, match=said) as caught:
        parse_stock(text, "parts.csv")
    assert "parts.csv" in caught.value.what


def offered(advice):
    return [(each.arrangement, [part.line for part in each.parts]) for each in advice.found]


def test_a_single_part_that_is_exact_needs_no_pair():
    stock = stock_of("50n,630V,10%,film,1", "25n,630V,10%,film,2", "100n,630V,10%,film,2")
    assert offered(from_stock(stock, 50e-9, Role.COUPLING, needed_v=445.0)) == [(Arrangement.SINGLE, [2])]


def test_a_pair_is_offered_only_if_it_comes_nearer():
    stock = stock_of(
        "47n,630V,10%,film,1", "22n,630V,10%,film,1", "27n,630V,10%,film,1", "6.8n,630V,10%,film,1"
    )
    found = from_stock(stock, 50e-9, Role.COUPLING, needed_v=445.0).found
    assert offered_values(found) == pytest.approx([47e-9, 49e-9])
    assert found[1].arrangement is Arrangement.PARALLEL
    assert found[1].rated_v == 630.0
    assert (found[1].low_farad, found[1].high_farad) == pytest.approx((44.1e-9, 53.9e-9))


def offered_values(found):
    return [each.value_farad for each in found]


def test_two_of_one_line_are_used_only_where_two_are_there():
    one = stock_of("100n,630V,10%,film,1")
    two = stock_of("100n,630V,10%,film,2")
    assert from_stock(one, 50e-9, Role.COUPLING, needed_v=445.0).found == ()
    (pair,) = from_stock(two, 50e-9, Role.COUPLING, needed_v=445.0).found
    assert pair.arrangement is Arrangement.SERIES
    assert pair.value_farad == pytest.approx(50e-9)
    assert stock_of("100n,630V,10%,film,0")[0].quantity == 0
    assert from_stock(stock_of("50n,630V,,,0"), 50e-9, Role.COUPLING, needed_v=1.0).found == ()


def test_a_part_rated_too_low_is_not_offered_and_the_reason_is_given():
    advice = from_stock(stock_of("50n,400V,10%,film,5"), 50e-9, Role.COUPLING, needed_v=445.0)
    assert advice.found == ()
    assert advice.because
    assert "400 V" in advice.refused[0].because
    assert "445 V" in advice.refused[0].because


def test_a_dielectric_that_does_not_suit_is_not_offered():
    stock = stock_of("50n,1kV,,ceramic,1", "50n,1kV,,electrolytic,1", "50n,1kV,,paper,1", "50n,1kV,,X2,1")
    advice = from_stock(stock, 50e-9, Role.COUPLING, needed_v=445.0)
    assert advice.found == ()
    assert [each.part.line for each in advice.refused] == [2, 3, 4, 5]


def test_in_a_coupling_position_each_part_of_a_series_pair_stands_all_the_volts():
    # Equalising resistors would pass DC to the grid, so a pair that needs them is never offered there.
    low = stock_of("100n,400V,10%,film,2")
    assert from_stock(low, 50e-9, Role.COUPLING, needed_v=445.0).found == ()
    high = stock_of("100n,630V,10%,film,2")
    (pair,) = from_stock(high, 50e-9, Role.COUPLING, needed_v=445.0).found
    assert not pair.equalise
    assert pair.rated_v == 630.0


def test_a_series_pair_of_electrolytics_shares_volts_by_charge_and_needs_equalising():
    stock = stock_of("47uF,350V,20%,electrolytic,1", "33uF,350V,20%,electrolytic,1")
    (pair,) = from_stock(stock, 20e-6, Role.POWER_FILTER, needed_v=450.0).found
    assert pair.equalise
    assert any("equalising" in note for note in pair.notes)
    assert pair.value_farad == pytest.approx(47e-6 * 33e-6 / 80e-6)
    # By hand: equal charge, so 47 uF takes 33/80 and 33 uF 47/80 of the volts.
    assert pair.shares == pytest.approx((33 / 80, 47 / 80))
    # Worst case: 33 uF 20 % low (26.4) beside 47 uF 20 % high (56.4): 56.4/82.8 of the volts on a 350 V part.
    assert pair.rated_v == pytest.approx(350.0 * 82.8 / 56.4, rel=1e-9)
    assert pair.rated_v >= 450.0
    (turned,) = from_stock(stock[::-1], 20e-6, Role.POWER_FILTER, needed_v=450.0).found
    assert turned.rated_v == pytest.approx(pair.rated_v, rel=1e-12)
    # 520 V would put 354 V on the 350 V part in that case.
    assert from_stock(stock, 20e-6, Role.POWER_FILTER, needed_v=520.0).found == ()


@pytest.mark.parametrize("role", AWAY)
@pytest.mark.parametrize("needed", [100.0, 445.0, 700.0, 1000.0])
def test_nothing_from_the_list_is_ever_rated_below_what_is_needed(role, needed):
    rows = [
        f"{value},{volts}V,10%,{dielectric},2"
        for value in ("10n", "22n", "33n", "47n", "100n", "10uF", "47uF", "100p", "220p")
        for volts in (63, 400, 630, 1000)
        for dielectric in ("", "film", "mica", "electrolytic", "ceramic")
    ]
    stock = stock_of(*rows)
    for value in (50e-12, 220e-12, 20e-9, 50e-9, 22e-6):
        advice = from_stock(stock, value, role, needed_v=needed)
        for each in advice.found:
            assert each.rated_v >= needed * (1 - 1e-9)
            for part in each.parts:
                assert each.equalise or part.rated_v >= needed
                if part.dielectric:
                    fit = suitable_dielectric(part.dielectric, role, part.value_farad).fit
                    assert fit is not Fit.DOES_NOT
            if each.equalise:
                assert role in (Role.POWER_FILTER, Role.FIRST_FILTER)


# --- the whole advice


def test_the_worked_job_at_the_output_plate():
    # Trade notes, worked job: for .02 uF 400 V at the output plate 0.022 uF (+10 %), 1000 V or more, film.
    advice = ask(".02uF", Role.OUTPUT_PLATE)
    chosen = next(each for each in advice.suggestions if each.recommended)
    assert chosen.value_farad == 22e-9
    assert chosen.deviation == pytest.approx(0.10)
    assert advice.rated.suggested_v == 1000.0
    assert {each.name for each in advice.dielectrics if each.fit is Fit.SUITS} == {
        "polypropylene film",
        "polyester film",
    }
    assert "pulse rating" in " ".join(advice.unknown)
    too_low = ask(".02uF", Role.OUTPUT_PLATE, rated_asked_v=400.0)
    assert too_low.rated.asked_fits is False


def test_the_worked_line_to_chassis_job():
    # Trade notes, worked job: line-to-chassis .05: 2.26 mA now; .0047 Y gives 0.21 mA.
    advice = ask(".05uF", Role.LINE_TO_CHASSIS, line_v=120.0, line_hz=60.0)
    assert advice.in_short == "4.70 nF class Y safety part, no other kind"


def test_what_is_not_known_is_said():
    bare = " ".join(ask("25uF", Role.CATHODE_BYPASS, working=WorkingVoltage(volts=8.0)).unknown)
    for word in ("--next", "ripple current", "ESR", "temperature", "lead spacing", "tolerance"):
        assert word in bare
    given = ask("47n", Role.COUPLING, surroundings=Surroundings(next_ohm=470e3, source_ohm=60e3))
    assert "--next" not in " ".join(given.unknown)
    assert "actual surge" in " ".join(given.unknown)


def test_volts_without_a_name_are_taken_as_the_supply_and_that_is_said():
    assert "whole supply" in " ".join(ask("47n", Role.COUPLING, working=WorkingVoltage(volts=265.0)).notes)
    assert "whole supply" not in " ".join(ask("47n", Role.COUPLING).notes)
    assert "B+ does not reach" in " ".join(ask("25uF", Role.CATHODE_BYPASS).notes)


def test_the_missing_working_voltage_is_refused():
    with pytest.raises(ReplacementError, match="working voltage is missing"):
        ask("47n", Role.COUPLING, working=None)


@pytest.mark.parametrize("value", [0.0, -47e-9, math.nan, 2.0, 1e-15])
@pytest.mark.parametrize("role", [Role.COUPLING, Role.LINE_TO_CHASSIS])
def test_an_impossible_value_is_refused(value, role):
    with pytest.raises(ReplacementError, match="cannot be replaced"):
        advise_replacement(ReplacementRequest(value_farad=value, role=role, working=HT))


@pytest.mark.parametrize(
    "around",
    [
        {"next_ohm": 0.0},
        {"next_ohm": -1.0},
        {"source_ohm": 0.0},
        {"next_ohm": math.nan},
        {"at_hz": (0.0,)},
        {"at_hz": (-50.0,)},
    ],
)
def test_impossible_surroundings_are_refused(around):
    with pytest.raises(ReplacementError, match="cannot be used"):
        ask("47n", Role.COUPLING, surroundings=Surroundings(**around))


def test_the_kind_of_part_follows_position_and_value():
    assert part_type(Role.COUPLING, 47e-9) is PartType.FILM
    assert part_type(Role.COUPLING, 470e-12) is PartType.MICA_OR_C0G
    assert part_type(Role.COUPLING, 0.001e-6) is PartType.FILM
    assert part_type(Role.CATHODE_BYPASS, 25e-6) is PartType.ELECTROLYTIC
    assert part_type(Role.SCREEN_BYPASS, 0.1e-6) is PartType.FILM
    assert part_type(Role.TUNED, 4.7e-9) is PartType.MICA_OR_C0G
    assert part_type(Role.TUNED, 47e-9) is PartType.FILM
    assert part_type(Role.LINE_TO_CHASSIS, 4.7e-9) is PartType.SAFETY
