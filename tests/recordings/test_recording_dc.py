"""DC readings on disk: safe reading by reading, a bag that others can check, and never taken for a sweep."""

import csv
import errno
import json
import os
import shutil
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path

import bagit
import pytest
from dc_samples import CREATED, add_dc_readings, dc_header, dc_row, write_dc_sample
from hypothesis import given, settings
from hypothesis import strategies as st
from recording_samples import files_below, write_sample

from twonode.recordings import (
    ArchiveNotWritable,
    DamagedRecording,
    DcHeader,
    DcMeter,
    DcRow,
    DcWriter,
    Ended,
    Header,
    NewerFormat,
    NotARecording,
    OtherKind,
    RecordingInUse,
    RecordingKind,
    UnfitRecord,
    add_result,
    close_unfinished,
    find_unfinished,
    read_any,
    read_any_header,
    read_dc_header,
    read_dc_recording,
    read_header,
    read_recording,
)
from twonode.recordings.bag import write_bag_files
from twonode.recordings.csvtable import columns_of, encode_cells, read_table

NAME = "2031-04-09T18-20-11Z_wrenfield-46_C7"


def reseal(folder):
    """Make manifests fit the files again, so that only what is inside them can be wrong."""
    write_bag_files(folder, info={"External-Identifier": folder.name})


def rewrite_header(folder, **changes):
    path = folder / "data" / "recording.json"
    path.write_text(json.dumps(json.loads(path.read_text()) | changes))
    reseal(folder)


def rewrite_cell(folder, row, column, text):
    path = folder / "data" / "readings.csv"
    with path.open(newline="") as file:
        cells = list(csv.reader(file))
    cells[row][cells[0].index(column)] = text
    with path.open("w", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows(cells)
    reseal(folder)


def leave_unfinished(archive: Path, *, readings: int) -> Path:
    """A check that Ctrl-C ended after so many readings."""
    writer = DcWriter(archive, dc_header())
    try:
        with writer:
            add_dc_readings(writer, readings)
            raise KeyboardInterrupt
    except KeyboardInterrupt:
        return writer.folder


def test_everything_comes_back_equal(tmp_path):
    with DcWriter(tmp_path, dc_header()) as writer:
        add_dc_readings(writer, 3)
        end = CREATED + timedelta(seconds=40)
        folder = writer.close(finished_utc=end)
    recording = read_dc_recording(folder)
    assert recording.header == writer.header
    assert (recording.header.ended, recording.header.finished_utc) == (Ended.FINISHED, end)
    assert recording.header.kind is RecordingKind.DC
    assert recording.readings == (dc_row(1), dc_row(2), dc_row(3))
    assert read_any(folder) == recording
    assert read_any_header(folder) == read_dc_header(folder) == recording.header


def test_the_folder_is_a_bag_and_holds_no_traces(tmp_path):
    # Outside reference: the bagit library (RFC 8493).
    folder = write_dc_sample(tmp_path)
    add_result(folder, "dc_C7", {"finding": {"state": "leaky"}})
    assert sorted(files_below(tmp_path)) == [
        f"{NAME}/bag-info.txt",
        f"{NAME}/bagit.txt",
        f"{NAME}/data/readings.csv",
        f"{NAME}/data/recording.json",
        f"{NAME}/manifest-sha256.txt",
        f"{NAME}/results/dc-C7.json",
        f"{NAME}/tagmanifest-sha256.txt",
    ]
    bag = bagit.Bag(str(folder))
    bag.validate()
    assert bag.info["External-Identifier"] == NAME
    read_dc_recording(folder)


def test_a_chart_has_no_part_and_is_named_for_its_voltages(tmp_path):
    folder = write_dc_sample(tmp_path, part=None, role=None)
    assert folder.name == "2031-04-09T18-20-11Z_wrenfield-46_voltages"


def test_dc_readings_are_never_taken_for_a_sweep_nor_a_sweep_for_them(tmp_path):
    dc, sweep = write_dc_sample(tmp_path / "dc"), write_sample(tmp_path / "sweep")
    for read in (read_recording, read_header):
        with pytest.raises(OtherKind, match="these are DC readings"):
            read(dc)
    for read in (read_dc_recording, read_dc_header):
        with pytest.raises(OtherKind, match="'sweep'"):
            read(sweep)
    assert isinstance(read_any_header(dc), DcHeader)
    assert isinstance(read_any_header(sweep), Header)
    assert read_any(sweep) == read_recording(sweep)


def test_each_reading_is_on_disk_before_add_reading_returns(tmp_path, monkeypatch):
    synced = []
    real = os.fsync

    def noting(handle):
        synced.append(os.fstat(handle).st_ino)
        real(handle)

    with DcWriter(tmp_path, dc_header()) as writer:
        table = writer.folder / "data" / "readings.csv"
        for count in (1, 2):
            monkeypatch.setattr(os, "fsync", noting)
            add_dc_readings(writer, 1)
            monkeypatch.setattr(os, "fsync", real)
            assert table.read_bytes().count(b"\n") == count + 1
            assert synced == [table.stat().st_ino] * count


KILLED = """
import sys, time
sys.path.insert(0, sys.argv[2])
from dc_samples import *
with DcWriter(sys.argv[1], dc_header()) as writer:
    for _ in range(1000):
        add_dc_readings(writer, 1)
        print(writer.readings, flush=True)
    time.sleep(60)
"""


def test_a_killed_check_keeps_every_reported_reading(tmp_path):
    here = str(Path(__file__).parent)
    run = subprocess.Popen(
        [sys.executable, "-c", KILLED, str(tmp_path), here], stdout=subprocess.PIPE, text=True
    )
    assert run.stdout is not None
    try:
        while int(run.stdout.readline()) < 5:
            pass
        (left,) = find_unfinished(tmp_path)
        assert left.in_use
        with pytest.raises(RecordingInUse):
            close_unfinished(left.folder)
    finally:
        run.kill()
        reported = [int(line) for line in run.stdout.read().split()]
        run.wait()
    (left,) = find_unfinished(tmp_path)
    assert not left.in_use
    assert left.points >= max([5, *reported])
    recording = read_dc_recording(close_unfinished(left.folder))
    assert recording.header.ended is Ended.RECOVERED
    assert recording.readings == tuple(dc_row(n) for n in range(1, left.points + 1))
    assert [each.name for each in tmp_path.iterdir()] == [NAME]


def test_death_at_any_step_of_writing_and_closing_loses_no_reported_reading(tmp_path, monkeypatch):
    """A copy of the archive is kept at every call that changes the disk; each copy must be recoverable."""
    archive, copies = tmp_path / "archive", tmp_path / "copies"
    reported, kept, busy = [0], [], [False]

    def keeping(real):
        def call(*args, **kwargs):
            if not busy[0] and archive.exists():
                busy[0] = True
                target = copies / str(len(kept))
                shutil.copytree(archive, target)
                kept.append((target, reported[0]))
                busy[0] = False
            return real(*args, **kwargs)

        return call

    with monkeypatch.context() as patch:
        for name in ("fsync", "replace", "rename", "mkdir"):
            patch.setattr(os, name, keeping(getattr(os, name)))
        with DcWriter(archive, dc_header()) as writer:
            for _ in range(2):
                add_dc_readings(writer, 1)
                reported[0] = writer.readings
    assert len(kept) > 20
    for copy, readings in kept:
        for left in find_unfinished(copy):
            close_unfinished(left.folder)
        closed = [each for each in copy.iterdir() if each.is_dir()]
        if readings == 0 and not closed:
            continue
        (folder,) = closed
        assert len(read_dc_recording(folder).readings) >= readings


def test_a_row_cut_off_in_the_middle_is_dropped(tmp_path):
    folder = leave_unfinished(tmp_path, readings=3)
    table = folder / "data" / "readings.csv"
    table.write_bytes(table.read_bytes()[:-7])
    assert [row.reading for row in read_dc_recording(close_unfinished(folder)).readings] == [1, 2]


def test_an_unfinished_check_whose_rows_do_not_hold_together_is_left_as_it_is(tmp_path):
    folder = leave_unfinished(tmp_path, readings=2)
    table = folder / "data" / "readings.csv"
    table.write_bytes(table.read_bytes().replace(b"\n2,", b"\n7,"))
    before = files_below(folder)
    with pytest.raises(DamagedRecording, match="numbered 7"):
        close_unfinished(folder)
    assert files_below(folder) == before


def test_a_check_without_readings_leaves_nothing(tmp_path):
    with DcWriter(tmp_path, dc_header()):
        pass
    leave_unfinished(tmp_path, readings=0)
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_costs_only_the_reading_that_was_not_reported(tmp_path, monkeypatch):
    def full(_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with DcWriter(tmp_path, dc_header()) as writer:
        add_dc_readings(writer, 2)
        with monkeypatch.context() as patch:
            patch.setattr(os, "fsync", full)
            with pytest.raises(ArchiveNotWritable, match="no room left"):
                add_dc_readings(writer, 1)
        assert writer.readings == 2
        add_dc_readings(writer, 1)
    assert read_dc_recording(writer.folder).readings == (dc_row(1), dc_row(2), dc_row(3))


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"reading": 2}, "without a gap"),
        ({"volts": float("nan")}, "volts"),
        ({"volts": float("inf")}, "volts"),
        ({"half_width_v": 0.0}, "half_width_v"),
        ({"step_v": -1.0}, "step_v"),
        ({"time_s": -0.1}, "time_s"),
        ({"node": " "}, "node is empty"),
        ({"note": "\ud800"}, "Unicode"),
    ],
)
def test_a_reading_that_could_not_be_read_back_is_refused_before_anything_is_written(tmp_path, changes, word):
    with DcWriter(tmp_path, dc_header()) as writer:
        with pytest.raises(UnfitRecord, match=word):
            writer.add_reading(dc_row(1, **changes))
        assert writer.readings == 0
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "changes",
    [
        {"meter": DcMeter(resistance_ohm=float("inf"))},
        {"asked": {"bias_v": float("nan")}},
        {"tags": {"set": "\ud800"}},
        {"created_utc": datetime(2031, 4, 9, 18, 20, 11)},
    ],
)
def test_a_header_that_json_cannot_hold_is_refused_before_anything_is_written(tmp_path, changes):
    with pytest.raises(UnfitRecord), DcWriter(tmp_path, dc_header(**changes)):
        pass
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("row", "column", "text", "words"),
    [
        (1, "reading", "4", "row 1 is numbered 4"),
        (2, "time_s", "0.1", "time_s runs backwards"),
        (2, "volts", "nan", "volts is nan"),
        (2, "volts", "many", "volts"),
        (1, "volts", "", "volts"),
        (3, "half_width_v", "0", "half_width_v is 0.0"),
        (3, "step_v", "-0.1", "step_v is -0.1"),
        (1, "node", " ", "node is empty"),
    ],
)
def test_rows_that_no_check_could_have_made_are_named(tmp_path, row, column, text, words):
    folder = write_dc_sample(tmp_path)
    rewrite_cell(folder, row, column, text)
    with pytest.raises(DamagedRecording, match=words):
        read_dc_recording(folder)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"meter": {"resistance_ohm": 0}}, "resistance_ohm is 0"),
        ({"meter": {"resistance_ohm": 1e7, "relative": -0.1}}, "meter.relative"),
        ({"meter": {"resistance_ohm": "10M"}}, "resistance_ohm"),
        ({"created_utc": "2031-04-09T18:20:11+02:00"}, "not in UTC"),
        ({"title": None}, "title"),
    ],
)
def test_a_header_that_says_nonsense_is_named(tmp_path, changes, words):
    folder = write_dc_sample(tmp_path)
    rewrite_header(folder, **changes)
    for read in (read_dc_recording, read_any):
        with pytest.raises(DamagedRecording, match=words):
            read(folder)


def test_a_later_format_is_not_guessed_at(tmp_path):
    folder = write_dc_sample(tmp_path)
    rewrite_header(folder, format=2, kind=["something", "else"])
    for read in (read_dc_recording, read_any, read_any_header, read_recording):
        with pytest.raises(NewerFormat):
            read(folder)


def test_a_changed_byte_anywhere_is_found(tmp_path):
    folder = write_dc_sample(tmp_path, readings=1)
    add_result(folder, "dc_C7", {"value": 1.0})
    read_any(folder)
    for name, content in files_below(folder).items():
        path = folder / name
        for place in range(0, len(content), 7):
            changed = bytearray(content)
            changed[place] ^= 1
            path.write_bytes(changed)
            with pytest.raises((DamagedRecording, NotARecording)):
                read_any(folder)
        path.write_bytes(content)


finite = st.floats(allow_nan=False, allow_infinity=False)
words = st.text(st.characters(codec="utf-8"), min_size=1).filter(lambda text: text.strip())


@settings(max_examples=100, deadline=None)
@given(
    st.builds(
        DcRow,
        reading=st.integers(1, 2**40),
        time_s=finite,
        node=words,
        volts=finite,
        half_width_v=finite,
        step_v=st.none() | finite,
        state=words,
        typed=st.none() | words,
        note=st.none() | words,
    )
)
def test_rows_go_through_csv_unchanged_to_the_last_bit(row):
    content = columns_of(DcRow) + encode_cells(row)
    assert content.count(b"\n") == 2
    (again,) = read_table(content, DcRow, where="readings.csv")
    for name in DcRow.__struct_fields__:
        before, after = getattr(row, name), getattr(again, name)
        assert after == (" ".join(before.split()) if isinstance(before, str) else before)
