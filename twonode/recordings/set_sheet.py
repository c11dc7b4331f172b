"""The sheet of a set: every part that was measured in it, with finding, leak, and room for what replaced it.

Owns which recordings are one set's, and what a row says. A recording whose files are not as they were written is
named, and nothing of it is quoted.
"""

from __future__ import annotations

import difflib
import hashlib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import twonode
from twonode.analysis.hookup import HookUp
from twonode.analysis.sheet import Blank, Column, Field, TableSheet, Trail
from twonode.recordings.bag import MANIFEST, check_bag
from twonode.recordings.disk import sha256_of
from twonode.recordings.entry import Entry
from twonode.recordings.errors import RecordingError, UnfitSearch
from twonode.recordings.foldedtext import folded, folded_key
from twonode.recordings.identity import IdentityField
from twonode.recordings.index import ArchiveIndex
from twonode.recordings.index_query import Search
from twonode.recordings.model import RecordingKind
from twonode.recordings.sheet_words import UNTESTED_STAMP, day_words, entry_words, mark_of, span_words

__all__ = [
    "SetHistory",
    "found_words",
    "identity_fields",
    "log_trail",
    "read_set",
    "remarks",
    "set_sheet",
    "stamps_of",
]

_DC = RecordingKind.DC.value


@dataclass(frozen=True, slots=True, kw_only=True)
class SetHistory:
    """All recordings of one set, oldest first.

    name : as the newest of them spells it. serial : None where none of them states one.
    left_out : recordings of sets of that name without a serial number, where one was asked for.
    damaged : names of those whose files are not as they were written, with the reason.
    """

    archive: Path
    name: str
    serial: str | None
    entries: tuple[Entry, ...]
    left_out: int
    damaged: dict[str, str]

    @property
    def title(self) -> str:
        """What the newest sweep inside the set calls it, without the stage; else the tag."""
        titles = [entry.title for entry in self.entries if entry.hookup == HookUp.STAGE.value]
        return (titles[-1].split(":")[0].strip() if titles else "") or self.name

    @property
    def made(self) -> datetime:
        """The newest date in it."""
        stamps = [entry.created_utc for entry in self.entries if entry.created_utc]
        return max(datetime.fromisoformat(stamp).astimezone(UTC) for stamp in stamps)


def read_set(archive: Path, name: str, *, serial: str | None = None) -> SetHistory:
    """Find a set's recordings and compare each with its manifests.

    serial : which of several sets of that name is meant.

    Raises NotARecording where there is no archive, UnfitSearch where there is no such set (with the nearest names),
    or where there are several and it is not said which.
    """
    with ArchiveIndex(archive) as index:
        found = index.find(Search(identity={IdentityField.SET: name}))
        if not found:
            raise _no_such_set(name, archive, index.texts(IdentityField.SET))
    serials = sorted({entry.identity.serial for entry in found if entry.identity.serial is not None})
    if serial is None and len({folded_key(each) for each in serials}) > 1:
        raise UnfitSearch(
            f"There are {len(serials)} sets {name!r} in {archive}, with the serial numbers {', '.join(serials)}.",
            "A sheet is about one set; another owner's readings do not belong on it.",
            f"Say which one is meant, such as --serial {serials[0]}.",
        )
    mine = [
        entry for entry in found if serial is None or folded_key(entry.identity.serial) == folded_key(serial)
    ]
    if not mine:
        raise UnfitSearch(
            f"There is no set {name!r} with the serial number {serial!r} in {archive}.",
            f"The serial numbers there are: {', '.join(serials) or 'none'}.",
            "Give one of these, or leave --serial out.",
        )
    mine.sort(key=lambda entry: (entry.created_utc or "", entry.name))
    return SetHistory(
        archive=archive,
        name=mine[-1].identity.set_name or name,
        serial=serial or (serials[0] if serials else None),
        entries=tuple(mine),
        left_out=0 if serial is None else sum(entry.identity.serial is None for entry in found),
        damaged=_damaged(mine),
    )


def _damaged(entries: Iterable[Entry]) -> dict[str, str]:
    found = {}
    for entry in entries:
        try:
            check_bag(entry.folder)
        except RecordingError as exc:
            found[entry.name] = exc.what
    return found


def _no_such_set(name: str, archive: Path, known: Sequence[str]) -> UnfitSearch:
    by_folded = {folded(each): each for each in known}
    near = difflib.get_close_matches(folded(name), by_folded, n=3, cutoff=0.4)
    return UnfitSearch(
        f"There is no set {name!r} in {archive}"
        + (f"; the nearest: {', '.join(by_folded[each] for each in near)}." if near else "."),
        "A recording belongs to a set by its tag set=..., as it was filed or corrected.",
        "`twonode archive list` shows what there is; `twonode archive note` corrects a tag.",
    )


def set_sheet(history: SetHistory, cautions: Sequence[str] = ()) -> TableSheet:
    """All parts of the set in one table; before and after the work are rows of their own."""
    parts = [e for e in history.entries if e.identity.part is not None and not e.drawer_by_work]
    rows = [_row(history, group) for group in _grouped(parts)]
    rows += [
        _row(history, [entry])
        for entry in history.entries
        if entry.identity.part is None and entry.kind != RecordingKind.NULL.value
    ]
    return TableSheet(
        kind="Parts of one set",
        title=history.title,
        stamps=stamps_of(history.entries),
        identity=identity_fields(history),
        columns=(
            Column(heading="Part", share=0.11, strong=True),
            Column(heading="Should be", share=0.14),
            Column(heading="Measured", share=0.14),
            Column(heading="Finding", share=0.13, strong=True),
            Column(heading="Leakage (DC check)", share=0.14),
            Column(heading="Measured on", share=0.11),
            Column(heading="Replaced by, remarks", share=0.23, most_lines=4),
        ),
        rows=tuple(rows),
        remarks=remarks(history),
        blanks=(Blank(label="Remarks", lines=2), Blank(label="Signature and date")),
        cautions=tuple(cautions),
        trail=log_trail(history),
        made=history.made,
        row_lines=2,
    )


def _grouped(entries: Sequence[Entry]) -> list[list[Entry]]:
    """Entries by part and by before/after, parts in the order of a parts list."""
    groups: dict[tuple[str, str], list[Entry]] = {}
    for entry in entries:
        about = entry.identity
        key = (folded_key(about.part) or "", about.when or "")
        groups.setdefault(key, []).append(entry)
    order = {"before": 0, "": 1, "after": 2}
    keys = sorted(groups, key=lambda key: (_natural(key[0]), order.get(key[1], 1), key[1]))
    return [groups[key] for key in keys]


def _natural(text: str) -> list[tuple[int, str]]:
    """C2 before C10."""
    return [
        (int(piece), "") if piece.isdigit() else (-1, piece) for piece in re.split(r"([0-9]+)", text) if piece
    ]


def _row(history: SetHistory, group: Sequence[Entry]) -> tuple[str, ...]:
    sound = [entry for entry in group if entry.name not in history.damaged]
    values = [entry for entry in sound if entry.kind != _DC]
    checks = [entry for entry in sound if entry.kind == _DC]
    newest = values[-1] if values else None
    check = checks[-1] if checks else None
    about = group[-1].identity
    part = about.part or "Voltages"
    if about.position and folded_key(about.position) != folded_key(about.part):
        part += f", {about.position}"
    limits = ""
    if newest is not None and newest.expected_low is not None and newest.expected_high is not None:
        limits = span_words(newest.expected_low, newest.expected_high, "F")
    chart = check is not None and about.part is None
    leak = "" if check is None or chart else found_words(check)
    days = " and ".join(dict.fromkeys(_day(entry) for entry in (newest, check) if entry))
    # What replaced a part is looked for first.
    notes = sorted(
        (note for entry in sound for note in entry.notes), key=lambda note: "replac" not in note.lower()
    )
    return (
        f"{part}{f' ({about.when})' if about.when else ''}",
        limits,
        "" if newest is None else entry_words(newest),
        _finding(check if chart else newest, damaged=not sound),
        leak or ("not tested" if not chart else ""),
        days,
        " ".join(notes[:3]),
    )


def _day(entry: Entry) -> str:
    """When it was measured; of imported readings that is not known."""
    return f"{'imported ' if entry.imported else ''}{day_words(entry.created_utc)}"


def _finding(entry: Entry | None, *, damaged: bool) -> str:
    if damaged:
        return "damaged, not quoted"
    if entry is None:
        return "value not measured"
    if entry.finding is None:
        return "no finding"
    return f"{mark_of(entry.finding).value} {entry.finding}"


def found_words(entry: Entry) -> str:
    """Finding and value of a recording in one line."""
    if entry.finding is None and entry.worth is None:
        return "" if entry.kind == RecordingKind.NULL.value else "no result"
    words = "no finding" if entry.finding is None else f"{mark_of(entry.finding).value} {entry.finding}"
    value = entry_words(entry)
    return f"{words}: {value}" if value else words


def identity_fields(history: SetHistory) -> tuple[Field, ...]:
    """Whose sheet it is."""
    days = [day_words(entry.created_utc) for entry in history.entries]
    names = sorted({entry.identity.operator for entry in history.entries if entry.identity.operator})
    span = days[0] if days[0] == days[-1] else f"{days[0]} to {days[-1]}"
    return (
        Field(label="Set", text=history.name),
        Field(label="Serial number", text=history.serial or ""),
        Field(label="Measured (UTC)", text=span),
        Field(label="By", text=", ".join(names)),
        Field(label="Owner", text=""),
        Field(label="Complaint", text=""),
        Field(label="Line volts", text=""),
        Field(label="Recordings", text=str(len(history.entries))),
    )


def stamps_of(entries: Sequence[Entry]) -> tuple[str, ...]:
    """What must not be overlooked about several recordings."""
    simulated, imported = sum(each.simulated for each in entries), sum(each.imported for each in entries)
    if simulated == len(entries):
        return ("Simulated bench: no real part",)
    said = [f"{count} {word}" for count, word in ((simulated, "simulated"), (imported, "imported")) if count]
    return (*((f"Of {len(entries)}: {', '.join(said)}",) if said else ()), UNTESTED_STAMP)


def remarks(history: SetHistory) -> tuple[str, ...]:
    """What the reader has to know of the table."""
    lines = [
        "A sweep is made with a small signal, the set unplugged: it does not test leakage at working voltage. Values "
        "are 95 % intervals.",
    ]
    if history.left_out:
        lines.append(
            f"{history.left_out} recordings of a set of this name state no serial number and are not in the table."
        )
    lines += [
        f"{name} is damaged and not quoted: {because}" for name, because in sorted(history.damaged.items())
    ]
    return tuple(lines)


def log_trail(history: SetHistory) -> Trail:
    """One checksum over the manifests of all recordings, which `sha256sum` works out as well."""
    lines = sorted(
        (f"{sha256_of(entry.folder / MANIFEST)}  {entry.name}/{MANIFEST}\n", entry.name)
        for entry in history.entries
        if entry.name not in history.damaged
    )
    text = "".join(line for line, _ in sorted(lines, key=lambda each: each[1]))
    return Trail(
        recording=f"Recordings: {len(history.entries)} in {history.archive.resolve().name}",
        sha256=hashlib.sha256(text.encode()).hexdigest(),
        of=f"SHA-256 over sha256sum's lines of each {MANIFEST}, by name",
        programs=f"Printed by twonode {twonode.__version__}",
    )
