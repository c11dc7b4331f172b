"""A stage drawn from its parts list: every part once, every node named, nothing that text could break."""

import xml.etree.ElementTree as ET

import pytest

from twonode.analysis.schematic import schematic_svg
from twonode.analysis.stage import Part, PartKind, Stage, shipped_stage

SVG = "{http://www.w3.org/2000/svg}"
SHIPPED = (
    "wrenfield-46-driver-output",
    "coupling-with-bypass",
    "cathode-bypass",
    "screen-bypass",
    "avc-filter",
    "tone-network",
    "two-section-filter",
)


def _drawn(svg):
    root = ET.fromstring(svg)
    texts = [t.text for t in root.iter(f"{SVG}text")]
    parts = [g.get("data-part") for g in root.iter(f"{SVG}g") if g.get("data-part")]
    return root, texts, parts


def _boxes(root):
    """Rough boxes of the texts: 8.5 units a letter at 15 units high."""
    for text in root.iter(f"{SVG}text"):
        x, y, width = float(text.get("x")), float(text.get("y")), 8.5 * len(text.text)
        left = {"start": x, "middle": x - width / 2, "end": x - width}[text.get("text-anchor")]
        yield text.text, (left, y - 12, left + width, y + 3)


@pytest.mark.parametrize("name", SHIPPED)
def test_every_part_is_drawn_once_with_its_name_and_value(name):
    stage = shipped_stage(name)
    _, texts, parts = _drawn(schematic_svg(stage))
    wanted = sorted(p.name for p in stage.parts if p.kind is not PartKind.SUPPLY)
    assert sorted(parts) == wanted
    assert set(wanted) <= set(texts)
    assert {stage.drive, stage.far, "CH 1", "CH 2"} <= set(texts)


@pytest.mark.parametrize("name", SHIPPED)
def test_no_two_words_lie_over_one_another_and_none_runs_off_the_drawing(name):
    root, _, _ = _drawn(schematic_svg(shipped_stage(name)))
    _, _, width, height = map(float, root.get("viewBox").split())
    boxes = list(_boxes(root))
    for number, (one, a) in enumerate(boxes):
        assert a[0] >= 0, one
        assert a[1] >= 0, one
        assert a[2] <= width, one
        assert a[3] <= height, one
        for two, b in boxes[number + 1 :]:
            apart = a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
            assert apart, f"{one!r} and {two!r}"


def test_names_from_a_file_stay_text():
    def part(name, between, value, kind=PartKind.RESISTOR):
        return Part(name=name, kind=kind, between=between, value=value)

    stage = Stage(
        title='<script>alert("x")</script>',
        drive="a<b>",
        far='"far" & away',
        parts=(
            part("C<1>", ("a<b>", '"far" & away'), 1e-9, PartKind.CAPACITOR),
            part("R&1", ('"far" & away', "ground"), 1e5),
        ),
    )
    svg = schematic_svg(stage, values={"R&1": "</svg>"}, words={"C<1>": "<b>open</b>"}, marked=["C<1>"])
    root, texts, parts = _drawn(svg)
    assert "<script" not in svg
    assert {"a<b>", '"far" & away', "</svg>", "<b>open</b>"} <= set(texts)
    assert parts == ["C<1>", "R&1"]
    assert root.find(f"{SVG}title").text == stage.title


def test_a_screen_reader_hears_the_circuit():
    root, _, _ = _drawn(schematic_svg(shipped_stage("wrenfield-46-driver-output")))
    words = root.find(f"{SVG}desc").text
    assert "C7, capacitor 22.0 nF, from driver anode to output grid." in words
    assert root.get("role") == "img"


def test_marked_parts_are_drawn_heavily_and_said_in_a_word():
    root, texts, _ = _drawn(
        schematic_svg(shipped_stage("wrenfield-46-driver-output"), marked=["C7"], words={"C7": "open"})
    )
    heavy = {g.get("data-part") for g in root.iter(f"{SVG}g") if g.get("stroke-width") == "4"}
    assert heavy == {"C7"}
    assert "open" in texts


def test_a_row_of_many_nodes_is_still_drawn():
    nodes = [f"n{k}" for k in range(12)]
    parts = [
        Part(name=f"R{k}", kind=PartKind.RESISTOR, between=(nodes[k], nodes[k + 1]), value=1e3)
        for k in range(11)
    ]
    parts += [
        Part(name=f"C{k}", kind=PartKind.CAPACITOR, between=(nodes[k], nodes[k + 2]), value=1e-9)
        for k in range(10)
    ]
    stage = Stage(title="ladder", drive="n0", far="n11", parts=tuple(parts))
    _, _, drawn = _drawn(schematic_svg(stage))
    assert len(drawn) == 21
