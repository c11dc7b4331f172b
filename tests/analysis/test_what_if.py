"""What single faults do, in numbers against closed forms and ngspice, and in the words a repairer uses."""

import math
from dataclasses import replace

import numpy as np
import pytest
from spice import needs_ngspice
from spice_paths import run_paths

from twonode.analysis.errors import QuantityError, StageError
from twonode.analysis.explain import corner_words, explain_stage, explained_document, opening_words
from twonode.analysis.single_fault import (
    FaultError,
    FaultKind,
    SingleFault,
    fault_words,
    faulty_stage,
    listed_faults,
    parse_fault,
)
from twonode.analysis.stage import GROUND, Part, PartKind, Stage, shipped_stage, shipped_stage_names
from twonode.analysis.what_if import FEED_OHM, Band, effect_of, look_at

WRENFIELD = shipped_stage("wrenfield-46-driver-output")


def effect(text, stage=WRENFIELD, **more):
    return effect_of(look_at(stage, **more), parse_fault(text, stage))


def parallel(*siemens):
    return 1.0 / sum(siemens)


@pytest.mark.parametrize("source_ohm", [60e3, FEED_OHM])
def test_an_open_bypass_lets_rf_through_by_what_the_capacitances_say(source_ohm):
    # At 455 kHz C7 is a wire: the anode sees source, load and grid leak, beside 220 pF or the 1.5 pF that is left.
    g = 1 / source_ohm + 1 / 220e3 + 1 / 470e3
    jw = 2j * math.pi * 455e3
    change = abs(parallel(g, jw * 1.5e-12) / parallel(g, jw * 220e-12))
    found = effect("C6=open", source_ohm=source_ohm)
    assert found.change_db[Band.IF] == pytest.approx(20 * math.log10(change), abs=1e-3)
    assert "RF reaches the output grid" in found.words


def test_against_the_drive_node_alone_a_bypass_does_not_show():
    # Why a source resistance is needed at all: the ratio that a sweep sees is the same to the last digit.
    explained = explain_stage(WRENFIELD, what_if=parse_fault("C6=open", WRENFIELD))
    assert explained.comparison.paths.ratio == pytest.approx(explained.paths.ratio, rel=1e-12)
    assert abs(explained.comparison.paths.fed[1, 4]) > 10 * abs(explained.paths.fed[1, 4])


@needs_ngspice
def test_every_listed_fault_of_the_coupling_stage_agrees_with_ngspice(tmp_path):
    stage = shipped_stage("coupling-with-bypass")
    sound = look_at(stage)
    before = run_paths(stage, tmp_path, source_ohm=FEED_OHM)
    places = {Band.AUDIO: 1e3, Band.RF: 1e6}
    for fault in listed_faults(stage):
        after = run_paths(faulty_stage(stage, fault), tmp_path, source_ohm=FEED_OHM)
        found = effect_of(sound, fault)
        for band, hz in places.items():
            row = int(np.argmin(np.abs(np.log(before.frequency_hz / hz))))
            theirs = 20 * math.log10(abs(after.volts[stage.far][row] / before.volts[stage.far][row]))
            assert found.change_db[band] == pytest.approx(theirs, abs=2e-5), fault


# 210 V through 220 k (and 1 Mohm of leak) into 470 k.
@pytest.mark.parametrize(
    ("text", "volts", "words"),
    [("C7=shorted", 210 * 470 / (470 + 220 + 0.0005), "143 V"), ("C7=leaky", 210 * 470 / 1690, "58.4 V")],
)
def test_a_leak_or_short_of_the_coupling_part_drives_the_grid_positive(text, volts, words):
    found = effect(text)
    assert found.far_dc_v == pytest.approx(volts, rel=1e-9)
    assert f"output grid goes positive by {words}" in found.words


# Common practice, no source, but for the closed forms above.
@pytest.mark.parametrize(
    ("stage", "text", "words"),
    [
        ("wrenfield-46-driver-output", "C7=open", "bass, audio and treble are gone"),
        (
            "wrenfield-46-driver-output",
            "C7=off:220p",
            "bass is lost; a little less audio; low corner 11 Hz to 784 Hz",
        ),
        ("wrenfield-46-driver-output", "C7=halved", "low corner 11 Hz to 22 Hz"),
        ("wrenfield-46-driver-output", "C6=open", "a little more treble; RF reaches the output grid"),
        ("wrenfield-46-driver-output", "C6=halved", "a little more RF reaches the output grid"),
        (
            "wrenfield-46-driver-output",
            "C6=shorted",
            "no DC left on driver anode: no signal from its valve",
        ),
        ("wrenfield-46-driver-output", "R9=open", "driver anode has no DC path: no current, no signal"),
        (
            "wrenfield-46-driver-output",
            "R12=open",
            "a little more bass and audio; output grid has no DC path, its DC drifts",
        ),
        ("coupling-with-bypass", "C2=open", "RF reaches the second grid"),
        ("coupling-with-bypass", "R3=doubled", "hardly anything changes"),
        ("cathode-bypass", "C1=open", "bass, audio, treble and RF reach the bias point; gain is lost"),
        ("cathode-bypass", "C1=shorted", "all of the DC on bias point is lost"),
        ("screen-bypass", "C1=open", "audio, treble and RF reach the screen feed; gain is lost"),
        (
            "screen-bypass",
            "C1=shorted",
            "no DC left on screen grid: no signal from its valve; no DC left on screen feed",
        ),
        ("screen-bypass", "R2=halved", "DC on screen feed rises from 99.0 V to 140 V"),
        ("avc-filter", "C2=open", "bass, audio, treble and RF reach the AVC line"),
        ("avc-filter", "C2=leaky:12M", "15 % of the DC on AVC line is lost"),
        ("avc-filter", "C1=shorted", "no signal left on detector output"),
        ("two-section-filter", "C2=open", "bass, audio, treble and RF reach the first stage HT"),
        ("two-section-filter", "R2=open", "no DC left on first stage HT"),
        ("tone-network", "C3=open", "more audio and treble"),
        ("tone-network", "C4=open", "RF reaches the output grid"),
    ],
)
def test_numbers_become_a_repairers_words(stage, text, words):
    assert "; ".join(effect(text, shipped_stage(stage)).words) == words


@pytest.mark.parametrize("name", shipped_stage_names())
def test_every_shipped_stage_says_what_it_is_and_what_its_capacitors_are(name):
    stage = shipped_stage(name)
    assert "invented" in stage.title or stage.title.startswith("Wrenfield 46")
    capacitors = [part for part in stage.parts if part.kind is PartKind.CAPACITOR]
    assert sum(part.asked for part in capacitors) == 1
    assert all(part.dielectric and part.role and part.tolerance for part in capacitors)


@pytest.mark.parametrize("name", shipped_stage_names())
def test_every_listed_fault_of_every_shipped_stage_has_words_and_finite_numbers(name):
    stage = shipped_stage(name)
    sound = look_at(stage)
    faults = listed_faults(stage)
    assert len(faults) == len(set(faults)) >= 11
    for fault in faults:
        found = effect_of(sound, fault)
        assert found.words
        assert all(math.isfinite(change) for change in found.change_db.values())
        assert all(abs(change) < 250 for change in found.change_db.values())


def test_what_a_faulty_part_is():
    def made(text):
        return faulty_stage(WRENFIELD, parse_fault(text, WRENFIELD)).part(text.partition("=")[0])

    opened, shorted = made("C7=open"), made("C7=shorted")
    assert (opened.kind, opened.value) == (PartKind.CAPACITOR, 1.5e-12)
    assert (shorted.kind, shorted.value) == (PartKind.RESISTOR, 0.5)
    assert (made("R9=open").kind, made("R9=open").value) == (PartKind.CAPACITOR, 1.5e-12)
    assert made("C7=leaky").leak_ohm == pytest.approx(1e6)
    assert made("C7=leaky:20M").leak_ohm == pytest.approx(20e6)
    assert made("C7=halved").value == pytest.approx(11e-9)
    assert made("R9=doubled").value == pytest.approx(440e3)
    assert made("C7=off:15n").value == pytest.approx(15e-9)
    assert made("C7=leaky").asked


def test_a_coil_can_be_open_or_shorted_and_has_no_leak():
    choke = Stage(
        title="choke",
        drive="in",
        far="out",
        parts=(
            Part(name="L1", kind=PartKind.INDUCTOR, between=("in", "out"), value=10.0),
            Part(name="C1", kind=PartKind.CAPACITOR, between=("out", GROUND), value=8e-6),
            Part(name="R1", kind=PartKind.RESISTOR, between=("out", GROUND), value=10e3),
        ),
    )
    kinds = [fault.kind for fault in listed_faults(choke) if fault.part == "L1"]
    assert kinds == [FaultKind.OPEN, FaultKind.SHORTED, FaultKind.HALVED, FaultKind.DOUBLED]
    assert "in has no DC path: no current, no signal" in effect("L1=open", choke).words
    with pytest.raises(FaultError, match="an inductor has no such fault"):
        parse_fault("L1=leaky", choke)


def test_a_stray_capacitance_is_no_part_that_breaks():
    faults = listed_faults(shipped_stage("coupling-with-bypass"))
    assert {fault.kind for fault in faults if fault.part == "CS"} == {FaultKind.HALVED, FaultKind.DOUBLED}


def test_a_second_leak_lies_beside_the_first():
    leaky = WRENFIELD.replace_part(replace(WRENFIELD.part("C7"), leak_ohm=1e6))
    assert faulty_stage(leaky, parse_fault("C7=leaky:1M", leaky)).part("C7").leak_ohm == pytest.approx(0.5e6)


@pytest.mark.parametrize(
    ("text", "kind", "words"),
    [
        ("C7=short", FaultKind.SHORTED, "shorted"),
        (" C7 = Leak : 2M ", FaultKind.LEAKY, "leaky 2.00 MΩ"),
        ("R9=half", FaultKind.HALVED, "halved"),
        ("R9=off:330k", FaultKind.OFF, "off 330 kΩ"),
    ],
)
def test_faults_may_be_written_as_they_are_spoken(text, kind, words):
    fault = parse_fault(text, WRENFIELD)
    assert fault.kind is kind
    assert fault_words(fault, WRENFIELD) == words


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("R9=leaky", "a resistor has no such fault"),
        ("HT=open", "is a supply"),
        ("C6=opne", "did you mean 'open'"),
        ("C6", "C6=open"),
        ("=open", "C6=open"),
        ("C6=", "C6=open"),
        ("C7=off", "off:VALUE"),
        ("C7=open:3", "C7=open"),
        ("C7=leaky:", "C7=leaky"),
        ("C7=leaky:0", "not more than nothing"),
        ("R9=off:-5k", "not more than nothing"),
    ],
)
def test_a_fault_that_does_not_exist_is_refused_in_three_parts(text, says):
    with pytest.raises(FaultError, match=says) as caught:
        parse_fault(text, WRENFIELD)
    assert all(caught.value.args)
    assert len(str(caught.value).splitlines()) == 3


def test_unknown_parts_and_wrong_units_are_refused_too():
    with pytest.raises(StageError, match="C6"):
        parse_fault("C66=open", WRENFIELD)
    with pytest.raises(QuantityError):
        parse_fault("C7=leaky:2n", WRENFIELD)
    with pytest.raises(FaultError):
        faulty_stage(WRENFIELD, SingleFault(part="R9", kind=FaultKind.LEAKY, amount=1e6))


def test_bass_is_wanted_only_where_audio_is():
    # The screen's bypass leaves some 50 Hz; losing that too is no loss.
    assert Band.BASS not in look_at(shipped_stage("screen-bypass")).wanted
    assert {Band.BASS, Band.AUDIO} <= look_at(WRENFIELD).wanted
    assert not {Band.IF, Band.RF} & look_at(WRENFIELD).wanted


@pytest.mark.parametrize(
    ("name", "parts"),
    [
        ("wrenfield-46-driver-output", ["Audio reaches the output grid", "RF is kept off", "through C6"]),
        ("coupling-with-bypass", ["Audio reaches the second grid", "RF is kept off", "through C2"]),
        ("tone-network", ["Audio reaches the output grid", "RF is kept off", "through C4"]),
        ("avc-filter", ["Audio and RF are both kept off the AVC line", "through R1", "through C1"]),
        ("screen-bypass", ["both kept off the screen feed", "through C1"]),
        ("cathode-bypass", ["both kept off the bias point", "through C1"]),
        ("two-section-filter", ["both kept off the first stage HT", "through C1"]),
    ],
)
def test_the_first_sentence_says_where_audio_and_rf_go(name, parts):
    sentence = opening_words(shipped_stage(name))
    for each in parts:
        assert each in sentence


def test_without_a_bypass_the_first_sentence_says_that_rf_arrives():
    bare = Stage(
        title="bare coupling",
        drive="anode",
        far="grid",
        parts=(
            Part(name="C", kind=PartKind.CAPACITOR, between=("anode", "grid"), value=22e-9),
            Part(name="R", kind=PartKind.RESISTOR, between=("grid", GROUND), value=470e3),
        ),
    )
    assert opening_words(bare).startswith("Audio and RF reach the grid: ")
    assert corner_words(explain_stage(bare).ratio_corners) == "within 3 dB of its best from 15.4 Hz up"


def test_the_document_holds_what_was_worked_out():
    explained = explain_stage(WRENFIELD, [1e3], source_ohm=10e3, what_if=parse_fault("C6=open", WRENFIELD))
    document = explained_document(explained)
    far = document["levels"][-1]
    assert far["node"] == "output grid"
    assert far["db_to_drive"][0] == pytest.approx(20 * math.log10(abs(explained.paths.ratio[1, 0])))
    assert document["dc"]["volts"]["driver anode"] == pytest.approx(210.0)
    assert document["what_if"]["fault"] == "open"
    assert len(document["faults"]["effects"]) == len(listed_faults(WRENFIELD))
