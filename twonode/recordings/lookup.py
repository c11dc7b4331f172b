"""Which recording a person means: a path, a folder's name, or enough of the name to be the only one.

Owns that search by name. Searching by content belongs to the index.
"""

from __future__ import annotations

import os
from pathlib import Path

from twonode.recordings.errors import NotARecording
from twonode.recordings.naming import UNFINISHED

__all__ = ["find_recording"]

_LISTED = 6


def find_recording(text: str, archive: str | os.PathLike[str]) -> Path:
    """The folder that ``text`` names: a path that is there, or the one recording of the archive that fits.

    A name fits where it is the text, begins with it, or holds it, in this order, upper and lower case alike.

    Raises NotARecording where none fits or several do.
    """
    given = Path(text)
    if text.strip() and given.is_dir():
        return given
    place = Path(archive)
    wanted = text.strip().lower()
    names = _names(place) if wanted and not given.is_absolute() else []
    for fits in (
        [name for name in names if name.lower() == wanted],
        [name for name in names if name.lower().startswith(wanted)],
        [name for name in names if wanted in name.lower()],
    ):
        if len(fits) == 1:
            return place / fits[0]
        if fits:
            more = "" if len(fits) <= _LISTED else f" and {len(fits) - _LISTED} more"
            raise NotARecording(
                f"{text!r} fits {len(fits)} recordings in {place}.",
                f"They are {', '.join(sorted(fits)[:_LISTED])}{more}.",
                "Write more of the name.",
            )
    raise NotARecording(
        f"There is no recording {text!r}, neither as a path nor in {place}.",
        "A recording is a folder, such as 2031-04-09T18-20-11Z_wrenfield-46_C7.",
        "`twonode archive list` names them; --archive names another folder.",
    )


def _names(archive: Path) -> list[str]:
    try:
        with os.scandir(archive) as entries:
            return sorted(
                entry.name
                for entry in entries
                if entry.is_dir() and not entry.name.startswith(".") and not entry.name.endswith(UNFINISHED)
            )
    except OSError:
        return []
