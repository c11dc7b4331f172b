"""What stands on sheets and in the log: from the recording, its notes and its neighbours, and from nothing else."""

import hashlib
import html.parser
import re
import shutil
import subprocess
from datetime import UTC, datetime, timedelta

import pytest
from dc_samples import write_dc_sample
from recording_samples import CREATED, add_sample_points, sample_header, write_sample

from twonode.analysis.sheet import Mark, Paper
from twonode.recordings import Conditions, RecordingWriter, add_result
from twonode.recordings.errors import DamagedRecording, OtherKind, UnfitSearch
from twonode.recordings.identity import IdentityField
from twonode.recordings.imports import IMPORTED_NOTE
from twonode.recordings.model import Ended, RecordingKind
from twonode.recordings.notes import add_note
from twonode.recordings.service_log import log_lines, service_log
from twonode.recordings.set_sheet import read_set, set_sheet
from twonode.recordings.sheet_content import Cautions, recording_sheet
from twonode.recordings.sheet_html import sheet_html

WORDS = Cautions(sweep=("Never sweep a powered set.",), dc=("The set is live.",))
REAL = {"conditions": Conditions(level_vpp=2.0, node_volts=(0.3, 0.1), unplugged_and_discharged=True)}
WITHIN = {
    "state": "within tolerance",
    "probability": 0.9999,
    "because": "C7: 20.98 ± 0.13 nF (95 %) lies inside 22.0 nF ±10 %.",
    "action": "Check leakage at working voltage with a meter before trusting it.",
    "not_tested": ["leakage at working voltage"],
}


def estimate(**changes):
    return {
        "format": 1,
        "part": "C7",
        "program": "twonode 0.0.9",
        "capacitance": {"value": 2.098e-8, "interval95": [2.085e-8, 2.111e-8], "unit": "F"},
        "others": {"R12": {"value": 482e3, "interval95": [479.3e3, 484.7e3], "unit": "ohm"}},
        "budget": [
            {"source": "noise", "share": 0.2, "action": "measure longer"},
            {"source": "R12", "share": 0.8, "action": "clip a companion on"},
        ],
        "fit": {"points": 3, "corner_hz": 16.6},
        "finding": WITHIN,
        **changes,
    }


def leak(state="leaky", **changes):
    return {
        "part": "C7",
        "program": "twonode 0.1.0",
        "drive_v": 205.0,
        "leakage_resistance": {"value": 8.4e7, "interval95": [7.0e7, 9.8e7], "unit": "ohm"},
        "finding": {"state": state, "probability": 0.99, "because": "C7: leaks.", "action": "Replace C7."},
        **changes,
    }


def swept(archive, *, result=None, **changes):
    folder = write_sample(
        archive, **({"expected_farad": 22e-9, "expected_tolerance": (0.1, 0.1)} | REAL | changes)
    )
    add_result(folder, "estimate_C7", estimate() if result is None else result)
    return folder


def checked(archive, *, state="leaky", **changes):
    folder = write_dc_sample(archive, **({"created_utc": CREATED + timedelta(days=1)} | changes))
    add_result(folder, f"dc_{changes.get('part', 'C7')}", leak(state))
    return folder


def sheet_of(folder, **more):
    return recording_sheet(folder, cautions=WORDS, **more)


def field(fields, label):
    (found,) = [each.text for each in fields if each.label == label]
    return found


def test_a_sweep_says_value_finding_doubt_and_how_it_was_measured(tmp_path):
    folder = swept(
        tmp_path, operator="EM", tags={"set": "Wrenfield 46", "when": "before", "complaint": "no sound"}
    )
    sheet = sheet_of(folder)
    assert sheet.headline == "C7: 20.98 ± 0.13 nF"
    assert sheet.headline_note == (
        "95 % interval 20.85 to 21.11 nF (0.02085 to 0.02111 µF). It should be 19.8 to 24.2 nF."
    )
    assert [(v.mark, v.words) for v in sheet.verdicts] == [
        (Mark.SOUND, "within tolerance"),
        (Mark.NOT_TESTED, "not tested"),
    ]
    assert sheet.plain.startswith("C7 is a capacitor between driver anode and output grid (coupling).")
    assert "Whether it holds back high voltage was not tested." in sheet.plain
    assert field(sheet.points_out, "Largest doubt") == (
        "R12, 80 % of the uncertainty; to shrink it: clip a companion on."
    )
    assert sheet.not_tested == ("leakage at working voltage",)
    assert sheet.cautions == WORDS.sweep
    assert field(sheet.identity, "Set") == "Wrenfield 46"
    assert field(sheet.identity, "By") == "EM"
    assert field(sheet.identity, "Before or after the work") == "before"
    assert field(sheet.identity, "Marked") == "22.0 nF ±10 %, 400 V"
    assert field(sheet.identity, "Serial number") == ""  # to be written in
    hookup = field(sheet.method, "Hook-up")
    assert "unplugged and discharged; 0.3 V and 0.1 V left at the nodes" in hookup
    assert field(sheet.method, "Scope") == "SIMULATED SCOPE, firmware 1"
    assert field(sheet.method, "Null run").startswith("none")
    assert sheet.notes == ("complaint: no sound",)
    assert sheet.stamps == ("Program untested on hardware",)
    assert sheet.bar is not None
    assert sheet.bar.limits == pytest.approx((19.8e-9, 24.2e-9))


def test_the_simulated_bench_is_stamped(tmp_path):
    folder = swept(tmp_path, conditions=Conditions(level_vpp=2.0, simulated=True, seed=7))
    assert sheet_of(folder).stamps == ("Simulated bench: no real part",)


def test_imported_readings_are_stamped_and_no_level_is_made_up(tmp_path):
    folder = swept(tmp_path, instruments=(), conditions=Conditions(level_vpp=None, imported=True))
    sheet = sheet_of(folder)
    assert "Imported readings" in sheet.stamps
    assert sheet.verdicts[0].about == "Finding from imported readings"
    assert "not taken by this program" in field(sheet.method, "Hook-up")
    assert field(sheet.method, "Signal").startswith("level and bias not known")
    assert field(sheet.method, "Null run") == "not known"
    assert field(sheet.identity, "Imported (UTC)") == "2031-04-09 18:20"
    assert "Imported by twonode 0.1.0, worked out by" in sheet.trail.programs
    said = " ".join(each.label for each in sheet.identity) + sheet.trail.programs
    assert "measured" not in said.lower()


def test_imported_readings_are_told_apart_in_a_sets_sheet_and_log_and_beside_a_dc_check(tmp_path):
    conditions = Conditions(level_vpp=None, imported=True)
    swept(tmp_path, instruments=(), conditions=conditions, notes=(IMPORTED_NOTE, "3 % of each size."))
    dc = checked(tmp_path, tags={"set": "Wrenfield 46"})
    history = read_set(tmp_path, "wrenfield-46")
    made = set_sheet(history)
    assert made.stamps[0] == "Of 2: 1 imported"
    assert "imported 2031-04-09 and 2031-04-10" in made.rows[0]
    assert log_lines(history)[0].done == "Readings imported; 3 % of each size"
    assert sheet_of(dc).verdicts[1].about == "Value, from readings imported on 2031-04-09"
    assert "Filed by twonode" in sheet_of(dc).trail.programs


def test_a_fault_that_a_dc_check_found_says_what_is_next_whatever_the_sweep_found(tmp_path):
    folder = swept(
        tmp_path, result=estimate(finding={**WITHIN, "state": "undecided", "action": "Sweep again."})
    )
    assert field(sheet_of(folder).points_out, "Next") == "Sweep again."
    checked(tmp_path, state="within tolerance", tags={"set": "Wrenfield 46"})
    assert field(sheet_of(folder).points_out, "Next") == "Sweep again."
    checked(tmp_path, created_utc=CREATED + timedelta(days=2), tags={"set": "Wrenfield 46"})
    assert field(sheet_of(folder).points_out, "Next") == "Replace C7."


def test_what_a_drawer_made_on_its_way_to_a_part_gets_no_sheet(tmp_path):
    folder = write_sample(tmp_path, tags={"drawer": "tin box", "step": "open fixture", "set": "Wrenfield 46"})
    with pytest.raises(OtherKind, match="says nothing of one by itself"):
        sheet_of(folder)
    swept(tmp_path, created_utc=CREATED + timedelta(days=1))
    assert [row[5] for row in set_sheet(read_set(tmp_path, "Wrenfield 46")).rows] == ["2031-04-10"]


def test_the_checksum_is_that_of_the_manifest_and_the_dates_are_the_recordings(tmp_path):
    folder = swept(tmp_path)
    sheet = sheet_of(folder)
    digest = hashlib.sha256((folder / "manifest-sha256.txt").read_bytes()).hexdigest()
    assert sheet.trail.sha256 == digest
    assert sheet.trail.short == f"{digest[:4]} {digest[4:8]} {digest[8:12]}"
    assert folder.name in sheet.trail.recording
    assert sheet.made == CREATED
    assert "Measured by twonode 0.1.0, worked out by twonode 0.0.9" in sheet.trail.programs


def test_the_newest_result_speaks(tmp_path):
    folder = swept(tmp_path)
    add_result(
        folder, "estimate_C7", estimate(finding={**WITHIN, "state": "off value", "because": "C7: it moved."})
    )
    sheet = sheet_of(folder)
    assert sheet.verdicts[0].words == "off value"
    assert "results/estimate-C7_2.json" in sheet.trail.recording


@pytest.mark.parametrize(
    ("state", "value", "headline"),
    [
        ("open", {"value": None, "at_most": 1.6e-12, "unit": "F"}, "C7: at most 1.6 pF"),
        ("shorted", {"value": None, "at_most": 1.1e-2, "unit": "F"}, "C7: no capacitance to be seen"),
        ("undecided", {"value": None, "unit": "F"}, "C7: value not determined"),
    ],
)
def test_a_value_that_was_not_determined_is_not_made_up(tmp_path, state, value, headline):
    folder = swept(
        tmp_path, result=estimate(capacitance=value, budget=[], finding={**WITHIN, "state": state})
    )
    sheet = sheet_of(folder)
    assert sheet.headline == headline
    assert sheet.bar is None


def test_a_misfit_comes_before_everything_else(tmp_path):
    folder = swept(
        tmp_path, result=estimate(fit={"misfit": "the points do not lie on any curve of this stage"})
    )
    assert sheet_of(folder).points_out[0].label == "Do not trust this yet"


def test_corrections_hold_and_are_shown_with_their_reason(tmp_path):
    folder = swept(tmp_path)
    when = datetime(2032, 1, 1, tzinfo=UTC)
    add_note(
        folder,
        "",
        operator="EM",
        when_utc=when,
        corrects=IdentityField.PART,
        value="C8",
        reason="read on the chassis",
    )
    sheet = sheet_of(folder)
    assert sheet.headline.startswith("C8:")
    assert field(sheet.identity, "Part") == "C8"
    assert sheet.notes[-1] == "2032-01-01, EM: part is C8: read on the chassis"
    assert sheet.made == when


def test_a_leaky_dc_check_of_the_same_part_goes_before_a_good_value(tmp_path):
    folder = swept(tmp_path)
    check = checked(tmp_path)
    sheet = sheet_of(folder)
    assert [v.words for v in sheet.verdicts] == ["leaky", "within tolerance"]
    assert "DC check of 2031-04-10" in sheet.verdicts[0].about
    assert sheet.verdicts[0].detail == "84 ± 14 MΩ at 205 V"
    assert field(sheet.points_out, "Next") == "Replace C7."
    assert check.name in sheet.readings[0]
    assert "A DC check of 2031-04-10 found it leaky." in sheet.plain
    assert sheet.not_tested == ("leakage at a higher voltage or temperature than in the DC check",)


def test_a_good_dc_check_clears_the_leak_at_its_volts_only(tmp_path):
    folder = swept(tmp_path)
    checked(tmp_path, state="within tolerance")
    sheet = sheet_of(folder)
    assert [v.words for v in sheet.verdicts] == ["within tolerance", "within tolerance"]
    assert "at the volts of the DC check" in field(sheet.points_out, "Next")
    assert any("higher voltage" in each for each in sheet.not_tested)


@pytest.mark.parametrize(
    "changes",
    [
        {"tags": {"set": "another set"}},
        {"tags": {}},
        {"part": "C6"},
        {"tags": {"set": "Wrenfield 46", "serial": "999"}},
        {"tags": {"set": "Wrenfield 46", "when": "after"}},
    ],
    ids=["another set", "no set", "another part", "another serial number", "after the work"],
)
def test_a_dc_check_of_something_else_is_not_quoted(tmp_path, changes):
    folder = swept(tmp_path, tags={"set": "Wrenfield 46", "serial": "123", "when": "before"})
    checked(tmp_path, **changes)
    sheet = sheet_of(folder)
    assert sheet.verdicts[1].words == "not tested"
    assert sheet.readings == ()
    assert sheet.not_tested == ("leakage at working voltage",)


def test_a_real_dc_check_does_not_speak_for_a_simulated_part(tmp_path):
    folder = swept(tmp_path, conditions=Conditions(level_vpp=2.0, simulated=True))
    checked(tmp_path)
    assert sheet_of(folder).readings == ()


def test_a_damaged_dc_check_is_named_and_not_quoted(tmp_path):
    folder = swept(tmp_path)
    check = checked(tmp_path)
    table = check / "data" / "readings.csv"
    table.write_bytes(table.read_bytes().replace(b"output grid", b"output grit", 1))
    sheet = sheet_of(folder)
    assert sheet.verdicts[0].words == "within tolerance"
    assert sheet.verdicts[1].words == "damaged recording"
    assert "leaky" not in sheet.plain
    assert sheet.not_tested == ("leakage at working voltage",)
    assert sheet.readings == (f"2031-04-10: damaged, not quoted ({check.name})",)


def test_the_archives_index_finds_the_same_neighbours_as_reading_them(tmp_path):
    folder = swept(tmp_path)
    checked(tmp_path)
    assert sheet_of(folder, archive=tmp_path).readings == sheet_of(folder, archive=None).readings != ()


def test_dc_readings_have_a_sheet_with_their_readings_and_the_sweep_beside_them(tmp_path):
    swept(tmp_path)
    sheet = sheet_of(checked(tmp_path))
    assert sheet.headline == "C7: 84 ± 14 MΩ leak"
    assert [v.words for v in sheet.verdicts] == ["leaky", "within tolerance"]
    assert sheet.verdicts[1].about == "Value, from the sweep of 2031-04-09"
    assert sheet.cautions == WORDS.dc
    assert sheet.listing is not None
    assert sheet.listing.rows[0] == ("output grid", "lifted", "33.3 ± 1.4 mV", "0.1V")
    assert field(sheet.method, "Line") == "123 V"


def test_a_voltage_chart_lists_its_nodes(tmp_path):
    folder = write_dc_sample(tmp_path, part=None, role=None)
    off = {
        "state": "off value",
        "probability": 0.99,
        "because": "driver anode: 206 V.",
        "action": "Read it again.",
    }
    node = {
        "node": "driver anode",
        "volts": 206.0,
        "half_width": 1.0,
        "book_volts": 95,
        "limits": [111.0, 135.0],
    }
    add_result(
        folder, "dc_chart", {"nodes": [{**node, "finding": off}], "not_read": ["HT rail"], "finding": off}
    )
    sheet = sheet_of(folder)
    assert sheet.headline == "1 of 1 voltages off"
    assert sheet.listing is not None
    assert sheet.listing.rows == (
        ("driver anode", "206.0 ± 1.0 V", "95 V", "111 to 135 V", "✗ off value"),
        ("HT rail", "not read", "", "", ""),
    )


@pytest.mark.parametrize(
    ("states", "not_read", "headline"),
    [
        (("within tolerance",), (), "the voltage as it should be"),
        (("within tolerance",) * 2, (), "2 voltages as they should be"),
        (("within tolerance",), ("HT rail",), "1 of 2 voltages shown to be right"),
        (("within tolerance", "undecided"), (), "1 of 2 voltages shown to be right"),
    ],
)
def test_a_voltage_chart_claims_no_node_that_was_not_shown_to_be_right(tmp_path, states, not_read, headline):
    folder = write_dc_sample(tmp_path, part=None, role=None)
    nodes = [
        {"node": f"node {n}", "volts": 100.0, "finding": {**WITHIN, "state": s}} for n, s in enumerate(states)
    ]
    add_result(folder, "dc_chart", {"nodes": nodes, "not_read": list(not_read), "finding": WITHIN})
    assert sheet_of(folder).headline == headline


def test_a_loose_part_of_a_drawer_says_that_its_voltage_is_unknown(tmp_path):
    folder = write_sample(tmp_path, **REAL)
    capacitance = {"value": 1.5e-9, "interval95": [1.49e-9, 1.51e-9], "unit": "F"}
    label = "1.5 nF; voltage unknown: not for line or B+"
    document = {"state": "measured", "because": "1.5 nF.", "capacitance": capacitance, "label": label}
    add_result(folder, "part_1", {**document, "not_tested": ["working voltage"]})
    sheet = sheet_of(folder)
    assert sheet.verdicts[0].detail == "working voltage unknown"
    assert "not for line or B+" in sheet.headline_note
    assert sheet.not_tested == ("working voltage",)


def test_a_recording_without_a_result_says_so(tmp_path):
    sheet = sheet_of(write_sample(tmp_path))
    assert sheet.headline == "C7: no result yet"
    assert "twonode estimate" in field(sheet.points_out, "Next")


def test_a_result_this_program_cannot_understand_is_named_and_not_guessed_at(tmp_path):
    folder = swept(tmp_path, result={"capacitance": "about 20 nF"})
    sheet = sheet_of(folder)
    assert sheet.headline == "C7: no result yet"
    assert any("results/estimate-C7.json is none this program understands" in note for note in sheet.notes)


def test_a_null_run_is_refused_in_words(tmp_path):
    folder = write_sample(tmp_path, kind=RecordingKind.NULL, stage=None, part=None, hookup=None)
    with pytest.raises(OtherKind, match="null run"):
        sheet_of(folder)


def test_a_damaged_recording_has_no_sheet(tmp_path):
    folder = swept(tmp_path)
    table = folder / "data" / "points.csv"
    table.write_bytes(table.read_bytes().replace(b"1", b"2", 1))
    with pytest.raises(DamagedRecording):
        sheet_of(folder)


def test_an_interrupted_run_is_said(tmp_path):
    with RecordingWriter(tmp_path, sample_header()) as writer:
        add_sample_points(writer, 2)
        writer.close(finished_utc=CREATED, ended=Ended.INTERRUPTED)
    sheet = sheet_of(writer.folder)
    assert field(sheet.method, "Run") == "interrupted: the points until then were kept"


# HTML


class Page(html.parser.HTMLParser):
    """Tags with their attributes, and the text."""

    def __init__(self, content: bytes) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(content.decode("utf-8"))

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.text += data


NASTY = '<script>alert(1)</script> & "quoted" 📻 a/b'


def test_whatever_stands_in_a_tag_is_text_in_the_html(tmp_path):
    folder = swept(tmp_path, title=NASTY, operator=NASTY, tags={"set": NASTY, "shelf": NASTY}, notes=(NASTY,))
    content = sheet_html(sheet_of(folder), Paper.A4)
    page = Page(content)
    assert not [tag for tag, _ in page.tags if tag == "script"]
    assert page.text.count(NASTY) >= 4
    assert b"<script>" not in content


def test_the_html_needs_nothing_else_and_its_picture_has_words(tmp_path):
    content = sheet_html(sheet_of(swept(tmp_path)), Paper.A4)
    page = Page(content)
    (image,) = [attrs for tag, attrs in page.tags if tag == "img"]
    assert (image["src"] or "").startswith("data:image/png;base64,")
    assert "3 points from 20.0 Hz to 60.0 Hz" in (image["alt"] or "")
    for tag, attrs in page.tags:
        assert tag not in ("link", "script", "iframe", "object")
        assert not {"href", "srcset", "action"} & attrs.keys()
    assert not re.search(rb"https?:|url\(|@import", content)
    assert [attrs.get("lang") for tag, attrs in page.tags if tag == "html"] == ["en"]


@pytest.mark.parametrize(("paper", "name"), [(Paper.A4, b"A4"), (Paper.LETTER, b"letter")])
def test_the_html_prints_on_the_paper_asked_for_in_type_of_eight_points_and_more(tmp_path, paper, name):
    content = sheet_html(sheet_of(swept(tmp_path)), paper)
    assert b"@page { size: " + name in content
    sizes = [float(size) for size in re.findall(rb"font(?:-size)?:\s*([\d.]+)pt", content)]
    assert len(sizes) > 5
    assert min(sizes) >= 8.0


def test_the_html_is_dark_on_white_throughout(tmp_path):
    """WCAG 2.1, 1.4.6: 7 to 1. Ink on white is the only pair of colours that text uses."""
    content = sheet_html(sheet_of(swept(tmp_path)), Paper.A4)
    assert set(re.findall(rb"(?<!-)color:\s*(#\w+)", content)) == {b"#1b2230"}
    assert set(re.findall(rb"background[^:]*:\s*(#\w+)", content)) == {b"#ffffff"}
    linear = [
        c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4
        for c in (0x1B / 255, 0x22 / 255, 0x30 / 255)
    ]
    luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    assert 1.05 / (luminance + 0.05) > 7.0


def test_the_same_recording_gives_the_same_html(tmp_path):
    folder = swept(tmp_path)
    assert sheet_html(sheet_of(folder), Paper.A4) == sheet_html(sheet_of(folder), Paper.A4)


# A set


@pytest.fixture
def archive(tmp_path):
    """One set before and after, with a note; another set of the same name elsewhere in the tests."""
    for day, part in enumerate(("C10", "C2", "C7")):
        folder = swept(
            tmp_path,
            part="C7",
            created_utc=CREATED + timedelta(days=day),
            tags={"set": "Wrenfield 46", "serial": "123", "when": "before"},
        )
        if part != "C7":
            # The sample's stage has no such part; a correction names it.
            add_note(
                folder,
                "",
                when_utc=CREATED + timedelta(days=day, hours=1),
                corrects=IdentityField.PART,
                value=part,
                reason="read on the chassis",
            )
    old = folder
    add_note(old, "Replaced by 22 nF 630 V film.", operator="EM", when_utc=CREATED + timedelta(days=5))
    swept(
        tmp_path,
        created_utc=CREATED + timedelta(days=6),
        tags={"set": "Wrenfield 46", "serial": "123", "when": "after"},
    )
    checked(tmp_path, tags={"set": "Wrenfield 46", "serial": "123", "when": "before"})
    return tmp_path


def test_a_sets_sheet_has_a_row_for_each_part_before_and_after(archive):
    sheet = set_sheet(read_set(archive, "wrenfield 46"))
    assert [row[0].split(",")[0] for row in sheet.rows] == [
        "C2 (before)",
        "C7 (before)",
        "C7 (after)",
        "C10 (before)",
    ]
    before, after = sheet.rows[1], sheet.rows[2]
    assert before[1:5] == (
        "19.8 to 24.2 nF",
        "20.98 ± 0.13 nF",
        "✓ within tolerance",
        "✗ leaky: 84 ± 14 MΩ",
    )
    assert "Replaced by 22 nF 630 V film." in before[6]
    assert after[4] == "not tested"
    assert after[6] == ""  # to be written in
    assert field(sheet.identity, "Serial number") == "123"
    assert sheet.title == "Wrenfield 46 table receiver"


def test_the_log_has_everything_in_the_order_of_its_dates(archive):
    history = read_set(archive, "Wrenfield 46")
    lines = log_lines(history)
    assert len(lines) == 5 + 3  # recordings and notes
    assert [line.when_utc for line in lines] == sorted(line.when_utc for line in lines)
    assert [line.done.split(",")[0] for line in lines] == [
        "Swept in its stage",
        "Correction",
        "Swept in its stage",
        "DC check with a meter",
        "Correction",
        "Swept in its stage",
        "Note",
        "Swept in its stage",
    ]
    assert lines[-2].found == "Replaced by 22 nF 630 V film."
    assert lines[1].found == "part is C10, because: read on the chassis"
    assert lines[3].found == "✗ leaky: 84 ± 14 MΩ"
    sheet = service_log(history)
    assert len(sheet.rows) == len(lines)
    assert sheet.made == CREATED + timedelta(days=6)


def test_two_sets_of_one_name_are_not_mixed(archive):
    swept(archive, created_utc=CREATED + timedelta(days=9), tags={"set": "Wrenfield 46", "serial": "777"})
    swept(archive, created_utc=CREATED + timedelta(days=10), tags={"set": "Wrenfield 46"})
    with pytest.raises(UnfitSearch, match="123, 777"):
        read_set(archive, "Wrenfield 46")
    history = read_set(archive, "Wrenfield 46", serial="777")
    assert len(history.entries) == 1
    assert "1 recordings of a set of this name state no serial number" in " ".join(set_sheet(history).remarks)
    with pytest.raises(UnfitSearch, match="serial number '5'"):
        read_set(archive, "Wrenfield 46", serial="5")


def test_a_set_that_is_not_there_gets_the_nearest_name(archive):
    with pytest.raises(UnfitSearch, match="nearest: Wrenfield 46"):
        read_set(archive, "wrenfeld 64")


def test_a_damaged_recording_is_named_in_a_sets_sheet_and_not_quoted(archive):
    history = read_set(archive, "Wrenfield 46")
    (after,) = [entry for entry in history.entries if entry.identity.when == "after"]
    table = after.folder / "data" / "points.csv"
    table.write_bytes(table.read_bytes().replace(b"1", b"2", 1))
    history = read_set(archive, "Wrenfield 46")
    assert list(history.damaged) == [after.name]
    sheet = set_sheet(history)
    assert sheet.rows[2][2:4] == ("", "damaged, not quoted")
    assert any(after.name in remark for remark in sheet.remarks)
    assert "damaged, not quoted" in [line.found for line in log_lines(history)]


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="sha256sum is not installed")
def test_the_sets_checksum_can_be_worked_out_by_sha256sum(archive):
    """Outside reference: GNU coreutils."""
    history = read_set(archive, "Wrenfield 46")
    names = sorted(entry.name for entry in history.entries)
    lines = subprocess.run(
        ["sha256sum", *(f"{name}/manifest-sha256.txt" for name in names)],
        check=True,
        capture_output=True,
        cwd=archive,
    ).stdout
    whole = subprocess.run(["sha256sum"], input=lines, check=True, capture_output=True).stdout
    assert set_sheet(history).trail.sha256 == whole.split()[0].decode()


def test_a_sets_html_escapes_too_and_keeps_its_table_head(archive):
    swept(archive, created_utc=CREATED + timedelta(days=9), tags={"set": "Wrenfield 46", "position": NASTY})
    content = sheet_html(set_sheet(read_set(archive, "Wrenfield 46")), Paper.LETTER)
    page = Page(content)
    assert NASTY in page.text
    assert not [tag for tag, _ in page.tags if tag == "script"]
    assert [attrs.get("scope") for tag, attrs in page.tags if tag == "th"] == ["col"] * 7
