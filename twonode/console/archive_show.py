"""``twonode archive show``: one recording in at most twenty lines.

Owns what is said of a recording and in which order. It is compared with its checksums on the way.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from twonode.console.exits import Exit
from twonode.console.options import common_options, default_archive, existing_archive_option

if TYPE_CHECKING:
    from twonode.recordings import AnyRecording, DamagedRecording
    from twonode.recordings.entry import Entry

__all__ = ["LookedAt", "looked_at", "show"]

Line = tuple[str, str]

_LINES = 20
_NOTES = 4
_WIDEST = 150
_LONGEST = 400
_DAMAGED = "DAMAGED"


@click.command()
@click.argument("recording", metavar="RECORDING")
@existing_archive_option
@common_options
def show(recording: str, archive: Path | None, as_json: bool, debug: bool) -> int:
    """Show one recording in at most twenty lines: a path, or enough of its name to be the only one.

    \b
    Example:
      twonode archive show 2031-04-09T18-20

    Exit status: 0 done, 2 no such recording, 4 it is damaged.
    """
    del debug
    from twonode.console.archive_words import one_line
    from twonode.recordings.entry import entry_document
    from twonode.recordings.lookup import named_folder

    seen = looked_at(named_folder(recording, archive or default_archive()))
    if as_json:
        whole = entry_document(seen.entry) | {
            "format": 1,
            "damage": None if seen.damage is None else seen.damage.what,
            "picture": None if seen.picture is None else str(seen.picture),
            "result_document": seen.document,
        }
        print(json.dumps(whole))
    else:
        for place, (label, text) in enumerate(seen.lines):
            # Paths stay whole, so that they can be copied.
            whole_line = label in ("Picture", "Folder")
            shown = text if whole_line else one_line(text, _LONGEST if label == _DAMAGED else _WIDEST)
            click.secho(f"{label + ':':<10}{shown}" if label else shown, bold=place == 0)
    return Exit.DONE if seen.damage is None else Exit.DAMAGED


@dataclass(frozen=True, slots=True, kw_only=True)
class LookedAt:
    """One recording, compared with its checksums.

    found : its content; None where it is damaged. damage : what is wrong with it. document : of its newest result.
    picture : the newest one. lines : label and text, at most twenty.
    """

    entry: Entry
    found: AnyRecording | None
    damage: DamagedRecording | None
    document: Mapping[str, Any]
    picture: Path | None
    lines: tuple[Line, ...]


def looked_at(place: Path) -> LookedAt:
    """Everything that is said of the recording in a folder.

    Raises NotARecording, NewerFormat, DamagedRecording where not even its header can be read.
    """
    from twonode.recordings import DamagedRecording, read_any, read_any_header
    from twonode.recordings.bag import DECLARATION
    from twonode.recordings.entry import EntryState
    from twonode.recordings.errors import NotARecording
    from twonode.recordings.gist import newest_picture, read_gist

    folder = place.absolute()
    entry = read_gist(folder.parent, folder.name).entry
    if entry.state is EntryState.NO_RECORDING or not (folder / DECLARATION).is_file():
        raise NotARecording(
            f"{folder} is no closed recording.",
            "A recording is a folder in BagIt form.",
            "Close a killed run with `twonode archive recover`; `twonode archive list` shows what there is.",
        )
    damage: DamagedRecording | None = None
    found: AnyRecording | None = None
    if entry.state is not EntryState.READABLE:
        read_any_header(folder)  # says what is wrong with it
    try:
        found = read_any(folder)
    except DamagedRecording as exc:
        damage = exc
    document = _result(entry)
    picture = newest_picture(folder, part=_filed_part(found) or entry.identity.part)
    last = list(_last_lines(entry, damage, picture))
    lines = [*list(_lines(entry, found, document))[: _LINES - len(last)], *last]
    if damage is not None:  # before anybody reads the finding
        lines[0] = ("", f"{_DAMAGED}, and not to be trusted; filed as {lines[0][1]}")
    return LookedAt(
        entry=entry,
        found=found,
        damage=damage,
        document=document,
        picture=picture,
        lines=tuple(lines),
    )


def _result(entry: Entry) -> Mapping[str, Any]:
    """The result that speaks for the recording; empty where there is none or it cannot be read."""
    from twonode.recordings import DamagedRecording, read_results

    if entry.result is None:
        return {}
    try:
        return next((r.document for r in read_results(entry.folder) if r.path.name == entry.result), {})
    except DamagedRecording:
        return {}


def _filed_part(found: AnyRecording | None) -> str | None:
    """The part as it was filed, which results and pictures are named by."""
    return None if found is None else found.header.part


def _lines(entry: Entry, found: AnyRecording | None, document: Mapping[str, Any]) -> Iterator[Line]:
    from twonode.console.archive_words import about_words, created_words, finding_words, worth_words

    identity = entry.identity
    kind = {"dc": "DC readings", "null": "null run", "points": "table of points"}.get(
        entry.kind or "", entry.kind
    )
    named, said = None if entry.kind == "null" else identity.part or kind, finding_words(entry)
    yield "", said if named in (None, said) else f"{named}: {said}"
    if entry.title:
        yield "", entry.title
    about = about_words(entry)
    if about:
        yield "Set", about
    by = f" by {identity.operator}" if identity.operator else ""
    wired = f", {entry.hookup} hook-up" if entry.hookup else ""
    bench = ", simulated bench" if entry.simulated else ""
    # When the readings were taken is not known, nor whether all were.
    done, end = ("Imported", "") if entry.imported else ("Recorded", f", {entry.ended or 'end unknown'}")
    yield done, f"{created_words(entry.created_utc)}{by}: {kind}{wired}{bench}{end}"
    if entry.worth is not None:
        yield "Value", f"{worth_words(entry.worth)}{_expected(entry)}"
    finding = document.get("finding")
    # A loose part's result says of itself what others say in their finding.
    yield from _finding(finding if isinstance(finding, dict) else document)
    budget = document.get("budget")
    if isinstance(budget, list) and budget and isinstance(budget[0], dict):
        yield "Limited", f"by {budget[0].get('source')}; {budget[0].get('action')}"
    if found is not None:
        yield from _method(found)
    if len(entry.notes) > _NOTES:
        yield "Notes", f"{len(entry.notes)}, the last {_NOTES}:"
    for note in entry.notes[-_NOTES:]:
        yield "Note", note


def _finding(finding: Mapping[str, Any]) -> Iterator[Line]:
    for label, key in (("Because", "because"), ("Label", "label"), ("Next", "action")):
        if isinstance(finding.get(key), str) and finding[key]:
            yield label, finding[key]
    missing = finding.get("not_tested")
    if isinstance(missing, list) and missing:
        yield "Untested", ", ".join(map(str, missing))


def _expected(entry: Entry) -> str:
    from twonode.analysis.quantities import format_quantity

    if entry.expected_low is None or entry.expected_high is None or (entry.worth and entry.worth.unit != "F"):
        return ""
    return f", expected {format_quantity(entry.expected_low, 'F')} to {format_quantity(entry.expected_high, 'F')}"


def _method(found: AnyRecording) -> Iterator[Line]:
    """Points or readings, conditions, null run, instruments."""
    from twonode.analysis.quantities import format_level, format_quantity
    from twonode.recordings import DcRecording, RecordingKind

    if isinstance(found, DcRecording):
        meter = format_quantity(found.header.meter.resistance_ohm, "ohm")
        yield "Readings", f"{len(found.readings)}, meter {meter}"
    else:
        level = format_level(found.header.conditions.level_vpp)
        null = found.header.null
        points = f"{len(found.used)} of {len(found.points)} used, level {level}"
        if found.header.kind is not RecordingKind.NULL:
            points += ", no null run" if null is None else f", null run {null.recording}"
        yield "Points", points
    for each in found.header.instruments:
        yield "With", f"{each.role.value} {each.identity}"


def _last_lines(entry: Entry, damage: Exception | None, picture: Path | None) -> Iterator[Line]:
    if damage is None:
        yield "Checked", "every file is as it was written"
    else:
        yield _DAMAGED, f"{str(damage).splitlines()[0]}"
    if entry.trouble:
        yield "Trouble", f"{entry.trouble}"
    if picture is not None:
        yield "Picture", f"{picture}"
    yield "Folder", f"{entry.folder}"
