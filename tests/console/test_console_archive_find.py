"""`twonode archive list`, `find`, `show`, `note`, `rebuild`, `discard` and `restore` on the command line."""

import errno
import os
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest
from console_runs import json_of, run

from twonode import recordings
from twonode.analysis.hookup import HookUp
from twonode.analysis.stage import shipped_stage, stage_to_document
from twonode.analysis.traces import ChannelCodes, TracePair
from twonode.recordings import (
    Conditions,
    DcHeader,
    DcMeter,
    DcRow,
    DcWriter,
    Header,
    PointRow,
    Probe,
    RecordingWriter,
    add_picture,
    add_result,
    read_header,
)
from twonode.recordings.index import INDEX
from twonode.recordings.naming import UNFINISHED

WILD = "shed/küche 📻 " + "y" * 300
PROBE = Probe(
    factor=10.0,
    resistance_ohm=10e6,
    resistance_standard_uncertainty_ohm=58e3,
    capacitance_farad=12e-12,
    capacitance_standard_uncertainty_farad=1.2e-12,
)


def sweep(archive, *, year, tags, value=0.0, state=None):
    """A made-up sweep; nothing in it was measured. state : of its result; None adds none."""
    import numpy as np

    stage = shipped_stage("wrenfield-46-driver-output")
    header = Header(
        title=stage.title,
        created_utc=datetime(year, 4, 9, 18, 20, 11, tzinfo=UTC),
        program_version="0.1.0",
        hookup=HookUp.STAGE,
        stage=stage_to_document(stage),
        part="C7",
        conditions=Conditions(level_vpp=2.0, simulated=True),
        drive_probe=PROBE,
        far_probe=PROBE,
        gain_standard_uncertainty=0.015,
        expected_farad=22e-9,
        expected_tolerance=(0.1, 0.1),
        tags=tags,
    )
    channel = ChannelCodes(
        codes=np.arange(40, dtype=np.int16),
        volts_per_code=0.02,
        volts_at_code_zero=0.0,
        lowest_code=0,
        highest_code=255,
        volts_per_div=0.5,
    )
    traces = TracePair(drive=channel, far=channel, sample_interval_s=1e-4)
    row = PointRow(
        point=1,
        time_s=0.0,
        frequency_set_hz=20.0,
        frequency_hz=20.0,
        ratio_re=0.5,
        ratio_im=0.1,
        var_re=1e-8,
        cov_re_im=0.0,
        var_im=1e-8,
        drive_volts_per_div=0.5,
        far_volts_per_div=0.5,
        samples=40,
        sample_interval_s=1e-4,
    )
    with RecordingWriter(archive, header) as writer:
        writer.add_point(row, traces)
    folder = writer.folder
    if state is None:
        return folder
    add_picture(folder, "picture_C7", b"not looked at here")
    document = {
        "capacitance": {
            "value": value,
            "standard_uncertainty": value * 0.003,
            "interval95": [value * 0.994, value * 1.006],
            "unit": "F",
        },
        "budget": [{"source": "R12", "share": 0.9, "action": "measure R12"}],
        "finding": {
            "state": state,
            "probability": 0.97,
            "because": "C7 is made up.",
            "action": "Look again.",
            "not_tested": ["leakage at working voltage"],
        },
    }
    add_result(folder, "estimate_C7", document)
    return folder


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    place = tmp_path_factory.mktemp("filled") / "archive"
    sweep(place, year=2031, tags={"set": "wrenfield-46", "when": "before"}, value=35e-9, state="off value")
    sweep(
        place, year=2032, tags={"set": "wrenfield-46", "when": "after"}, value=22e-9, state="within tolerance"
    )
    sweep(place, year=2033, tags={"set": WILD, "note": "\x1b[31m"}, value=1e-9, state="leaky")
    header = DcHeader(
        title="DC check of C7",
        created_utc=datetime(2034, 1, 1, tzinfo=UTC),
        program_version="0.1.0",
        part="C7",
        role="coupling",
        meter=DcMeter(resistance_ohm=10e6),
        tags={"set": "wrenfield-46"},
    )
    with DcWriter(place, header) as writer:
        writer.add_reading(DcRow(reading=1, time_s=0.0, node="output grid", volts=0.02, half_width_v=0.001))
    add_result(
        writer.folder,
        "dc_C7",
        {
            "leakage_resistance": {"value": None, "at_least": 5e9, "unit": "ohm"},
            "finding": {"state": "within tolerance", "probability": 0.999},
        },
    )
    return place


@pytest.fixture
def archive(filled, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    shutil.copytree(filled, tmp_path / "archive")
    return tmp_path / "archive"


def years(document):
    return [Path(each["recording"]).name[:4] for each in document["recordings"]]


def test_list_shows_the_newest_first_with_value_and_finding(archive):
    result = run("archive", "list", "--archive", archive)
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert [line[:4] for line in lines] == ["2034", "2033", "2032", "2031"]
    assert "at least 5.00 GΩ" in lines[0]
    assert "within tolerance (> 99 %)" in lines[0]
    assert "DC readings" in lines[0]
    assert "22.00 ± 0.13 nF" in lines[2]
    assert "off value (97 %)" in lines[3]
    assert all("simulated" in line for line in lines[1:])
    assert max(map(len, lines)) < 200  # although a tag has 300 characters
    assert "\x1b" not in result.stdout


def test_a_value_without_a_finding_is_no_missing_result(archive):
    newest = sorted(archive.glob("2033*"))[0]
    for old in (newest / "results").glob("estimate*.json"):
        old.rename(old.with_name("aside.json"))
    shown = run("archive", "list", "--archive", archive).stdout.splitlines()[1]
    assert "no result" in shown
    add_result(newest, "part_C7", {"capacitance": {"value": 1e-9, "unit": "F"}})
    shown = run("archive", "list", "--archive", archive).stdout.splitlines()[1]
    assert "1.00 nF" in shown
    assert "measured" in shown
    assert "no result" not in shown


def drawer(archive):
    """A batch as the drawer files it, of one part; nothing in it was measured."""
    names = {}
    for year, step in enumerate(("open fixture", "known part", "first look", "part"), start=2041):
        tags = {"drawer": "tin box", "step": step}
        names[step] = sweep(archive, year=year, tags=tags).name
    document = {"capacitance": {"value": 1e-9, "unit": "F"}, "label": "1 nF"}
    add_result(archive / names["part"], "part_1", document)
    return names


def test_what_a_drawer_files_on_the_way_to_a_part_is_left_out_and_said(archive):
    names = drawer(archive)
    result = run("archive", "list", "--archive", archive)
    assert [line[:4] for line in result.stdout.splitlines()] == [
        "2044",
        "2034",
        "2033",
        "2032",
        "2031",
        "Left",
    ]
    assert "measured" in result.stdout.splitlines()[0]
    assert "drawer tin box" in result.stdout.splitlines()[0]
    assert "Left out: 3 of a drawer's first looks and fixture checks; --every shows them." in result.stdout
    every = run("archive", "list", "--every", "--archive", archive)
    assert [line[:4] for line in every.stdout.splitlines()[:4]] == ["2044", "2043", "2042", "2041"]
    assert all(word in every.stdout for word in ("first look", "known part", "open fixture"))
    assert "Left out" not in every.stdout
    for command in (("list",), ("find", "tin"), ("find", "--since", "2041")):
        few = json_of(run("archive", *command, "--archive", archive, "--json"))
        all_ = json_of(run("archive", *command, "--every", "--archive", archive, "--json"))
        assert (few["left_out"], all_["left_out"]) == (3, 0)
        assert all_["total"] == few["total"] + 3
        assert all_["recordings"][1]["drawer"] == {"batch": "tin box", "step": "first look"}
    # A first look that was enough to say what the part is speaks for it.
    add_result(archive / names["first look"], "part_1", {"state": "open"})
    assert json_of(run("archive", "list", "--archive", archive, "--json"))["left_out"] == 2


def test_show_says_what_to_write_on_a_loose_part(archive):
    names = drawer(archive)
    assert "Label:    1 nF" in run("archive", "show", names["part"], "--archive", archive).stdout
    assert run("archive", "show", names["known part"], "--archive", archive).stdout.startswith(
        "C7: known part"
    )


def test_list_shows_so_many_and_says_how_many_there_are(archive):
    result = run("archive", "list", "--limit", "2", "--archive", archive)
    assert len(result.stdout.splitlines()) == 3
    assert "newest 2 of 4" in result.stdout
    document = json_of(run("archive", "list", "--limit", "2", "--archive", archive, "--json"))
    assert (document["format"], document["total"], years(document)) == (1, 4, ["2034", "2033"])
    assert (
        len(json_of(run("archive", "list", "--limit", "0", "--archive", archive, "--json"))["recordings"])
        == 4
    )


def test_list_names_what_a_killed_run_left(archive):
    (archive / f"2035-01-01T00-00-00Z_x{UNFINISHED}" / "data").mkdir(parents=True)
    result = run("archive", "list", "--archive", archive)
    assert "was never closed" in result.stdout
    document = json_of(run("archive", "list", "--archive", archive, "--json"))
    assert document["total"] == 4
    assert [each["in_use"] for each in document["unfinished"]] == [False]


def test_list_names_damaged_and_newer_recordings(archive):
    newest, newer, *_ = sorted(archive.glob("20*"), reverse=True)
    (newest / "data" / "recording.json").write_text("{")
    (newer / "data" / "recording.json").write_text('{"format": 9}')
    result = run("archive", "list", "--archive", archive)
    assert result.exit_code == 0
    assert "DAMAGED" in result.stdout.splitlines()[0]
    assert "format 9" in result.stdout.splitlines()[1]


@pytest.mark.parametrize(
    ("arguments", "wanted"),
    [
        (("coupling", "wren"), ["2034", "2033", "2032", "2031"]),
        (("--set", "Wrenfield 46"), ["2034", "2032", "2031"]),
        (("--set", WILD), ["2033"]),
        (("📻",), ["2033"]),
        (("--part", "c7", "--finding", "off"), ["2031"]),
        (("--value", "20n..25n"), ["2032"]),
        (("--value", "..25n", "--since", "2033"), ["2033"]),
        (("--kind", "dc"), ["2034"]),
        (("--when", "after", "--until", "2032-04-09"), ["2032"]),
        (("leaky", "--limit", "1"), ["2033"]),
    ],
)
def test_find_takes_words_and_conditions(archive, arguments, wanted):
    document = json_of(run("archive", "find", *arguments, "--archive", archive, "--json"))
    assert years(document) == wanted
    assert document["total"] == len(wanted)
    assert "unfinished" not in document


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--value", "25n..20n"), "runs backwards"),
        (("--value", "22n"), "20n..25n"),
        (("--value", "20Hz..30Hz"), "no range"),
        (("--finding", "leeky"), "did you mean 'leaky'"),
        (("--kind", "swep"), "did you mean 'sweep'"),
        (("--since", "last week"), "2031-04-09"),
        (("--since", "2033", "--until", "2031"), "backwards"),
        (("//",), "nothing to look for"),
        (("--limit", "-1"), "--limit"),
    ],
)
def test_find_refuses_what_makes_no_sense_in_three_lines(archive, arguments, told):
    result = run("archive", "find", *arguments, "--archive", archive)
    assert result.exit_code == 2
    assert told in result.stderr
    assert len(result.stderr.strip().splitlines()) == 3


def test_find_suggests_the_nearest_tag(archive):
    result = run("archive", "find", "--set", "wrenfeld-46", "--archive", archive)
    assert result.exit_code == 0
    assert "the nearest is 'wrenfield-46'" in result.stdout
    assert run("archive", "find", "nothing", "--archive", archive).stdout == "Nothing fits.\n"


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--set", "zzz"), "No recording has set 'zzz'; there are 'shed/küche"),
        (("--serial", "12"), "No recording has serial '12'; none states one at all."),
        (("C7", "--when", "before", "--since", "2032"), "'C7' 4, when 'before' 1, since 2032 3."),
        (("coupling", "--value", "1u..2u", "--kind", "dc"), "kind dc 1, the range of values none."),
        (("22n",), "--value 20n..25n"),
    ],
)
def test_find_says_why_nothing_fits(archive, arguments, told):
    result = run("archive", "find", *arguments, "--archive", archive)
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout.startswith("Nothing fits.\n")
    assert told in result.stdout


def test_an_archive_that_is_not_there_is_an_error_and_is_not_made(tmp_path):
    result = run("archive", "find", "x", "--archive", tmp_path / "none", "--json")
    assert result.exit_code == 2
    assert "no archive" in json_of(result)["error"]["what"]
    assert not (tmp_path / "none").exists()


def test_an_index_elsewhere_is_said_on_standard_error_and_under_json(archive):
    (archive / INDEX).mkdir()
    result = run("archive", "list", "--archive", archive)
    assert len(result.stdout.splitlines()) == 4
    assert "in your cache folder serves instead" in result.stderr
    document = json_of(run("archive", "list", "--archive", archive, "--json"))
    assert document["index"]["place"] == "in your cache folder"


def test_rebuild_says_how_many_how_fast_and_what_is_wrong(archive):
    (archive / INDEX).write_bytes(b"rubbish" * 1000)
    broken = min(archive.glob("20*"))
    (broken / "data" / "recording.json").unlink()
    result = run("archive", "rebuild", "--archive", archive)
    assert result.exit_code == 0
    assert "4 recordings read" in result.stdout
    assert "a second" in result.stdout
    assert f"{broken.name}: data/recording.json is missing" in result.stdout
    assert "was broken" in result.stderr
    document = json_of(run("archive", "rebuild", "--archive", archive, "--json"))
    assert (document["recordings"], document["index"]["path"]) == (4, str(archive / INDEX))
    assert document["per_second"] > 0


def test_show_tells_one_recording_in_twenty_lines(archive):
    result = run("archive", "show", "2032", "--archive", archive)
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert len(lines) <= 20
    assert lines[0] == "C7: within tolerance (97 %)"
    for told in (
        "22.00 ± 0.13 nF, expected 19.8 nF to 24.2 nF",
        "C7 is made up.",
        "leakage at working voltage",
        "by R12; measure R12",
        "1 of 1 used",
        "every file is as it was written",
        f"Picture:  {next(archive.glob('2032*'))}/results/picture-C7.png",
    ):
        assert told in result.stdout
    for _ in range(9):
        run("archive", "note", "2032", "a line\nand another\x1b[2J", "--archive", archive)
    again = run("archive", "show", "2032", "--archive", archive).stdout
    assert len(again.splitlines()) <= 20
    assert again.splitlines()[-2:] == lines[-2:]
    assert "\x1b" not in again


def test_show_takes_paths_and_dc_readings(archive):
    folder = next(archive.glob("2034*"))
    result = run("archive", "show", folder, "--archive", archive / "elsewhere")
    assert result.exit_code == 0
    assert "at least 5.00 GΩ" in result.stdout
    assert "Readings: 1, meter 10.0 MΩ" in result.stdout
    document = json_of(run("archive", "show", folder, "--json"))
    assert (document["kind"], document["damage"], document["picture"]) == ("dc", None, None)
    assert document["result_document"]["leakage_resistance"]["at_least"] == 5e9


def test_show_of_a_changed_recording_ends_with_status_four(archive):
    folder = next(archive.glob("2032*"))
    table = folder / "data" / "points.csv"
    table.write_bytes(table.read_bytes().replace(b"20.0", b"20.1", 1))
    result = run("archive", "show", "2032", "--archive", archive)
    assert result.exit_code == 4
    assert result.stdout.startswith("DAMAGED, and not to be trusted; filed as C7: within tolerance (97 %)\n")
    assert "DAMAGED:  " in result.stdout
    assert "points.csv" in result.stdout
    (folder / "data" / "recording.json").write_text("{")
    result = run("archive", "show", "2032", "--archive", archive)
    assert result.exit_code == 4
    assert len(result.stderr.strip().splitlines()) == 3


def test_show_of_a_newer_format_says_which_program_reads_it(archive):
    folder = next(archive.glob("2032*"))
    add = (folder / "data" / "recording.json").read_text().replace('"format": 1', '"format": 7', 1)
    (folder / "data" / "recording.json").write_text(add)
    result = run("archive", "show", "2032", "--archive", archive)
    assert result.exit_code == 2
    assert "or a later one" in result.stderr
    assert len(result.stderr.strip().splitlines()) == 3


@pytest.mark.parametrize("command", ["show", "note", "discard", "restore"])
@pytest.mark.parametrize("text", ["nothing", "20", "📻" * 200, "a/b"])
def test_a_recording_that_is_not_there_or_not_the_only_one_is_refused(archive, command, text):
    if (command, text) == ("restore", "20"):
        for year in ("2031", "2032"):
            run("archive", "discard", year, "--archive", archive)
    result = run("archive", command, text, "--archive", archive)
    assert result.exit_code == 2
    assert len(result.stderr.strip().splitlines()) == 3


def test_a_folder_that_is_no_recording_is_refused(archive):
    (archive / "photographs").mkdir()
    for command in ("show", "discard"):
        result = run("archive", command, archive / "photographs", "--archive", archive)
        assert result.exit_code == 2
        assert "is no" in result.stderr
    result = run("archive", "note", archive / "photographs", "x", "--archive", archive)
    assert result.exit_code == 2


def test_a_note_and_a_correction_are_found_and_shown(archive):
    result = run("archive", "note", "2031", "smells of fish", "--operator", "EM", "--archive", archive)
    assert result.exit_code == 0
    assert "EM: smells of fish" in result.stdout
    result = run(
        "archive",
        "note",
        "2031",
        "--correct",
        "part=C8",
        "--reason",
        "read on it",
        "--archive",
        archive,
        "--json",
    )
    document = json_of(result)
    assert document["identity"]["part"] == "C8"
    assert [each["corrects"] for each in document["notes"]] == [None, "part"]
    assert Path(document["added"]).name == "note_2.json"
    assert years(json_of(run("archive", "find", "fish", "--part", "C8", "--archive", archive, "--json"))) == [
        "2031"
    ]
    shown = run("archive", "show", "2031", "--archive", archive).stdout
    assert shown.startswith("C8: ")
    assert "part is C8: read on it" in shown
    assert read_header(next(archive.glob("2031*"))).part == "C7"
    listed = run("archive", "note", "2031", "--archive", archive).stdout
    assert len(listed.splitlines()) == 2
    assert "no note beside" in run("archive", "note", "2032", "--archive", archive).stdout


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--correct", "part=C8"), "no reason"),
        (("--correct", "part", "--reason", "x"), "part=C8"),
        (("--correct", "prt=C8", "--reason", "x"), "did you mean 'part'"),
        (("--correct", "when=befor", "--reason", "x"), "did you mean 'before'"),
        (("--reason", "x"), "no field"),
    ],
)
def test_a_correction_that_cannot_be_judged_later_is_refused(archive, arguments, told):
    result = run("archive", "note", "2031", *arguments, "--archive", archive)
    assert result.exit_code == 2
    assert told in result.stderr
    assert not list(archive.glob("2031*/results/note*"))


def test_discard_puts_aside_and_restore_brings_back(archive):
    result = run("archive", "discard", "2031", "2033", "--reason", "wrong node clipped", "--archive", archive)
    assert result.exit_code == 0
    assert years(json_of(run("archive", "list", "--archive", archive, "--json"))) == ["2034", "2032"]
    assert len(run("archive", "restore", "--archive", archive).stdout.splitlines()) == 2
    document = json_of(run("archive", "restore", "2031", "--archive", archive, "--json"))
    assert Path(document["restored"]).is_dir()
    assert len(document["discarded"]) == 1
    assert years(json_of(run("archive", "find", "clipped", "--archive", archive, "--json"))) == ["2031"]
    assert "every file is as it was written" in run("archive", "show", "2031", "--archive", archive).stdout
    run("archive", "restore", "2033", "--archive", archive)
    assert "Nothing has been put aside" in run("archive", "restore", "--archive", archive).stdout


def test_what_was_never_put_aside_is_looked_for_where_it_would_be(archive):
    result = run("archive", "restore", "nowhere", "--archive", archive)
    assert result.exit_code == 2
    assert "`twonode archive restore` without a name" in result.stderr


@pytest.mark.parametrize(
    ("code", "because", "todo"),
    [
        (errno.EROFS, "Read-only file system", "copied to another"),
        (errno.EACCES, "Permission denied", "rights"),
        (errno.ENOSPC, "there is no room left", "Make room"),
    ],
)
def test_an_archive_that_is_only_read_says_what_was_not_done(archive, monkeypatch, code, because, todo):
    def refused(*_, **__):
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr("twonode.recordings.results.FileLock", refused)
    monkeypatch.setattr("twonode.recordings.trash.os.rename", refused)
    for command, what in (
        (("note", "2031", "hallo"), "Nothing was added to "),
        (("discard", "2031", "--reason", "wrong node"), "was not moved"),
    ):
        result = run("archive", *command, "--archive", archive)
        lines = result.stderr.strip().splitlines()
        assert (result.exit_code, len(lines)) == (2, 3)
        assert what in lines[0]
        assert f"({because})." in lines[0]
        assert todo in lines[2]
        assert "Every reading is kept" not in result.stderr
    assert not list(archive.glob("2031*/results/note*"))


def test_imported_readings_are_not_said_to_be_recorded_or_finished(archive):
    place = archive / "2051-01-01T00-00-00Z_C7"
    shutil.copytree(Path(recordings.__file__).parent / "examples" / "format-1-points", place)
    assert place.name in run("archive", "find", "imported", "--archive", archive).stdout
    shown = run("archive", "show", "2051", "--archive", archive).stdout
    assert "Imported: " in shown
    assert "Recorded" not in shown
    assert "finished" not in shown


def test_discard_moves_nothing_where_one_name_is_wrong(archive):
    assert run("archive", "discard", "2031", "nothing", "--archive", archive).exit_code == 2
    assert len(list(archive.glob("20*"))) == 4
