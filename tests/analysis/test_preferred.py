"""Preferred values against the tables of IEC 60063 as printed."""

import math
import random

import pytest

from twonode.analysis.preferred import PreferredValueError, Series, nearest, neighbours, values

# IEC 60063; the same figures as the independent library eseries 1.2.1 gives.
E3 = (10, 22, 47)
E6 = (10, 15, 22, 33, 47, 68)
E12 = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
# E48 is every other value of E96.
# fmt: off
E96 = (
    100, 102, 105, 107, 110, 113, 115, 118, 121, 124, 127, 130, 133, 137, 140, 143,
    147, 150, 154, 158, 162, 165, 169, 174, 178, 182, 187, 191, 196, 200, 205, 210,
    215, 221, 226, 232, 237, 243, 249, 255, 261, 267, 274, 280, 287, 294, 301, 309,
    316, 324, 332, 340, 348, 357, 365, 374, 383, 392, 402, 412, 422, 432, 442, 453,
    464, 475, 487, 499, 511, 523, 536, 549, 562, 576, 590, 604, 619, 634, 649, 665,
    681, 698, 715, 732, 750, 768, 787, 806, 825, 845, 866, 887, 909, 931, 953, 976,
)
# fmt: on
E24 = tuple(sorted((*E12, 11, 13, 16, 20, 24, 30, 36, 43, 51, 62, 75, 91)))


@pytest.mark.parametrize(
    ("series", "printed"), [(Series.E3, E3), (Series.E6, E6), (Series.E12, E12), (Series.E24, E24)]
)
def test_the_two_digit_series_are_those_of_iec_60063(series, printed):
    assert series.decade == printed


def test_e24_has_the_eight_values_that_are_not_the_rounded_root():
    # Eight exceptions formula -> standard, known of the standard's table.
    rounded = [round(10 * 10 ** (step / 24)) for step in range(24)]
    changed = {a: b for a, b in zip(rounded, Series.E24.decade, strict=True) if a != b}
    assert changed == {26: 27, 29: 30, 32: 33, 35: 36, 38: 39, 42: 43, 46: 47, 83: 82}


def test_e96_and_e48_are_those_of_iec_60063():
    assert Series.E96.decade == E96
    assert Series.E48.decade == E96[::2]


@pytest.mark.parametrize("series", list(Series))
def test_nearest_and_neighbours_agree_with_a_search_through_all_values(series):
    digits = len(str(series.decade[0])) - 1
    every = [float(f"{m}e{e - digits}") for e in range(-14, 10) for m in series.decade]
    dice = random.Random(60063)
    for _ in range(60):
        value = 10 ** dice.uniform(-12, 8)
        assert neighbours(value, series) == (
            max(each for each in every if each <= value),
            min(each for each in every if each >= value),
        )
        assert nearest(value, series) == min(every, key=lambda each: abs(each - value))


def test_a_member_is_its_own_neighbour_in_every_decade_and_is_the_float_a_person_types():
    for exponent in range(-13, 7):
        for mantissa in E24:
            typed = float(f"{mantissa}e{exponent}")
            assert neighbours(typed, Series.E24) == (typed, typed)
            assert neighbours(math.nextafter(typed, 0), Series.E24) == (typed, typed)
    assert nearest(50e-9, Series.E12) == 47e-9


def test_between_two_decades_the_neighbours_lie_on_both_sides():
    assert neighbours(96e-9, Series.E12) == (82e-9, 100e-9)
    assert nearest(96e-9, Series.E12) == 100e-9


@pytest.mark.parametrize("exponent", range(-12, -4))
def test_of_two_alike_the_higher_is_the_nearest(exponent):
    # 2.0 lies as far from 1.8 as from 2.2, and 3.0 as far from 2.7 as from 3.3.
    assert nearest(float(f"2e{exponent}"), Series.E12) == float(f"2.2e{exponent}")
    assert nearest(float(f"3e{exponent}"), Series.E12) == float(f"3.3e{exponent}")


def test_values_include_both_limits():
    assert values(Series.E6, 1e-9, 1e-8) == (1e-9, 1.5e-9, 2.2e-9, 3.3e-9, 4.7e-9, 6.8e-9, 1e-8)
    assert values(Series.E3, 23.0, 46.0) == ()


@pytest.mark.parametrize("value", [0.0, -1e-9, math.nan, math.inf])
def test_no_preferred_value_for_what_is_not_above_zero(value):
    with pytest.raises(PreferredValueError):
        nearest(value, Series.E12)


def test_a_range_upside_down_is_refused():
    with pytest.raises(PreferredValueError, match="lower limit"):
        values(Series.E12, 2.0, 1.0)
