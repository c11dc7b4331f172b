"""The published JSON Schema of recording.json, one file per format number, for programs other than this one.

Owns the files in ``schema/`` and how they are made from the models, so that they cannot say anything else. A file of a
format that is out is never changed but by optional fields, as the format itself. To write it anew after such a change::

    python -m twonode.recordings.schema > twonode/recordings/schema/recording-1.json
"""

from __future__ import annotations

import inspect
import json
from importlib.resources import files
from typing import Any

import msgspec

from twonode.recordings.dcmodel import DcHeader, DcRow
from twonode.recordings.heads import FORMAT
from twonode.recordings.model import Header, PointRow, RecordingKind, TableRow

__all__ = ["built_schema", "schema_text"]


def schema_text(format_number: int = FORMAT) -> str:
    """The published schema of one format, JSON with a final newline. Raises FileNotFoundError for an unknown format."""
    place = files("twonode.recordings") / "schema" / f"recording-{format_number}.json"
    return place.read_text(encoding="utf-8")


def built_schema() -> str:
    """The schema of this program's own format, made from the models."""
    (head, dc_head, *rows), components = msgspec.json.schema_components(
        [Header, DcHeader, PointRow, TableRow, DcRow], ref_template="#/$defs/{name}"
    )
    for each in components.values():
        each["description"] = inspect.cleandoc(each["description"])
    tables = ("data/points.csv", "data/points.csv of kind points", "data/readings.csv")
    document: dict[str, Any] = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:twonode:recording:{FORMAT}",
        "title": f"recording.json, format {FORMAT}",
        "description": "What was measured, how and with what. SI units; names carry them. Times are in UTC. Further "
        "keys may appear within a format and are to be passed over. 'tables' describes the rows of the tables beside "
        "it, one object a row, keys being the column names and empty cells null.",
        "type": "object",
        "required": ["format"],
        "properties": {"format": {"const": FORMAT}},
        "if": {"required": ["kind"], "properties": {"kind": {"const": RecordingKind.DC.value}}},
        "then": dc_head,
        "else": head,
        "tables": dict(zip(tables, rows, strict=True)),
        "$defs": dict(sorted(components.items())),
    }
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    print(built_schema(), end="")  # noqa: T201
