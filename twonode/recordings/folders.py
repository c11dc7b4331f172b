"""A look at the archive's folders: which there are, and when each was changed.

Owns the look, what is an archive at all, and the cheap question whether there is anything new. Reads no file.

Every result, note and manifest is put into place by renaming, which changes the time of the recording's folder.
"""

from __future__ import annotations

import os
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from twonode.recordings.bag import DECLARATION
from twonode.recordings.errors import NotARecording
from twonode.recordings.naming import UNFINISHED

__all__ = ["FolderLook", "FolderWatch", "look_at_folders", "must_be_archive"]

# A folder changed so recently may change again within one tick of its file system's clock (FAT: 2 s).
_TICK_NS = 2_500_000_000
# What other means than this program alter inside a folder is looked for after so long.
_LOOK_AGAIN_S = 5.0

_KIND_BITS, _DIRECTORY = 0o170000, 0o040000


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderLook:
    """What lies in an archive, hidden folders left out.

    changed_ns : by folder name, when it was changed; 0 where that is so fresh that it may change again unseen.
    unfinished : folders that were never closed, sorted.
    """

    changed_ns: Mapping[str, int]
    unfinished: tuple[str, ...]


def must_be_archive(archive: Path) -> None:
    """Raise NotARecording where there is no archive, or a recording in its place."""
    if not archive.is_dir():
        raise NotARecording(
            f"{archive} is no folder." if archive.exists() else f"There is no archive at {archive}.",
            "An archive is the folder that recordings are filed in.",
            "Name it with --archive; the first sweep makes it.",
        )
    if (archive / DECLARATION).is_file():
        raise NotARecording(
            f"{archive} is a recording, not an archive.",
            "An archive is the folder that recordings are filed in.",
            f"Name the folder it lies in: {archive.resolve().parent}.",
        )


def look_at_folders(archive: Path) -> FolderLook:
    """Look at every folder. Raises OSError where the archive cannot be listed."""
    settled_ns = time.time_ns() - _TICK_NS
    changed: dict[str, int] = {}
    unfinished: list[str] = []
    with os.scandir(archive) as entries:
        for entry in entries:
            name = entry.name
            if name[0] == ".":
                continue
            try:
                # On Windows the listing's own times of folders lag behind.
                seen = os.stat(entry.path) if os.name == "nt" else entry.stat()
            except OSError:  # gone meanwhile, or a link to nowhere
                continue
            if seen.st_mode & _KIND_BITS != _DIRECTORY:
                continue
            if name.endswith(UNFINISHED):
                unfinished.append(name)
            elif name.isascii() or _is_text(name):
                changed_ns = seen.st_mtime_ns
                changed[name] = changed_ns if changed_ns < settled_ns else 0
    return FolderLook(changed_ns=changed, unfinished=tuple(sorted(unfinished)))


def _is_text(name: str) -> bool:
    """Whether a folder's name is Unicode. Others are none of ours, and no index can hold them."""
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


class FolderWatch:
    """Remembers the last look, and says whether another one could show anything new.

    Recordings that come, go or get another name change the archive's own time, and so does the lock that this program
    lays beside a recording while it adds to it. What other means alter inside a folder does not; for that a look is due
    again after 5 s.
    """

    def __init__(self, archive: Path) -> None:
        self._archive = archive
        self._changed_ns = self._looked_ns = 0
        self._looked_s = -_LOOK_AGAIN_S

    def look(self) -> FolderLook:
        """Look at every folder, now. Raises OSError."""
        self._changed_ns = os.stat(self._archive).st_mtime_ns
        self._looked_ns, self._looked_s = time.time_ns(), time.monotonic()
        return look_at_folders(self._archive)

    def anything_new(self) -> bool:
        """Whether a look is due. Raises OSError."""
        changed_ns = os.stat(self._archive).st_mtime_ns
        return (
            changed_ns != self._changed_ns
            or changed_ns > self._looked_ns - _TICK_NS
            or time.monotonic() - self._looked_s > _LOOK_AGAIN_S
        )
