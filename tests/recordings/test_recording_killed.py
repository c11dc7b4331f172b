"""Killed at random moments: what was reported is there, everything is closed, nothing verifies that should not."""

import os

import pytest
from killed import Moment, kill_once
from recording_samples import CREATED, add_sample_points, sample_header, write_sample

from twonode.recordings import (
    ArchiveNotWritable,
    DamagedRecording,
    RecordingInUse,
    RecordingWriter,
    close_unfinished,
    disk,
    find_unfinished,
    recover,
    unfinished,
)
from twonode.recordings.disk import FileLock
from twonode.recordings.naming import lock_path
from twonode.recordings.recover import RecoveredState, recover_archive, recover_folder
from twonode.recordings.verify import VerifiedState, verify_recording

if os.name == "nt":
    pytest.skip("processes are forked and killed the POSIX way here", allow_module_level=True)


@pytest.mark.slow
@pytest.mark.parametrize("moment", Moment)
def test_killed_at_random_moments_nothing_reported_is_lost(moment, tmp_path):
    # A reduced run of the benchmark `kill_safety`, with other seeds.
    for seed in (1001, 1002):
        (tmp_path / str(seed)).mkdir()
        assert kill_once(moment, seed, tmp_path / str(seed)).wrong == ()


def left_behind(archive, *, points):
    """What a program that was killed leaves, its lock let go."""
    writer = RecordingWriter(archive, sample_header())
    try:
        with writer:
            add_sample_points(writer, points)
            raise KeyboardInterrupt
    except KeyboardInterrupt:
        return writer.folder


def test_recovering_closes_what_was_left_and_leaves_the_rest_alone(tmp_path):
    sound = write_sample(tmp_path, points=1)
    folder = left_behind(tmp_path, points=2)
    before = sorted((p, p.stat().st_mtime_ns) for p in sound.rglob("*"))
    with RecordingWriter(tmp_path, sample_header()) as running:
        add_sample_points(running, 1)
        found = {each.folder: each for each in recover_archive(tmp_path)}
        assert found[folder].state is RecoveredState.CLOSED
        assert found[folder].rows == 2
        assert found[running.folder].state is RecoveredState.IN_USE
        assert len(found) == 2
    assert sorted((p, p.stat().st_mtime_ns) for p in sound.rglob("*")) == before
    assert list(recover_archive(tmp_path)) == []
    assert {each.name[0] for each in tmp_path.iterdir()} == {"2"}


def test_locks_of_dead_programs_are_swept_and_others_stay(tmp_path):
    folder = write_sample(tmp_path)
    left = [
        lock_path(folder),
        lock_path(folder.with_name(f"{folder.name}.unfinished")),
        lock_path(folder.with_name("2031-04-09T18-20-59Z_gone.unfinished")),
    ]
    for path in (*left, tmp_path / ".index.lock", tmp_path / ".2031-04-09T18-20-58Z_held.unfinished.lock"):
        path.touch()
    held = FileLock(tmp_path / ".2031-04-09T18-20-58Z_held.unfinished.lock")
    assert list(recover_archive(tmp_path)) == []
    assert sorted(each.name for each in tmp_path.iterdir() if each != folder) == [
        ".2031-04-09T18-20-58Z_held.unfinished.lock",
        ".index.lock",
    ]
    held.release()


def test_a_lock_on_a_file_that_was_deleted_meanwhile_is_none(tmp_path, monkeypatch):
    """One program opens the lock's file, its holder deletes it, a third one makes it anew: only that one has it."""
    path = tmp_path / ".lock"
    holder, third = FileLock(path), []
    real = FileLock._take

    def late(file):
        if not third:
            holder.remove()
            third.append(None)
            third[0] = FileLock(path)
        real(file)

    monkeypatch.setattr(FileLock, "_take", staticmethod(late))
    with pytest.raises(BlockingIOError):
        FileLock(path)
    third[0].release()


def test_of_two_programs_closing_the_same_recording_one_does_and_the_other_says_so(tmp_path, monkeypatch):
    folder = left_behind(tmp_path, points=2)
    real, seen = unfinished._close_sweep, []

    def beside(place):
        seen.append(recover_folder(folder).state)
        return real(place)

    monkeypatch.setattr(unfinished, "_close_sweep", beside)
    assert recover_folder(folder).state is RecoveredState.CLOSED
    assert seen == [RecoveredState.IN_USE]
    assert recover_folder(folder).state is RecoveredState.GONE
    assert [each.name for each in tmp_path.iterdir()] == [folder.name.removesuffix(".unfinished")]


def test_a_full_disk_while_recovering_keeps_every_point_for_the_next_time(tmp_path, monkeypatch):
    folder = left_behind(tmp_path, points=2)
    real = os.fsync

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    found = recover_folder(folder)
    assert found.state is RecoveredState.FAILED
    assert isinstance(found.error, ArchiveNotWritable)
    assert "no room left" in found.error.what
    monkeypatch.setattr(os, "fsync", real)
    assert recover_folder(folder).rows == 2


def test_an_archive_that_cannot_be_written_says_so(tmp_path, monkeypatch):
    folder = left_behind(tmp_path, points=1)

    def refuse(path):
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(unfinished, "FileLock", refuse)
    (found,) = recover_archive(tmp_path)
    assert found.folder == folder
    assert isinstance(found.error, ArchiveNotWritable)


def test_a_reported_point_whose_codes_are_gone_is_not_papered_over(tmp_path):
    folder = left_behind(tmp_path, points=3)
    (folder / "points" / "point_0002.npy").unlink()
    (found,) = recover_archive(tmp_path)
    assert found.state is RecoveredState.FAILED
    assert isinstance(found.error, DamagedRecording)
    assert "point_0002" in found.error.what
    assert find_unfinished(tmp_path)[0].points == 3


def test_an_unfinished_folder_never_verifies_not_even_one_whose_bag_is_whole(tmp_path, monkeypatch):
    folder = left_behind(tmp_path, points=1)
    with monkeypatch.context() as patch:
        # Killed between the last file and the new name.
        patch.setattr(
            "twonode.recordings.writer.rename_free", lambda _: (_ for _ in ()).throw(KeyboardInterrupt)
        )
        with pytest.raises(KeyboardInterrupt):
            close_unfinished(folder)
    assert (folder / "tagmanifest-sha256.txt").exists()
    assert verify_recording(folder).state is VerifiedState.NO_RECORDING
    assert close_unfinished(folder).name.startswith(f"{CREATED:%Y-%m-%d}")


def test_a_program_that_adds_for_ever_is_said_to_be_in_use(tmp_path, monkeypatch):
    folder = write_sample(tmp_path)
    monkeypatch.setattr("twonode.recordings.results.LONGEST_WAIT_S", 0.05)
    held = FileLock(lock_path(folder))
    (folder / f".bag-info.txt.{os.getpid()}-1.tmp").write_text("x")
    (found,) = recover.recover_archive(tmp_path)
    assert found.state is RecoveredState.IN_USE
    assert isinstance(found.error, RecordingInUse)
    held.remove()
    assert disk.twin_of(f".bag-info.txt.{os.getpid()}-1.tmp") == "bag-info.txt"
    (found,) = recover.recover_archive(tmp_path)
    assert found.state is RecoveredState.FINISHED
