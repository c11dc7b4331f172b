"""CSV files made by hand or by any other means: text, delimiter, header, rows and numbers, each error with its line.

Owns the dialect that is accepted; which words name which column belongs to `foreign_header`, what the columns mean
to `import_points` and `import_traces`.

Accepted are UTF-8, UTF-16 with its mark, or Latin-1; tabs, semicolons or commas between cells; lines that begin with
#, %, ! or // as comments; any other lines above the one that names the columns; decimal commas where the cells are
not parted by commas. What can be read in two ways is refused.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
import os
import re
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from twonode.recordings.errors import UnfitImport

__all__ = [
    "ForeignText",
    "Numbers",
    "cells_of",
    "check_width",
    "comma_numbers",
    "read_foreign",
    "unfit",
]

_COMMENT = ("#", "%", "!", "//")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_COMMA_NUMBER = re.compile(r"[+-]?(?:\d+,\d*|,\d+)(?:[eE][+-]?\d+)?")
_LIKE_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
_LONGEST_NUMBER = 64
_LARGEST = 1e30
"""No frequency, ratio, time or voltage of a bench is larger."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ForeignText:
    """A file's text with what it takes to name it again.

    sha256 : of its bytes, in hexadecimal.
    """

    path: Path
    text: str
    sha256: str

    @property
    def name(self) -> str:
        """The file's name, for errors and records."""
        return self.path.name


def unfit(
    source: ForeignText | Path, what: str, why: str, do: str, *, line: int | None = None
) -> UnfitImport:
    """The error for a file, naming it and the line."""
    name = source.name or str(source)  # a folder such as "." has none
    where = name if line is None else f"{name}, line {line}"
    return UnfitImport(f"{where}: {what}", why, do)


def read_foreign(path: str | os.PathLike[str], *, largest_bytes: int) -> ForeignText:
    """A file's text, bounded. Raises UnfitImport where it is no readable, plain, not too large text file."""
    place = Path(path)
    try:
        with place.open("rb") as file:
            found = os.fstat(file.fileno())
            if not stat.S_ISREG(found.st_mode):
                raise unfit(place, "it is no file.", "Readings are taken from a CSV file.", "Name the file.")
            if found.st_size > largest_bytes:
                raise _too_large(place, found.st_size, largest_bytes)
            content = file.read(largest_bytes + 1)
    except (OSError, ValueError) as exc:
        because = getattr(exc, "strerror", None) or exc
        raise unfit(
            place, f"it cannot be read ({because}).", "Readings are taken from a CSV file.", "Check its name."
        ) from exc
    if len(content) > largest_bytes:
        raise _too_large(place, len(content), largest_bytes)
    return ForeignText(path=place, text=_decoded(place, content), sha256=hashlib.sha256(content).hexdigest())


def _too_large(place: Path, size: int, largest: int) -> UnfitImport:
    return unfit(
        place,
        f"it has {size / 1e6:,.0f} MB; {largest / 1e6:,.0f} MB are the most.",
        "Reading more could fill the memory, and no table or trace of a sweep needs it.",
        "Save fewer samples, or only the lines with readings.",
    )


def _decoded(place: Path, content: bytes) -> str:
    try:
        if content.startswith((b"\xff\xfe", b"\xfe\xff")):
            text = content.decode("utf-16")
        else:
            try:
                text = content.decode("utf-8-sig")
            except UnicodeDecodeError:
                text = content.decode("latin-1")
    except UnicodeDecodeError as exc:
        raise _no_text(place) from exc
    if re.search(r"[\x00-\x08\x0e-\x1f\x7f-\x9f]", text):
        raise _no_text(place)
    if not text.strip():
        raise unfit(place, "it is empty.", "There is nothing to read.", "Name the file with the readings.")
    return text


def _no_text(place: Path) -> UnfitImport:
    return unfit(
        place,
        "it is no text.",
        "A CSV file holds lines of plain text; this holds other bytes.",
        "Save the readings as CSV, and name that file.",
    )


def cells_of(
    source: ForeignText, delimiter: str, *, first: int = 1, strict: bool = True
) -> Iterator[tuple[int, list[str]]]:
    """Line number and stripped cells of every line from ``first`` on that is neither blank nor a comment.

    strict : False passes over lines whose quotation marks do not fit the delimiter, which may be the wrong one.

    Raises UnfitImport for quotation marks that do not fit.
    """
    lines = islice(io.StringIO(source.text, newline=None), first - 1, None)
    for number, line in enumerate(lines, start=first):
        bare = line.strip()
        if not bare or bare.startswith(_COMMENT):
            continue
        if '"' not in bare:
            yield number, [cell.strip() for cell in line.split(delimiter)]
            continue
        try:
            rows = list(csv.reader([line.rstrip("\n")], delimiter=delimiter, strict=True))
        except csv.Error as exc:
            if not strict:
                continue
            raise unfit(
                source,
                f"its quotation marks do not fit ({exc}).",
                "Where a cell ends is then a guess.",
                "Close the quotation marks, or leave them out.",
                line=number,
            ) from exc
        yield number, [cell.strip() for row in rows for cell in row]


def check_width(source: ForeignText, cells: Sequence[str], *, width: int, delimiter: str, line: int) -> None:
    """Raise UnfitImport unless a row has a cell for every column, and nothing beside them."""
    if len(cells) >= width and not any(cells[width:]):
        return
    commas = delimiter == "," and len(cells) > width
    raise unfit(
        source,
        f"{len(cells)} cells under {width} columns.",
        "Decimal commas between cells that are parted by commas cannot be told apart."
        if commas
        else "Which reading belongs to which column would be a guess.",
        "Write decimal points, or part the cells by semicolons."
        if commas
        else "Fill the row up, or take it out.",
        line=line,
    )


def comma_numbers(source: ForeignText, delimiter: str, first: int, places: Sequence[int]) -> bool:
    """Whether the numbers in these columns are written with decimal commas; False where there is no comma at all.

    Raises UnfitImport where points and commas are mixed, or where 1,000 could be one or a thousand.
    """
    if "," not in source.text or (delimiter == "," and '"' not in source.text):
        return False
    doubtful: tuple[int, str] | None = None
    sure = False
    comma: tuple[int, str] | None = None
    point: tuple[int, str] | None = None
    for line, cells in cells_of(source, delimiter, first=first):
        for place in places:
            cell = cells[place][:_LONGEST_NUMBER] if place < len(cells) else ""
            if "," in cell and "." in cell:
                comma, point = (line, cell), (line, cell)
            elif "," in cell:
                comma = (line, cell)
                if _LIKE_THOUSANDS.fullmatch(cell):
                    doubtful = doubtful or (line, cell)
                else:
                    sure = sure or _COMMA_NUMBER.fullmatch(cell) is not None
            elif "." in cell:
                point = (line, cell)
        if comma and point:
            raise unfit(
                source,
                f"there are both {comma[1]!r} (line {comma[0]}) and {point[1]!r} (line {point[0]}).",
                "Comma and point cannot both be the decimal mark, and which one is would be a guess.",
                "Write all numbers with a decimal point and no separators.",
                line=max(comma[0], point[0]),
            )
    if doubtful is not None and not sure:
        raise unfit(
            source,
            f"{doubtful[1]!r} can be {doubtful[1].replace(',', '.')} or {doubtful[1].replace(',', '')}.",
            "Nothing in the file says whether its commas are decimal marks.",
            "Write all numbers with a decimal point and no separators.",
            line=doubtful[0],
        )
    return comma is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbers:
    """Reads numbers out of cells. decimal_comma : as `comma_numbers` found."""

    source: ForeignText
    decimal_comma: bool

    def read(self, cell: str, line: int, column: str) -> float:
        """The number in a cell. Raises UnfitImport naming file, line, column and what stands there."""
        text = cell.replace("\u2212", "-")
        if self.decimal_comma:
            text = text.replace(",", ".")
        if len(text) > _LONGEST_NUMBER or _NUMBER.fullmatch(text) is None or not text.isascii():
            found = "there is nothing" if not cell else f"{cell[:40]!r} is no number"
            raise unfit(
                self.source,
                f"{found} in column {column!r}.",
                "Every reading needs a plain number there, such as 0.707 or 7.07e-1, the unit in the header.",
                "Correct the cell, or take the line out.",
                line=line,
            )
        value = float(text)
        if not math.isfinite(value) or abs(value) > _LARGEST:
            raise unfit(
                self.source,
                f"{cell[:40]!r} in column {column!r} is beyond all measure.",
                "No bench reads such a value.",
                "Correct the cell, or take the line out.",
                line=line,
            )
        return value
