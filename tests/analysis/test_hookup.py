"""The two fixtures as stages, and the drawing of each hook-up."""

import dataclasses

import pytest

from twonode.analysis.errors import StageError
from twonode.analysis.hookup import HookUp, hookup_drawing, series_stage, shunt_stage
from twonode.analysis.quantities import Tolerance
from twonode.analysis.stage import GROUND, PartKind, shipped_stage

TENTH = Tolerance(minus=0.001, plus=0.001)
FIXTURE = {
    "part": "C7",
    "value_farad": 22e-9,
    "tolerance": Tolerance(minus=0.1, plus=0.1),
    "resistor_ohm": 100e3,
    "resistor_tolerance": TENTH,
}


def test_in_series_the_part_is_between_the_nodes_and_the_resistor_goes_to_ground():
    stage = series_stage(**FIXTURE)
    assert stage.asked_part().name == "C7"
    assert stage.part("C7").between == (stage.drive, stage.far)
    assert stage.part("R").between == (stage.far, GROUND)
    assert (stage.part("R").kind, stage.part("R").value, stage.part("R").tolerance) == (
        PartKind.RESISTOR,
        100e3,
        TENTH,
    )


def test_in_shunt_the_resistor_is_between_the_nodes_and_the_part_goes_to_ground():
    stage = shunt_stage(**FIXTURE)
    assert stage.asked_part().name == "C7"
    assert stage.part("R").between == (stage.drive, stage.far)
    assert stage.part("C7").between == (stage.far, GROUND)


def test_a_part_called_r_does_not_clash_with_the_resistor():
    stage = series_stage(**(FIXTURE | {"part": "R"}))
    assert [part.name for part in stage.parts] == ["R", "Rk"]


@pytest.mark.parametrize("key", ["value_farad", "resistor_ohm"])
def test_a_zero_value_is_refused(key):
    with pytest.raises(StageError, match="more than 0"):
        shunt_stage(**(FIXTURE | {key: 0.0}))


DRAWN = [
    (HookUp.SERIES, series_stage(**FIXTURE)),
    (HookUp.SHUNT, shunt_stage(**FIXTURE)),
    (HookUp.STAGE, shipped_stage("wrenfield-46-driver-output")),
]


@pytest.mark.parametrize(("hookup", "stage"), DRAWN)
def test_a_drawing_is_ascii_and_fits_a_console(hookup, stage):
    drawing = hookup_drawing(hookup, stage)
    assert drawing.isascii()
    assert max(map(len, drawing.splitlines())) <= 100


@pytest.mark.parametrize(("hookup", "stage"), DRAWN)
def test_each_clip_points_at_its_node_and_blocking_and_bleeder_come_before_channel_1(hookup, stage):
    lines = hookup_drawing(hookup, stage).splitlines()
    heads, tips = lines[0], lines[2]
    wire = next(line for line in lines if "generator" in line)
    columns = [at for at, mark in enumerate(tips) if mark == "V"]
    assert len(columns) == 2
    for column, node, channel in zip(
        columns, (stage.drive, stage.far), ("CHANNEL 1", "CHANNEL 2"), strict=True
    ):
        assert wire.index(f"<{node}>") <= column < wire.index(f"<{node}>") + len(node) + 2
        assert heads.index(channel) <= column < heads.index(channel) + len(channel)
    assert wire.index("--||--") < wire.index("+") < wire.index(f"<{stage.drive}>")
    bleeder = lines[lines.index(wire) + 1].index("|")
    assert wire[bleeder] == "+"
    assert lines[lines.index(wire) + 4][bleeder] == "+"


@pytest.mark.parametrize(("hookup", "stage"), DRAWN)
def test_every_part_appears_with_its_value(hookup, stage):
    drawing = hookup_drawing(hookup, stage)
    for part in stage.parts:
        assert f"{part.name} " in drawing
    assert "22.0 nF" in drawing
    assert "ground clips" in drawing


def test_only_the_stage_drawing_speaks_of_the_set():
    drawings = {hookup: hookup_drawing(hookup, stage) for hookup, stage in DRAWN}
    assert "unplugged, discharged" in drawings[HookUp.STAGE]
    assert "unplugged" not in drawings[HookUp.SERIES]


def test_very_long_node_names_are_cut_in_the_drawing():
    stage = series_stage(**FIXTURE)
    long = "grid of the second output valve, push-pull pair"
    parts = tuple(
        dataclasses.replace(part, between=tuple(long if node == stage.far else node for node in part.between))
        for part in stage.parts
    )
    drawing = hookup_drawing(HookUp.STAGE, dataclasses.replace(stage, far=long, parts=parts))
    assert "<grid of the second o..>" in drawing
    assert long not in drawing
