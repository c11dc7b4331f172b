"""The service log: one set's whole history in date order, measurements and notes alike.

Owns the order and what each line says.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from twonode.analysis.sheet import Blank, Column, TableSheet
from twonode.recordings.bag import MANIFEST
from twonode.recordings.disk import sha256_of
from twonode.recordings.entry import Entry
from twonode.recordings.imports import IMPORTED_NOTE
from twonode.recordings.model import RecordingKind
from twonode.recordings.notes import Note, read_notes
from twonode.recordings.set_sheet import (
    SetHistory,
    found_words,
    identity_fields,
    log_trail,
    remarks,
    stamps_of,
)
from twonode.recordings.sheet_words import moment_words

__all__ = ["LogLine", "log_lines", "service_log"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LogLine:
    """One thing that was done. when_utc : with time zone. trail : recording and short checksum."""

    when_utc: datetime
    part: str
    done: str
    found: str
    by: str
    trail: str


def log_lines(history: SetHistory) -> tuple[LogLine, ...]:
    """Every recording and every dated note of the set, oldest first. Raises DamagedRecording."""
    lines: list[LogLine] = []
    for entry in history.entries:
        lines.append(_measured(history, entry))
        if entry.name not in history.damaged:
            lines += [_noted(entry, note) for note in read_notes(entry.folder)]
    return tuple(sorted(lines, key=lambda line: line.when_utc))


def _measured(history: SetHistory, entry: Entry) -> LogLine:
    about = entry.identity
    damaged = entry.name in history.damaged
    mixed = not all(each.simulated for each in history.entries)
    when = f", {about.when} the work" if about.when else ""
    checksum = "" if damaged else f", checksum {sha256_of(entry.folder / MANIFEST)[:12]}"
    filed = [] if damaged else list(entry.notes[: len(entry.notes) - len(read_notes(entry.folder))])
    filed = [note.rstrip(".") for note in filed if note != IMPORTED_NOTE]
    return LogLine(
        when_utc=datetime.fromisoformat(entry.created_utc or "0001-01-01T00:00:00Z").astimezone(UTC),
        part=about.part or "",
        done="; ".join([f"{_done(entry, mixed=mixed)}{when}", *filed]),
        found="damaged, not quoted" if damaged else found_words(entry),
        by=about.operator or "",
        trail=f"{entry.name}{checksum}",
    )


def _done(entry: Entry, *, mixed: bool) -> str:
    simulated = " (simulated)" if entry.simulated and mixed else ""
    if entry.kind == RecordingKind.DC.value:
        what = "Voltage chart read" if entry.identity.part is None else "DC check with a meter"
    elif entry.kind == RecordingKind.NULL.value:
        what = "Channels compared"
    elif entry.imported:
        what = "Readings imported"
    elif entry.hookup == "stage":
        what = "Swept in its stage"
    else:
        what = "Swept as a loose part"
    return f"{what}{simulated}"


def _noted(entry: Entry, note: Note) -> LogLine:
    words = " ".join(note.text.split())
    if note.corrects is not None:
        now = "not known" if note.value is None else note.value
        words = f"{note.corrects.value} is {now}, because: {note.reason}" + (f"; {words}" if words else "")
    return LogLine(
        when_utc=note.when_utc.astimezone(UTC),
        part=entry.identity.part or "",
        done="Note" if note.corrects is None else "Correction",
        found=words,
        by=note.operator or "",
        trail=f"to {entry.name}",
    )


def service_log(history: SetHistory, cautions: Sequence[str] = ()) -> TableSheet:
    """The log as a table. Raises DamagedRecording."""
    lines = log_lines(history)
    return TableSheet(
        kind="Service log",
        title=history.title,
        stamps=stamps_of(history.entries),
        identity=identity_fields(history),
        columns=(
            Column(heading="Date (UTC)", share=0.12),
            Column(heading="Part", share=0.09, strong=True),
            Column(heading="What was done", share=0.2),
            Column(heading="What was found", share=0.27),
            Column(heading="By", share=0.08),
            Column(heading="Recording", share=0.24),
        ),
        rows=tuple(_cells(line) for line in lines),
        remarks=remarks(history),
        blanks=(Blank(label="Further work", lines=4), Blank(label="Signature and date")),
        cautions=tuple(cautions),
        trail=log_trail(history),
        made=max([history.made, *(line.when_utc for line in lines)]),
    )


def _cells(line: LogLine) -> tuple[str, ...]:
    return (moment_words(line.when_utc), line.part, line.done, line.found, line.by, line.trail)
