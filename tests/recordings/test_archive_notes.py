"""Notes and corrections beside a recording, and recordings put aside."""

import json
import os
import shutil
import subprocess
from datetime import UTC, datetime, timedelta, timezone

import pytest
from dc_samples import write_dc_sample
from recording_samples import files_below, write_sample

from twonode.recordings import read_any, read_recording
from twonode.recordings.errors import DamagedRecording, NotARecording, UnfitRecord
from twonode.recordings.identity import Identity, IdentityField, identity_of
from twonode.recordings.naming import UNFINISHED
from twonode.recordings.notes import LONGEST_NOTE, add_note, field_named, read_notes
from twonode.recordings.trash import DISCARDED, discard, discarded, restore

NOW = datetime(2031, 4, 10, 9, 30, 15, tzinfo=UTC)
WILD = "a/b\\c 📻 ../ " + "x" * 300


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return write_sample(
        tmp_path_factory.mktemp("made"),
        operator="EM",
        tags={
            "set": "Wrenfield 46",
            "serial": "0042",
            "position": "V3 grid",
            "when": "before",
            "bench": "left",
        },
    )


@pytest.fixture
def folder(made, tmp_path):
    shutil.copytree(made, tmp_path / made.name)
    return tmp_path / made.name


def test_a_note_is_kept_with_its_date_and_the_recording_stays_sound(folder):
    before = files_below(folder / "data")
    path = add_note(folder, " crack in the wax ", operator="EM", when_utc=NOW)
    assert path == folder / "results" / "note.json"
    assert json.loads(path.read_text(encoding="utf-8")) == {
        "format": 1,
        "program": json.loads(path.read_text(encoding="utf-8"))["program"],
        "when_utc": "2031-04-10T09:30:15Z",
        "operator": "EM",
        "text": "crack in the wax",
        "corrects": None,
        "value": None,
        "reason": None,
    }
    (note,) = read_notes(folder)
    assert note.line == "2031-04-10, EM: crack in the wax"
    assert files_below(folder / "data") == before
    read_recording(folder)  # compares every file with the manifests


def test_sha256sum_agrees_with_a_recording_that_has_notes(folder):
    add_note(folder, WILD, when_utc=NOW)
    add_note(folder, "two", when_utc=NOW)
    if shutil.which("sha256sum") is None:
        pytest.skip("no sha256sum here")
    for manifest in ("manifest-sha256.txt", "tagmanifest-sha256.txt"):
        subprocess.run(["sha256sum", "-c", "--strict", manifest], cwd=folder, check=True, capture_output=True)
    assert "results/note_2.json" in (folder / "tagmanifest-sha256.txt").read_text()


def test_a_note_never_overwrites_another(folder):
    paths = [add_note(folder, text, when_utc=NOW) for text in ("one", "two", "three")]
    assert [path.name for path in paths] == ["note.json", "note_2.json", "note_3.json"]
    assert [note.text for note in read_notes(folder)] == ["one", "two", "three"]


def test_notes_are_in_the_order_they_were_made_also_past_ten(folder):
    for number in range(11):
        add_note(folder, str(number), when_utc=NOW)
    add_note(folder, "early", when_utc=NOW - timedelta(days=1))
    assert [note.text for note in read_notes(folder)] == ["early", *map(str, range(11))]


def test_the_identity_is_what_was_filed_until_it_is_corrected(folder):
    assert identity_of(folder) == Identity(
        set_name="Wrenfield 46", serial="0042", part="C7", position="V3 grid", when="before", operator="EM"
    )
    filed = (folder / "data" / "recording.json").read_bytes()
    add_note(folder, "", when_utc=NOW, corrects=IdentityField.PART, value="C8", reason="read on it")
    add_note(folder, "", when_utc=NOW, corrects=IdentityField.SERIAL, value=None, reason="another chassis")
    add_note(folder, "", when_utc=NOW, corrects=IdentityField.SET, value=WILD, reason=WILD)
    add_note(folder, "a free note", when_utc=NOW)
    assert identity_of(folder) == Identity(
        set_name=WILD.strip(), serial=None, part="C8", position="V3 grid", when="before", operator="EM"
    )
    assert (folder / "data" / "recording.json").read_bytes() == filed


def test_the_last_correction_holds_and_the_first_is_kept(folder):
    for value in ("C8", "C9"):
        add_note(folder, "see photo", when_utc=NOW, corrects=IdentityField.PART, value=value, reason="seen")
    assert identity_of(folder).part == "C9"
    assert [note.line for note in read_notes(folder)] == [
        "2031-04-10: part is C8: seen; see photo",
        "2031-04-10: part is C9: seen; see photo",
    ]


def test_dc_readings_take_notes_too(tmp_path):
    folder = write_dc_sample(tmp_path)
    add_note(folder, "", when_utc=NOW, corrects=IdentityField.PART, value="C8", reason="read on it")
    assert identity_of(folder).part == "C8"
    read_any(folder)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"text": "  "}, "is empty"),
        ({"text": "x" * (LONGEST_NOTE + 1)}, str(LONGEST_NOTE)),
        ({"text": "lone \ud800"}, "cannot be written"),
        ({"when_utc": datetime(2031, 4, 10)}, "not in UTC"),
        ({"when_utc": NOW.astimezone(timezone(timedelta(hours=2)))}, "not in UTC"),
        ({"reason": "because"}, "no field"),
        ({"value": "C8"}, "no field"),
        ({"corrects": IdentityField.PART, "value": "C8"}, "no reason"),
        ({"corrects": IdentityField.PART, "value": "C8", "reason": "  "}, "no reason"),
        ({"corrects": IdentityField.PART, "value": " ", "reason": "seen"}, "no value"),
        ({"corrects": IdentityField.WHEN, "value": "befor", "reason": "seen"}, "did you mean 'before'"),
    ],
)
def test_a_note_that_would_tell_nothing_is_refused(folder, change, told):
    before = files_below(folder)
    with pytest.raises(UnfitRecord, match=told):
        add_note(folder, **({"text": "", "when_utc": NOW} | change))
    assert files_below(folder) == before


def test_a_slip_in_a_field_is_named():
    assert field_named(" Part ") is IdentityField.PART
    with pytest.raises(UnfitRecord, match="did you mean 'serial'"):
        field_named("seriel")
    with pytest.raises(UnfitRecord, match="no field"):
        field_named("value")


@pytest.mark.parametrize(
    "text", ["", "[]", '{"text": 5}', '{"text": "x", "when_utc": "2031-04-10T09:30:15"}']
)
def test_a_damaged_note_is_named(folder, text):
    add_note(folder, "sound", when_utc=NOW)
    (folder / "results" / "note_2.json").write_text(text)
    with pytest.raises(DamagedRecording, match=r"note_2\.json"):
        read_notes(folder)


def test_only_closed_recordings_take_notes(tmp_path):
    for place in (tmp_path / "nothing", tmp_path / f"2031-04-09T18-20-11Z_x{UNFINISHED}"):
        place.mkdir()
        with pytest.raises(NotARecording):
            add_note(place, "x", when_utc=NOW)


# Put aside, and back


def test_a_discarded_recording_comes_back_as_it_was(folder):
    before = files_below(folder)
    aside = discard(folder)
    assert not folder.exists()
    assert aside == folder.parent / DISCARDED / folder.name
    assert files_below(aside) == before
    assert discarded(folder.parent) == (aside,)
    assert restore(folder.parent, "wrenfield-46") == folder
    assert files_below(folder) == before
    assert discarded(folder.parent) == ()


def test_two_of_one_name_are_both_kept(folder):
    first = files_below(folder)
    copy = folder.parent / "copy"
    shutil.copytree(folder, copy)
    discard(folder)
    add_note(copy, "the second", when_utc=NOW)
    second = files_below(copy)
    copy.rename(folder)
    assert discard(folder).name == f"{folder.name}_2"
    assert [files_below(each) for each in discarded(folder.parent)] == [first, second]
    restore(folder.parent, f"{folder.name}_2")
    restored = folder.parent / f"{folder.name}_2"
    restored.rename(folder)
    assert restore(folder.parent, folder.name).name == f"{folder.name}_2"  # the name is taken
    assert files_below(folder) == second


def test_a_damaged_recording_can_be_put_aside(folder):
    shutil.rmtree(folder / "data")
    (folder / "bagit.txt").unlink()
    assert discard(folder).is_dir()


def test_what_is_no_recording_is_left_where_it_is(folder):
    photographs = folder.parent / "photographs"
    photographs.mkdir()
    running = folder.with_name(f"{folder.name}{UNFINISHED}")
    running.mkdir()
    for place, told in (
        (photographs, "no recording"),
        (running, "never closed"),
        (folder.parent / "gone", "no recording"),
        (folder.parent, "no recording"),
        (discard(folder), "before"),
    ):
        with pytest.raises(NotARecording, match=told):
            discard(place)
    assert photographs.is_dir()
    assert running.is_dir()


def test_what_was_never_discarded_cannot_come_back(tmp_path):
    with pytest.raises(NotARecording, match="among those discarded"):
        restore(tmp_path, "2031")
    assert not (tmp_path / DISCARDED).exists()


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_of_a_link_the_link_is_moved_and_not_what_it_leads_to(folder):
    link = folder.parent / "2032-01-01T00-00-00Z_link"
    link.symlink_to(folder)
    assert discard(link).is_symlink()
    assert folder.is_dir()
