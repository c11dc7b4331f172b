"""What the look-up views work with: turned stages and their drawings, forms that are a command's options, markings."""

import time
from xml.etree import ElementTree

import click
import numpy as np
import pytest

pytest.importorskip("nicegui")

from twonode.analysis.corners import Corner, Side
from twonode.analysis.history_svg import PastFinding
from twonode.analysis.paths import decibels, fed_ratio, signal_paths
from twonode.analysis.response_svg import response_svg
from twonode.analysis.schematic import schematic_svg
from twonode.analysis.single_fault import FaultKind, SingleFault, faulty_stage
from twonode.analysis.stage import Part, PartKind, Stage, shipped_stage, shipped_stage_names
from twonode.analysis.turned import AUDIO_HZ, RF_HZ, SHOWN_HZ, Turned, knobs_of, see
from twonode.analysis.what_if import effect_of, look_at
from twonode.console.dc import dc
from twonode.console.page.looks import percent_words
from twonode.console.page.marking_view import with_word, without_last
from twonode.console.page.optionform import named_by_labels, parsed_options
from twonode.console.page.replace_view import role_of, value_of
from twonode.console.replace import replace
from twonode.errors import TwonodeError

STAGE = shipped_stage("wrenfield-46-driver-output")
C6_OPEN = SingleFault(part="C6", kind=FaultKind.OPEN)


def shares_of(seen):
    return {share.way.split()[0]: share for share in seen.leaving}


def test_shares_are_those_of_ohms_law():
    # Closed form: currents of three branches from one node at 1 V, C7 in series with R12; R9 ends at a rail.
    seen, _ = see(Turned(stage=STAGE))
    for hz, field in ((AUDIO_HZ, "audio"), (RF_HZ, "rf")):
        w = 2 * np.pi * hz
        currents = {
            "C7": 1 / abs(470e3 + 1 / (1j * w * 22e-9)),
            "C6": w * 220e-12,
            "R9": 1 / 220e3,
        }
        whole = sum(currents.values())
        for part, current in currents.items():
            assert getattr(shares_of(seen)[part], field) == pytest.approx(current / whole, rel=1e-9)


def test_a_turned_value_moves_the_shares_and_not_what_is_stated():
    off = SingleFault(part="C6", kind=FaultKind.OFF, amount=2.2e-9)
    before = shares_of(see(Turned(stage=STAGE))[0])
    after = shares_of(see(Turned(stage=STAGE).with_fault("C6", off))[0])
    assert after["C6"].audio > 2 * before["C6"].audio
    assert after["C6"].audio_stated == before["C6"].audio
    w = 2 * np.pi * AUDIO_HZ
    currents = [1 / abs(470e3 + 1 / (1j * w * 22e-9)), w * 2.2e-9, 1 / 220e3]
    assert after["C6"].audio == pytest.approx(currents[1] / sum(currents), rel=1e-9)


def test_the_sentence_of_a_fault_is_that_of_what_if():
    seen, _ = see(Turned(stage=STAGE).with_fault("C6", C6_OPEN))
    assert seen.effects == (f"C6 open: {'; '.join(effect_of(look_at(STAGE), C6_OPEN).words)}.",)
    assert "RF reaches the output grid" in seen.effects[0]
    assert "C6" not in seen.values
    assert seen.words == {"C6": "open"}


def test_two_faults_are_in_the_circuit_together_and_worded_each_by_itself():
    leak = SingleFault(part="C7", kind=FaultKind.LEAKY, amount=2e6)
    turned = Turned(stage=STAGE).with_fault("C6", C6_OPEN).with_fault("C7", leak)
    seen, _ = see(turned)
    both = faulty_stage(faulty_stage(STAGE, C6_OPEN), leak)
    assert np.allclose(seen.now_db, decibels(fed_ratio(both, turned.source_ohm)(SHOWN_HZ)))
    assert [each.split(":")[0] for each in seen.effects] == ["C6 open", "C7 leaky 2.00 MΩ"]


def test_dc_shows_what_a_leak_lifts():
    # The rail's 210 V over 220 k, 1 M and 470 k: a plain divider.
    leak = SingleFault(part="C7", kind=FaultKind.LEAKY, amount=1e6)
    seen, _ = see(Turned(stage=STAGE).with_fault("C7", leak))
    stated, now = seen.dc["output grid"]
    assert stated == pytest.approx(0.0, abs=1e-9)
    assert now == pytest.approx(210 * 470e3 / (220e3 + 1e6 + 470e3), rel=1e-9)


def test_what_is_kept_is_not_used_for_another_stage_or_source():
    _, kept = see(Turned(stage=STAGE))
    again, same = see(Turned(stage=STAGE).with_fault("C6", C6_OPEN), kept)
    assert same is kept
    other = shipped_stage("cathode-bypass")
    fresh, _ = see(Turned(stage=other))
    assert np.array_equal(see(Turned(stage=other), kept)[0].stated_db, fresh.stated_db)
    fed, _ = see(Turned(stage=STAGE, source_ohm=50.0), kept)
    assert not np.allclose(fed.stated_db, again.stated_db)


def test_taking_a_fault_back_leaves_the_stage_as_stated():
    turned = Turned(stage=STAGE).with_fault("C6", C6_OPEN).with_fault("C6", None)
    assert turned.now() == STAGE
    assert see(turned)[0].effects == ()


def test_a_knob_goes_a_decade_either_way():
    knob = next(each for each in knobs_of(STAGE) if each.part.name == "C7")
    assert [knob.value(x) for x in (-1, 0, 1)] == pytest.approx([2.2e-9, 22e-9, 220e-9])
    assert 0 < 10 ** abs(knob.usual_decades) < 3


def test_resistors_do_not_leak_and_supplies_have_no_knob():
    knobs = {each.part.name: each.faults for each in knobs_of(STAGE)}
    assert FaultKind.LEAKY in knobs["C7"]
    assert FaultKind.LEAKY not in knobs["R12"]
    assert "HT" not in knobs


@pytest.mark.parametrize("name", shipped_stage_names())
def test_a_turn_costs_a_fraction_of_the_tenth_of_a_second_allowed(name):
    stage = shipped_stage(name)
    part = knobs_of(stage)[0].part
    _, kept = see(Turned(stage=stage))
    spent = []
    for share in (0.5, 0.7, 1.4):
        began_s = time.process_time()
        fault = SingleFault(part=part.name, kind=FaultKind.OFF, amount=part.value * share)
        turned = Turned(stage=stage).with_fault(part.name, fault)
        seen, _ = see(turned, kept)
        schematic_svg(stage, marked=turned.faults)
        response_svg(SHOWN_HZ, seen.stated_db, seen.now_db, corners=seen.corners, title=stage.title)
        spent.append(time.process_time() - began_s)
    assert min(spent) < 0.05


def test_shares_of_every_shipped_stage_add_up():
    for name in shipped_stage_names():
        seen, _ = see(Turned(stage=shipped_stage(name)))
        assert sum(share.audio for share in seen.leaving) == pytest.approx(1.0)
        assert sum(share.rf for share in seen.leaving) == pytest.approx(1.0)


def _points(svg, which):
    lines = [e for e in ElementTree.fromstring(svg).iter() if e.tag.endswith("polyline")]
    return [tuple(map(float, pair.split(","))) for pair in lines[which].get("points").split()]


def test_the_curve_falls_where_the_level_does_and_stays_inside():
    hz = np.array([10.0, 1e3, 1e6])
    svg = response_svg(hz, np.array([-3.0, -3.0, -3.0]), np.array([-3.0, -43.0, -np.inf]), title="level")
    (_, high), (_, low), (_, bottom) = _points(svg, 1)
    assert high < low < bottom <= 270.0
    # The scale holds 80 dB from 0 dB down: from -3 dB to its end are 77 of them.
    assert (low - high) / (bottom - high) == pytest.approx(40 / 77, rel=1e-2)


def test_drawings_escape_what_foreign_files_name():
    evil = "<script>alert(1)</script>"
    stage = Stage(
        title=evil,
        drive="a",
        far="b",
        parts=(
            Part(name=evil, kind=PartKind.CAPACITOR, between=("a", "b"), value=1e-9, asked=True),
            Part(name="R1", kind=PartKind.RESISTOR, between=("b", "ground"), value=1e6),
        ),
    )
    seen, _ = see(Turned(stage=stage))
    corner = Corner(frequency_hz=159.0, side=Side.LOW)
    curve = response_svg(SHOWN_HZ, seen.stated_db, seen.now_db, corners=[corner], title=evil)
    for svg in (schematic_svg(stage, words={evil: evil}, values={evil: evil}), curve):
        assert "<script" not in svg
        ElementTree.fromstring(svg)
    assert "159 Hz" in curve


def test_signal_paths_agree_with_what_is_shown():
    seen, _ = see(Turned(stage=STAGE))
    paths = signal_paths(STAGE, [AUDIO_HZ, RF_HZ], source_ohm=1e6)
    assert [share.audio for share in seen.ground] == pytest.approx([b.share[0] for b in paths.ground])
    assert "C7, R12" in [share.way for share in seen.ground]


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.0, "0 %"),
        (1e-05, "< 0.1 %"),
        (0.0031, "0.3 %"),
        (0.26, "26 %"),
        (0.9962, "99.6 %"),
        (0.99999, "> 99.9 %"),
        (1.0, "100 %"),
    ],
)
def test_a_share_is_never_rounded_to_nothing_or_all(share, words):
    assert percent_words(share) == words


# Forms


def test_a_form_takes_what_the_command_takes():
    options = parsed_options(
        dc, {"--drive": " 105V ", "--bias": "-7V", "--far": "", "--grid-leak": "470k 10%"}
    )
    assert (options["drive"], options["bias_v"], options["far"]) == ("105V", -7.0, None)
    assert options["meter"] == "10M"


def test_flags_and_several_values_reach_the_command():
    options = parsed_options(dc, {"--part": "C7"}, ("--simulated",))
    assert options["simulated"]
    assert options["part"] == "C7"


def test_an_error_names_the_field_instead_of_the_option():
    with pytest.raises(TwonodeError) as caught:
        parsed_options(dc, {"--bias": "rubbish"})
    said, about = named_by_labels(caught.value, {"--bias": "Bias of the next grid"})
    assert about == "--bias"
    assert said.what.startswith("“Bias of the next grid”: ")
    assert "--bias" not in said.what
    assert said.do


def test_a_missing_value_names_its_field():
    with pytest.raises(click.ClickException) as caught:
        parsed_options(replace, {"--role": "coupling"})
    said, about = named_by_labels(caught.value, {"--value": "Value of the old part"})
    assert about == "--value"
    assert said.what == "“Value of the old part” is missing."


def test_a_value_of_the_wrong_kind_names_its_field():
    with pytest.raises(click.BadParameter) as refused:
        parsed_options(dc, {"--drive": "118V", "--display": "many"})
    found, about = named_by_labels(refused.value, {"--display": "Counts of its display"})
    assert found.what == "“Counts of its display”: 'many' is not a valid integer range."
    assert about == "--display"


def test_an_option_without_a_field_stays_as_it_is():
    said, about = named_by_labels(click.UsageError("--voltmeter and --simulated exclude each other"), {})
    assert about is None
    assert said.what == "--voltmeter and --simulated exclude each other."


@pytest.mark.parametrize(
    ("text", "typed"), [("2.2e-8", "22n"), ("2.098e-08", "20.98n"), ("2.2e-10", "220p"), ("2.5e-5", "25u")]
)
def test_a_value_in_an_address_is_typed_as_on_a_schematic(text, typed):
    assert value_of(text) == typed


@pytest.mark.parametrize("text", ["", "x", "nan", "inf", "-1e-9", "5", "0"])
def test_an_address_without_a_value_types_nothing(text):
    assert value_of(text) == ""


def test_roles_of_stage_files_and_dc_checks_choose_a_position():
    assert role_of("coupling") == "coupling"
    assert role_of("anode bypass") == "plate bypass"
    assert role_of("flux capacitor") == ""
    assert role_of("") == ""


def test_colours_are_added_and_taken_back_word_by_word():
    text = with_word(with_word("", "red"), "red")
    text = with_word(with_word(text, "orange"), "/")
    assert text == "red red orange /"
    assert without_last(without_last(text)) == "red red"
    assert without_last("") == ""


def test_a_finding_without_a_figure_is_not_drawn():
    from datetime import UTC, datetime

    assert not PastFinding(when=datetime(2031, 4, 9, tzinfo=UTC), state="undecided").shown
