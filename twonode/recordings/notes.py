"""Notes beside a recording, with date and writer; corrections among them.

Owns the note's file in results/. A note is added and never overwritten; a correction says which field is wrong, what
it should be and why, and leaves recording.json as it is.
"""

from __future__ import annotations

import difflib
import os
import re
from collections.abc import Iterable
from datetime import datetime, timedelta
from pathlib import Path

import msgspec

import twonode
from twonode.recordings.bag import damaged
from twonode.recordings.bounded import read_bounded
from twonode.recordings.errors import UnfitRecord
from twonode.recordings.identity import IdentityField
from twonode.recordings.jsontext import JSON_ERRORS
from twonode.recordings.results import add_result

__all__ = [
    "LARGEST_NOTE_BYTES",
    "LONGEST_NOTE",
    "Note",
    "add_note",
    "decode_note",
    "field_named",
    "in_order",
    "is_note",
    "read_notes",
]

LONGEST_NOTE = 20_000
LARGEST_NOTE_BYTES = 1_000_000
_NAME = re.compile(r"note(_(\d+))?\.json")
_WHEN = ("before", "after")


class Note(msgspec.Struct, frozen=True, kw_only=True):
    """One note as it stands in its file.

    corrects, value, reason : of a correction: the field, what it should be (None: not known after all), and why.
    name : the file's name in results/; not stored in it.
    """

    text: str = ""
    operator: str | None = None
    when_utc: datetime
    corrects: IdentityField | None = None
    value: str | None = None
    reason: str | None = None
    program: str = ""
    format: int = 1
    name: str = ""

    @property
    def line(self) -> str:
        """The note in one line of text, date and writer first."""
        words = " ".join(self.text.split())
        if self.corrects is not None:
            now = "not known" if self.value is None else self.value
            words = f"{self.corrects.value} is {now}: {self.reason}{'; ' if words else ''}{words}"
        by = f", {self.operator}" if self.operator else ""
        return f"{self.when_utc:%Y-%m-%d}{by}: {words}"


def is_note(name: str) -> bool:
    """Whether a file in results/ is a note, by its name."""
    return _NAME.fullmatch(name) is not None


def in_order(notes: Iterable[Note]) -> tuple[Note, ...]:
    """Notes in the order they were made: by time, then by the number of their file."""
    return tuple(sorted(notes, key=lambda note: (note.when_utc, _number(note.name))))


def _number(name: str) -> int:
    match = _NAME.fullmatch(name)
    return int(match[2] or 1) if match else 0


def field_named(text: str) -> IdentityField:
    """The field of a name. Raises UnfitRecord with the nearest one."""
    names = [field.value for field in IdentityField]
    word = text.strip().lower()
    if word in names:
        return IdentityField(word)
    near = difflib.get_close_matches(word, names, n=1)
    raise UnfitRecord(
        f"{_short(text)!r} is no field that can be corrected{f'; did you mean {near[0]!r}?' if near else '.'}",
        f"Corrections are for what a recording is about: {', '.join(names)}.",
        "Write anything else as a note.",
    )


def add_note(
    folder: str | os.PathLike[str],
    text: str,
    *,
    operator: str | None = None,
    when_utc: datetime,
    corrects: IdentityField | None = None,
    value: str | None = None,
    reason: str | None = None,
) -> Path:
    """Add a note to a closed recording; returns its file.

    text : may be empty for a correction. when_utc : with time zone UTC; the room has no clock of its own.
    corrects, value, reason : a correction needs a reason; value None takes a field back.

    Raises UnfitRecord for a note that says nothing or cannot be stored, NotARecording, ArchiveNotWritable.
    """
    _check(text, when_utc, corrects, value, reason)
    document = {
        "format": 1,
        "program": f"twonode {twonode.__version__}",
        "when_utc": f"{when_utc:%Y-%m-%dT%H:%M:%SZ}",
        "operator": operator,
        "text": text.strip(),
        "corrects": None if corrects is None else corrects.value,
        "value": None if value is None else value.strip(),
        "reason": None if reason is None else reason.strip(),
    }
    return add_result(folder, "note", document)


def _check(
    text: str, when_utc: datetime, corrects: IdentityField | None, value: str | None, reason: str | None
) -> None:
    if when_utc.utcoffset() != timedelta(0):
        raise UnfitRecord(
            f"The note's time {when_utc} is not in UTC.",
            "Notes are ordered by it wherever they were made.",
            "Hand over a time with the UTC time zone.",
        )
    longest = max(len(text), len(value or ""), len(reason or ""))
    if longest > LONGEST_NOTE:
        raise UnfitRecord(
            f"The note has {longest} characters; {LONGEST_NOTE} are the most.",
            "Notes are read by every search.",
            "Keep a long document beside the archive and name it in the note.",
        )
    if corrects is None:
        if value is not None or reason is not None:
            raise UnfitRecord(
                "There is a reason or a value, and no field that it corrects.",
                "A correction names what was wrong.",
                "Name the field as well, such as part=C8.",
            )
        if not text.strip():
            raise UnfitRecord(
                "The note is empty.", "It would tell nobody anything.", "Write what is to be kept."
            )
        return
    if reason is None or not reason.strip():
        raise UnfitRecord(
            f"The correction of {corrects.value} has no reason.",
            "In twenty years nobody can judge a correction without one.",
            "Say how you know, such as: read on the part itself.",
        )
    if value is not None and not value.strip():
        raise UnfitRecord(
            f"The correction of {corrects.value} has no value.",
            "An empty text would stand there as if it had been filed.",
            "Give the value, or take the field back.",
        )
    if corrects is IdentityField.WHEN and value is not None and value.strip() not in _WHEN:
        near = difflib.get_close_matches(value.strip().lower(), _WHEN, n=1)
        raise UnfitRecord(
            f"when={_short(value)} is neither before nor after{f'; did you mean {near[0]!r}?' if near else '.'}",
            "It says whether the part was measured before or after the work.",
            "Write when=before or when=after; write a date into the note.",
        )


def _short(text: str) -> str:
    return text if len(text) <= 40 else f"{text[:37]}..."


_decoder = msgspec.json.Decoder(Note)


def decode_note(content: bytes, *, name: str) -> Note:
    """A note's file read back. Raises one of `JSON_ERRORS`."""
    note = _decoder.decode(content)
    if note.when_utc.utcoffset() is None:
        raise msgspec.ValidationError("when_utc has no time zone")
    return msgspec.structs.replace(note, name=name)


def read_notes(folder: str | os.PathLike[str]) -> tuple[Note, ...]:
    """All notes of a recording in the order they were made. Raises DamagedRecording naming the file."""
    place = Path(folder) / "results"
    try:
        names = sorted(name for name in os.listdir(place) if is_note(name))
    except FileNotFoundError:
        return ()
    except OSError as exc:
        raise damaged(place, f"it cannot be read ({exc.strerror or exc})") from exc
    notes = []
    for name in names:
        content = read_bounded(place / name, LARGEST_NOTE_BYTES)
        try:
            notes.append(decode_note(content, name=name))
        except JSON_ERRORS as exc:
            raise damaged(place / name, f"it is no note ({exc})") from exc
    return in_order(notes)
