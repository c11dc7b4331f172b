"""A loose part in the fixture, its ratios worked out by hand."""

from __future__ import annotations

from math import pi

import pytest
from fixture_sweeps import PART, MadeFixture, capacitor

from twonode.analysis.estimated import Quantity
from twonode.analysis.families import Dielectric
from twonode.analysis.fixture import AUDIO_HZ, HIGH_HZ, MAINS_HZ, RADIO_HZ, advised_fixture
from twonode.analysis.hookup import HookUp
from twonode.analysis.loose_model import Equivalent, parallel_ohm, series_ohm
from twonode.analysis.loose_part import LooseState, characterise
from twonode.analysis.loose_report import family_words, label_text, loss_words, resistance_words
from twonode.analysis.preferred import Series


@pytest.fixture(scope="module")
def made() -> MadeFixture:
    return MadeFixture()


@pytest.fixture(scope="module")
def known(made):
    return made.open()


def measured(made, known, admittance, farad, **more):
    return characterise([made.measured(admittance, farad, **more)], part=PART, fixture=known)


def test_trade_job_13_an_unmarked_part_of_1020_picofarads(made, known):
    """Trade notes, section 11, job 13: 1020 pF at 1 kHz, 1010 pF at 100 kHz, loss 0.1 %: nearest 1000 pF (+2 %),
    mica or low-loss film, volts unknown."""

    def part(hz: float) -> complex:
        return 2 * pi * hz * (1020e-12 if hz < 10e3 else 1010e-12) * (1j + 0.001)

    loose = measured(made, known, part, 1e-9)
    audio, high = loose.capacitance_at(AUDIO_HZ), loose.capacitance_at(HIGH_HZ)
    assert audio.value == pytest.approx(1020e-12, abs=4 * audio.standard_uncertainty)
    assert high.value == pytest.approx(1010e-12, abs=4 * high.standard_uncertainty)
    assert loose.tan_delta_at(AUDIO_HZ).value == pytest.approx(0.001, abs=1.5e-4)
    assert loose.nearest.farad == 1e-9
    assert loose.nearest.series is Series.E12
    assert loose.nearest.deviation == pytest.approx(0.02, abs=0.003)
    assert loose.change[0] == pytest.approx(-0.0098, abs=4 * loose.change[1])
    assert {s.dielectric for s in loose.families[:2]} == {Dielectric.MICA, Dielectric.LOW_LOSS_FILM}
    assert set(family_words(loose).split(" or ")) == {"mica", "low-loss film"}
    label = label_text(loose)
    assert label.startswith("1000 pF (+")
    assert label.endswith("voltage unknown: not for line or B+")


def test_loss_factor_of_the_references_as_resistance_in_series_and_across():
    """references.md, section 2: 0.1 uF, 1 kHz, tan delta 0.008: 12.7324 ohm in series, 198 956 ohm across.

    The 0.1 uF are those of the series equivalent; across, the same part has 1 + tan delta squared less.
    """
    assert series_ohm(0.1e-6, 0.008, 1e3) == pytest.approx(12.7324, abs=5e-5)
    assert parallel_ohm(0.1e-6 / (1 + 0.008**2), 0.008, 1e3) == pytest.approx(198_956, abs=0.5)


def test_the_same_loss_factor_measured(made, known):
    loose = measured(made, known, capacitor(0.1e-6, 0.008), 0.1e-6)
    for found, expected in (
        (loose.tan_delta_at(AUDIO_HZ), 0.008),
        (loose.esr_at(AUDIO_HZ), 12.7324),
        (loose.parallel_resistance_at(AUDIO_HZ), 198_956),
    ):
        assert found.value == pytest.approx(expected, abs=4 * found.standard_uncertainty)
        assert found.standard_uncertainty < 0.04 * expected
        assert found.interval95[0] < found.value < found.interval95[1]


@pytest.mark.parametrize("farad", [10e-12, 47e-12, 330e-12, 2.2e-9, 15e-9, 0.1e-6, 0.82e-6, 2.2e-6, 10e-6])
def test_value_and_loss_over_the_whole_range_in_series_and_to_ground(made, known, farad):
    loose = measured(made, known, capacitor(farad, 0.004), farad)
    assert loose.state is LooseState.MEASURED
    assert loose.misfit is None
    assert loose.points <= 6
    assert loose.value.value == pytest.approx(farad, rel=0.004)
    assert loose.tan_delta_at(AUDIO_HZ).value == pytest.approx(0.004, abs=6e-4)
    assert loose.nearest.e12_farad == pytest.approx(farad)


def test_the_fixtures_strays_are_not_the_parts(known):
    """Twice the strays: the same 10 pF."""
    other = MadeFixture(across_farad=2.8e-12, ground_farad=14e-12)
    loose = measured(other, other.open(), capacitor(10e-12, 0.001), 10e-12)
    assert loose.value.value == pytest.approx(10e-12, abs=4 * loose.value.standard_uncertainty)
    # Those of another fixture would be.
    wrong = measured(other, known, capacitor(10e-12, 0.001), 10e-12)
    assert wrong.misfit is not None or wrong.value.value > 11e-12


def test_a_loss_below_two_standard_uncertainties_is_an_upper_bound(made, known):
    loose = measured(made, known, capacitor(4.7e-9, 1e-5), 4.7e-9)
    loss = loose.tan_delta_at(AUDIO_HZ)
    assert loss.value is None
    assert 1e-5 < loss.at_most < 3e-4
    assert loose.esr_at(AUDIO_HZ).at_most == pytest.approx(series_ohm(4.7e-9, loss.at_most, 1e3), rel=0.01)
    assert loose.parallel_resistance_at(AUDIO_HZ).at_least == pytest.approx(
        parallel_ohm(4.7e-9, loss.at_most, 1e3), rel=0.01
    )


@pytest.mark.parametrize("loss", [0.0001, 0.0002, 0.0003, 0.0004, 0.0006, 0.001, 0.003])
def test_what_is_stated_of_a_small_loss_leaves_out_zero_in_every_form(made, known, loss):
    """A value from 2 u on and never with zero inside its interval; else a bound, in all three forms alike."""
    loose = measured(made, known, capacitor(2.7e-9, loss), 2.7e-9)
    reading = loose.at(AUDIO_HZ)
    forms = reading.tan_delta, reading.esr, reading.parallel_resistance
    stated = reading.best >= 2.0 * reading.standard_uncertainty
    for found in forms:
        assert (found.value is not None) is stated
        assert (found.interval95 is not None) is stated
    if not stated:
        return
    low, high = reading.tan_delta.interval95
    assert low > 0
    # R = tan d / (w C) in series, 1 / (w C tan d) across: the ends are those of tan delta, C being known well.
    assert reading.esr.interval95 == pytest.approx(
        (series_ohm(2.7e-9, low, 1e3), series_ohm(2.7e-9, high, 1e3)), rel=0.02
    )
    assert reading.parallel_resistance.interval95 == pytest.approx(
        (parallel_ohm(2.7e-9, high, 1e3), parallel_ohm(2.7e-9, low, 1e3)), rel=0.02
    )
    # What is printed as a half-width is one: no "34.0 ± 35.7 Ω".
    assert reading.esr.value - reading.esr.interval95[0] == pytest.approx(
        reading.esr.interval95[1] - reading.esr.value
    )
    assert reading.esr.interval95[1] < 2.0 * reading.esr.value


def test_a_small_loss_is_said_in_per_cent_and_an_uneven_interval_by_its_ends():
    loss = Quantity(unit="", value=3.5e-4, standard_uncertainty=1.5e-4, interval95=(5.6e-5, 6.4e-4))
    assert loss_words(loss) == "0.035 ± 0.029 %"
    assert loss_words(Quantity(unit="", at_most=0.0061)) == "at most 0.61 %"
    even = Quantity(unit="ohm", value=100.0, standard_uncertainty=5.0, interval95=(90.2, 109.8))
    assert resistance_words(even) == "100 ± 10 Ω"
    uneven = Quantity(unit="ohm", value=1e6, standard_uncertainty=4e5, interval95=(5.6e5, 4.6e6))
    assert resistance_words(uneven) == "560 kΩ to 4.6 MΩ"
    assert resistance_words(Quantity(unit="ohm", at_least=2e6)) == "at least 2.0 MΩ"


@pytest.mark.parametrize(
    ("farad", "label"),
    [
        (1.02e-9, "1000 pF (+2.0 %: 1020 pF)"),
        (122e-9, "0.12 µF (+1.7 %: 0.122 µF)"),
        (4.72e-9, "4.7 nF (+0.4 %: 4.7"),
    ],
)
def test_a_label_has_both_values_in_one_unit(made, known, farad, label):
    assert label_text(measured(made, known, capacitor(farad, 0.004), farad)).startswith(label)


def test_a_value_known_worse_than_3_percent_is_not_stated_but_the_resistor_that_would_reach_it():
    """Beside 10 kohm the 16 ohm that 0.1 uF have at 100 kHz turn the ratio by 1.6 mrad only."""
    coarse = MadeFixture(noise=2e-4)
    loose = characterise(
        [coarse.sweep(capacitor(0.1e-6, 0.001), advised_fixture(2e-9), farad=0.1e-6)],
        part=PART,
        fixture=coarse.open(),
    )
    assert loose.capacitance_at(AUDIO_HZ) is not None
    assert loose.capacitance_at(HIGH_HZ) is None
    why = loose.why_not(HIGH_HZ)
    assert "reactance of 16 Ω is too far from 10.0 kΩ" in why
    assert "100 Ω would reach it" in why


def test_every_stated_value_is_known_to_3_percent(made, known):
    for farad in (10e-12, 1e-9, 1e-6, 10e-6):
        for reading in measured(made, known, capacitor(farad, 0.01), farad).readings:
            stated = reading.capacitance
            assert (stated is None) == (reading.why_not is not None)
            assert stated is None or stated.standard_uncertainty <= 0.03 * stated.value


def test_a_frequency_that_was_not_measured_says_so(made, known):
    loose = measured(made, known, capacitor(22e-9, 0.01), 22e-9)
    assert loose.capacitance_at(RADIO_HZ) is None
    assert loose.why_not(RADIO_HZ) == "not measured at 1 MHz"
    assert loose.why_not(AUDIO_HZ) is None


def test_an_electrolytic_goes_by_its_series_equivalent(made, known):
    """10 uF with 5 ohm: tan delta 0.31 at 1 kHz, where the parallel equivalent is 9 % lower; C and ESR as built in."""
    loose = measured(made, known, capacitor(10e-6, 0.02, esr_ohm=5.0), 10e-6)
    assert loose.equivalent is Equivalent.SERIES
    assert loose.misfit is None
    assert loose.capacitance_at(MAINS_HZ).value == pytest.approx(10e-6, rel=0.005)
    assert loose.capacitance_at(AUDIO_HZ).value == pytest.approx(10e-6, rel=0.005)
    # ESR at 1 kHz: 5 ohm and the dielectric's 0.02 / (2 pi 1 kHz 10 uF) = 0.318 ohm.
    assert loose.esr_at(AUDIO_HZ).value == pytest.approx(5.318, rel=0.005)
    assert loose.esr_at(HIGH_HZ).value == pytest.approx(5.003, rel=0.005)
    assert loose.families[0].dielectric is Dielectric.ELECTROLYTIC
    assert "ESR 5.3 Ω at 1 kHz" in label_text(loose)


def test_a_leak_shows_at_1_khz_and_not_at_100_khz(made, known):
    """1 Mohm across 10 nF: tan delta 0.0159 of its own at 1 kHz, a hundredth of that at 100 kHz."""
    loose = measured(made, known, capacitor(10e-9, 0.005, leak_ohm=1e6), 10e-9)
    assert loose.misfit is None
    assert loose.tan_delta_at(AUDIO_HZ).value == pytest.approx(
        0.005 + 1 / (2 * pi * 1e3 * 10e-9 * 1e6), rel=0.02
    )
    high = loose.tan_delta_at(HIGH_HZ)
    assert (high.value or high.at_most) < 0.012


def test_a_heavy_leak_is_named_as_one_on_the_label(made, known):
    loose = measured(made, known, capacitor(10e-9, 0.005, leak_ohm=20e3), 10e-9)
    assert "leaks: 20 kΩ across it" in label_text(loose)


def test_a_first_look_with_the_same_resistor_counts_and_one_with_another_does_not(made, known):
    part = capacitor(22e-9, 0.01)
    main = made.measured(part, 22e-9)
    advice = advised_fixture(22e-9)
    same = made.sweep(part, advice, hz=(936.0,))
    other = made.sweep(part, advised_fixture(47e-12), hz=(936.0,))
    counts = [
        characterise([*looks, main], part=PART, fixture=known).at(AUDIO_HZ).points
        for looks in ([], [same], [other])
    ]
    assert counts[1] == counts[0] + 1
    assert counts[2] == counts[0]
    assert characterise([other, main], part=PART, fixture=known).points == len(main.points) + 1


def test_readings_that_do_not_fit_a_part_are_said_not_to(made, known):
    sweep = made.measured(capacitor(10e-9, 0.01), 10e-9)
    point = sweep.points[3]
    moved = type(point)(
        frequency_hz=point.frequency_hz,
        ratio=point.ratio * 1.02,
        ratio_cov=point.ratio_cov,
        quantisation_share=0.3,
        drive_volts_per_div=point.drive_volts_per_div,
        far_volts_per_div=point.far_volts_per_div,
    )
    points = tuple(moved if p is point else p for p in sweep.points)
    broken = type(sweep)(stage=sweep.stage, points=points)
    loose = characterise([broken], part=PART, fixture=known)
    assert "do not fit" in loose.misfit


def test_no_point_at_all_is_refused(made, known):
    empty = made.sweep(capacitor(1e-9), advised_fixture(1e-9), hz=(1e3,))
    with pytest.raises(ValueError, match="no point"):
        characterise([type(empty)(stage=empty.stage, points=())], part=PART, fixture=known)


def test_the_wide_loss_of_a_large_part_to_ground(made, known):
    """47 uF go to ground beside 100 ohm, and by their C at 120 Hz (IEC 60384-1, from memory)."""
    loose = measured(made, known, capacitor(47e-6, 0.08), 47e-6)
    assert advised_fixture(47e-6).hookup is HookUp.SHUNT
    assert loose.value_hz == MAINS_HZ
    assert loose.value.value == pytest.approx(47e-6, rel=0.005)
    assert loose.tan_delta_at(AUDIO_HZ).value == pytest.approx(0.08, rel=0.02)


def test_points_to_one_side_of_a_test_frequency_leave_the_loss_there_less_sure(made, known):
    """All at 1.3 kHz: whether 2 % of loss rise or fall from there to 1 kHz is not known from these alone."""
    part = capacitor(10e-9, 0.02)
    advice = advised_fixture(10e-9)
    around, aside = (
        characterise([made.sweep(part, advice, hz=hz)], part=PART, fixture=known).tan_delta_at(AUDIO_HZ)
        for hz in ((950.0, 1050.0, 960.0, 1060.0), (1300.0, 1301.0, 1302.0, 1303.0))
    )
    assert around.value == pytest.approx(0.02, abs=4 * around.standard_uncertainty)
    assert aside.standard_uncertainty > 5 * around.standard_uncertainty
    # ln 1.3 of a slope that is at most the loss itself, read as a rectangle.
    assert aside.standard_uncertainty == pytest.approx(0.2624 * aside.value / 3**0.5, rel=0.1)
    assert aside.value == pytest.approx(0.02, abs=2 * aside.standard_uncertainty)


@pytest.mark.parametrize("more", [{"esr_ohm": 300.0}, {"leak_ohm": 1e6}])
def test_a_loss_with_a_slope_is_read_at_the_test_frequency_itself(made, known, more):
    """Points at 0.9 and 1.2 kHz, and a loss in series or a leak across: read off at 1 kHz, not in between."""
    part = capacitor(10e-9, 0.002, **more)
    sweep = made.sweep(part, advised_fixture(10e-9), hz=(105e3, 95e3, 1200.0, 1210.0, 900.0, 905.0))
    loose = characterise([sweep], part=PART, fixture=known)
    exact = part(1e3).real / part(1e3).imag
    found = loose.tan_delta_at(AUDIO_HZ)
    assert loose.misfit is None
    assert found.value == pytest.approx(exact, abs=4 * found.standard_uncertainty)
    assert found.standard_uncertainty < 0.03 * exact
