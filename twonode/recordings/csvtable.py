"""Tables on disk: one row a line, written so that every number comes back to the last bit.

Owns the CSV dialect: UTF-8, commas, line feeds, the shortest decimal that reads back exactly, nothing for
None. The columns are the fields of a row type, in its order; the first one is the row's number and names it.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable
from typing import TypeVar

import msgspec

from twonode.recordings.errors import DamagedRecording, UnfitRecord

__all__ = ["columns_of", "encode_cells", "read_table", "whole_lines"]

Row = TypeVar("Row", bound=msgspec.Struct)


def _line(cells: Iterable[str]) -> bytes:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(cells)
    return text.getvalue().encode("utf-8")


def columns_of(kind: type[msgspec.Struct]) -> bytes:
    """The first line of a table of such rows."""
    return _line(kind.__struct_fields__)


def encode_cells(row: msgspec.Struct) -> bytes:
    """One line of a table. Line breaks inside a text become spaces, so that a line is always a row.

    Raises UnfitRecord for NaN, infinity, or text that is no Unicode.
    """
    noun = row.__struct_fields__[0]
    try:
        return _line(_cell(noun, name, value) for name, value in msgspec.structs.asdict(row).items())
    except UnicodeEncodeError as exc:
        raise UnfitRecord(
            f"{noun.capitalize()} {getattr(row, noun)} cannot be written: a text in it is not Unicode text.",
            "What is recorded must be read back exactly, or it is no record.",
            f"Correct it and hand the {noun} over again.",
        ) from exc


def _cell(noun: str, name: str, value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        if not math.isfinite(value):
            raise UnfitRecord(
                f"The column {name} of a {noun} is {value}.",
                "A recording holds numbers or nothing, never a number that is none.",
                f"Refuse the {noun}, and leave out what was not determined.",
            )
        return repr(float(value))
    if isinstance(value, str):
        return " ".join(value.split())
    if isinstance(value, bool | int):
        return str(int(value))
    return str(getattr(value, "value", value))


def whole_lines(content: bytes) -> bytes:
    """``content`` up to its last line feed: what a killed program had surely finished writing."""
    return content[: content.rfind(b"\n") + 1]


def read_table(content: bytes, kind: type[Row], *, where: str) -> tuple[Row, ...]:
    """A table read back; ``where`` names the file in errors. Columns not known here are passed over.

    Raises DamagedRecording naming line and column.
    """
    noun = kind.__struct_fields__[0]
    try:
        lines = list(csv.reader(io.StringIO(content.decode("utf-8"), newline=""), strict=True))
    except (UnicodeDecodeError, csv.Error) as exc:
        raise _damaged(where, noun, f"it is no CSV text ({exc})") from exc
    if not lines:
        raise _damaged(where, noun, "it is empty")
    columns = lines[0]
    return tuple(
        _row(columns, cells, kind, f"{where}, line {at}") for at, cells in enumerate(lines[1:], start=2)
    )


def _row(columns: list[str], cells: list[str], kind: type[Row], where: str) -> Row:
    noun = kind.__struct_fields__[0]
    if len(cells) != len(columns):
        raise _damaged(where, noun, f"{len(cells)} cells under {len(columns)} columns")
    filled = {name: cell for name, cell in zip(columns, cells, strict=True) if cell != ""}
    try:
        row = msgspec.convert(filled, kind, strict=False)
    except msgspec.ValidationError as exc:
        raise _damaged(where, noun, str(exc)) from exc
    for name in kind.__struct_fields__:
        value = getattr(row, name)
        if isinstance(value, float) and not math.isfinite(value):
            raise _damaged(where, noun, f"{name} is {value}")
    return row


def _damaged(where: str, noun: str, because: str) -> DamagedRecording:
    return DamagedRecording(
        f"{where} is not sound: {because}.",
        f"It holds the readings, one row a {noun}.",
        "Fetch the recording from a copy; its manifest tells which copy is right.",
    )
