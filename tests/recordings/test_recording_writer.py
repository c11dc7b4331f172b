"""Writing: safe point by point, closed whole or not at all, and a bag that others can check."""

import errno
import os
import shutil
import subprocess
import sys
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import bagit
import numpy as np
import pytest
from recording_samples import (
    CREATED,
    add_sample_points,
    files_below,
    sample_header,
    sample_row,
    sample_traces,
    write_sample,
)

from twonode.recordings import (
    ArchiveNotWritable,
    Ended,
    RecordingInUse,
    RecordingWriter,
    UnfitRecord,
    add_result,
    close_unfinished,
    find_unfinished,
    read_recording,
)
from twonode.recordings import writer as writer_module


def leave_unfinished(archive: Path, *, points: int) -> Path:
    """A run that Ctrl-C ended after so many points."""
    writer = RecordingWriter(archive, sample_header())
    try:
        with writer:
            add_sample_points(writer, points)
            raise KeyboardInterrupt
    except KeyboardInterrupt:
        return writer.folder


NAME = "2031-04-09T18-20-11Z_wrenfield-46_C7"


def test_the_folder_has_the_designs_name_and_files(tmp_path):
    folder = write_sample(tmp_path)
    assert folder == tmp_path / NAME
    assert sorted(files_below(tmp_path)) == [
        f"{NAME}/bag-info.txt",
        f"{NAME}/bagit.txt",
        f"{NAME}/data/points.csv",
        f"{NAME}/data/recording.json",
        f"{NAME}/data/traces.npz",
        f"{NAME}/manifest-sha256.txt",
        f"{NAME}/tagmanifest-sha256.txt",
    ]


def test_the_bagit_library_finds_the_bag_valid(tmp_path):
    # Outside reference: the bagit library (RFC 8493).
    folder = write_sample(tmp_path, title="Übergang: driver\nto output")
    add_result(folder, "estimate", {"value": 2.2e-8})
    bag = bagit.Bag(str(folder))
    bag.validate()
    assert bag.version_info == (1, 0)
    assert bag.info["External-Identifier"] == NAME
    assert bag.info["External-Description"] == "Übergang: driver to output"


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="the sha256sum program is missing")
def test_sha256sum_accepts_both_manifests(tmp_path):
    folder = write_sample(tmp_path)
    add_result(folder, "estimate", {"value": 2.2e-8})
    for manifest, count in (("manifest-sha256.txt", 3), ("tagmanifest-sha256.txt", 4)):
        done = subprocess.run(
            ["sha256sum", "--strict", "-c", manifest], cwd=folder, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr
        assert done.stdout.count(": OK") == count


def test_numpy_alone_can_read_the_codes(tmp_path):
    # Outside reference: numpy's own npz reader, pickling off.
    folder = write_sample(tmp_path)
    with np.load(folder / "data" / "traces.npz", allow_pickle=False) as stored:
        assert stored.files == ["point_0001", "point_0002", "point_0003"]
        record = stored["point_0002"]
    traces = sample_traces(2)
    assert np.array_equal(record["drive_codes"], traces.drive.codes)
    assert np.array_equal(record["far_codes"], traces.far.codes)
    volts = record["far_codes"] * record["far_volts_per_code"] + record["far_volts_at_code_zero"]
    assert np.array_equal(volts, traces.far.volts())


def test_the_same_points_give_the_same_bytes(tmp_path):
    first, second = write_sample(tmp_path / "a"), write_sample(tmp_path / "b")
    assert files_below(first) == files_below(second)


def test_each_point_is_on_disk_before_add_point_returns(tmp_path):
    with RecordingWriter(tmp_path, sample_header()) as writer:
        for count in (1, 2):
            add_sample_points(writer, 1)
            names = files_below(writer.folder)
            assert names["data/points.csv"].count(b"\n") == count + 1
            assert f"points/point_{count:04d}.npy" in names


def test_rows_and_codes_are_synced_not_only_written(tmp_path, monkeypatch):
    synced = []
    real = os.fsync

    def noting(handle):
        synced.append(os.fstat(handle).st_ino)
        real(handle)

    with RecordingWriter(tmp_path, sample_header()) as writer:
        monkeypatch.setattr(os, "fsync", noting)
        add_sample_points(writer, 1)
        monkeypatch.setattr(os, "fsync", real)
        folder = writer.folder
        wanted = [folder / "points" / "point_0001.npy", folder / "points", folder / "data" / "points.csv"]
        assert [path.stat().st_ino for path in wanted] == synced


KILLED = """
import sys, time
sys.path.insert(0, sys.argv[2])
from recording_samples import *
with RecordingWriter(sys.argv[1], sample_header()) as writer:
    for _ in range(1000):
        add_sample_points(writer, 1)
        print(writer.points, flush=True)
    time.sleep(60)
"""


def test_a_killed_run_keeps_every_reported_point(tmp_path):
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
    reported_last = max([5, *reported])

    (left,) = find_unfinished(tmp_path)
    assert not left.in_use
    assert left.points >= reported_last
    closed = close_unfinished(left.folder)
    assert closed == tmp_path / NAME
    recording = read_recording(closed)
    assert recording.header.ended is Ended.RECOVERED
    assert len(recording.points) >= reported_last
    for row, traces in recording.all_traces():
        assert row == sample_row(row.point, sample_traces(row.point))
        assert traces == sample_traces(row.point)
    bagit.Bag(str(closed)).validate()
    assert find_unfinished(tmp_path) == ()
    assert sorted(each.name for each in tmp_path.iterdir()) == [NAME]


def test_death_at_any_step_of_writing_and_closing_loses_no_reported_point(tmp_path, monkeypatch):
    """A copy of the archive is kept at every call that changes the disk; each copy must be recoverable."""
    archive, copies = tmp_path / "archive", tmp_path / "copies"
    reported = [0]
    kept: list[tuple[Path, int]] = []
    busy = [False]

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
        for name in ("fsync", "replace", "rename", "unlink", "rmdir", "mkdir"):
            patch.setattr(os, name, keeping(getattr(os, name)))
        with RecordingWriter(archive, sample_header()) as writer:
            for _ in range(2):
                add_sample_points(writer, 1)
                reported[0] = writer.points
    assert len(kept) > 30

    for copy, points in kept:
        for left in find_unfinished(copy):
            close_unfinished(left.folder)
        closed = [each for each in copy.iterdir() if each.is_dir()]
        if points == 0 and not closed:
            continue
        (folder,) = closed
        recording = read_recording(folder)
        assert len(recording.points) >= points
        for row, traces in recording.all_traces():
            assert traces == sample_traces(row.point)
        bagit.Bag(str(folder)).validate()


def test_closing_what_was_left_half_closed_can_itself_be_killed(tmp_path, monkeypatch):
    leave_unfinished(tmp_path, points=2)

    class Died(BaseException):
        pass

    for name in ("replace", "rename"):
        for place in range(10):
            (left,) = find_unfinished(tmp_path)
            real, calls = getattr(os, name), [0]

            def dying(*args, real=real, calls=calls, place=place):
                calls[0] += 1
                if calls[0] > place:
                    raise Died
                return real(*args)

            monkeypatch.setattr(os, name, dying)
            try:
                close_unfinished(left.folder)
            except Died:
                continue
            finally:
                monkeypatch.setattr(os, name, real)
            break
        if not find_unfinished(tmp_path):
            break
    for left in find_unfinished(tmp_path):
        close_unfinished(left.folder)
    recording = read_recording(tmp_path / NAME)
    assert [traces for _, traces in recording.all_traces()] == [sample_traces(1), sample_traces(2)]


def test_a_row_cut_off_in_the_middle_is_dropped(tmp_path):
    leave_unfinished(tmp_path, points=3)
    (left,) = find_unfinished(tmp_path)
    table = left.folder / "data" / "points.csv"
    table.write_bytes(table.read_bytes()[:-7])
    recording = read_recording(close_unfinished(left.folder))
    assert [row.point for row in recording.points] == [1, 2]


def test_temporary_files_of_a_killed_run_do_not_get_into_the_bag(tmp_path):
    folder = leave_unfinished(tmp_path, points=1)
    for place in (folder / ".bagit.txt.1-1.tmp", folder / "data" / ".recording.json.1-1.tmp"):
        place.write_text("half a fi")
    closed = close_unfinished(folder)
    assert not [name for name in files_below(closed) if name.endswith(".tmp")]
    bagit.Bag(str(closed)).validate()


def test_a_run_without_points_leaves_nothing(tmp_path):
    with RecordingWriter(tmp_path, sample_header()):
        pass
    leave_unfinished(tmp_path, points=0)
    with RecordingWriter(tmp_path, sample_header()) as writer:
        assert writer.close() is None
    assert list(tmp_path.iterdir()) == []


def test_leaving_by_an_error_keeps_the_points_and_closing_says_interrupted_if_told(tmp_path):
    assert leave_unfinished(tmp_path, points=1).name == f"{NAME}.unfinished"
    with RecordingWriter(tmp_path, sample_header()) as writer:
        add_sample_points(writer, 1)
        end = CREATED + timedelta(seconds=9)
        folder = writer.close(finished_utc=end, ended=Ended.INTERRUPTED)
    header = read_recording(folder).header
    assert (header.ended, header.finished_utc) == (Ended.INTERRUPTED, end)


def test_names_do_not_collide(tmp_path):
    names = [write_sample(tmp_path, points=1).name for _ in range(3)]
    assert names == [NAME, f"{NAME}_2", f"{NAME}_3"]
    with (
        RecordingWriter(tmp_path, sample_header()) as first,
        RecordingWriter(tmp_path, sample_header()) as second,
    ):
        add_sample_points(first, 1)
        add_sample_points(second, 1)
    assert {first.folder.name, second.folder.name} == {f"{NAME}_4", f"{NAME}_5"}


def test_the_header_may_be_completed_while_measuring(tmp_path):
    with RecordingWriter(tmp_path, sample_header()) as writer:
        add_sample_points(writer, 1)
        writer.describe(sample_header(notes=("hum at the far node",)))
    assert read_recording(writer.folder).header.notes == ("hum at the far node",)


@pytest.mark.parametrize("in_the_way", ["archive", "parent"])
def test_an_archive_that_is_a_file_is_refused_by_name(tmp_path, in_the_way):
    (tmp_path / "archive").write_text("not a folder")
    archive = tmp_path / "archive" if in_the_way == "archive" else tmp_path / "archive" / "deeper"
    with pytest.raises(ArchiveNotWritable, match="archive"), RecordingWriter(archive, sample_header()):
        pass
    assert (tmp_path / "archive").read_text() == "not a folder"


def refusing(code, after):
    """os.fsync that fails with ``code`` from call number ``after`` on."""
    real, calls = os.fsync, [0]

    def call(handle):
        calls[0] += 1
        if calls[0] > after:
            raise OSError(code, os.strerror(code))
        real(handle)

    return call


@pytest.mark.parametrize("after", range(6))
@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EROFS])
def test_an_archive_that_refuses_at_the_start_leaves_nothing_behind(tmp_path, monkeypatch, code, after):
    words = "no room left" if code == errno.ENOSPC else "cannot be written"
    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", refusing(code, after))
        with pytest.raises(ArchiveNotWritable, match=words), RecordingWriter(tmp_path, sample_header()):
            pass
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("after", range(3))
def test_a_full_disk_costs_only_the_point_that_was_not_reported(tmp_path, monkeypatch, after):
    with RecordingWriter(tmp_path, sample_header()) as writer:
        add_sample_points(writer, 2)
        with monkeypatch.context() as patch:
            patch.setattr(os, "fsync", refusing(errno.ENOSPC, after))
            with pytest.raises(ArchiveNotWritable, match="no room left"):
                add_sample_points(writer, 1)
        assert writer.points == 2
        assert (writer.folder / "data" / "points.csv").read_bytes().count(b"\n") == 3
        add_sample_points(writer, 1)
    recording = read_recording(writer.folder)
    assert [traces for _, traces in recording.all_traces()] == [sample_traces(n) for n in (1, 2, 3)]


def test_a_full_disk_while_closing_leaves_an_unfinished_folder_that_closes_later(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with RecordingWriter(tmp_path, sample_header()) as writer:
        add_sample_points(writer, 2)
        with monkeypatch.context() as patch:
            patch.setattr(writer_module, "pack", full)
            with pytest.raises(ArchiveNotWritable, match="no room left"):
                writer.close()
    (left,) = find_unfinished(tmp_path)
    assert (left.points, left.in_use) == (2, False)
    assert len(read_recording(close_unfinished(left.folder)).points) == 2


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"point": 2}, "point"),
        ({"samples": 59}, "samples"),
        ({"sample_interval_s": 2e-5}, "sample_interval_s"),
        ({"far_volts_per_div": 0.21}, "far_volts_per_div"),
        ({"ratio_re": float("nan")}, "ratio_re"),
        ({"var_im": float("inf")}, "var_im"),
        ({"reason": "\ud800"}, "Unicode"),
    ],
)
def test_a_row_that_could_not_be_read_back_is_refused_before_anything_is_written(tmp_path, changes, word):
    traces = sample_traces(1)
    with RecordingWriter(tmp_path, sample_header()) as writer:
        with pytest.raises(UnfitRecord, match=word):
            writer.add_point(sample_row(1, traces, **changes), traces)
        assert writer.points == 0
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "changes",
    [
        {"gain_standard_uncertainty": float("nan")},
        {"plan": {"frequencies_hz": [1.0, float("inf")]}},
        {"plan": {"planner": object()}},
        {"tags": {"set": "\ud800"}},
        {"created_utc": datetime(2031, 4, 9, 18, 20, 11)},
        {"created_utc": datetime(2031, 4, 9, 18, 20, 11, tzinfo=timezone(timedelta(hours=2)))},
    ],
)
def test_a_header_that_json_cannot_hold_is_refused_before_anything_is_written(tmp_path, changes):
    with pytest.raises(UnfitRecord), RecordingWriter(tmp_path, sample_header(**changes)):
        pass
    assert list(tmp_path.iterdir()) == []


def test_numpy_numbers_in_the_plan_are_written_as_numbers(tmp_path):
    plan = {"from_hz": np.float64(0.1), "points": np.int64(9)}
    assert read_recording(write_sample(tmp_path, plan=plan)).header.plan == {"from_hz": 0.1, "points": 9}


def test_a_writer_is_used_inside_its_block_and_once(tmp_path):
    writer = RecordingWriter(tmp_path, sample_header())
    with pytest.raises(RuntimeError, match="inside its with block"):
        add_sample_points(writer, 1)
    with writer:
        add_sample_points(writer, 1)
        writer.close()
        with pytest.raises(RuntimeError, match="closed"):
            add_sample_points(writer, 1)
    with pytest.raises(RuntimeError, match="closed"), writer:
        pass


def test_created_may_be_any_moment_in_utc(tmp_path):
    moment = datetime(1999, 12, 31, 23, 59, 59, 999999, tzinfo=UTC)
    folder = write_sample(tmp_path, created_utc=moment)
    assert folder.name.startswith("1999-12-31T23-59-59Z_")
    assert read_recording(folder).header.created_utc == moment
