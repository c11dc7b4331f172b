"""Writing a recording: each point on disk before the next begins, the folder closed at the end or not at all.

Owns the life of a folder from ``NAME.unfinished`` to ``NAME``. In between it holds::

    NAME.unfinished/
      data/recording.json        as known so far
      data/points.csv            a row for every reported point
      points/point_0001.npy      its raw codes, there before the row is

A hidden lock file beside the folder is held by the program that writes; a killed program lets go of it.
Closing packs the codes into data/traces.npz, writes the bag's files, and only then renames the folder, so
that a folder without the suffix is whole.
"""

from __future__ import annotations

import logging
import os
import shutil
from datetime import datetime
from enum import Enum
from pathlib import Path
from types import TracebackType
from typing import IO

import msgspec

from twonode.analysis.traces import TracePair
from twonode.recordings.bag import write_bag_files
from twonode.recordings.disk import FileLock, sync_file, sync_folder, write_whole
from twonode.recordings.errors import UnfitRecord, not_writable
from twonode.recordings.model import Ended, Header, PointRow, RecordingKind, encode_header
from twonode.recordings.naming import UNFINISHED, candidate_names, lock_path, recording_name
from twonode.recordings.points import columns_line, encode_row
from twonode.recordings.tracefile import array_name, encode_point, pack

__all__ = ["RecordingWriter", "assemble"]

log = logging.getLogger("twonode.recordings")


class _State(Enum):
    NEW = "new"
    OPEN = "open"
    CLOSED = "closed"
    LEFT = "left unfinished"


class RecordingWriter:
    """Writes one recording; use it in a ``with`` block.

    Entering creates ``NAME.unfinished`` in the archive. Leaving the block normally closes the recording,
    unless `close` was called before. Leaving it by an exception keeps the unfinished folder with every
    reported point, to be closed or continued later. A folder in which no point was ever written is removed
    either way.

    Raises ArchiveNotWritable (also for a full disk), UnfitRecord for a header that JSON cannot hold.
    """

    def __init__(self, archive: str | os.PathLike[str], header: Header) -> None:
        self._archive = Path(archive)
        self._header = header
        self._state = _State.NEW
        self._folder = self._archive
        self._points = 0
        self._length = 0
        self._table: IO[bytes] | None = None
        self._lock: FileLock | None = None
        self._final: Path | None = None

    @property
    def folder(self) -> Path:
        """Where the recording is now: the unfinished folder, or the closed one."""
        return self._final or self._folder

    @property
    def points(self) -> int:
        """Points safely on disk."""
        return self._points

    @property
    def header(self) -> Header:
        """The header as last written."""
        return self._header

    def __enter__(self) -> RecordingWriter:
        if self._state is not _State.NEW:
            raise _misused(f"the writer is {self._state.value}")
        content = encode_header(self._header)
        header = self._header
        about = "null" if header.kind is RecordingKind.NULL else header.part
        name = recording_name(header.created_utc, set_name=header.tags.get("set"), part=about)
        try:
            self._archive.mkdir(parents=True, exist_ok=True)
            self._folder, self._lock = _claim(self._archive, name)
        except OSError as exc:
            raise not_writable(self._archive, exc) from exc
        try:
            self._start(content)
        except BaseException as exc:
            self._remove()
            if isinstance(exc, OSError):
                raise not_writable(self._folder, exc) from exc
            raise
        self._state = _State.OPEN
        return self

    def _start(self, content: bytes) -> None:
        data = self._folder / "data"
        data.mkdir()
        (self._folder / "points").mkdir()
        write_whole(data / "recording.json", content)
        self._table = (data / "points.csv").open("wb", buffering=0)
        first = columns_line()
        self._table.write(first)
        sync_file(self._table)
        self._length = len(first)
        sync_folder(data)
        sync_folder(self._folder)
        sync_folder(self._archive)

    def add_point(self, row: PointRow, traces: TracePair) -> None:
        """Store one finished point; on return codes and row are on the medium.

        The row's point number must follow on, and the row must fit its traces.

        Raises ArchiveNotWritable (the points before stay safe), UnfitRecord.
        """
        table = self._open_table()
        _fit(row, traces, expected_point=self._points + 1)
        line = encode_row(row)
        target = self._folder / "points" / f"{array_name(row.point)}.npy"
        try:
            write_whole(target, encode_point(row.frequency_hz, traces))
            table.write(line)
            sync_file(table)
        except BaseException as exc:
            self._take_back(table)
            if isinstance(exc, OSError):
                raise not_writable(target, exc) from exc
            raise
        self._points += 1
        self._length += len(line)

    def _take_back(self, table: IO[bytes]) -> None:
        try:
            table.truncate(self._length)
            table.seek(self._length)
        except OSError:
            # A partial last line is also dropped by whoever recovers the folder.
            log.warning("a partial row stays at the end of %s", table.name)

    def describe(self, header: Header) -> None:
        """Put another header in the place of the first, for what became known while measuring.

        Created time, set and part keep naming the folder. Raises ArchiveNotWritable, UnfitRecord.
        """
        self._open_table()
        path = self._folder / "data" / "recording.json"
        try:
            write_whole(path, encode_header(header))
        except OSError as exc:
            raise not_writable(path, exc) from exc
        self._header = header

    def close(self, *, finished_utc: datetime | None = None, ended: Ended = Ended.FINISHED) -> Path | None:
        """Close the recording and give it its final name.

        Returns the closed folder, or None where no point was written and the folder is removed.

        Raises ArchiveNotWritable; the unfinished folder then stays with all its points.
        """
        table = self._open_table()
        if self._points == 0:
            self._state = _State.LEFT
            self._remove()
            return None
        self.describe(msgspec.structs.replace(self._header, finished_utc=finished_utc, ended=ended))
        self._state = _State.LEFT
        table.close()
        self._final = assemble(self._folder, self._header, range(1, self._points + 1))
        self._state = _State.CLOSED
        if self._lock is not None:
            self._lock.remove()
        return self._final

    def __exit__(
        self,
        exc_type: type[BaseException] | None,
        exc: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        try:
            if self._state is _State.OPEN and (exc_type is None or self._points == 0):
                self.close()
        finally:
            if self._state is _State.OPEN:
                self._state = _State.LEFT
            self._let_go()

    def _open_table(self) -> IO[bytes]:
        if self._state is not _State.OPEN or self._table is None:
            raise _misused(f"the writer is {self._state.value}")
        return self._table

    def _let_go(self) -> None:
        if self._table is not None:
            self._table.close()
            self._table = None
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    def _remove(self) -> None:
        if self._table is not None:
            self._table.close()
        shutil.rmtree(self._folder, ignore_errors=True)
        if self._lock is not None:
            self._lock.remove()


def _misused(because: str) -> RuntimeError:
    return RuntimeError(f"a RecordingWriter works inside its with block, before close: {because}")


def _claim(archive: Path, name: str) -> tuple[Path, FileLock]:
    """Lock and make the unfinished folder; the name is free both as it is and with the suffix."""
    for candidate in candidate_names(name):
        folder = archive / f"{candidate}{UNFINISHED}"
        if (archive / candidate).exists() or folder.exists():
            continue
        try:
            lock = FileLock(lock_path(folder))
        except BlockingIOError:
            continue
        try:
            folder.mkdir()
        except FileExistsError:
            lock.release()
            continue
        except BaseException:
            lock.remove()
            raise
        return folder, lock
    raise FileExistsError(f"{name}: every name is taken")


def _fit(row: PointRow, traces: TracePair, *, expected_point: int) -> None:
    pairs = (
        ("point", row.point, expected_point),
        ("samples", row.samples, traces.samples),
        ("sample_interval_s", row.sample_interval_s, traces.sample_interval_s),
        ("drive_volts_per_div", row.drive_volts_per_div, traces.drive.volts_per_div),
        ("far_volts_per_div", row.far_volts_per_div, traces.far.volts_per_div),
    )
    for name, in_row, in_traces in pairs:
        if in_row != in_traces:
            raise UnfitRecord(
                f"Point {row.point}: {name} is {in_row} in its row and {in_traces} in its traces.",
                "Row and codes are checked against each other whenever the recording is read.",
                "Make the row from the same record as the traces.",
            )


def assemble(folder: Path, header: Header, points: range) -> Path:
    """Turn an unfinished folder, whose lock the caller holds, into a closed recording; returns its new path.

    Safe to repeat after being killed at any moment: the single point files are set aside only when the packed
    codes and the manifests are on the medium.

    Raises ArchiveNotWritable.
    """
    try:
        for place in (folder, folder / "data"):
            for left_over in place.glob(".*.tmp"):
                left_over.unlink()
        if (folder / "points").is_dir():
            sources = ((point, folder / "points" / f"{array_name(point)}.npy") for point in points)
            packed = folder / "data" / ".traces.npz.tmp"
            pack(packed, sources)
            os.replace(packed, folder / "data" / "traces.npz")
            sync_folder(folder / "data")
        name = folder.name.removesuffix(UNFINISHED)
        write_bag_files(
            folder,
            info={
                "Bag-Software-Agent": f"twonode {header.program_version}",
                "Bagging-Date": f"{header.created_utc:%Y-%m-%d}",
                "External-Identifier": name,
                "External-Description": header.title[:200],
            },
        )
        if (folder / "points").is_dir():
            os.rename(folder / "points", folder / "packed")
            sync_folder(folder)
        shutil.rmtree(folder / "packed", ignore_errors=True)
        return _rename_free(folder, name)
    except OSError as exc:
        raise not_writable(folder, exc) from exc


def _rename_free(folder: Path, name: str) -> Path:
    for candidate in candidate_names(name):
        final = folder.with_name(candidate)
        if final.exists():
            continue
        os.rename(folder, final)
        sync_folder(final.parent)
        return final
    raise FileExistsError(f"{name}: every name is taken")
