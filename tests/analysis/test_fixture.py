"""The fixture for loose parts: which resistor, what the empty one says, and a first look."""

from __future__ import annotations

import json
from dataclasses import replace
from math import pi

import pytest
from fixture_sweeps import PART, MadeFixture, capacitor, resistor

from twonode.analysis.fixture import (
    FIXTURE_RESISTORS_OHM,
    STRAY_ACROSS,
    advised_fixture,
    fixture_stage,
    iec_frequencies,
    open_advice,
    reaching_resistor,
    scout_advice,
)
from twonode.analysis.fixture_open import FixtureNotOpen, open_fixture, part_admittances
from twonode.analysis.hookup import HookUp
from twonode.analysis.known_part import check_known_part, known_part_document
from twonode.analysis.loose_part import LooseState, characterise
from twonode.analysis.loose_report import (
    ROW_COLUMNS,
    bin_of,
    label_text,
    loose_part_document,
    loose_part_row,
    value_words,
)
from twonode.analysis.quantities import Tolerance
from twonode.analysis.scout import next_fixture, not_settled, scout

PERCENT = Tolerance(minus=0.01, plus=0.01)


@pytest.fixture(scope="module")
def made() -> MadeFixture:
    return MadeFixture()


@pytest.fixture(scope="module")
def known(made):
    return made.open()


def looked(made, known, admittance, ohm=1e4):
    return scout(
        [made.sweep(admittance, scout_advice(resistor_ohm=ohm), farad=100e-9)], part=PART, fixture=known
    )


# Which resistor


def test_series_below_the_reactance_and_to_ground_where_no_resistor_is_below():
    """x = 2 pi 1 kHz C R: by the rule of the module at most 0.35 in series, up to 1 with the smallest resistor."""
    expected = {
        10e-12: (HookUp.SERIES, 1e6),
        47e-12: (HookUp.SERIES, 1e6),
        100e-12: (HookUp.SERIES, 1e5),
        1e-9: (HookUp.SERIES, 1e4),
        22e-9: (HookUp.SERIES, 1e3),
        0.1e-6: (HookUp.SERIES, 1e2),
        1e-6: (HookUp.SERIES, 1e2),
        2.2e-6: (HookUp.SHUNT, 1e2),
        100e-6: (HookUp.SHUNT, 1e2),
    }
    found = {farad: advised_fixture(farad) for farad in expected}
    assert {farad: (a.hookup, a.resistor_ohm) for farad, a in found.items()} == expected


def test_only_a_resistor_at_hand_is_advised():
    assert advised_fixture(22e-9, resistors_ohm=(1e5, 1e6)).resistor_ohm == 1e5
    assert advised_fixture(22e-9, resistors_ohm=(1e5, 1e6)).hookup is HookUp.SHUNT


def test_two_looks_and_the_measurement_are_eight_points_at_most():
    for exponent in range(-12, -3):
        advice = advised_fixture(10.0**exponent)
        assert len(advice.frequencies_hz) + 2 * len(scout_advice().frequencies_hz) <= 8


# IEC 60384-1 (from memory): up to 1 nF at 1 MHz or 100 kHz, 1 nF to 10 uF at 1 kHz, above at 100 or 120 Hz.
@pytest.mark.parametrize(
    ("farad", "expected"),
    [(100e-12, 1e6), (1e-9, 1e6), (10e-9, 1e3), (4.7e-6, 1e3), (10e-6, 120.0), (100e-6, 120.0)],
)
def test_iec_60384_frequencies_are_asked_for_and_measured(farad, expected):
    assert {1e3, 100e3, expected} <= set(iec_frequencies(farad))
    points = advised_fixture(farad).frequencies_hz
    assert all(any(abs(p / hz - 1) < 0.1 for p in points) for hz in iec_frequencies(farad))


def test_what_may_be_polarised_gets_no_more_than_0_3_volts_peak():
    assert scout_advice().level_vpp <= 0.6
    assert advised_fixture(0.47e-6).level_vpp <= 0.6
    assert advised_fixture(1e-9).level_vpp > 0.6


def test_the_resistor_that_reaches_a_part_is_the_one_nearest_to_its_reactance():
    assert reaching_resistor(22e-9, 1e3) == 1e4  # 7.2 kohm
    assert reaching_resistor(22e-9, 100e3) == 1e2  # 72 ohm
    assert reaching_resistor(100e-6, 1e6) is None  # 1.6 mohm


@pytest.mark.parametrize("wrong", [0.0, -1e-9, float("nan")])
def test_no_resistor_for_a_value_that_is_none(wrong):
    with pytest.raises(ValueError, match="farad"):
        advised_fixture(wrong)


def test_a_set_is_no_fixture():
    with pytest.raises(ValueError, match="series or shunt"):
        fixture_stage(HookUp.STAGE, part="C1", resistor_ohm=1e3)


def test_the_advice_says_where_both_parts_go():
    assert advised_fixture(1e-9).clip_in == (
        "Clip in 10.0 kΩ from far to ground, the part from drive to far."
    )
    assert advised_fixture(10e-6).clip_in.endswith("from drive to far, the part from far to ground.")


# The empty fixture


def test_the_strays_of_the_empty_fixture_are_found(made, known):
    across, ground = known.across, known.to_ground
    assert across.value == pytest.approx(made.across_farad, abs=4 * across.standard_uncertainty)
    assert across.standard_uncertainty < 0.02e-12
    total = made.ground_farad + made.probe_farad
    assert ground.value == pytest.approx(total, abs=4 * ground.standard_uncertainty)
    assert ground.standard_uncertainty < 0.1e-12
    assert known.misfit is None


def test_a_part_left_in_the_empty_fixture_is_recognised(made):
    sweep = made.sweep(capacitor(22e-12), open_advice())
    left_in = replace(sweep, stage=made.sweep(None, open_advice()).stage)
    with pytest.raises(FixtureNotOpen, match=r"23 pF|24 pF"):
        open_fixture([left_in], [made.null()])


@pytest.mark.parametrize("part", [resistor(0.5), capacitor(1e-6)])
def test_a_shorted_fixture_is_recognised(made, part):
    sweep = made.sweep(part, open_advice())
    shorted = replace(sweep, stage=made.sweep(None, open_advice()).stage)
    with pytest.raises(FixtureNotOpen, match="shorted"):
        open_fixture([shorted], [made.null()])


def test_an_empty_fixture_needs_a_sweep_with_points(made):
    with pytest.raises(ValueError, match="open fixture"):
        open_fixture([], [made.null()])
    with pytest.raises(ValueError, match="open fixture"):
        open_fixture([replace(made.sweep(None, open_advice()), points=())], [])


def test_without_a_null_run_the_strays_are_found_less_well(made, known):
    alone = open_fixture([made.sweep(None, open_advice())])
    assert alone.across.value == pytest.approx(made.across_farad, rel=0.1)
    assert alone.across.standard_uncertainty > known.across.standard_uncertainty


def test_the_admittance_of_one_reading_is_the_parts_own(made, known):
    for admittance, advice in (
        (capacitor(1e-9, 0.02), advised_fixture(1e-9)),
        (capacitor(5e-6), advised_fixture(5e-6)),
    ):
        found = part_admittances(made.sweep(admittance, advice), known, PART)
        for hz, y, u in zip(found.frequency_hz, found.admittance, found.uncertainty, strict=True):
            if hz < 2e3:
                assert abs(y - admittance(hz)) < 5 * u + 2e-3 * abs(y)


# A first look


@pytest.mark.parametrize("farad", [10e-12, 100e-12, 4.7e-9, 0.1e-6, 1e-6])
def test_one_point_tells_about_what_value_there_is(made, known, farad):
    found = looked(made, known, capacitor(farad, 0.01))
    assert found.state is LooseState.MEASURED
    assert found.farad == pytest.approx(farad, rel=0.2)
    assert next_fixture(found).resistor_ohm == advised_fixture(farad).resistor_ohm


def test_nothing_in_the_fixture_is_an_open_part(made, known):
    found = looked(made, known, capacitor(0.5e-12))
    assert found.state is LooseState.OPEN
    assert found.at_most_farad < 5e-12
    assert next_fixture(found) is None


def test_a_part_too_large_for_the_resistor_is_looked_at_with_the_smallest(made, known):
    found = looked(made, known, capacitor(10e-6, 0.05), ohm=1e6)
    assert found.state is LooseState.OUT_OF_REACH
    assert found.at_least_farad < 10e-6
    assert "100 Ω would reach it" in found.because
    again = next_fixture(found)
    assert (again.scout, again.resistor_ohm) == (True, 1e2)
    assert looked(made, known, capacitor(10e-6, 0.05), ohm=1e2).farad == pytest.approx(10e-6, rel=0.1)


def test_a_part_too_small_for_the_resistor_is_looked_at_with_the_largest():
    """Noise of 1e-3 hides the 3e-5 that 47 pF pass beside 100 ohm."""
    noisy = MadeFixture(noise=2e-3)
    known = noisy.open()
    found = looked(noisy, known, capacitor(47e-12), ohm=1e2)
    assert found.state is LooseState.OUT_OF_REACH
    assert found.at_most_farad > 47e-12
    assert "1.00 MΩ would reach it" in found.because
    assert next_fixture(found).resistor_ohm == 1e6


def test_a_trace_of_a_hundredth_of_a_code_is_not_believed():
    """12 pF beside 100 ohm pass 7e-6: whatever phase the record shows, it is no coil and no short."""
    for turn in (1.0, -1.0, 1j):
        made = MadeFixture(noise=1e-6)
        sweep = made.sweep(capacitor(12e-12), scout_advice(resistor_ohm=1e2))
        point = sweep.points[0]
        sweep = replace(sweep, points=(replace(point, ratio=point.ratio * turn),))
        found = scout([sweep], part=PART, fixture=made.open())
        assert found.state is LooseState.OUT_OF_REACH
        assert next_fixture(found).resistor_ohm == 1e6


def test_a_part_that_does_not_settle_is_looked_at_with_the_smallest():
    found = not_settled(resistor_ohm=1e6, waited_s=0.1)
    assert found.state is LooseState.OUT_OF_REACH
    assert "100 Ω would reach it" in found.because
    assert next_fixture(found).resistor_ohm == 1e2


def test_a_part_that_passes_next_to_nothing_is_looked_at_with_the_largest_though_its_record_was_refused():
    """10 pF beside 10 kohm: 7e-4 of the drive, of which rounding makes something else in each half of the record."""
    found = not_settled(resistor_ohm=1e4, waited_s=0.8, ratio=7e-4j, frequency_hz=936.0)
    assert found.state is LooseState.OUT_OF_REACH
    assert 10e-12 < found.at_most_farad < 50e-12
    assert next_fixture(found).resistor_ohm == 1e6
    assert next_fixture(not_settled(resistor_ohm=1e4, waited_s=0.8, ratio=0.97 + 0.1j)).resistor_ohm == 1e2
    # Nothing at all in a refused record does not make the part an open one.
    assert next_fixture(not_settled(resistor_ohm=1e2, waited_s=0.8, ratio=1e-9 + 0j)).resistor_ohm == 1e6


def test_with_one_resistor_at_hand_there_is_no_second_look(made, known):
    found = looked(made, known, capacitor(10e-6, 0.05), ohm=1e6)
    assert next_fixture(found, resistors_ohm=(1e6,)) is None


@pytest.mark.parametrize(
    ("admittance", "ohm", "state"),
    [
        (resistor(0.5), 1e2, LooseState.SHORTED),
        (resistor(0.01), 1e2, LooseState.SHORTED),
        (resistor(4.7e3), 1e4, LooseState.NOT_A_CAPACITOR),
        (lambda hz: 1.0 / (20.0 + 2j * pi * hz * 0.1), 1e3, LooseState.NOT_A_CAPACITOR),  # a coil of 0.1 H
        (capacitor(470e-6, 0.05, esr_ohm=2.0), 1e2, LooseState.MEASURED),
        (capacitor(1e-9, leak_ohm=100e3), 1e4, LooseState.MEASURED),
    ],
)
def test_what_is_no_capacitor_is_said_to_be_none(made, known, admittance, ohm, state):
    found = looked(made, known, admittance, ohm=ohm)
    assert found.state is state
    assert (next_fixture(found) is None) == (state is not LooseState.MEASURED)


def test_a_shorted_or_open_part_has_no_value_but_a_row_a_label_and_a_bin(made, known):
    for admittance, ohm, word in ((resistor(0.5), 1e2, "shorted"), (capacitor(0.4e-12), 1e4, "open")):
        sweep = made.sweep(admittance, scout_advice(resistor_ohm=ohm))
        loose = characterise([sweep], part=PART, fixture=known)
        assert loose.value is None
        assert loose.capacitance_at(1e3) is None
        assert loose.why_not(1e3) == loose.because
        assert bin_of(loose) == word
        assert label_text(loose) == f"{word}: do not use"
        assert set(loose_part_row(loose)) == set(ROW_COLUMNS)
        assert loose_part_document(loose)["capacitance"] is None


# The known part, and what is written of a part


def test_a_known_part_agrees_or_does_not(made, known):
    loose = characterise([made.measured(capacitor(1.004e-9, 0.0005), 1e-9)], part=PART, fixture=known)
    check = check_known_part(loose, 1e-9, PERCENT)
    assert check.agrees
    assert check.probability > 0.99
    # A resistor 10 % off is read as a capacitor 10 % off.
    off = check_known_part(loose, 1.1e-9, PERCENT)
    assert not off.agrees
    assert off.probability < 0.01
    assert "outside" in off.because
    assert "resistor" in off.do
    assert json.dumps(known_part_document(off), allow_nan=False)


def test_a_known_part_without_a_value_does_not_agree(made, known):
    loose = characterise([made.sweep(capacitor(0.4e-12), scout_advice())], part=PART, fixture=known)
    check = check_known_part(loose, 1e-9, PERCENT)
    assert (check.agrees, check.probability, check.measured) == (False, 0.0, None)
    assert known_part_document(check)["capacitance"] is None


@pytest.mark.parametrize(
    "admittance", [capacitor(22e-9, 0.016), capacitor(220e-12, 1e-5), capacitor(10e-6, 0.05, esr_ohm=3.0)]
)
def test_document_and_row_hold_plain_numbers_only(made, known, admittance):
    farad = admittance(1e3).imag / (2 * pi * 1e3)
    loose = characterise([made.measured(admittance, farad)], part=PART, fixture=known)
    document = loose_part_document(loose)
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert document["capacitance"]["value"] == loose.value.value
    assert {at["frequency_hz"] for at in document["at"]} >= {1e3, 1e5}
    assert "working voltage" in document["not_tested"]
    assert sum(f["probability"] for f in document["families"]) == pytest.approx(1.0)
    row = loose_part_row(loose)
    assert tuple(row) == ROW_COLUMNS
    assert row["c_farad"] == loose.value.value
    assert row["nearest_farad"] == loose.nearest.farad
    assert (row["tan_delta_1khz"] is None) == (row["tan_delta_1khz_at_most"] is not None)
    assert bin_of(loose).startswith(value_words(loose.nearest.farad))
    assert "voltage unknown: not for line or B+" in label_text(loose)


def test_a_value_between_e12_goes_by_e24():
    assert value_words(2e-9) == "2 nF"
    assert [value_words(f) for f in (10e-12, 1e-9, 4.7e-9, 22e-9, 1e-7, 10e-6)] == [
        "10 pF",
        "1000 pF",
        "4.7 nF",
        "22 nF",
        "0.1 µF",
        "10 µF",
    ]


def test_fixture_resistors_are_decades_from_100_ohm_to_1_megohm():
    assert FIXTURE_RESISTORS_OHM == (1e2, 1e3, 1e4, 1e5, 1e6)
    stage = fixture_stage(HookUp.SERIES, part="C1", resistor_ohm=1e4)
    assert stage.part("R 10.0 kΩ").tolerance == Tolerance(minus=0.001, plus=0.001)
    assert stage.part(STRAY_ACROSS).role == "stray"
