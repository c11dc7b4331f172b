"""What stands on a sheet, as plain data: one model for the PDF, the PNG and the HTML.

Owns the fields. Where they come from is left to `recordings`, how they look to the modules beside this one.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import Enum

from twonode.analysis.curves import FittedCurve

__all__ = [
    "Bar",
    "Blank",
    "Column",
    "Field",
    "Listing",
    "Mark",
    "Plot",
    "RecordingSheet",
    "TableSheet",
    "Trail",
    "Verdict",
]


class Mark(Enum):
    """A sign beside the words, which say the same."""

    SOUND = "✓"
    TROUBLE = "✗"
    UNDECIDED = "?"
    NOT_TESTED = "–"


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """A label and what is known; "" leaves a line to write on."""

    label: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Blank:
    """Room for handwriting. lines : how many."""

    label: str
    lines: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """A finding in a box: what was asked, the answer, and one or two lines of detail."""

    about: str
    mark: Mark
    words: str
    detail: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """The measured interval against the limits, all in F; limits and nominal None where nothing was expected."""

    value: float
    low: float
    high: float
    nominal: float | None = None
    limits: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """The measured ratio.

    curves : sweeps with their fit. points : frequency in Hz and ratio of a sweep that has none; a bare number where no
        phase was read.
    refused : points that were taken and not used. corner_hz : marked where it lies inside. words : alternative text.
    """

    curves: tuple[FittedCurve, ...] = ()
    points: tuple[tuple[float, complex | float], ...] = ()
    refused: tuple[tuple[float, complex], ...] = ()
    corner_hz: float | None = None
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """A small table in the place of the plot. widths : shares of the columns, adding up to 1."""

    headings: tuple[str, ...]
    widths: tuple[float, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trail:
    """By what the sheet can be traced.

    recording : what it is about, as a line.
    sha256 : in hexadecimal. of : what it was taken of, so that it can be worked out again by other means.
    programs : which version measured, worked out and printed.
    """

    recording: str
    sha256: str
    of: str
    programs: str

    @property
    def short(self) -> str:
        """The first twelve figures of the checksum, in groups of four."""
        return " ".join(self.sha256[at : at + 4] for at in (0, 4, 8))


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingSheet:
    """One recording on one page.

    stamps : what must not be overlooked, such as the simulated bench. headline : part and value, the largest line.
    verdicts : on the value and on the leak, the one this recording is about first. plain : for the set's owner.
    points_out : what to do next and what limits the figure. not_tested : each in a few words.
    readings : of the DC checks, a line each. made : date of the file, so that the same recording gives the same bytes.
    """

    title: str
    stamps: tuple[str, ...]
    identity: tuple[Field, ...]
    headline: str
    headline_note: str
    verdicts: tuple[Verdict, Verdict]
    plain: str
    bar: Bar | None
    points_out: tuple[Field, ...]
    not_tested: tuple[str, ...]
    plot: Plot | None
    listing: Listing | None
    method: tuple[Field, ...]
    readings: tuple[str, ...]
    notes: tuple[str, ...]
    blanks: tuple[Blank, ...]
    cautions: tuple[str, ...]
    trail: Trail
    made: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column. share : of the width, all together 1. strong : in bold. most_lines : of a cell; the rest is cut."""

    heading: str
    share: float
    strong: bool = False
    most_lines: int = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class TableSheet:
    """Several recordings in one table, on as many pages as it takes.

    kind : "Parts of one set" or "Service log". rows : cells of text, as many as columns.
    row_lines : every row is at least so many lines high, to be written in.
    """

    kind: str
    title: str
    stamps: tuple[str, ...]
    identity: tuple[Field, ...]
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    remarks: tuple[str, ...]
    blanks: tuple[Blank, ...]
    cautions: tuple[str, ...]
    trail: Trail
    made: datetime
    row_lines: int = 1
