"""A recording by as much of its name as makes it the only one.

Owns finding the folder meant. Reads names only.
"""

from __future__ import annotations

import difflib
import os
from collections.abc import Sequence
from pathlib import Path

from twonode.recordings.errors import NotARecording
from twonode.recordings.naming import UNFINISHED

__all__ = ["named_folder", "only_match"]

_SHOWN = 5
_FEW = 2_000


def named_folder(text: str, archive: Path, *, unfinished: bool = False) -> Path:
    """The folder of a path, or the one in the archive whose name is, begins with or contains ``text``.

    unfinished : take one that was never closed, too.

    Raises NotARecording where there is none or several.
    """
    # Not Path.is_dir, which raises for a text that is too long to be a name.
    if text.strip() and os.path.isdir(text):
        if not unfinished and Path(text).name.endswith(UNFINISHED):
            raise _never_closed(Path(text))
        return Path(text)
    if os.path.isfile(text):
        raise NotARecording(
            f"{text} is a file.",
            "A recording is a folder.",
            "Name the folder, or the beginning of its name.",
        )
    try:
        with os.scandir(archive) as entries:
            names = [entry.name for entry in entries if entry.name[0] != "." and entry.is_dir()]
    except OSError as exc:
        raise NotARecording(
            f"There is no recording {text}, and no archive at {archive} to look for it in.",
            "A recording is named by its path, or by a part of its name inside the archive.",
            "Name the archive with --archive.",
        ) from exc
    if not unfinished:
        closed = [name for name in names if not name.endswith(UNFINISHED)]
        left = [name for name in names if name not in closed and _contains(name, text)]
        if left and not any(_contains(name, text) for name in closed):
            raise _never_closed(archive / only_match(text, left, where=f"in {archive}"))
        names = closed
    return archive / only_match(text, names, where=f"in {archive}")


def _contains(name: str, text: str) -> bool:
    return bool(text.strip()) and text.strip().casefold() in name.casefold()


def _never_closed(folder: Path) -> NotARecording:
    return NotARecording(
        f"{folder.name} was never closed.",
        "A run was killed there, or is still being written.",
        f"`twonode archive recover` closes it; `twonode sweep --continue {folder}` goes on with a sweep.",
    )


def only_match(
    text: str,
    names: Sequence[str],
    *,
    where: str,
    see: str = "`twonode archive list` and `twonode archive find` show what there is.",
) -> str:
    """The one name that is, begins with or contains ``text``, in this order, whatever its case.

    Raises NotARecording where there is none or several.
    """
    wanted = text.strip().casefold()
    if wanted:
        for fits in (str.__eq__, str.startswith, str.__contains__):
            found = sorted((name for name in names if fits(name.casefold(), wanted)), reverse=True)
            if len(found) == 1:
                return found[0]
            if found:
                shown = ", ".join(found[:_SHOWN]) + (" ..." if len(found) > _SHOWN else "")
                raise NotARecording(
                    f"{text!r} fits {len(found)} recordings {where}.",
                    f"It has to be clear which one is meant: {shown}.",
                    "Write more of the name.",
                )
    # Comparing every one of many names by likeness would take seconds.
    near = difflib.get_close_matches(text, names, n=1, cutoff=0.5) if len(names) <= _FEW else []
    raise NotARecording(
        f"There is no recording {text!r} {where}" + (f"; the nearest is {near[0]}." if near else "."),
        "A recording is named by its path, or by a part of its name inside the archive.",
        see,
    )
