"""Recordings put aside: moved into a hidden folder of the archive, and back. Nothing is ever deleted.

Owns the folder and the two moves. A recording that was put aside stays as it was, checksums and all; searches and
lists pass it by.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

from twonode.recordings.bag import DECLARATION
from twonode.recordings.disk import sync_folder
from twonode.recordings.errors import NotARecording, RecordingError, not_changed
from twonode.recordings.lookup import only_match
from twonode.recordings.naming import UNFINISHED, candidate_names, is_recording_name

__all__ = ["DISCARDED", "discard", "discarded", "restore"]

DISCARDED: Final = ".discarded"


def discard(folder: str | os.PathLike[str]) -> Path:
    """Move a recording, also a damaged one, into its archive's folder of discarded ones; returns where it lies now.

    Raises NotARecording, ArchiveNotWritable.
    """
    # An absolute path, but no link resolved: of a link the link itself is moved.
    place = Path(os.path.abspath(folder))
    if place.name.endswith(UNFINISHED):
        raise NotARecording(
            f"{place} was never closed.",
            "Its points are kept until somebody decides about them.",
            "Close it with `twonode archive recover`, then discard it.",
        )
    is_one = (place / DECLARATION).is_file() or (place / "data" / "recording.json").is_file()
    if not place.is_dir() or not (is_one or is_recording_name(place.name)):
        raise NotARecording(
            f"{place} is no recording.",
            "Only recordings are moved about in an archive.",
            "Name the recording's folder.",
        )
    if place.parent.name == DISCARDED:
        raise NotARecording(
            f"{place.name} has been discarded before.",
            "It lies among the discarded ones already.",
            f"`twonode archive restore {place.name}` brings it back.",
        )
    return _move(place, place.parent / DISCARDED)


def restore(archive: str | os.PathLike[str], name: str) -> Path:
    """Move a discarded recording back into its archive; returns its folder, numbered where the name is taken.

    name : as much of it as makes it the only one.

    Raises NotARecording, ArchiveNotWritable.
    """
    place = Path(archive)
    found = only_match(
        name,
        [each.name for each in discarded(place)],
        where=f"among those discarded in {place}",
        see="`twonode archive restore` without a name shows what was put aside.",
    )
    return _move(place / DISCARDED / found, place)


def discarded(archive: str | os.PathLike[str]) -> tuple[Path, ...]:
    """The recordings that were put aside, sorted by name."""
    place = Path(archive) / DISCARDED
    if not place.is_dir():
        return ()
    return tuple(sorted(each for each in place.iterdir() if each.is_dir() and each.name[0] != "."))


def _move(folder: Path, into: Path) -> Path:
    try:
        into.mkdir(exist_ok=True)
        for candidate in candidate_names(folder.name):
            target = into / candidate
            if os.path.lexists(target):
                continue
            os.rename(folder, target)
            sync_folder(into)
            sync_folder(folder.parent)
            return target
    except OSError as exc:
        raise _not_moved(folder, exc) from exc
    raise _not_moved(folder, FileExistsError("every name is taken"))


def _not_moved(folder: Path, exc: OSError) -> RecordingError:
    return not_changed(
        f"{folder} was not moved",
        exc,
        kept="To put it aside or to bring it back is to move it inside the archive; it lies where it was.",
    )
