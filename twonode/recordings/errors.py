"""What the recordings room raises on purpose, and how the system's file errors become ours.

Owns the tree and the translation; each message names the file it is about.
"""

from __future__ import annotations

import errno
import os

from twonode.errors import TwonodeError

__all__ = [
    "ArchiveNotWritable",
    "DamagedRecording",
    "NewerFormat",
    "NotARecording",
    "OtherKind",
    "RecordingError",
    "RecordingInUse",
    "UnfitExport",
    "UnfitImport",
    "UnfitRecord",
    "UnfitSearch",
    "not_changed",
    "not_writable",
]


class RecordingError(TwonodeError):
    """Base of everything ``recordings`` raises on purpose.

    RecordingError
    ├── NotARecording        the path holds no recording
    ├── DamagedRecording     it was one, and something in it has changed or is missing
    ├── OtherKind            it is one, of another kind than was asked for
    ├── NewerFormat          a later program wrote it
    ├── ArchiveNotWritable   no right to write, no such place, or no room left
    ├── RecordingInUse       another program is writing it
    ├── UnfitExport          what was asked for cannot be written there
    ├── UnfitImport          a file of somebody else's readings cannot be taken as it stands
    ├── UnfitRecord          what was handed over for writing cannot be stored faithfully
    └── UnfitSearch          what was asked of the archive makes no sense or names nothing
    """


class NotARecording(RecordingError):
    """The path holds no recording."""


class DamagedRecording(RecordingError):
    """Something in the recording has changed, is missing, or does not fit the rest."""


class OtherKind(RecordingError):
    """It is a recording, of another kind than was asked for."""


class NewerFormat(RecordingError):
    """A later program wrote this recording."""


class ArchiveNotWritable(RecordingError):
    """The archive cannot be written: no right, no such place, or no room left."""


class RecordingInUse(RecordingError):
    """Another program is writing this recording."""


class UnfitExport(RecordingError):
    """What was asked for cannot be written there."""


class UnfitImport(RecordingError):
    """A file of somebody else's readings cannot be taken as it stands."""


class UnfitRecord(RecordingError):
    """What was handed over for writing cannot be stored faithfully."""


class UnfitSearch(RecordingError):
    """What was asked of the archive makes no sense, or names nothing that is in it."""


_FULL = frozenset({errno.ENOSPC, errno.EDQUOT} if hasattr(errno, "EDQUOT") else {errno.ENOSPC})


def output_not_writable(path: str | os.PathLike[str], exc: OSError) -> ArchiveNotWritable:
    """The same for a file that is no part of a recording: a picture, a report, an export."""
    return ArchiveNotWritable(
        f"{path} cannot be written ({exc.strerror or exc}).",
        "The recordings themselves are untouched.",
        "Check the folder, its room and your rights to it, or name another file.",
    )


def not_changed(what: str, exc: OSError, *, kept: str) -> ArchiveNotWritable:
    """The system's refusal to change something that is filed already.

    what : a sentence without its full stop, such as "Nothing was added to PATH". kept : what is as it was.
    """
    full = exc.errno in _FULL
    return ArchiveNotWritable(
        f"{what} ({'there is no room left' if full else exc.strerror or exc}).",
        kept,
        "Make room, and do it again."
        if full
        else "Check your rights to it; what lies on a medium that is only read has to be copied to another first.",
    )


def not_writable(path: str | os.PathLike[str], exc: OSError) -> ArchiveNotWritable:
    """The system's refusal to write ``path``, in our words."""
    if exc.errno in _FULL:
        return ArchiveNotWritable(
            f"There is no room left to write {path}.",
            "What was reported before is safely on disk; what was being written is not.",
            "Make room, or name another folder with --archive.",
        )
    return ArchiveNotWritable(
        f"{path} cannot be written ({exc.strerror or exc}).",
        "Every reading is kept before the next one is taken.",
        "Check the folder and your rights to it, or name another one with --archive.",
    )
