"""The archive as files that other programs read: CSV tables and JSON.

Owns the forms of an export and the two that are text; `export_matlab` has the third. Numbers come back to the last
bit. A text that a spreadsheet would take for a formula gets an apostrophe before it; numbers are left alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from enum import Enum
from pathlib import Path
from typing import Any

import msgspec

from twonode.recordings.csvtable import columns_of, encode_cells
from twonode.recordings.disk import place_new, write_whole
from twonode.recordings.errors import UnfitExport, output_not_writable
from twonode.recordings.export_rows import (
    ExportedPoint,
    Gathered,
    PartRow,
    part_row,
    point_rows,
    reading_rows,
)
from twonode.recordings.jsontext import encode_json

__all__ = [
    "EXPORT_FORMAT",
    "ExportForm",
    "parts_csv",
    "place_file",
    "points_csv",
    "whole_json",
]

EXPORT_FORMAT = 1

_FORMULA_SIGNS = ("=", "+", "-", "@")


class ExportForm(Enum):
    """What is written; the value is the word on the command line."""

    PARTS = "parts"
    POINTS = "points"
    JSON = "json"
    MATLAB = "matlab"
    DECK = "deck"


def parts_csv(found: Iterable[Gathered]) -> tuple[bytes, int]:
    """One table of all parts, and how many rows it has; null runs are left out."""
    rows = [row for each in found if (row := part_row(each)) is not None]
    return _table(PartRow, rows), len(rows)


def points_csv(found: Iterable[Gathered]) -> tuple[bytes, int]:
    """One table of all points, null runs included, and how many rows it has; DC readings have none."""
    rows = [row for each in found for row in point_rows(each)]
    return _table(ExportedPoint, rows), len(rows)


def _table(kind: type[msgspec.Struct], rows: Sequence[msgspec.Struct]) -> bytes:
    return columns_of(kind) + b"".join(encode_cells(_harmless(row)) for row in rows)


def _harmless(row: msgspec.Struct) -> msgspec.Struct:
    """The row with every text so that no spreadsheet runs it as a formula."""
    found = {
        name: f"'{text}"
        for name in row.__struct_fields__
        if isinstance(text := getattr(row, name), str) and text.lstrip().startswith(_FORMULA_SIGNS)
    }
    return msgspec.structs.replace(row, **found) if found else row


def whole_json(found: Iterable[Gathered], *, program: str, now_utc: datetime) -> tuple[bytes, int]:
    """Everything but the raw codes as one JSON object, and how many recordings are in it. SI, no NaN."""
    recordings = [_recording(each) for each in found]
    document = {
        "format": EXPORT_FORMAT,
        "program": program,
        "exported_utc": now_utc.isoformat(timespec="seconds").replace("+00:00", "Z"),
        "recordings": recordings,
    }
    return encode_json(document), len(recordings)


def _recording(found: Gathered) -> dict[str, Any]:
    return {
        "recording": found.recording.name,
        "part": part_row(found),
        "header": found.recording.header,
        "points": list(point_rows(found)),
        "readings": list(reading_rows(found)),
        "results": {each.path.name: each.document for each in found.results},
    }


def place_file(path: Path, content: bytes, *, replace: bool) -> None:
    """Write an export whole or not at all.

    Raises UnfitExport where a file is there already and is not to be replaced, ArchiveNotWritable.
    """
    try:
        if replace:
            write_whole(path, content)
        else:
            place_new(path, content)
    except FileExistsError as exc:
        raise UnfitExport(
            f"{path} is there already.",
            "It may be an export that somebody still needs.",
            "Give --replace to write over it, or another name with --to.",
        ) from exc
    except OSError as exc:
        raise output_not_writable(path, exc) from exc
