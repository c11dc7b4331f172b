"""The SQLite file of an index: opening it, writing to it in one piece, and what its errors mean.

Owns how two programs keep out of each other's way. The journal is the old rollback journal, not the newer write-ahead
log: an archive may lie on a network drive, where the latter is not safe. A writer keeps its pages in memory until the
end, so that readers are held up for the last moment only.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import sqlite3
from collections.abc import Iterator
from enum import Enum
from pathlib import Path
from typing import Final

from twonode.recordings.index_schema import ForeignFile, create, is_current

__all__ = ["INDEX", "Place", "is_broken", "open_index", "path_of", "remove_file", "transaction"]

INDEX: Final = ".index.sqlite"
_PLAIN_INDEX: Final = ".index-plain.sqlite"

WAIT_S = 2.0
"""How long another program may hold the index before it is passed by."""


class Place(Enum):
    """Where an index lies."""

    ARCHIVE = "in the archive"
    CACHE = "in your cache folder"
    MEMORY = "in memory"


def path_of(place: Place, archive: Path, *, full_text: bool, cache: Path | None) -> str:
    """The file's path; the cache folder is made. cache : None is the user's own. Raises OSError."""
    # A program without the full-text engine cannot even open the other's tables.
    name = INDEX if full_text else _PLAIN_INDEX
    if place is Place.ARCHIVE:
        return str(archive / name)
    if place is Place.MEMORY:
        return ":memory:"
    folder = cache or _user_cache()
    folder.mkdir(parents=True, exist_ok=True)
    of = hashlib.sha256(os.fsencode(archive.resolve())).hexdigest()[:24]
    return str(folder / f"{of}{name}")


def _user_cache() -> Path:
    import platformdirs

    return platformdirs.user_cache_path("twonode") / "indexes"


def open_index(path: str, *, full_text: bool) -> sqlite3.Connection:
    """Open an index; one that is new or of another version is emptied and made. Raises sqlite3.Error, ForeignFile."""
    connection = sqlite3.connect(path, timeout=WAIT_S, isolation_level=None)
    try:
        connection.execute("PRAGMA cache_size = -65536")
        connection.execute("PRAGMA cache_spill = OFF")
        connection.execute("PRAGMA synchronous = NORMAL")
        if not is_current(connection):
            with transaction(connection):
                if not is_current(connection):  # another program may have made it since
                    create(connection, full_text=full_text)
    except BaseException:
        connection.close()
        raise
    return connection


@contextlib.contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """All of it or nothing, and no other program writing meanwhile."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        # Some errors (a full disk) have rolled back already.
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


# The file is there and may be written, but it cannot be what is expected; any other code is about its surroundings.
_SURROUNDINGS = frozenset(
    {
        sqlite3.SQLITE_BUSY,
        sqlite3.SQLITE_LOCKED,
        sqlite3.SQLITE_READONLY,
        sqlite3.SQLITE_FULL,
        sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_IOERR,
        sqlite3.SQLITE_PERM,
        sqlite3.SQLITE_AUTH,
        sqlite3.SQLITE_NOMEM,
        sqlite3.SQLITE_INTERRUPT,
        sqlite3.SQLITE_NOLFS,
        sqlite3.SQLITE_PROTOCOL,
    }
)


def is_broken(exc: Exception) -> bool:
    """Whether an error says that the file itself is broken, so that another one in its place would do."""
    if isinstance(exc, ForeignFile) or not isinstance(exc, sqlite3.DatabaseError):
        return False
    code = getattr(exc, "sqlite_errorcode", None)
    return code is None or code & 0xFF not in _SURROUNDINGS


def remove_file(path: str) -> None:
    """Take a broken index out of the way; where that fails, the next attempt to open it will say why."""
    for file in (path, f"{path}-journal", f"{path}-wal", f"{path}-shm"):
        with contextlib.suppress(OSError):
            os.unlink(file)
