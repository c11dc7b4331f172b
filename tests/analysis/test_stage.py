"""Stage files and stages: what is read, what is refused and how, and the exact way through a document."""

import dataclasses
import json
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from twonode.analysis.errors import StageError
from twonode.analysis.quantities import Measured, Tolerance
from twonode.analysis.stage import (
    GROUND,
    Part,
    PartKind,
    Stage,
    load_stage,
    parse_stage,
    shipped_stage,
    shipped_stage_names,
    stage_from_document,
    stage_to_document,
)

# The stage file of the design page.
TEXT = """
title = "Wrenfield 46 table receiver: driver to output stage"
drive = "driver anode"
far   = "output grid"

[[part]]
name = "C7"
kind = "capacitor"
between = ["driver anode", "output grid"]
value = "22n"
tolerance = "10%"
role = "coupling"
rated = "400 V"

[[part]]
name = "R12"
kind = "resistor"
between = ["output grid", "ground"]
value = "470k"
tolerance = "20%"
role = "grid leak"
measured = "482k ± 0.5%"
"""


def test_the_stage_file_of_the_design_is_read_in_si_units():
    stage = parse_stage(TEXT)
    assert (stage.drive, stage.far, stage.nodes) == (
        "driver anode",
        "output grid",
        ("driver anode", "output grid"),
    )
    assert stage.parts == (
        Part(
            name="C7",
            kind=PartKind.CAPACITOR,
            between=("driver anode", "output grid"),
            value=22e-9,
            tolerance=Tolerance(minus=0.1, plus=0.1),
            role="coupling",
            rated_v=400.0,
        ),
        Part(
            name="R12",
            kind=PartKind.RESISTOR,
            between=("output grid", GROUND),
            value=470e3,
            tolerance=Tolerance(minus=0.2, plus=0.2),
            role="grid leak",
            measured=Measured(value=482e3, half_width=2410.0),
        ),
    )


def test_a_capacitor_may_carry_loss_series_and_parallel_resistance():
    text = TEXT.replace(
        'rated = "400 V"', 'loss = 0.01\nesr = "3.3"\nleak = "50M"\nasked = true\naged = true'
    )
    part = parse_stage(text).part("C7")
    assert (part.loss, part.esr_ohm, part.leak_ohm, part.asked, part.aged) == (0.01, 3.3, 50e6, True, True)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('role = "coupling"', 'rolle = "coupling"', ["C7", "unknown key 'rolle'", "'role'", "Allowed are"]),
        ("far   =", "fare =", ["unknown key 'fare'", "'far'"]),
        ('"22n"', '"0n"', ["C7", "value is 0", "more than 0 F"]),
        ('"22n"', '"-22n"', ["C7", "value is -2.2e-08", "more than 0 F"]),
        ('"22n"', '"22k"', ["C7", "value", "'22k'", "no unit of capacitance"]),
        ('"470k"', '"470n"', ["R12", "value", "'470n'", "no unit of resistance"]),
        ('"22n"', "22", ["C7", "value", "'22'", "no unit"]),
        ('"22n"', "true", ["C7", "value is True", "text in quotes"]),
        ('"10%"', '"10"', ["C7", "tolerance", "% sign"]),
        ('"400 V"', '"400 mW"', ["C7", "rated", "'mW'"]),
        ('"482k ± 0.5%"', '"482k"', ["R12", "measured", "limits"]),
        ('["output grid", "ground"]', '["output grid", "grund"]', ["R12", "tied to nothing", "'ground'"]),
        ('["output grid", "ground"]', '["output grid", "GND"]', ["R12", "'GND'", "'ground'"]),
        ('["output grid", "ground"]', '["output grid"]', ["R12", "between", "two node names"]),
        ('["output grid", "ground"]', '["ground", "ground"]', ["R12", "both ends"]),
        ('kind = "resistor"', 'kind = "resister"', ["R12", "kind is 'resister'", "'resistor'"]),
        ('name = "R12"', 'name = "C7"', ["C7", "used 2 times"]),
        ('name = "R12"', "", ["part number 2", "key name is missing"]),
        ('drive = "driver anode"', 'drive = "driver node"', ["drive node 'driver node'", "'driver anode'"]),
        ('drive = "driver anode"', 'drive = "output grid"', ["both 'output grid'"]),
        ('far   = "output grid"', 'far = "ground"', ["far node is 'ground'"]),
        ('role = "grid leak"', 'loss = "1%"', ["R12", "fit a capacitor"]),
        ('role = "coupling"', "asked = 1", ["C7", "asked is 1", "true or false"]),
        ("title", "titel", ["unknown key 'titel'", "'title'"]),
        ("[[part]]", "[part]", ["not TOML"]),
        ("= ", "== ", ["not TOML"]),
    ],
)
def test_a_faulty_stage_file_is_refused_naming_file_part_key_and_what_is_allowed(old, new, words):
    assert old in TEXT
    with pytest.raises(StageError) as caught:
        parse_stage(TEXT.replace(old, new), where="bench.toml")
    assert caught.value.what.startswith("bench.toml: ")
    for word in words:
        assert word.lower() in str(caught.value).lower()
    assert len(str(caught.value).splitlines()) <= 3


def resistor(name, first, second, value=1e3):
    return Part(name=name, kind=PartKind.RESISTOR, between=(first, second), value=value)


def stage_of(*parts, drive="a", far="b"):
    return Stage(title="test", drive=drive, far=far, parts=parts)


def test_an_island_is_refused():
    with pytest.raises(StageError, match="no way leads from its node 'c'"):
        stage_of(resistor("R1", "a", "b"), resistor("R2", "c", "d"), resistor("R3", "d", "c"))


def test_a_far_node_that_only_ground_or_a_supply_connects_is_refused():
    with pytest.raises(StageError, match="No way leads from the drive node"):
        stage_of(resistor("R1", "a", GROUND), resistor("R2", "b", GROUND))
    rail = Part(name="HT", kind=PartKind.SUPPLY, between=("ht", GROUND), value=250.0)
    with pytest.raises(StageError, match="No way leads from the drive node"):
        stage_of(resistor("R1", "a", "ht"), resistor("R2", "b", "ht"), rail)


def test_a_node_held_by_a_supply_cannot_be_clipped_to():
    rail = Part(name="HT", kind=PartKind.SUPPLY, between=("b", GROUND), value=250.0)
    with pytest.raises(StageError, match="held by a supply"):
        stage_of(resistor("R1", "a", "b"), rail)


def test_a_far_node_reached_only_through_a_capacitor_is_fine():
    part = Part(name="C1", kind=PartKind.CAPACITOR, between=("a", "b"), value=1e-9)
    assert stage_of(part).nodes == ("a", "b")


def test_a_supply_needs_ground_and_may_be_negative():
    with pytest.raises(StageError, match="supply between"):
        Part(name="HT", kind=PartKind.SUPPLY, between=("a", "b"), value=250.0)
    assert Part(name="bias", kind=PartKind.SUPPLY, between=("a", GROUND), value=-22.0).value == -22.0


@settings(max_examples=300, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 5), st.integers(0, 5)).filter(lambda ends: ends[0] != ends[1]),
        min_size=1,
        max_size=8,
    )
)
def test_stages_are_accepted_exactly_when_scipy_finds_them_connected(edges):
    # Outside reference: scipy's connected components. Node 0 is ground, 1 drive, 2 far.
    names = [GROUND, "drive", "far", "x", "y", "z"]
    parts = [resistor(f"R{i}", names[a], names[b]) for i, (a, b) in enumerate(edges)]
    a, b = np.array(edges).T
    ends = np.bincount(np.concatenate((a, b)), minlength=6)

    def groups(keep):
        graph = coo_array((np.ones(keep.sum()), (a[keep], b[keep])), shape=(6, 6))
        return connected_components(graph, directed=False)[1]

    every, live = groups(np.ones(a.size, bool)), groups((a != 0) & (b != 0))
    used = np.flatnonzero(ends)
    sound = (
        ends[1] > 0
        and ends[2] > 0
        and not np.any(ends[3:] == 1)
        and all(every[node] in (every[0], every[1]) for node in used)
        and live[1] == live[2]
    )
    if sound:
        stage_of(*parts, drive="drive", far="far")
    else:
        with pytest.raises(StageError):
            stage_of(*parts, drive="drive", far="far")


def test_a_part_that_is_not_there_is_answered_with_the_nearest_name():
    stage = parse_stage(TEXT)
    with pytest.raises(StageError, match=r"'R21'.*did you mean 'R12'"):
        stage.part("R21")
    with pytest.raises(StageError, match=r"did you mean 'C7'"):
        stage.part("c7")


def test_the_asked_part_is_the_named_the_marked_or_the_only_capacitor():
    stage = parse_stage(TEXT)
    assert stage.asked_part().name == "C7"
    second = Part(name="C8", kind=PartKind.CAPACITOR, between=("output grid", GROUND), value=1e-10)
    two = stage.with_parts(second)
    with pytest.raises(StageError, match="does not say which part"):
        two.asked_part()
    assert two.asked_part("C8") == second
    assert two.replace_part(dataclasses.replace(second, asked=True)).asked_part().name == "C8"
    with pytest.raises(StageError, match="R12 is a resistor"):
        stage.asked_part("R12")


def test_replacing_and_adding_keep_the_order_and_the_rules():
    stage = parse_stage(TEXT)
    changed = stage.replace_part(dataclasses.replace(stage.part("C7"), value=18e-9))
    assert [part.name for part in changed.parts] == ["C7", "R12"]
    assert (changed.part("C7").value, stage.part("C7").value) == (18e-9, 22e-9)
    with pytest.raises(StageError, match="used 2 times"):
        stage.with_parts(stage.part("C7"))
    with pytest.raises(StageError, match="no part 'C9'"):
        stage.replace_part(dataclasses.replace(stage.part("C7"), name="C9"))


def test_a_part_without_tolerance_gets_the_usual_one_only_when_asked():
    part = resistor("R1", "a", "b")
    assert part.tolerance is None
    assert part.tolerance_or_default() == Tolerance(minus=0.2, plus=0.2)


def test_a_stage_file_that_cannot_be_read_is_named(tmp_path):
    with pytest.raises(StageError, match=re.escape(str(tmp_path / "none.toml"))):
        load_stage(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes("title = 'Übertrager'".encode("latin-1"))
    with pytest.raises(StageError, match="not UTF-8"):
        load_stage(tmp_path / "latin.toml")
    (tmp_path / "good.toml").write_text(TEXT, encoding="utf-8")
    assert load_stage(tmp_path / "good.toml") == parse_stage(TEXT)


def test_the_shipped_stage_is_the_demo_scenario():
    assert "wrenfield-46-driver-output" in shipped_stage_names()
    stage = shipped_stage("wrenfield-46-driver-output")
    values = {part.name: part.value for part in stage.parts if part.kind is not PartKind.SUPPLY}
    assert values == {"C7": 22e-9, "R12": 470e3, "C6": 220e-12, "R9": 220e3}
    assert stage.asked_part().name == "C7"
    assert stage.part("C7").rated_v == 400.0
    with pytest.raises(StageError, match="did you mean"):
        shipped_stage("wrenfield-46-driver-outputs")


positive = st.floats(1e-15, 1e12)
tolerances = st.none() | st.builds(Tolerance, minus=st.floats(0, 0.99), plus=st.floats(0.001, 10))
words = st.none() | st.text(max_size=20)


@st.composite
def stages(draw):
    reading = draw(positive)
    coupling = Part(
        name="C1",
        kind=PartKind.CAPACITOR,
        between=("a", "b"),
        value=draw(positive),
        tolerance=draw(tolerances),
        role=draw(words),
        rated_v=draw(st.none() | positive),
        measured=draw(st.none() | st.just(Measured(value=reading, half_width=reading * 0.0123))),
        aged=draw(st.booleans()),
        loss=draw(st.floats(0, 0.99)),
        esr_ohm=draw(st.floats(0, 1e6)),
        leak_ohm=draw(st.none() | positive),
        asked=draw(st.booleans()),
        dielectric=draw(words),
    )
    leak = Part(
        name="R1",
        kind=PartKind.RESISTOR,
        between=("b", GROUND),
        value=draw(positive),
        tolerance=draw(tolerances),
    )
    return Stage(title=draw(st.text(max_size=30)), drive="a", far="b", parts=(coupling, leak))


@settings(max_examples=100, deadline=None)
@given(stages())
def test_a_stage_goes_through_its_document_unchanged_to_the_last_bit(stage):
    document = json.loads(json.dumps(stage_to_document(stage)))
    assert stage_from_document(document) == stage


@pytest.mark.parametrize(
    ("path", "value", "word"),
    [
        (("parts", 0, "value"), "22n", "parts[0].value"),
        (("parts", 0, "kind"), "condenser", "parts[0].kind"),
        (("parts", 0, "colour"), "red", "colour"),
        (("parts", 1, "value"), -1.0, "R12"),
        (("parts", 0, "tolerance"), {"minus": 2.0, "plus": 0.1}, "tolerance"),
        (("drive",), "nowhere", "nowhere"),
        (("drive",), None, "drive"),
    ],
)
def test_a_faulty_document_is_refused_naming_the_field(path, value, word):
    document = stage_to_document(parse_stage(TEXT))
    place = document
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    with pytest.raises(StageError, match=re.escape(word)):
        stage_from_document(document)
