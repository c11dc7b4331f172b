"""Bringing an archive in order after something was killed in it: runs closed, half-added results finished.

Owns going through an archive and what is said of each folder. Closing itself is `unfinished`, finishing is `results`.
A run is closed with the points it reported; going on with it is left to whoever measures.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from twonode.recordings.anykind import read_any_header
from twonode.recordings.disk import FileLock, twin_of
from twonode.recordings.errors import NotARecording, RecordingError, RecordingInUse
from twonode.recordings.naming import UNFINISHED, is_recording_name
from twonode.recordings.results import finish_additions
from twonode.recordings.unfinished import close_unfinished, find_unfinished
from twonode.recordings.verify import recordings_in

__all__ = ["Recovered", "RecoveredState", "recover_archive", "recover_folder"]


class RecoveredState(Enum):
    """What became of a folder."""

    CLOSED = "closed"
    EMPTY = "removed, nothing had been reported"
    FINISHED = "addition finished"
    WHOLE = "closed already, nothing to do"
    IN_USE = "in use"
    GONE = "closed by another program"
    FAILED = "failed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Recovered:
    """One folder brought in order, or not.

    folder : as it was found. closed : the closed recording, where there is one, its kind, and the rows it holds.
    listed : results that were half added and are listed now. error : what stands in the way.
    """

    folder: Path
    state: RecoveredState
    closed: Path | None = None
    kind: str | None = None
    rows: int = 0
    listed: tuple[str, ...] = ()
    error: RecordingError | None = None


def recover_archive(archive: str | os.PathLike[str]) -> Iterator[Recovered]:
    """Bring every folder of an archive in order that needs it; the others are not touched.

    Locks of programs that are gone are removed. Raises NotARecording where there is no archive.
    """
    place = Path(archive)
    closed = recordings_in(place)
    for left in find_unfinished(place):
        yield recover_folder(left.folder)
    for folder in closed:
        if _half_added(folder):
            yield recover_folder(folder)
    _sweep_locks(place)


def _half_added(folder: Path) -> bool:
    """Whether hidden temporary files lie in a closed recording, where results are added."""
    for place in (folder, folder / "results"):
        try:
            with os.scandir(place) as entries:
                if any(twin_of(entry.name) is not None for entry in entries):
                    return True
        except OSError:
            continue
    return False


def recover_folder(folder: Path) -> Recovered:
    """Bring one folder in order; what stands in the way is in the answer."""
    try:
        if not folder.name.endswith(UNFINISHED):
            state = RecoveredState.FINISHED if _half_added(folder) else RecoveredState.WHOLE
            listed = finish_additions(folder)
            return Recovered(folder=folder, state=state, closed=folder, listed=listed)
        rows = next((each.points for each in find_unfinished(folder.parent) if each.folder == folder), 0)
        closed = close_unfinished(folder)
    except RecordingInUse as exc:
        return Recovered(folder=folder, state=RecoveredState.IN_USE, error=exc)
    except NotARecording as exc:
        gone = folder.name.endswith(UNFINISHED) and not folder.exists()
        state = RecoveredState.GONE if gone else RecoveredState.FAILED
        return Recovered(folder=folder, state=state, error=None if gone else exc)
    except RecordingError as exc:
        return Recovered(folder=folder, state=RecoveredState.FAILED, error=exc)
    return Recovered(
        folder=folder,
        state=RecoveredState.EMPTY if closed is None else RecoveredState.CLOSED,
        closed=closed,
        kind=None if closed is None else read_any_header(closed).kind.value,
        rows=rows,
    )


def _sweep_locks(place: Path) -> None:
    """Remove the locks beside folders that are closed or gone, unless a program holds them."""
    for lock in place.glob(".*.lock"):
        folder = lock.with_name(lock.name.removeprefix(".").removesuffix(".lock"))
        if not is_recording_name(folder.name.removesuffix(UNFINISHED)):
            continue
        if folder.name.endswith(UNFINISHED) and folder.exists():
            continue
        try:
            FileLock(lock).remove()
        except OSError:  # held by somebody, or an archive that cannot be written: it does no harm
            continue
