"""The index follows the folders, answers like them, and stands in nobody's way."""

import contextlib
import os
import shutil
import sqlite3
import threading
import time
from datetime import UTC, datetime

import pytest
from dc_samples import write_dc_sample
from recording_samples import CREATED, write_sample

from twonode.recordings import add_result, index, index_file
from twonode.recordings.entry import EntryState, entry_document
from twonode.recordings.errors import NotARecording, UnfitSearch
from twonode.recordings.foldedtext import folded
from twonode.recordings.folders import FolderWatch
from twonode.recordings.gist import newest_picture, newest_result, read_gist
from twonode.recordings.identity import IdentityField
from twonode.recordings.index import INDEX, ArchiveIndex, Changes, Place
from twonode.recordings.index_query import (
    Search,
    finding_named,
    kind_named,
    nearest_text,
    parse_day,
    parse_value_range,
)
from twonode.recordings.notes import add_note
from twonode.recordings.trash import discard, restore

WILD = "Schuppen/Küche 📻 " + "lang" * 70 + " \\ ../ \"quoted\" 'x' %_* Ende"
assert len(WILD) > 300


def result(value=22e-9, state="within tolerance", **more):
    return {
        "part": "C7",
        "capacitance": {
            "value": value,
            "standard_uncertainty": value * 0.003,
            "interval95": [value * 0.994, value * 1.006],
            "unit": "F",
        },
        "finding": {"state": state, "probability": 0.97},
        **more,
    }


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    """Four sweeps, one of DC readings; made once, copied by `archive`."""
    place = tmp_path_factory.mktemp("filled") / "archive"
    first = write_sample(place, tags={"set": "Wrenfield 46", "serial": "0042", "when": "before"})
    add_result(first, "estimate_C7", result())
    second = write_sample(
        place,
        created_utc=datetime(2032, 5, 1, 9, 0, tzinfo=UTC),
        tags={"set": "Wrenfield 46", "serial": "0042", "when": "after"},
        operator="EM",
    )
    add_result(second, "estimate_C7", result(35e-9, "leaky"))
    write_sample(place, created_utc=datetime(2032, 6, 1, 9, 0, tzinfo=UTC), tags={"set": WILD})
    dc = write_dc_sample(place, created_utc=datetime(2033, 1, 2, 3, 4, 5, tzinfo=UTC))
    add_result(
        dc,
        "dc_C7",
        {
            "leakage_resistance": {"value": None, "at_least": 5e9, "unit": "ohm"},
            "finding": {"state": "within tolerance", "probability": 0.99},
        },
    )
    return place


@pytest.fixture
def archive(filled, tmp_path):
    shutil.copytree(filled, tmp_path / "archive")
    return tmp_path / "archive"


@pytest.fixture
def indexed(archive, tmp_path):
    with ArchiveIndex(archive, cache=tmp_path / "cache") as opened:
        yield opened


def names(found):
    return [entry.name for entry in found]


def years(found):
    return [entry.name[:4] for entry in found]


def content(archive):
    """All an index holds, read without the code under test; row numbers and times of looking left out."""
    with contextlib.closing(sqlite3.connect(archive / INDEX)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        rows = connection.execute(
            "SELECT words.text, recording.* FROM recording JOIN words ON words.rowid = recording.id ORDER BY name"
        )
        kept = [at for at, column in enumerate(rows.description) if column[0] not in ("id", "seen")]
        return [tuple(row[at] for at in kept) for row in rows]


# Finding


def test_everything_is_listed_with_the_newest_first(indexed):
    assert years(indexed.find()) == ["2033", "2032", "2032", "2031"]
    assert years(indexed.find(limit=1)) == ["2033"]
    assert indexed.count() == 4


def test_an_entry_says_what_came_of_a_recording(indexed):
    entry = indexed.find(Search(finding="leaky"))[0]
    assert entry_document(entry) == {
        "recording": str(entry.folder),
        "state": "readable",
        "trouble": None,
        "kind": "sweep",
        "created_utc": "2032-05-01T09:00:00Z",
        "title": "Wrenfield 46 table receiver: driver to output stage",
        "set": "Wrenfield 46",
        "serial": "0042",
        "part": "C7",
        "position": None,
        "when": "after",
        "operator": "EM",
        "hookup": "stage",
        "ended": "finished",
        "simulated": True,
        "imported": False,
        "drawer": None,
        "finding": {"state": "leaky", "probability": 0.97},
        "value": {
            "value": 35e-9,
            "standard_uncertainty": 35e-9 * 0.003,
            "interval95": [35e-9 * 0.994, 35e-9 * 1.006],
            "at_least": None,
            "at_most": None,
            "unit": "F",
        },
        "expected": None,
        "result": "estimate-C7.json",
        "notes": [],
    }


def test_a_bound_of_dc_readings_is_kept_as_a_bound(indexed):
    (entry,) = indexed.find(Search(kind="dc"))
    assert entry.worth.value is None
    assert (entry.worth.at_least, entry.worth.unit) == (5e9, "ohm")


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        (("wrenf",), ["2033", "2032", "2032", "2031"]),  # the beginning of a word in the title
        (("WRENFIELD-46", "driver"), ["2033", "2032", "2032", "2031"]),
        (("em",), ["2033", "2032"]),
        (("coupling",), ["2033", "2032", "2032", "2031"]),  # the part's role in its stage
        (("leaky", "after"), ["2032"]),
        (("leaky", "before"), []),
        (("ield",), []),  # not the middle of one
        (("kuche",), ["2032"]),
        (("KÜCHE",), ["2032"]),
        (("📻",), ["2032"]),
        (("lang" * 70,), ["2032"]),
        (('"quoted', "OR", "NOT"), []),
        (('"quoted"', "*"), ["2032"]),
    ],
)
@pytest.mark.parametrize("full_text", [True, False])
def test_words_are_found_with_and_without_a_full_text_engine(
    archive, tmp_path, monkeypatch, words, wanted, full_text
):
    monkeypatch.setattr(index, "has_full_text", lambda: full_text)
    with ArchiveIndex(archive, cache=tmp_path / "cache") as opened:
        assert years(opened.find(Search(words=words))) == wanted
        assert opened.count(Search(words=words)) == len(wanted)


@pytest.mark.parametrize(
    ("condition", "wanted"),
    [
        ({"identity": {IdentityField.SET: "wrenfield-46"}}, 3),  # however it is spelt
        ({"identity": {IdentityField.SET: WILD}}, 1),
        ({"identity": {IdentityField.SET: "wrenfield"}}, 0),  # but wholly
        ({"identity": {IdentityField.SERIAL: "0042", IdentityField.WHEN: "after"}}, 1),
        ({"identity": {IdentityField.OPERATOR: "em"}}, 2),
        ({"kind": "dc"}, 1),
        ({"finding": "within tolerance"}, 2),
        ({"since": "2032"}, 3),
        ({"since": "2032-05-02"}, 2),
        ({"until": "2032-05-01"}, 2),  # the whole day
        ({"since": "2032-05", "until": "2032-05"}, 1),
        ({"value": parse_value_range("20n..25n")}, 1),
        ({"value": parse_value_range("22n..35n")}, 2),  # both ends included
        ({"value": parse_value_range("..25n")}, 1),
        ({"value": parse_value_range("25n..")}, 1),
        ({"value": parse_value_range("1G..")}, 0),  # a bound is no value
        ({"words": ("wrenfield",), "value": parse_value_range("20n..25n"), "finding": "leaky"}, 0),
    ],
)
def test_conditions_hold_all_together(indexed, condition, wanted):
    assert len(indexed.find(Search(**condition))) == wanted


@pytest.mark.parametrize(
    ("text", "unit", "low", "high"),
    [
        ("20n..25n", "F", 20e-9, 25e-9),
        (" 4n7 .. 0.022uF ", "F", 4.7e-9, 22e-9),
        ("..25n", "F", None, 25e-9),
        ("20n..", "F", 20e-9, None),
        ("1M..10M", "ohm", 1e6, 10e6),
        ("2Gohm..", "ohm", 2e9, None),
    ],
)
def test_ranges_are_written_as_on_a_schematic(text, unit, low, high):
    found = parse_value_range(text)
    assert (found.unit, found.low, found.high) == (unit, low, high)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("25n..20n", "25n..20n' runs backwards"),
        ("22n", "no range"),
        ("..", "no range"),
        ("", "no range"),
        ("1n..2n..3n", "no range"),
        ("20x..25n", "'20x' is no capacitance"),
        ("20n..1M", "no range"),  # farads and ohms
        ("20V..25V", "no range"),
    ],
)
def test_a_bad_range_is_refused(text, told):
    with pytest.raises(UnfitSearch, match=told):
        parse_value_range(text)


@pytest.mark.parametrize(
    "text", ["2031-13", "2031-02-30", "31", "yesterday", "2031-4-9", "2031-04-09T10:00", ""]
)
def test_a_day_that_is_none_is_refused(text):
    with pytest.raises(UnfitSearch, match="no day"):
        parse_day(text)


def test_a_search_that_runs_backwards_is_refused():
    with pytest.raises(UnfitSearch, match="backwards"):
        Search(since="2032-05", until="2031")
    Search(since="2032-05", until="2032")


def test_words_without_a_letter_are_refused(indexed):
    with pytest.raises(UnfitSearch, match="nothing to look for"):
        indexed.find(Search(words=("..", '"*"')))


def test_a_finding_may_be_shortened_and_a_slip_is_named():
    assert finding_named("off") == "off value"
    assert finding_named("Within-Tolerance") == "within tolerance"
    with pytest.raises(UnfitSearch, match="did you mean 'leaky'"):
        finding_named("leeky")
    with pytest.raises(UnfitSearch, match="is no finding"):
        finding_named("o")  # off value or open
    assert finding_named("microphonic", others=["microphonic"]) == "microphonic"
    with pytest.raises(UnfitSearch, match="did you mean 'sweep'"):
        kind_named("sweap")


def test_the_nearest_tag_is_suggested():
    assert nearest_text("wrenfeld-46", ["Wrenfield 46", "other"]) == "Wrenfield 46"
    assert nearest_text("WRENFIELD 46", ["Wrenfield-46"]) is None
    assert nearest_text("xyz", ["Wrenfield 46"]) == ""


def test_folding_keeps_what_a_word_is_made_of():
    assert (
        folded("Wrenfield 46 / März, 4.7 kΩ")
        == folded("WRENFIELD-46 marz 4 7 KΩ")
        == "wrenfield 46 marz 4 7 kω"
    )
    assert folded("µF") == folded("μF")
    assert folded("/ -- ..") == ""


# Following the folders


def test_the_index_follows_what_happens_to_the_folders(archive, indexed):
    assert indexed.update() == Changes(added=4)
    new = write_sample(archive, created_utc=datetime(2034, 1, 1, tzinfo=UTC))
    assert years(indexed.find())[0] == "2034"
    add_result(new, "estimate_C7", result(1e-9, "open"))
    assert names(indexed.find(Search(finding="open"))) == [new.name]
    add_note(new, "smells of fish", when_utc=CREATED)
    assert names(indexed.find(Search(words=("fish",)))) == [new.name]
    new.rename(archive / "bench-1")
    assert names(indexed.find(Search(words=("fish",)))) == ["bench-1"]
    discard(archive / "bench-1")
    assert indexed.find(Search(words=("fish",))) == []
    restore(archive, "bench")
    assert names(indexed.find(Search(words=("fish",)))) == ["bench-1"]
    shutil.rmtree(archive / "bench-1")
    assert indexed.count() == 5  # as of the last update
    assert indexed.update().vanished == 1
    assert indexed.count() == 4


def test_a_correction_is_what_a_search_goes_by_and_the_old_word_still_finds(archive, indexed):
    folder = indexed.find(Search(finding="leaky"))[0].folder
    add_note(folder, "", when_utc=CREATED, corrects=IdentityField.PART, value="C8", reason="read on it")
    (entry,) = indexed.find(Search(identity={IdentityField.PART: "c8"}))
    assert entry.folder == folder
    assert folder.name in names(indexed.find(Search(words=("c7",))))
    assert folder.name not in names(indexed.find(Search(identity={IdentityField.PART: "C7"})))


def test_a_settled_archive_is_not_read_again(archive, indexed, monkeypatch):
    for each in archive.iterdir():
        os.utime(each, ns=(10**18, 10**18))  # long ago
    indexed.update()
    read = []
    monkeypatch.setattr(index, "read_gist", lambda place, name: read.append(name) or read_gist(place, name))
    assert indexed.update() == Changes()
    with ArchiveIndex(archive) as another:
        assert another.update() == Changes()
        assert len(another.find()) == 4
    assert read == []


def test_a_look_is_due_when_something_was_added_and_not_otherwise(archive, monkeypatch):
    folder = next(iter(archive.iterdir()))
    os.utime(archive, ns=(10**18, 10**18))  # long ago
    watch = FolderWatch(archive)
    assert watch.anything_new()
    watch.look()
    assert not watch.anything_new()
    add_result(folder, "estimate_C7", result(47e-9))
    assert watch.anything_new()
    os.utime(archive, ns=(10**18, 10**18))
    watch.look()
    (folder / "results" / "by-hand.json").write_text("{}")
    assert not watch.anything_new()
    now_s = time.monotonic()
    monkeypatch.setattr(time, "monotonic", lambda: now_s + 6.0)
    assert watch.anything_new()


def test_what_is_fresh_is_read_once_more(archive, indexed):
    """Two changes within one tick of the file system's clock leave the same time behind."""
    folder = min(archive.glob("20*"))
    os.utime(folder)
    before = folder.stat().st_mtime_ns
    indexed.update()
    add_result(folder, "estimate_C7", result(47e-9))
    os.utime(folder, ns=(before, before))
    indexed.update()
    assert indexed.count(Search(value=parse_value_range("47n..47n"))) == 1


def test_an_index_kept_up_to_date_is_the_one_made_anew(archive, indexed):
    indexed.find()
    write_sample(archive, created_utc=datetime(2034, 1, 1, tzinfo=UTC))
    folder = indexed.find()[-1].folder
    add_note(folder, "one", when_utc=CREATED)
    add_result(folder, "estimate_C7", result(47e-9))
    (archive / "2035-01-01T00-00-00Z_x").mkdir()
    discard(indexed.find()[1].folder)
    indexed.update()
    kept_up = content(archive)
    assert len(kept_up) == 5
    done = indexed.rebuild()
    assert content(archive) == kept_up
    assert done.recordings == 5
    (archive / INDEX).unlink()
    with ArchiveIndex(archive) as another:
        another.update()
    assert content(archive) == kept_up


def test_the_newest_result_speaks_for_a_recording():
    def newest(*files, kind="sweep", part="C7"):
        return newest_result(list(files), kind=kind, part=part)

    assert newest() is None
    assert newest("note.json", "picture.png", "known-part.json") is None
    assert newest("estimate-C7.json", "estimate-C7_10.json", "estimate-C7_9.json") == "estimate-C7_10.json"
    assert newest("estimate-C6_4.json", "estimate-C7.json") == "estimate-C7.json"
    assert newest("diagnosis_3.json", "estimate-C6.json") == "estimate-C6.json"
    assert newest("estimate-C7.json", "dc-C7.json", kind="dc") == "dc-C7.json"
    assert newest("part-12.json", "part-12_2.json", part=None) == "part-12_2.json"


def test_the_picture_added_last_is_shown(tmp_path):
    (tmp_path / "results").mkdir()
    assert newest_picture(tmp_path, part="C7") is None
    for name in ("picture_C7.png", "picture-C7_2.png", "picture-C6_7.png", "other.png"):
        (tmp_path / "results" / name).touch()
    assert newest_picture(tmp_path, part="C7").name == "picture-C7_2.png"


# Folders that are no good


def test_folders_that_are_no_recordings_are_passed_by(archive, indexed):
    (archive / "photographs").mkdir()
    (archive / "photographs" / "data").mkdir()
    (archive / "notes.txt").write_text("x")
    (archive / "2031-01-01T00-00-00Z_file").write_text("x")
    (archive / ".hidden").mkdir()
    with contextlib.suppress(OSError):
        (archive / "nowhere").symlink_to(archive / "gone")
    with contextlib.suppress(OSError, UnicodeError):
        os.mkdir(os.fsencode(archive) + b"/no-unicode-\xff")
    assert len(indexed.find()) == 4


@pytest.mark.parametrize(
    ("text", "state", "told"),
    [
        (None, EntryState.DAMAGED, "is missing"),
        ("", EntryState.DAMAGED, "not sound"),
        ("{", EntryState.DAMAGED, "not sound"),
        (
            '{"format": 1, "created_utc": "2031-04-09T18:20:11Z", "tags": {"set": 7}}',
            EntryState.DAMAGED,
            "tags",
        ),
        ('{"format": 1, "created_utc": "2031-04-09T18:20:11", "title": "x"}', EntryState.DAMAGED, "UTC"),
        (
            '{"format": 1, "created_utc": "2031-04-09T18:20:11Z", "title": "\\ud800"}',
            EntryState.DAMAGED,
            "not sound",
        ),
        ('{"format": 99, "created_utc": "2031-04-09T18:20:11Z"}', EntryState.NEWER, "format 99"),
        ('{"format": 2, "created_utc": 5, "tags": []}', EntryState.NEWER, "format 2"),
    ],
)
def test_a_recording_that_cannot_be_read_is_listed_as_such(archive, indexed, text, state, told):
    folder = indexed.find()[-1].folder
    path = folder / "data" / "recording.json"
    path.unlink()
    if text is not None:
        path.write_text(text)
    os.utime(folder)
    entry = indexed.find()[-1]
    assert (entry.name, entry.state) == (folder.name, state)
    assert told in entry.trouble
    assert entry.created_utc == "2031-04-09T18:20:11Z"  # from its name
    assert [e.name for e in indexed.rebuild().troubled] == [folder.name]


def test_a_pipe_in_the_place_of_a_file_holds_nobody_up(archive, indexed):
    if not hasattr(os, "mkfifo"):
        pytest.skip("no pipes with a name here")
    path = indexed.find()[-1].folder / "data" / "recording.json"
    path.unlink()
    os.mkfifo(path)
    assert indexed.rebuild().troubled[0].state is EntryState.DAMAGED


@pytest.mark.parametrize("name", ["estimate-C7.json", "note.json"])
def test_a_result_that_cannot_be_read_is_said_and_the_rest_is_listed(archive, indexed, name):
    folder = indexed.find()[-1].folder
    (folder / "results" / name).write_text('{"finding": ')
    indexed.rebuild()
    entry = indexed.find()[-1]
    assert entry.state is EntryState.READABLE
    assert f"results/{name} cannot be read" in entry.trouble


def test_a_result_of_another_form_is_passed_over(archive, indexed):
    folder = indexed.find()[-1].folder
    add_result(
        folder, "estimate_C7", {"capacitance": {"1kHz": {"value": 1e-9}}, "finding": None, "expected": 3}
    )
    entry = indexed.find()[-1]
    assert (entry.worth, entry.finding, entry.trouble) == (None, None, None)


def test_unfinished_folders_are_named(archive, indexed):
    (archive / "2034-01-01T00-00-00Z_x.unfinished").mkdir()
    indexed.update()
    assert indexed.unfinished == ("2034-01-01T00-00-00Z_x.unfinished",)
    assert len(indexed.find()) == 4


@pytest.mark.parametrize("made", [lambda p: None, lambda p: p.write_text("x")])
def test_there_has_to_be_an_archive(tmp_path, made):
    made(tmp_path / "archive")
    with pytest.raises(NotARecording, match=r"no archive|is no folder"):
        ArchiveIndex(tmp_path / "archive")


def test_a_recording_is_no_archive(archive):
    with pytest.raises(NotARecording, match="is a recording"):
        ArchiveIndex(next(each for each in archive.iterdir() if each.name.startswith("2031")))


# Trouble with the index


def test_a_broken_index_is_made_anew_and_that_is_said(archive, indexed):
    (archive / INDEX).write_bytes(b"no database at all" * 1000)
    assert len(indexed.find()) == 4
    assert indexed.place is Place.ARCHIVE
    assert "made anew" in indexed.remarks[0]
    assert len(content(archive)) == 4


def test_an_index_that_breaks_between_two_questions_answers_the_second_one_too(archive, indexed):
    indexed.update()
    indexed.close()
    (archive / INDEX).write_bytes(b"no database at all" * 1000)
    assert indexed.count(Search(words=("leaky",))) == 1


def test_an_index_with_overwritten_pages_is_made_anew(archive, indexed):
    indexed.update()
    indexed.close()
    whole = (archive / INDEX).read_bytes()
    (archive / INDEX).write_bytes(whole[:4096] + b"\x5a" * (len(whole) - 4096))
    assert len(indexed.find()) == 4
    assert len(content(archive)) == 4


def test_tables_of_another_version_are_made_anew(archive, indexed):
    with contextlib.closing(sqlite3.connect(archive / INDEX)) as connection:
        connection.executescript(
            "CREATE TABLE recording (name); PRAGMA application_id = 0x326E6F64; PRAGMA user_version = 99"
        )
    assert len(indexed.find()) == 4
    assert indexed.remarks == ()


def test_somebody_elses_database_is_left_alone(archive, indexed):
    with contextlib.closing(sqlite3.connect(archive / INDEX)) as connection:
        connection.execute("CREATE TABLE diary (line)")
    before = (archive / INDEX).read_bytes()
    assert len(indexed.find()) == 4
    assert indexed.place is Place.CACHE
    assert "another program's file" in indexed.remarks[0]
    assert (archive / INDEX).read_bytes() == before


def test_where_the_archive_cannot_hold_an_index_the_cache_folder_does(archive, tmp_path):
    (archive / INDEX).mkdir()
    for _ in range(2):
        with ArchiveIndex(archive, cache=tmp_path / "cache") as opened:
            assert len(opened.find()) == 4
            assert opened.place is Place.CACHE
            assert "cannot be used" in opened.remarks[0]
            assert opened.update().added == 0
        assert len(list((tmp_path / "cache").iterdir())) == 1


def test_where_no_folder_can_hold_an_index_it_is_in_memory(archive, tmp_path):
    (archive / INDEX).mkdir()
    (tmp_path / "cache").write_text("a file")
    with ArchiveIndex(archive, cache=tmp_path / "cache") as opened:
        assert len(opened.find(Search(words=("wrenfield",)))) == 4
        assert opened.place is Place.MEMORY
        assert len(opened.remarks) == 2


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="rights to folders do not bind here")
def test_a_read_only_archive_is_searched_all_the_same(archive, tmp_path):
    archive.chmod(0o500)
    try:
        with ArchiveIndex(archive, cache=tmp_path / "cache") as opened:
            assert len(opened.find()) == 4
            assert opened.place is Place.CACHE
    finally:
        archive.chmod(0o700)


def limited(monkeypatch, pages):
    """Every index whose file lies in an archive runs out of room after so many pages, as on a full disk."""
    opened = index_file.sqlite3.connect

    def connect(path, **options):
        connection = opened(path, **options)
        if str(path).endswith(f"archive/{INDEX}"):
            connection.execute(f"PRAGMA max_page_count = {pages}")
        return connection

    monkeypatch.setattr(index_file.sqlite3, "connect", connect)


@pytest.mark.parametrize("pages", [1, 20])
def test_a_full_disk_is_gone_round(archive, tmp_path, monkeypatch, pages):
    limited(monkeypatch, pages)
    with ArchiveIndex(archive, cache=tmp_path / "cache") as opened:
        for number in range(60 if pages > 1 else 0):
            (archive / f"2034-01-01T00-00-{number:02}Z_{'x' * 200}").mkdir()
        wanted = 64 if pages > 1 else 4
        assert len(opened.find()) == wanted
        assert opened.place is Place.CACHE
        assert "full" in opened.remarks[0]


def test_an_index_that_is_held_is_passed_by_and_measuring_is_not_held_up(archive, tmp_path, monkeypatch):
    monkeypatch.setattr(index_file, "WAIT_S", 0.05)
    with ArchiveIndex(archive) as opened:
        opened.update()
    with contextlib.closing(sqlite3.connect(archive / INDEX, isolation_level=None)) as holder:
        holder.execute("BEGIN EXCLUSIVE")
        new = write_sample(archive, created_utc=datetime(2034, 1, 1, tzinfo=UTC))
        with ArchiveIndex(archive, cache=tmp_path / "cache") as opened:
            assert names(opened.find())[0] == new.name
            assert opened.place is Place.CACHE
            assert "locked" in opened.remarks[0]


def test_programs_that_update_and_rebuild_at_once_leave_a_sound_index(archive, tmp_path):
    for number in range(20):
        (archive / f"2034-01-01T00-00-{number:02}Z_x").mkdir()
    failed = []

    def work(turn):
        try:
            for _ in range(6):
                with ArchiveIndex(archive, cache=tmp_path / "cache") as opened:
                    opened.rebuild() if turn % 2 else opened.update()
                    assert len(opened.find()) == 24
                    assert opened.remarks == ()
        except BaseException as exc:  # noqa: BLE001 - shown by the assertion below
            failed.append(exc)

    workers = [threading.Thread(target=work, args=(turn,)) for turn in range(4)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert failed == []
    assert len(content(archive)) == 24
