"""points.csv: one row a point, written so that every number comes back to the last bit.

Owns the CSV dialect: UTF-8, commas, line feeds, the shortest decimal that reads back exactly, nothing for
None.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable

import msgspec

from twonode.recordings.errors import DamagedRecording, UnfitRecord
from twonode.recordings.model import PointRow

__all__ = ["COLUMNS", "columns_line", "encode_row", "read_rows", "whole_lines"]

COLUMNS: tuple[str, ...] = PointRow.__struct_fields__


def _line(cells: Iterable[str]) -> bytes:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(cells)
    return text.getvalue().encode("utf-8")


def columns_line() -> bytes:
    """The first line of points.csv."""
    return _line(COLUMNS)


def encode_row(row: PointRow) -> bytes:
    """One line of points.csv. Line breaks inside a reason become spaces, so that a line is always a row.

    Raises UnfitRecord for NaN, infinity, or text that is no Unicode.
    """
    try:
        return _line(_cell(name, value) for name, value in msgspec.structs.asdict(row).items())
    except UnicodeEncodeError as exc:
        raise _unfit(row, "a reason is not Unicode text") from exc


def _cell(name: str, value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        if not math.isfinite(value):
            raise UnfitRecord(
                f"The column {name} of a point is {value}.",
                "A recording holds numbers or nothing, never a number that is none.",
                "Refuse the point, and leave out what was not determined.",
            )
        return repr(float(value))
    if isinstance(value, str):
        return " ".join(value.split())
    if isinstance(value, bool | int):
        return str(int(value))
    return str(getattr(value, "value", value))


def _unfit(row: PointRow, because: str) -> UnfitRecord:
    return UnfitRecord(
        f"Point {row.point} cannot be written: {because}.",
        "What is recorded must be read back exactly, or it is no record.",
        "Correct it and hand the point over again.",
    )


def whole_lines(content: bytes) -> bytes:
    """``content`` up to its last line feed: what a killed program had surely finished writing."""
    return content[: content.rfind(b"\n") + 1]


def read_rows(content: bytes, *, where: str) -> tuple[PointRow, ...]:
    """points.csv read back; ``where`` names the file in errors. Columns not known here are passed over.

    Raises DamagedRecording naming line and column.
    """
    try:
        lines = list(csv.reader(io.StringIO(content.decode("utf-8"), newline=""), strict=True))
    except (UnicodeDecodeError, csv.Error) as exc:
        raise _damaged(where, f"it is no CSV text ({exc})") from exc
    if not lines:
        raise _damaged(where, "it is empty")
    columns = lines[0]
    return tuple(_row(columns, cells, f"{where}, line {at}") for at, cells in enumerate(lines[1:], start=2))


def _row(columns: list[str], cells: list[str], where: str) -> PointRow:
    if len(cells) != len(columns):
        raise _damaged(where, f"{len(cells)} cells under {len(columns)} columns")
    filled = {name: cell for name, cell in zip(columns, cells, strict=True) if cell != ""}
    try:
        row = msgspec.convert(filled, PointRow, strict=False)
    except msgspec.ValidationError as exc:
        raise _damaged(where, str(exc)) from exc
    for name in COLUMNS:
        value = getattr(row, name)
        if isinstance(value, float) and not math.isfinite(value):
            raise _damaged(where, f"{name} is {value}")
    return row


def _damaged(where: str, because: str) -> DamagedRecording:
    return DamagedRecording(
        f"{where} is not sound: {because}.",
        "It holds the readings, one row a point.",
        "Fetch the recording from a copy; its manifest tells which copy is right.",
    )
