"""The life of a recording's folder, from ``NAME.unfinished`` to ``NAME``, whatever is recorded in it.

Owns the lock, the names, the table that grows row by row, and the order of closing. A hidden lock file beside the
folder is held by the program that writes; a killed program lets go of it. Only when everything else is on the
medium is the folder renamed, so that a folder without the suffix is whole.
"""

from __future__ import annotations

import logging
import os
import shutil
from collections.abc import Callable
from datetime import datetime
from enum import Enum
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Generic, Protocol, Self, TypeVar

import msgspec

from twonode.recordings.bag import write_bag_files
from twonode.recordings.disk import FileLock, sync_file, sync_folder, write_whole
from twonode.recordings.errors import not_writable
from twonode.recordings.heads import encode_head
from twonode.recordings.model import Ended
from twonode.recordings.naming import UNFINISHED, candidate_names, lock_path, recording_name

__all__ = ["FolderWriter", "bag_info", "bag_up", "clear_left_overs", "rename_free"]

log = logging.getLogger("twonode.recordings")


class _Head(Protocol):
    """What the life of a folder must know of its header."""

    @property
    def created_utc(self) -> datetime: ...

    @property
    def title(self) -> str: ...

    @property
    def tags(self) -> dict[str, str]: ...

    @property
    def program_version(self) -> str: ...


H = TypeVar("H", bound=Any)


class _State(Enum):
    NEW = "new"
    OPEN = "open"
    CLOSED = "closed"
    LEFT = "left unfinished"


class FolderWriter(Generic[H]):
    """Writes one recording, row by row; a subclass says what a row is, and is used in a ``with`` block.

    Entering creates ``NAME.unfinished`` in the archive. Leaving the block normally closes the recording,
    unless `close` was called before. Leaving it by an exception keeps the unfinished folder with every
    stored row, to be closed or continued later. A folder in which no row was ever written is removed
    either way.

    Raises ArchiveNotWritable (also for a full disk), UnfitRecord for a header that JSON cannot hold.
    """

    def __init__(
        self, archive: str | os.PathLike[str], header: H, *, table: str, columns: bytes, about: str | None
    ) -> None:
        """Nothing is written before the block is entered.

        table, columns : name of the table below data/ and its first line. about : last word of the folder's name.
        """
        self._archive = Path(archive)
        self._header = header
        self._table_name = table
        self._columns = columns
        self._about = about
        self._state = _State.NEW
        self._folder = self._archive
        self._rows = 0
        self._length = 0
        self._table: IO[bytes] | None = None
        self._lock: FileLock | None = None
        self._final: Path | None = None

    @property
    def folder(self) -> Path:
        """Where the recording is now: the unfinished folder, or the closed one."""
        return self._final or self._folder

    @property
    def header(self) -> H:
        """The header as last written."""
        return self._header

    def __enter__(self) -> Self:
        if self._state is not _State.NEW:
            raise self._misused()
        header = self._header
        content = encode_head(header, header.created_utc)
        name = recording_name(header.created_utc, set_name=header.tags.get("set"), part=self._about)
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
        self._make_places()
        write_whole(data / "recording.json", content)
        self._table = (data / self._table_name).open("wb", buffering=0)
        self._table.write(self._columns)
        sync_file(self._table)
        self._length = len(self._columns)
        sync_folder(data)
        sync_folder(self._folder)
        sync_folder(self._archive)

    def _make_places(self) -> None:
        """Further folders that a subclass needs while it measures."""

    def _seal(self) -> Path:
        """Turn the unfinished folder into a closed recording; returns its new path."""
        raise NotImplementedError

    def _append(self, line: bytes, *, before: Callable[[], Path] | None = None) -> None:
        """Put a line on the medium; ``before`` writes what must be there first and says where.

        Raises ArchiveNotWritable; the rows before stay safe.
        """
        table = self._open_table()
        target = self._folder / "data" / self._table_name
        try:
            if before is not None:
                target = before()
            table.write(line)
            sync_file(table)
        except BaseException as exc:
            self._take_back(table)
            if isinstance(exc, OSError):
                raise not_writable(target, exc) from exc
            raise
        self._rows += 1
        self._length += len(line)

    def _take_back(self, table: IO[bytes]) -> None:
        try:
            table.truncate(self._length)
            table.seek(self._length)
        except OSError:
            # A partial last line is also dropped by whoever recovers the folder.
            log.warning("a partial row stays at the end of %s", table.name)

    def describe(self, header: H) -> None:
        """Put another header in the place of the first, for what became known while measuring.

        Created time, set and part keep naming the folder. Raises ArchiveNotWritable, UnfitRecord.
        """
        self._open_table()
        path = self._folder / "data" / "recording.json"
        try:
            write_whole(path, encode_head(header, header.created_utc))
        except OSError as exc:
            raise not_writable(path, exc) from exc
        self._header = header

    def close(self, *, finished_utc: datetime | None = None, ended: Ended = Ended.FINISHED) -> Path | None:
        """Close the recording and give it its final name.

        Returns the closed folder, or None where no row was written and the folder is removed.

        Raises ArchiveNotWritable; the unfinished folder then stays with all its rows.
        """
        table = self._open_table()
        if self._rows == 0:
            self._state = _State.LEFT
            self._remove()
            return None
        self.describe(msgspec.structs.replace(self._header, finished_utc=finished_utc, ended=ended))
        self._state = _State.LEFT
        table.close()
        self._final = self._seal()
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
            if self._state is _State.OPEN and (exc_type is None or self._rows == 0):
                self.close()
        finally:
            if self._state is _State.OPEN:
                self._state = _State.LEFT
            self._let_go()

    def _open_table(self) -> IO[bytes]:
        if self._state is not _State.OPEN or self._table is None:
            raise self._misused()
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

    def _misused(self) -> RuntimeError:
        return RuntimeError(
            f"a {type(self).__name__} works inside its with block, before close: "
            f"the writer is {self._state.value}"
        )


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


def clear_left_overs(folder: Path) -> None:
    """Remove half-written temporary files of a killed run. Raises OSError."""
    for place in (folder, folder / "data"):
        for left_over in place.glob(".*.tmp"):
            left_over.unlink()


def bag_up(folder: Path, header: _Head) -> None:
    """Write the bag's files around what lies in an unfinished folder. Raises OSError."""
    write_bag_files(folder, info=bag_info(header, identifier=folder.name.removesuffix(UNFINISHED)))


def bag_info(header: _Head, *, identifier: str) -> dict[str, str]:
    """Labels and values of bag-info.txt, in their order."""
    return {
        "Bag-Software-Agent": f"twonode {header.program_version}",
        "Bagging-Date": f"{header.created_utc:%Y-%m-%d}",
        "External-Identifier": identifier,
        "External-Description": header.title[:200],
    }


def rename_free(folder: Path) -> Path:
    """Take the suffix off an unfinished folder's name; returns the new path. Raises OSError."""
    name = folder.name.removesuffix(UNFINISHED)
    for candidate in candidate_names(name):
        final = folder.with_name(candidate)
        if final.exists():
            continue
        os.rename(folder, final)
        sync_folder(final.parent)
        return final
    raise FileExistsError(f"{name}: every name is taken")
