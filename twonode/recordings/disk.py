"""Bytes that are really on disk: whole files or none, and a lock that ends with its program.

Owns syncing, atomic replacement and the advisory lock, with what differs between Windows and the others.
Knows nothing of recordings.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import re
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import IO

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

__all__ = [
    "FileLock",
    "is_held",
    "place_new",
    "placing_new",
    "sha256_and_size",
    "sha256_of",
    "sync_file",
    "sync_folder",
    "twin_of",
    "write_whole",
]

_CHUNK_BYTES = 1 << 20

_TEMPORARY = re.compile(r"\.(.+)\.(?:second)?\d+-\d+\.tmp", re.DOTALL)

# What the systems answer when somebody else has the lock (EDEADLK is Windows).
_HELD = frozenset({errno.EACCES, errno.EAGAIN, errno.EWOULDBLOCK, errno.EDEADLK})


def sync_file(file: IO[bytes]) -> None:
    """Flush ``file`` and wait until the system says that it is on the medium."""
    file.flush()
    os.fsync(file.fileno())


def sync_folder(folder: Path) -> None:
    """Make names in ``folder`` durable. Windows offers no such call; there the file's own sync must do."""
    if sys.platform == "win32":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_whole(path: Path, content: bytes) -> None:
    """Write a file whole or not at all, replacing what was there; synced on return. Raises OSError."""
    temporary = _write_beside(path, content)
    try:
        os.replace(temporary, path)
    except BaseException:
        _discard(temporary)
        raise
    sync_folder(path.parent)


def place_new(path: Path, content: bytes) -> None:
    """Write a file whole or not at all; FileExistsError if the name is taken, other OSError otherwise."""
    with placing_new(path, content):
        pass


@contextlib.contextmanager
def placing_new(path: Path, content: bytes) -> Iterator[None]:
    """`place_new` before the block; until its end a hidden twin of the file tells that something is still to follow.

    The twin of a program that was killed inside the block stays: `twin_of` knows its name.
    """
    twin = _write_beside(path, content)
    try:
        try:
            os.link(twin, path)
        except FileExistsError:
            raise
        except OSError:
            # A file system without hard links: the small gap between look and rename is the best there is.
            if path.exists():
                raise FileExistsError(str(path)) from None
            os.replace(_write_beside(path, content, "second"), path)
        sync_folder(path.parent)
        yield
    finally:
        _discard(twin)


def twin_of(name: str) -> str | None:
    """The name of the file that a hidden temporary one was to become; None where the name is of no such file."""
    match = _TEMPORARY.fullmatch(name)
    return None if match is None else match[1]


def _write_beside(path: Path, content: bytes, word: str = "") -> Path:
    temporary = path.with_name(f".{path.name}.{word}{os.getpid()}-{threading.get_ident()}.tmp")
    try:
        with temporary.open("wb") as file:
            file.write(content)
            sync_file(file)
    except BaseException:
        _discard(temporary)
        raise
    return temporary


def _discard(path: Path) -> None:
    # Cleaning up after a failure which is already on its way to the caller.
    with contextlib.suppress(OSError):
        path.unlink(missing_ok=True)


def sha256_of(path: Path) -> str:
    """SHA-256 of a file in hexadecimal, read in pieces of 1 MB. Raises OSError."""
    return sha256_and_size(path)[0]


def sha256_and_size(path: str | os.PathLike[str]) -> tuple[str, int]:
    """SHA-256 of a file in hexadecimal and how many bytes were read for it, 1 MB at a time. Raises OSError."""
    digest, size = hashlib.sha256(), 0
    # Unbuffered: Python's own buffer would only be copied from.
    with open(path, "rb", buffering=0) as file:
        while piece := file.read(_CHUNK_BYTES):
            digest.update(piece)
            size += len(piece)
    return digest.hexdigest(), size


class FileLock:
    """An advisory lock on a file, let go by `release` or by the end of the program, however it ends.

    Raises BlockingIOError where another program (or another lock in this one) holds it, other OSError where
    the file cannot be made or locked at all.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file: IO[bytes] | None = None
        while self._file is None:
            file = path.open("ab")
            try:
                self._take(file)
            except OSError as exc:
                file.close()
                if exc.errno in _HELD:
                    raise BlockingIOError(str(path)) from exc
                raise
            if _is_at(file, path):
                self._file = file
            else:
                # Its last holder deleted it between our opening and our locking: whoever comes next would lock
                # another file of this name.
                file.close()

    @staticmethod
    def _take(file: IO[bytes]) -> None:
        if sys.platform == "win32":
            file.seek(0)
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)

    def release(self) -> None:
        """Let the lock go; calling it again does nothing."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def remove(self) -> None:
        """Let the lock go and delete its file, where nothing is left to guard; nothing once it was let go."""
        if self._file is None:
            return
        if sys.platform == "win32":  # no open file can be deleted there
            self.release()
            _discard(self._path)
        else:
            _discard(self._path)
            self.release()


def is_held(path: Path) -> bool:
    """Whether somebody holds the lock on a file right now; a lock that was left behind stays where it is."""
    if not path.exists():
        return False
    try:
        FileLock(path).release()
    except BlockingIOError:
        return True
    except OSError:  # a folder that is only there to be read: nobody can be writing in it
        return False
    return False


def _is_at(file: IO[bytes], path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(file.fileno()), os.stat(path))
    except FileNotFoundError:
        return False
