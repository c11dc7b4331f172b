"""The gist of a recording, read for lists and searches: few files, only the fields that are shown.

Owns which result of a recording speaks for it, and decoding without the cost of the whole model. Nothing is compared
with the manifests here; a file that cannot be read makes the recording a damaged one in the list, never an error.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec

from twonode.recordings.bag import DECLARATION
from twonode.recordings.bounded import LARGEST_HEADER_BYTES
from twonode.recordings.drawer_tags import BATCH_TAG, STEP_TAG
from twonode.recordings.entry import Entry, EntryState, Worth
from twonode.recordings.foldedtext import folded
from twonode.recordings.heads import FORMAT, is_simulated
from twonode.recordings.identity import filed_identity, with_corrections
from twonode.recordings.jsontext import JSON_ERRORS
from twonode.recordings.naming import is_recording_name, slug
from twonode.recordings.notes import LARGEST_NOTE_BYTES, Note, decode_note, in_order, is_note

__all__ = ["Gist", "newest_picture", "newest_result", "read_gist"]

_LARGEST_RESULT_BYTES = 16_000_000
_ONE_READ_BYTES = 65_536
# A pipe in the place of a file would otherwise wait for somebody to write into it.
_OPEN = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
_NO_TIME = timedelta(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Gist:
    """An entry with the words it is found by, folded."""

    entry: Entry
    words: str


class _Conditions(msgspec.Struct):
    simulated: bool = False
    imported: bool = False


class _Instrument(msgspec.Struct):
    identity: str = ""


class _Part(msgspec.Struct):
    name: str = ""
    role: str | None = None


class _Stage(msgspec.Struct):
    drive: str = ""
    far: str = ""
    parts: list[_Part] = []


class _Header(msgspec.Struct):
    """The fields of `Header` and `DcHeader` that are listed."""

    created_utc: datetime
    format: int
    kind: str = "sweep"
    title: str = ""
    ended: str | None = None
    operator: str | None = None
    hookup: str | None = None
    part: str | None = None
    role: str | None = None
    stage: _Stage | None = None
    instruments: list[_Instrument] = []
    conditions: _Conditions | None = None
    expected_farad: float | None = None
    expected_tolerance: tuple[float, float] | None = None
    tags: dict[str, str] = {}
    notes: list[str] = []


class _FormatOnly(msgspec.Struct):
    format: int


class _Finding(msgspec.Struct):
    state: str | None = None
    probability: float | None = None


class _Quantity(msgspec.Struct):
    value: float | None = None
    standard_uncertainty: float | None = None
    interval95: tuple[float, float] | None = None
    at_least: float | None = None
    at_most: float | None = None


class _Expected(msgspec.Struct):
    limits: tuple[float, float] | None = None


class _Result(msgspec.Struct):
    finding: _Finding | None = None
    # Raw: other results may keep something else under these names, which is then passed over.
    capacitance: msgspec.Raw = msgspec.Raw()
    leakage_resistance: msgspec.Raw = msgspec.Raw()
    expected: msgspec.Raw = msgspec.Raw()


_header = msgspec.json.Decoder(_Header)
_format = msgspec.json.Decoder(_FormatOnly)
_result = msgspec.json.Decoder(_Result)
_quantity = msgspec.json.Decoder(_Quantity)
_expected = msgspec.json.Decoder(_Expected)

_UNREADABLE = (OSError, *JSON_ERRORS)


def read_gist(archive: Path, name: str) -> Gist:
    """The gist of ``archive/name``; never raises for what lies there."""
    folder = f"{archive}/{name}"
    try:
        content = _content(f"{folder}/data/recording.json", LARGEST_HEADER_BYTES)
    except (FileNotFoundError, NotADirectoryError):
        if is_recording_name(name) or os.path.isfile(f"{folder}/{DECLARATION}"):
            return _unreadable(archive, name, EntryState.DAMAGED, "data/recording.json is missing")
        return _unreadable(archive, name, EntryState.NO_RECORDING, None)
    except OSError as exc:
        return _unreadable(
            archive, name, EntryState.DAMAGED, f"data/recording.json cannot be read ({exc.strerror or exc})"
        )
    try:
        header = _header.decode(content)
        if header.format <= FORMAT:
            return _readable(archive, name, header)
    except JSON_ERRORS as exc:
        because = f"data/recording.json is not sound ({exc})"
    else:
        because = ""
    try:
        written_as = _format.decode(content).format
    except JSON_ERRORS:
        written_as = 0
    if written_as > FORMAT:
        return _unreadable(
            archive, name, EntryState.NEWER, f"it has format {written_as}; this program reads up to {FORMAT}"
        )
    return _unreadable(archive, name, EntryState.DAMAGED, because)


def _content(path: str, largest: int) -> bytes:
    """A file's content. Raises OSError, also where it is longer than ``largest`` bytes."""
    handle = os.open(path, _OPEN)
    try:
        content = os.read(handle, _ONE_READ_BYTES)
        if len(content) < _ONE_READ_BYTES:
            return content
        pieces, length = [content], len(content)
        while piece := os.read(handle, 1 << 20):
            pieces.append(piece)
            length += len(piece)
            if length > largest:
                raise OSError(f"longer than {largest} bytes")
        return b"".join(pieces)
    finally:
        os.close(handle)


def _unreadable(archive: Path, name: str, state: EntryState, trouble: str | None) -> Gist:
    stamp = None
    if is_recording_name(name):
        day, _, clock = name.split("_")[0].partition("T")
        stamp = f"{day}T{clock.replace('-', ':')}"
    entry = Entry(archive=archive, name=name, state=state, trouble=trouble, created_utc=stamp)
    return Gist(entry=entry, words=folded(f"{name} {state.value}"))


def _readable(archive: Path, name: str, header: _Header) -> Gist:
    created = header.created_utc
    if created.utcoffset() != _NO_TIME:
        return _unreadable(archive, name, EntryState.DAMAGED, f"created_utc {created} is not in UTC")
    folder = f"{archive}/{name}"
    troubles: list[str] = []
    try:
        files = os.listdir(f"{folder}/results")
    except FileNotFoundError:
        files = []
    except OSError as exc:
        files = []
        troubles.append(f"results cannot be read ({exc.strerror or exc})")
    notes = _notes(folder, files, troubles)
    identity = filed_identity(header.tags, part=header.part, operator=header.operator)
    if notes:
        identity = with_corrections(identity, notes)
    file, result = _newest(folder, files, header, troubles)
    finding = (result.finding if result else None) or _Finding()
    low, high = _limits(header, result)
    batch = header.tags.get(BATCH_TAG)
    lines = (*header.notes, *(note.line for note in notes))
    entry = Entry(
        archive=archive,
        name=name,
        state=EntryState.READABLE,
        trouble="; ".join(troubles) or None,
        kind=header.kind,
        created_utc=f"{created.isoformat()[:19]}Z",
        title=header.title,
        identity=identity,
        hookup=header.hookup,
        ended=header.ended,
        simulated=(header.conditions is not None and header.conditions.simulated)
        or any(is_simulated(each.identity) for each in header.instruments),
        imported=header.conditions is not None and header.conditions.imported,
        drawer=batch,
        step=None if batch is None else header.tags.get(STEP_TAG),
        finding=finding.state,
        probability=finding.probability,
        worth=_worth(result) if result else None,
        expected_low=low,
        expected_high=high,
        result=file,
        notes=lines,
    )
    return Gist(entry=entry, words=_words(name, header, entry))


def _words(name: str, header: _Header, entry: Entry) -> str:
    """All that a recording is found by; what was filed and has been corrected is among it."""
    identity, stage = entry.identity, header.stage
    asked = header.part
    texts: list[str | None] = [
        name,
        header.title,
        header.kind,
        header.hookup,
        header.role,
        asked,
        header.operator,
        *header.tags.values(),
        identity.set_name,
        identity.serial,
        identity.part,
        identity.position,
        identity.when,
        identity.operator,
        entry.finding,
        *entry.notes,
    ]
    if stage is not None:
        texts += [stage.drive, stage.far]
        texts += [part.role for part in stage.parts if part.name == asked]
    texts += ["simulated" if entry.simulated else None, "imported" if entry.imported else None]
    # Each text once: what is said twice is found no better.
    return folded("\n".join(dict.fromkeys(text for text in texts if text)))


def _notes(folder: str, files: list[str], troubles: list[str]) -> tuple[Note, ...]:
    notes = []
    for file in files:
        if file.startswith("note") and is_note(file):
            try:
                content = _content(f"{folder}/results/{file}", LARGEST_NOTE_BYTES)
                notes.append(decode_note(content, name=file))
            except _UNREADABLE as exc:
                troubles.append(f"results/{file} cannot be read ({exc})")
    return in_order(notes) if len(notes) > 1 else tuple(notes)


_RESULT = re.compile(r"(estimate|part|dc|diagnosis)((?:-[A-Za-z0-9-]+)?)(?:_(\d+))?\.json")
_PREFERRED = ("estimate", "part", "dc", "diagnosis")


def newest_result(files: list[str], *, kind: str, part: str | None) -> str | None:
    """The file in results/ that speaks for a recording, by the names alone; None where there is none.

    An estimate goes before a diagnosis (for DC readings theirs go first), a result on the part that was asked for
    before one on another, and of several the one added last.
    """
    found = [(file, match) for file in files if (match := _RESULT.fullmatch(file))]
    if len(found) < 2:
        return found[0][0] if found else None
    order = ("dc", *_PREFERRED) if kind == "dc" else _PREFERRED
    own = f"-{slug(part)}" if part else None

    def rank(each: tuple[str, re.Match[str]]) -> tuple[int, bool, str, int]:
        word, about, number = each[1].groups()
        return order.index(word), about != own, about, -int(number or 1)

    return min(found, key=rank)[0]


_PICTURE = re.compile(r"picture(?:[-_](.+?))?(?:_(\d+))?\.png")


def newest_picture(folder: Path, *, part: str | None) -> Path | None:
    """The picture in results/ that was added last, of the part that was asked for where there is one of it."""
    place = folder / "results"
    names = os.listdir(place) if place.is_dir() else []
    found = [(name, match) for name in names if (match := _PICTURE.fullmatch(name))]
    own = slug(part) if part else None
    rank = [(match[1] == own, match[1] or "", int(match[2] or 1), name) for name, match in found]
    return place / max(rank)[-1] if rank else None


def _newest(
    folder: str, files: list[str], header: _Header, troubles: list[str]
) -> tuple[str | None, _Result | None]:
    file = newest_result(files, kind=header.kind, part=header.part)
    if file is None:
        return None, None
    try:
        return file, _result.decode(_content(f"{folder}/results/{file}", _LARGEST_RESULT_BYTES))
    except _UNREADABLE as exc:
        troubles.append(f"results/{file} cannot be read ({exc})")
        return file, None


def _worth(result: _Result) -> Worth | None:
    for raw, unit in ((result.capacitance, "F"), (result.leakage_resistance, "ohm")):
        found = _lenient(_quantity, raw)
        if found is not None and any(
            each is not None for each in (found.value, found.at_least, found.at_most)
        ):
            low, high = found.interval95 or (None, None)
            return Worth(
                unit=unit,
                value=found.value,
                standard_uncertainty=found.standard_uncertainty,
                low=low,
                high=high,
                at_least=found.at_least,
                at_most=found.at_most,
            )
    return None


def _limits(header: _Header, result: _Result | None) -> tuple[float | None, float | None]:
    """Limits of a capacitance, as filed with the sweep, else as the result states them."""
    nominal, tolerance = header.expected_farad, header.expected_tolerance
    if nominal is not None and tolerance is not None:
        return nominal * (1.0 - tolerance[0]), nominal * (1.0 + tolerance[1])
    stated = _lenient(_expected, result.expected) if result is not None else None
    return (stated.limits if stated is not None else None) or (None, None)


def _lenient(decoder: msgspec.json.Decoder[Any], raw: msgspec.Raw) -> Any:
    if not len(raw) or raw == b"null":
        return None
    try:
        return decoder.decode(raw)
    except JSON_ERRORS:
        return None
