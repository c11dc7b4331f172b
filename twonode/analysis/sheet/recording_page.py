"""One recording on one page: the finding large, then how sure, then how it was measured, then room to write.

Owns the layout. What has a place of its own goes down from the top and up from the bottom of the page; the drawing
takes the room in between. Every text has a most number of lines, so that nothing runs into anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from twonode.analysis.sheet.content import Blank, Field, Listing, Mark, RecordingSheet, Verdict
from twonode.analysis.sheet.furniture import (
    draw_blanks,
    draw_foot,
    draw_identity,
    draw_stamps,
)
from twonode.analysis.sheet.lettering import LEADING, SMALLEST_POINTS, fitting_size, wrapped
from twonode.analysis.sheet.paper import Paper
from twonode.analysis.sheet.pen import Pen
from twonode.analysis.sheet.plot import BAR_PT, draw_bar, draw_plot, sheet_type

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Density", "density_of", "draw_recording_sheet"]

_LINE = LEADING * SMALLEST_POINTS
_TOP_PT = 30.0
_GAP = 8.0
_VERDICT_PT = 56.0
_LEFT_SHARE = 0.56
"""Of the lower part: how it was measured; the rest is for handwriting."""
_BLOCK_GAP = 5.0
_LEAST_PLOT_PT = 92.0
_MOST_PLOT_PT = 190.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Density:
    """How much of each text is printed where there is more than room for: lines of the words for the owner, of each
    remark and of each line on the method; how many DC checks and notes. drawing : whether it keeps its place."""

    plain: int = 4
    said: int = 3
    method: int = 3
    readings: int = 3
    notes: int = 4
    drawing: bool = True


_DENSITIES = (
    Density(),
    Density(said=2, method=2, notes=3),
    Density(said=2, method=2, readings=2, notes=2),
    Density(plain=3, said=2, method=1, readings=2, notes=1),
    Density(plain=3, said=1, method=1, readings=1, notes=1),
    Density(plain=3, said=1, method=1, readings=1, notes=1, drawing=False),
)


@dataclass(frozen=True, slots=True)
class _Block:
    """A heading and its lines in the lower left."""

    heading: str
    lines: tuple[str, ...]


def density_of(sheet: RecordingSheet, paper: Paper) -> Density:
    """The first density at which everything has room; the last one where none has."""
    for density in _DENSITIES:
        pen = Pen(paper, measuring=True)
        top = _upper(pen, sheet, density)
        bottom = _foot(pen, sheet, page=1, pages=1)
        blocks = _blocks(sheet, _LEFT_SHARE * pen.across, density)
        if max(_height(blocks), _blanks_height(sheet.blanks)) <= bottom - _least_top(sheet, top, density):
            break
    return density


def draw_recording_sheet(sheet: RecordingSheet, paper: Paper, *, page: int = 1, pages: int = 1) -> Figure:
    """The page as a matplotlib figure. page, pages : printed at its foot."""
    import matplotlib as mpl

    density = density_of(sheet, paper)
    with mpl.rc_context(sheet_type()):
        pen = Pen(paper)
        top = _upper(pen, sheet, density)
        bottom = _foot(pen, sheet, page=page, pages=pages)
        bottom = _lower(pen, sheet, density, top, bottom)
        if density.drawing:
            _middle(pen, sheet, top, bottom - _GAP)
        elif _has_middle(sheet):
            pen.text(
                pen.left, top + _GAP, "(The drawing is left out for want of room; the recording has it.)"
            )
    return pen.figure


# From the top


def _upper(pen: Pen, sheet: RecordingSheet, density: Density) -> float:
    top = draw_stamps(pen, _TOP_PT, "Measurement sheet", sheet.stamps)
    for line in wrapped(sheet.title, 12.0, pen.across, most=2, bold=True):
        top = pen.text(pen.left, top, line, size=12.0, bold=True)
    top = draw_identity(pen, top + 4.0, sheet.identity)
    top = _headline(pen, top + 9.0, sheet)
    top = _verdicts(pen, top + 5.0, sheet.verdicts)
    plain = wrapped(sheet.plain, 10.0, pen.across, most=density.plain)
    top = pen.lines(pen.left, top + _GAP, plain, size=10.0)
    for each in sheet.points_out:
        most = density.said if sheet.plot is not None else 2 * density.said
        top = _labelled(pen, pen.left, top + 2.0, pen.across, each, most=most)
    return top


def _headline(pen: Pen, top: float, sheet: RecordingSheet) -> float:
    size = fitting_size(sheet.headline, pen.across, largest=30.0, smallest=15.0, bold=True)
    lines = wrapped(sheet.headline, size, pen.across, most=2, bold=True)
    top = pen.lines(pen.left, top, lines, size=size, bold=True)
    note = wrapped(sheet.headline_note, 9.5, pen.across, most=2)
    return pen.lines(pen.left, top - 1.0, note, size=9.5)


def _verdicts(pen: Pen, top: float, verdicts: tuple[Verdict, Verdict]) -> float:
    first = 0.58 * pen.across
    _verdict(pen, pen.left, top, first, verdicts[0], largest=21.0)
    _verdict(pen, pen.left + first + _GAP, top, pen.across - first - _GAP, verdicts[1], largest=14.0)
    return top + _VERDICT_PT


def _verdict(pen: Pen, x: float, top: float, width: float, verdict: Verdict, *, largest: float) -> None:
    heavy = verdict.mark in (Mark.TROUBLE, Mark.UNDECIDED)
    pen.box(x, top, width, _VERDICT_PT, line=2.4 if heavy else 1.1)
    inner = width - 14.0
    pen.text(x + 7.0, top + 5.0, wrapped(verdict.about, SMALLEST_POINTS, inner, most=1)[0])
    words = f"{verdict.mark.value} {verdict.words.upper()}"
    size = fitting_size(words, inner, largest=largest, smallest=9.0, bold=True)
    line = wrapped(words, size, inner, most=1, bold=True)[0]
    pen.text(x + 7.0, top + 28.0 - size / 2.0, line, size=size, bold=True)
    pen.text(x + 7.0, top + _VERDICT_PT - 14.0, wrapped(verdict.detail, SMALLEST_POINTS, inner, most=1)[0])


def _labelled(pen: Pen, x: float, top: float, width: float, each: Field, *, most: int) -> float:
    """The label in bold, the text after it and on as many lines as it takes."""
    from twonode.analysis.sheet.lettering import width_pt

    size = 9.0
    label = f"{each.label}:"
    indent = width_pt(label, size, bold=True) + 4.0
    lines = wrapped(each.text, size, width - indent, most=most)
    pen.text(x, top, label, size=size, bold=True)
    return pen.lines(x + indent, top, lines, size=size)


# From the bottom


def _foot(pen: Pen, sheet: RecordingSheet, *, page: int, pages: int) -> float:
    """Trail and cautions; returns the lower edge of what is above them."""
    bottom = draw_foot(pen, sheet.trail, page=page, pages=pages)
    return _cautions(pen, bottom - 4.0, sheet.cautions) - _GAP


def _cautions(pen: Pen, bottom: float, cautions: Sequence[str]) -> float:
    """Cautions as one paragraph over ``bottom``; returns its upper edge."""
    if not cautions:
        return bottom
    lines = wrapped("Before you measure again: " + " ".join(cautions), SMALLEST_POINTS, pen.across, most=6)
    top = bottom - len(lines) * _LINE
    pen.lines(pen.left, top, lines)
    pen.rule(pen.left, top - 4.0, pen.right, width=0.5)
    return top - 4.0


def _least_top(sheet: RecordingSheet, top: float, density: Density) -> float:
    """Where the lower part may begin at the earliest."""
    return top + (_GAP + _LEAST_PLOT_PT + _GAP if _has_middle(sheet) and density.drawing else 2.0 * _GAP)


def _lower(pen: Pen, sheet: RecordingSheet, density: Density, top: float, bottom: float) -> float:
    """How it was measured, and room to write beside it; returns the upper edge."""
    width = _LEFT_SHARE * pen.across
    right = pen.left + width + 2.0 * _GAP
    room = bottom - _least_top(sheet, top, density)
    blocks = _blocks(sheet, width, density)
    while _height(blocks) > room and len(blocks) > 1:
        blocks.pop()
    to_write = _blanks_height(sheet.blanks)
    height = min(room, max(_height(blocks), to_write if sheet.plot else 1.3 * to_write))
    start = bottom - height
    at = start
    for block in blocks:
        at = pen.text(pen.left, at, block.heading, bold=True)
        at = pen.lines(pen.left, at, block.lines) + _BLOCK_GAP
    draw_blanks(pen, right, start, pen.right - right, height, sheet.blanks)
    return start


def _height(blocks: Sequence[_Block]) -> float:
    return sum((len(block.lines) + 1) * _LINE + _BLOCK_GAP for block in blocks)


def _blanks_height(blanks: Sequence[Blank]) -> float:
    return sum(_LINE + 17.0 * blank.lines for blank in blanks)


def _blocks(sheet: RecordingSheet, width: float, density: Density) -> list[_Block]:
    """The lower left, what matters most first."""
    not_tested = wrapped("; ".join(sheet.not_tested) + ".", SMALLEST_POINTS, width, most=2)
    blocks = [
        _Block("Not tested", tuple(not_tested)),
        _Block("How it was measured", _each(sheet.method, width, most=density.method)),
    ]
    if sheet.readings:
        blocks.append(_Block("DC checks with a meter", _listed(sheet.readings, width, density.readings)))
    if sheet.notes:
        blocks.append(_Block("Notes", _listed(sheet.notes, width, density.notes)))
    return blocks


def _each(fields: Sequence[Field], width: float, *, most: int) -> tuple[str, ...]:
    return tuple(
        line
        for each in fields
        for line in wrapped(f"{each.label}: {each.text}", SMALLEST_POINTS, width, most=most)
    )


def _listed(texts: Sequence[str], width: float, most: int) -> tuple[str, ...]:
    """The newest ``most`` texts, two lines each, and how many were left out."""
    shown = texts[-most:]
    lines = [line for text in shown for line in wrapped(text, SMALLEST_POINTS, width, most=2)]
    if len(texts) > most:
        lines.append(f"({len(texts) - most} earlier: see the recording)")
    return tuple(lines)


# In between


def _has_middle(sheet: RecordingSheet) -> bool:
    return sheet.plot is not None or sheet.listing is not None


def _middle(pen: Pen, sheet: RecordingSheet, top: float, bottom: float) -> None:
    top += _GAP
    if sheet.bar is not None and bottom - top > BAR_PT + _LEAST_PLOT_PT:
        draw_bar(pen, top, sheet.bar)
        top += BAR_PT + 4.0
    if sheet.plot is not None:
        height = min(bottom - top, _MOST_PLOT_PT)
        draw_plot(pen, top + (bottom - top - height) / 2.0, height, sheet.plot)
    elif sheet.listing is not None:
        _listing(pen, top, bottom, sheet.listing)


def _listing(pen: Pen, top: float, bottom: float, listing: Listing) -> None:
    starts = [pen.left]
    for share in listing.widths[:-1]:
        starts.append(starts[-1] + share * pen.across)
    size = 10.0 if (len(listing.rows) + 2) * 16.0 < bottom - top else SMALLEST_POINTS
    step = 1.6 * size if size > SMALLEST_POINTS else _LINE
    fits = max(1, int((bottom - top - 2.0 * step) / step))
    rows = listing.rows if len(listing.rows) <= fits else listing.rows[: fits - 1]

    def row(cells: Sequence[str], at: float, *, bold: bool = False) -> float:
        for x, share, cell in zip(starts, listing.widths, cells, strict=True):
            line = wrapped(cell, size, share * pen.across - 6.0, most=1, bold=bold)[0]
            pen.text(x, at, line, size=size, bold=bold)
        return at + step

    top = row(listing.headings, top, bold=True)
    pen.rule(pen.left, top - 2.0, pen.right)
    top += 2.0
    for cells in rows:
        top = row(cells, top)
    if len(rows) < len(listing.rows):
        pen.text(pen.left, top, f"({len(listing.rows) - len(rows)} more: see the recording)")
