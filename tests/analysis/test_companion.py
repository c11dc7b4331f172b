"""The companion: how it is written, where it goes, and what size it must have."""

import pickle
from math import pi

import numpy as np
import pytest
from made_sweeps import wrenfield
from network_stages import FIVE_STAGES

from twonode.analysis.companion import (
    Across,
    CompanionError,
    companion_name,
    companion_part,
    companions_of,
    nearest_e12,
    parse_companion,
    schematic_value,
    shifted_ohm,
    with_companion,
    without_companions,
)
from twonode.analysis.errors import StageError
from twonode.analysis.hookup import HookUp, hookup_drawing, series_stage, shunt_stage
from twonode.analysis.model import UnseenPart
from twonode.analysis.quantities import Tolerance, parse_quantity
from twonode.analysis.stage import GROUND, PartKind

R, C = PartKind.RESISTOR, PartKind.CAPACITOR
TENTH = Tolerance(minus=0.001, plus=0.001)


def clip(stage, part="C7", kind=R, value=100e3, across=Across.FAR, tolerance=TENTH):
    return companion_part(stage, part, kind=kind, value=value, tolerance=tolerance, across=across)


@pytest.mark.parametrize(
    ("text", "kind", "value", "plus"),
    [
        ("100k 0.1%", R, 100e3, 0.001),
        ("10n 1%", C, 10e-9, 0.01),
        ("4k7 ±1%", R, 4700.0, 0.01),
        ("4k7±1 %", R, 4700.0, 0.01),
        (" 1M, 0.05%", R, 1e6, 0.0005),
        ("0.05 mfd 5%", C, 0.05e-6, 0.05),
        ("470R +-2%", R, 470.0, 0.02),
        ("22 ohm 0.1 %", R, 22.0, 0.001),
        ("250 mmf 10%", C, 250e-12, 0.1),
        ("10n -2/+5%", C, 10e-9, 0.05),
    ],
)
def test_resistor_or_capacitor_is_told_by_the_unit(text, kind, value, plus):
    found = parse_companion(text)
    assert (found.kind, found.value, found.tolerance.plus) == (kind, pytest.approx(value, rel=1e-12), plus)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("100 0.1%", "100R"),
        ("0.05 1%", "could be a resistor or a capacitor"),
        ("5m 1%", "neither"),
        ("100k", "value and tolerance"),
        ("1%", "value and tolerance"),
        ("", "value and tolerance"),
        ("22n 0%", "not possible"),
        ("0k 1%", "above zero"),
        ("-10k 1%", "above zero"),
        ("10x 1%", "neither"),
        ("10 mH 1%", "neither"),
        ("100k 1..%", "tolerance"),
    ],
)
def test_what_is_unclear_is_refused_with_advice(text, words):
    with pytest.raises(CompanionError) as caught:
        parse_companion(text)
    error = caught.value
    assert words in str(error)
    assert error.do
    assert str(pickle.loads(pickle.dumps(error))) == str(error)


@pytest.mark.parametrize(
    ("value", "kind", "text"),
    [
        (100e3, R, "100k"),
        (4700.0, R, "4k7"),
        (1e6, R, "1M"),
        (470.0, R, "470R"),
        (2.2, R, "2R2"),
        (0.47, R, "0R47"),
        (10e-9, C, "10n"),
        (2.2e-9, C, "2n2"),
        (1.5e-12, C, "1p5"),
        (4.7e-6, C, "4u7"),
    ],
)
def test_values_are_written_as_on_a_schematic_and_read_back(value, kind, text):
    assert schematic_value(value, kind) == text
    assert parse_quantity(text, kind.unit) == pytest.approx(value, rel=1e-9)


def test_the_name_carries_the_value_so_that_two_companions_are_two_parts():
    assert companion_name(100e3, R) == "companion 100 kΩ"
    assert companion_name(4700.0, R) == "companion 4.7 kΩ"
    assert companion_name(10e-9, C) == "companion 10 nF"
    assert companion_name(100.1e3, R) != companion_name(100e3, R)


def test_across_the_far_node_it_goes_to_ground_and_across_the_part_beside_it():
    stage = wrenfield()
    far, part = clip(stage), clip(stage, across=Across.PART)
    assert far.between == ("output grid", GROUND)
    assert part.between == stage.part("C7").between
    assert far.role == part.role == "companion"
    helped = with_companion(stage, far)
    assert companions_of(helped) == (far,)
    assert without_companions(helped) == stage
    with pytest.raises(StageError, match="used 2 times"):
        with_companion(helped, far)


def test_what_it_shifts_is_what_else_is_at_the_far_node():
    # Closed form: R beside the probe's 10 Mohm and 12 pF, at the corner that they make with C.
    ohm, farad = 470e3, 22e-9
    stage = series_stage(
        part="C7", value_farad=farad, tolerance=TENTH, resistor_ohm=ohm, resistor_tolerance=TENTH
    )
    found, corner_hz = shifted_ohm(stage, "C7", Across.FAR)
    loaded = 1.0 / (1 / ohm + 1 / 10e6)
    # The corner is looked for on a grid of 20 a decade: 6 %.
    assert corner_hz == pytest.approx(1.0 / (2 * pi * loaded * farad), rel=0.07)
    assert found == pytest.approx(loaded / abs(1 + 2j * pi * corner_hz * 12e-12 * loaded), rel=1e-6)
    across, _ = shifted_ohm(stage, "C7", Across.PART)
    assert across == pytest.approx(1.0 / (2 * pi * corner_hz * farad), rel=1e-12)
    shunt = shunt_stage(
        part="C7", value_farad=farad, tolerance=TENTH, resistor_ohm=ohm, resistor_tolerance=TENTH
    )
    assert shifted_ohm(shunt, "C7", Across.FAR)[0] == pytest.approx(loaded, rel=1e-3)


def test_a_far_node_that_only_the_part_ties_down_has_the_probe_at_least():
    stage = FIVE_STAGES[2]
    ohm, _ = shifted_ohm(stage, "C1", Across.FAR)
    assert np.isfinite(ohm)
    assert 1e2 < ohm < 1e7


@pytest.mark.parametrize(
    ("kind", "value", "across", "suits"),
    [
        (R, 1e3, Across.FAR, "470k"),
        (R, 100e6, Across.FAR, "470k"),
        (C, 10e-6, Across.FAR, "22n"),
        (C, 100e-12, Across.FAR, "22n"),
        (R, 1e3, Across.PART, "470k"),
        (C, 10e-6, Across.PART, "22n"),
    ],
)
def test_a_companion_a_hundred_times_off_is_refused_with_one_that_suits(kind, value, across, suits):
    with pytest.raises(CompanionError) as caught:
        clip(wrenfield(), kind=kind, value=value, across=across)
    assert "far too" in caught.value.what
    advised = caught.value.do.removeprefix("Clip on about ").removesuffix(".")
    assert parse_quantity(advised, kind.unit) == pytest.approx(parse_quantity(suits, kind.unit), rel=0.25)
    # What is advised is accepted.
    clip(wrenfield(), kind=kind, value=parse_quantity(advised, kind.unit), across=across)


@pytest.mark.parametrize("share", [0.0101, 99.0])
def test_the_limits_are_a_hundredth_and_a_hundred_times(share):
    ohm, _ = shifted_ohm(wrenfield(), "C7", Across.FAR)
    clip(wrenfield(), value=ohm * share)
    with pytest.raises(CompanionError):
        clip(wrenfield(), value=ohm * (share / 1.03 if share < 1 else share * 1.03))


def test_a_part_that_cannot_be_seen_gets_no_companion():
    with pytest.raises(UnseenPart, match="C6"):
        clip(wrenfield(), part="C6")
    with pytest.raises(StageError, match="R12"):
        clip(wrenfield(), part="R12")
    with pytest.raises(CompanionError, match="inductor"):
        clip(wrenfield(), kind=PartKind.INDUCTOR, value=1.0)


def test_the_nearest_e12_value_is_nearest_in_the_logarithm():
    assert nearest_e12(448.9e3) == 470e3
    assert nearest_e12(1.04e3) == 1e3
    assert nearest_e12(9.5e3) == 10e3
    assert nearest_e12(9.0e3) == 8.2e3


@pytest.mark.parametrize("across", list(Across))
def test_the_drawing_shows_the_companion_and_says_when_it_may_be_clipped_on(across):
    stage = wrenfield()
    drawing = hookup_drawing(HookUp.STAGE, with_companion(stage, clip(stage, across=across)))
    assert drawing.isascii()
    assert "companion 100 kohm" in drawing
    assert "companion" not in hookup_drawing(HookUp.STAGE, stage)
    (caution,) = [line for line in drawing.splitlines() if "clip the companion" in line.lower()]
    assert "unplugged" in caution
    assert max(map(len, drawing.splitlines())) <= 120
