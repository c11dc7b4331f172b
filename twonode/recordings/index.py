"""The archive's search index: it follows the folders, and can be made anew from them at any time.

Owns keeping it true to the folders, and going round whatever is wrong with it. The folders are the archive; the index
holds nothing that is not in them. One that is broken is made anew; one that cannot be written, or that another program
holds, is replaced by one in the user's cache folder, or in memory, and that is said. Measuring never asks for it.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import TypeVar

from twonode.recordings.entry import Entry, EntryState
from twonode.recordings.errors import NotARecording
from twonode.recordings.folders import FolderWatch, must_be_archive
from twonode.recordings.gist import Gist, read_gist
from twonode.recordings.identity import IdentityField
from twonode.recordings.index_file import (
    INDEX,
    Place,
    is_broken,
    open_index,
    path_of,
    remove_file,
    transaction,
)
from twonode.recordings.index_query import Search
from twonode.recordings.index_schema import (
    ForeignFile,
    create,
    delete_rows,
    entry_of,
    has_full_text,
    insert_rows,
    known_names,
    text_column,
)

__all__ = ["INDEX", "ArchiveIndex", "Changes", "Place", "Progress", "Rebuilt"]

_BATCH = 2_000

Progress = Callable[[int, int], None]
"""Called with the number of folders read and the number to be read."""

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Changes:
    """What an update found: numbers of folders that were new, read again and gone since the last one."""

    added: int = 0
    changed: int = 0
    vanished: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Rebuilt:
    """What a rebuild did. troubled : among the recordings, those that could not be read, or not wholly."""

    recordings: int
    troubled: tuple[Entry, ...]
    seconds: float

    @property
    def per_second(self) -> float:
        """Recordings read and indexed in a second."""
        return self.recordings / self.seconds


class ArchiveIndex:
    """The index of one archive; close it, or use it in a ``with`` block.

    cache : folder for indexes of archives that cannot be written; None is the user's own.

    Raises NotARecording where there is no archive. Everything that can go wrong with the index itself is met inside.
    """

    def __init__(self, archive: str | os.PathLike[str], *, cache: Path | None = None) -> None:
        self._archive = Path(archive)
        must_be_archive(self._archive)
        self._watch = FolderWatch(self._archive)
        self._cache = cache
        self._full_text = has_full_text()
        self._place = Place.ARCHIVE
        self._connection: sqlite3.Connection | None = None
        self._renewed = False  # in this place
        self._behind = False  # the one that serves has not been compared with the folders yet
        self._remarks: list[str] = []
        self._known: dict[str, int] | None = None
        self._known_at = -1
        self._unfinished: tuple[str, ...] = ()

    @property
    def place(self) -> Place:
        """Where the index lies now."""
        return self._place

    @property
    def path(self) -> str:
        """The index file."""
        return path_of(self._place, self._archive, full_text=self._full_text, cache=self._cache)

    @property
    def remarks(self) -> tuple[str, ...]:
        """What the person should know of it: that it was made anew, or lies elsewhere, and why."""
        return tuple(self._remarks)

    @property
    def unfinished(self) -> tuple[str, ...]:
        """Folders that were never closed, as of the last update, sorted."""
        return self._unfinished

    def __enter__(self) -> ArchiveIndex:
        return self

    def __exit__(
        self,
        exc_type: type[BaseException] | None,
        exc: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let the file go."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None
        self._known = None

    def update(self, progress: Progress | None = None) -> Changes:
        """Look at every folder, and read those that are new or changed."""
        found = self._look()
        return self._attempt(lambda connection: self._bring_up(connection, found, progress))

    def rebuild(self, progress: Progress | None = None) -> Rebuilt:
        """Read every folder again and put the new index in the place of the old one, which serves until then."""
        started_s = time.perf_counter()
        found = self._look()
        gists = list(self._read(found, found, progress))
        self._attempt(lambda connection: self._replace_all(connection, gists))
        entries = [gist.entry for _, gist in gists if gist.entry.state is not EntryState.NO_RECORDING]
        return Rebuilt(
            recordings=len(entries),
            troubled=tuple(entry for entry in entries if entry.trouble is not None),
            seconds=time.perf_counter() - started_s,
        )

    def find(
        self, search: Search | None = None, *, limit: int | None = None, fresh: bool = True
    ) -> list[Entry]:
        """The recordings that fit, newest first; at most ``limit`` of them.

        fresh : see first whether anything in the archive is new. False answers as of the last update.

        Raises UnfitSearch.
        """
        if fresh and self._watch.anything_new():
            self.update()
        statement, values = (search or Search()).statement(full_text=self._full_text)
        if limit is not None:
            statement, values = f"{statement} LIMIT ?", [*values, limit]
        rows = self._attempt(lambda connection: connection.execute(statement, values).fetchall())
        return [entry_of(self._archive, row) for row in rows]

    def count(self, search: Search | None = None) -> int:
        """How many recordings fit, as of the last update. Raises UnfitSearch."""
        statement, values = (search or Search()).statement(full_text=self._full_text, count=True)
        return self._attempt(lambda connection: int(connection.execute(statement, values).fetchone()[0]))

    def texts(self, field: IdentityField) -> list[str]:
        """Every text that a field has in the archive, as of the last update."""
        return self._distinct(text_column(field))

    def findings(self) -> list[str]:
        """Every finding in the archive, as of the last update."""
        return self._distinct("finding")

    def kinds(self) -> list[str]:
        """Every kind of recording in the archive, as of the last update."""
        return self._distinct("kind")

    def _distinct(self, column: str) -> list[str]:
        statement = f"SELECT DISTINCT {column} FROM recording WHERE {column} IS NOT NULL ORDER BY 1"
        return self._attempt(lambda connection: [text for (text,) in connection.execute(statement)])

    def check(self) -> str:
        """SQLite's own integrity check: "ok" where the file is sound."""
        return self._attempt(
            lambda connection: "\n".join(row[0] for row in connection.execute("PRAGMA integrity_check"))
        )

    # From the folders

    def _look(self) -> Mapping[str, int]:
        try:
            look = self._watch.look()
        except OSError as exc:
            raise NotARecording(
                f"{self._archive} cannot be listed ({exc.strerror or exc}).",
                "Without its folders nothing can be said of an archive.",
                "Check the drive and your rights to it.",
            ) from exc
        self._unfinished = look.unfinished
        return look.changed_ns

    def _read(
        self, names: Iterable[str], changed_ns: Mapping[str, int], progress: Progress | None
    ) -> Iterator[tuple[int, Gist]]:
        wanted = list(names)
        for done, name in enumerate(wanted, start=1):
            yield changed_ns[name], read_gist(self._archive, name)
            if progress is not None and (done % 500 == 0 or done == len(wanted)):
                progress(done, len(wanted))

    # Into the tables

    def _bring_up(
        self, connection: sqlite3.Connection, found: Mapping[str, int], progress: Progress | None
    ) -> Changes:
        known = self._names_in(connection)
        if found == known and 0 not in known.values():
            return Changes()
        stale = [name for name, seen in found.items() if not seen or known.get(name) != seen]
        gone = [name for name in known if name not in found]
        batch: list[tuple[int, Gist]] = []
        for each in self._read(stale, found, progress):
            batch.append(each)
            if len(batch) == _BATCH:
                self._put(connection, batch, ())
                batch = []
        self._put(connection, batch, gone)
        new = sum(name not in known for name in stale)
        return Changes(added=new, changed=len(stale) - new, vanished=len(gone))

    def _names_in(self, connection: sqlite3.Connection) -> dict[str, int]:
        """What the index knows, read again only where somebody has written to it since."""
        (version,) = connection.execute("PRAGMA data_version").fetchone()
        if self._known is None or version != self._known_at:
            self._known, self._known_at = known_names(connection), version
        return self._known

    def _put(
        self, connection: sqlite3.Connection, gists: list[tuple[int, Gist]], gone: Iterable[str]
    ) -> None:
        self._known = None
        with transaction(connection):
            delete_rows(connection, [*gone, *(gist.entry.name for _, gist in gists)])
            insert_rows(connection, gists)

    def _replace_all(self, connection: sqlite3.Connection, gists: list[tuple[int, Gist]]) -> None:
        self._known = None
        with transaction(connection):
            create(connection, full_text=self._full_text)
            insert_rows(connection, gists)

    # Whatever is wrong with the file

    def _attempt(self, work: Callable[[sqlite3.Connection], _T]) -> _T:
        """Do something with the index; where that fails, with a new one, or with one in the next place."""
        while True:
            try:
                if self._connection is None:
                    path = path_of(self._place, self._archive, full_text=self._full_text, cache=self._cache)
                    self._connection = open_index(path, full_text=self._full_text)
                if self._behind:
                    self._bring_up(self._connection, self._look(), None)
                    self._behind = False
                return work(self._connection)
            except (sqlite3.DatabaseError, ForeignFile, OSError) as exc:
                if self._place is Place.MEMORY:
                    raise
                self.close()
                self._behind = True
                self._go_round(exc)

    def _go_round(self, exc: Exception) -> None:
        if is_broken(exc) and not self._renewed:
            self._renewed = True
            remove_file(self.path)
            self._remarks.append(f"The index {self._place.value} was broken ({exc}) and was made anew.")
            return
        before, self._renewed = self._place, False
        self._place = Place.CACHE if before is Place.ARCHIVE else Place.MEMORY
        because = "it is another program's file" if isinstance(exc, ForeignFile) else str(exc)
        self._remarks.append(
            f"The index {before.value} cannot be used ({because}); one {self._place.value} serves instead."
        )
