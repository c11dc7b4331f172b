"""The hook-up drawn: generator, blocking capacitor and bleeder ahead of channel 1, and points as they are plotted."""

import math
import re
from xml.etree import ElementTree

import pytest

from twonode.analysis.curves import plotted_point
from twonode.analysis.ratio import RatioPoint
from twonode.analysis.schematic import schematic_svg
from twonode.analysis.schematic_feed import lead_svg, null_run_svg
from twonode.analysis.stage import shipped_stage, shipped_stage_names


@pytest.mark.parametrize("name", shipped_stage_names())
def test_generator_blocking_capacitor_and_bleeder_stand_ahead_of_channel_1(name):
    stage = shipped_stage(name)
    root = ElementTree.fromstring(schematic_svg(stage, fed=True))
    placed = {each.text: float(each.get("x")) for each in root.iter() if each.tag.endswith("text")}
    assert placed["generator"] < placed["bleeder"] < placed["CH 1"] < placed["CH 2"]
    assert placed["DC blocking"] < placed["bleeder"]
    width, height = map(float, root.get("viewBox").split()[2:])
    for each in root.iter():
        if each.tag.endswith("text"):
            assert 0 < float(each.get("x")) < width
            assert 0 < float(each.get("y")) < height
    described = next(each.text for each in root.iter() if each.tag.endswith("desc"))
    assert "DC-blocking capacitor" in described
    assert "ahead of channel 1" in described


def test_without_the_feed_nothing_of_it_is_drawn():
    svg = schematic_svg(shipped_stage("wrenfield-46-driver-output"))
    assert not re.search("generator|bleeder|blocking", svg)


def _texts(svg):
    return {
        each.text: (float(each.get("x")), float(each.get("y")))
        for each in ElementTree.fromstring(svg).iter()
        if each.tag.endswith("text")
    }


def test_in_the_null_run_both_tips_meet_behind_the_blocking_capacitor_and_nothing_else_is_there():
    svg = null_run_svg()
    root, placed = ElementTree.fromstring(svg), _texts(svg)
    wires = [
        [tuple(map(float, point.split(","))) for point in each.get("points").split()]
        for each in root.iter()
        if each.tag.endswith("polyline")
    ]
    tips = [next(w for w in wires if w[-1][0] == placed[f"CH {n}"][0] and len(w) == 2) for n in (1, 2)]
    assert tips[0][0] == tips[1][0], "both tips on one node"
    assert tips[0][0][0] > placed["bleeder"][0] > placed["DC blocking"][0]
    assert {"nothing else", "both ground", "clips here"} <= set(placed)
    width, height = map(float, root.get("viewBox").split()[2:])
    assert all(0 < x < width and 0 < y < height for x, y in placed.values())
    assert placed["nothing else"][0] + 8.5 * len("nothing else") <= width


def test_the_lead_by_itself_names_the_node_it_goes_to_as_text():
    svg = lead_svg("<b>anode & grid</b>")
    assert "to <b>anode & grid</b>" in _texts(svg)
    assert "CH 2" not in _texts(svg)
    assert "<b>" not in svg


def test_a_point_is_plotted_with_the_half_widths_of_its_covariance():
    # Closed form: |ratio| 0.5 at 60 degrees, independent sigma of 0.001 in both parts. 20 log10(0.5) = -6.0206 dB;
    # 1.96 x 0.002 relative is 1.96 x 0.002 x 8.6859 dB and 1.96 x 0.002 rad.
    ratio = 0.5 * complex(math.cos(math.pi / 3), math.sin(math.pi / 3))
    found = plotted_point(
        RatioPoint(
            frequency_hz=100.0,
            ratio=ratio,
            ratio_cov=(1e-6, 0.0, 1e-6),
            quantisation_share=0.0,
            drive_volts_per_div=1.0,
            far_volts_per_div=1.0,
        )
    )
    assert found.decibels == pytest.approx(-6.0206, abs=1e-4)
    assert found.degrees == pytest.approx(60.0)
    assert found.decibels_half == pytest.approx(1.96 * 0.002 * 8.6859, rel=1e-4)
    assert found.degrees_half == pytest.approx(math.degrees(1.96 * 0.002), rel=1e-6)
