"""Several recordings in one table: a set's parts, or its history, on as many pages as it takes.

Owns the layout and where a page ends. A row is never split; the head of the table is repeated.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from twonode.analysis.sheet.content import TableSheet
from twonode.analysis.sheet.furniture import draw_blanks, draw_foot, draw_identity, draw_stamps
from twonode.analysis.sheet.lettering import LEADING, SMALLEST_POINTS, wrapped
from twonode.analysis.sheet.paper import Paper
from twonode.analysis.sheet.pen import Pen
from twonode.analysis.sheet.plot import sheet_type

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["draw_table_pages"]

_SIZE = SMALLEST_POINTS
_LINE = LEADING * _SIZE
_TOP_PT = 30.0
_PAD = 4.0
_BLANK_PT = 20.0
# Rule over the foot, its three lines, and the air under them.
_FOOT_ROOM_PT = 66.0


def draw_table_pages(sheet: TableSheet, paper: Paper) -> list[Figure]:
    """Every page as a matplotlib figure."""
    import matplotlib as mpl

    with mpl.rc_context(sheet_type()):
        rows = [_broken(sheet, cells, paper) for cells in sheet.rows]
        pages = _paginated(sheet, rows, paper)
        return [
            _draw(sheet, paper, part, page=number, pages=len(pages))
            for number, part in enumerate(pages, start=1)
        ]


_Row = tuple[tuple[str, ...], ...]


def _broken(sheet: TableSheet, cells: Sequence[str], paper: Paper) -> _Row:
    """The lines of each cell."""
    pen_width = _across(paper)
    return tuple(
        tuple(
            wrapped(
                cell, _SIZE, column.share * pen_width - 2 * _PAD, most=column.most_lines, bold=column.strong
            )
        )
        for column, cell in zip(sheet.columns, cells, strict=True)
    )


def _across(paper: Paper) -> float:
    from twonode.analysis.sheet.paper import MARGIN_PT

    return paper.width_pt - 2.0 * MARGIN_PT


def _row_height(row: _Row, least: int) -> float:
    return max(least, *(len(lines) for lines in row)) * _LINE + 2.0 * _PAD


def _paginated(sheet: TableSheet, rows: Sequence[_Row], paper: Paper) -> list[list[_Row]]:
    """Rows by page; the last page keeps room for what follows the table."""
    end = _end_height(sheet, paper)
    pages: list[list[_Row]] = [[]]
    left = _room(sheet, paper, first=True)
    for row in rows:
        if _row_height(row, sheet.row_lines) > left:
            pages.append([])
            left = _room(sheet, paper, first=False)
        pages[-1].append(row)
        left -= _row_height(row, sheet.row_lines)
    if end > left:
        pages.append([])
    return pages


def _head_height(sheet: TableSheet, paper: Paper, *, first: bool) -> float:
    if not first:
        return 22.0 + 16.0
    title = wrapped(sheet.title, 16.0, _across(paper), most=2, bold=True)
    identity = 26.0 * -(-len(sheet.identity) // 4)
    return 22.0 + len(title) * LEADING * 16.0 + 8.0 + identity + 8.0


def _room(sheet: TableSheet, paper: Paper, *, first: bool) -> float:
    """For rows, head of the table left out."""
    head = _TOP_PT + _head_height(sheet, paper, first=first) + _heading_height(sheet, paper)
    return paper.height_pt - head - _FOOT_ROOM_PT


def _headings(sheet: TableSheet, paper: Paper) -> _Row:
    return tuple(
        tuple(wrapped(column.heading, _SIZE, column.share * _across(paper) - 2.0 * _PAD, most=2, bold=True))
        for column in sheet.columns
    )


def _heading_height(sheet: TableSheet, paper: Paper) -> float:
    return max(len(lines) for lines in _headings(sheet, paper)) * _LINE + 2.0 * _PAD


def _ending(sheet: TableSheet, paper: Paper) -> list[str]:
    """Remarks and cautions as lines."""
    lines = [line for text in sheet.remarks for line in wrapped(text, _SIZE, _across(paper), most=4)]
    if sheet.cautions:
        lines += wrapped(
            "Before you measure again: " + " ".join(sheet.cautions), _SIZE, _across(paper), most=8
        )
    return lines


def _end_height(sheet: TableSheet, paper: Paper) -> float:
    blanks = sum(_LINE + _BLANK_PT * blank.lines for blank in sheet.blanks)
    return 10.0 + len(_ending(sheet, paper)) * _LINE + 8.0 + blanks


def _draw(sheet: TableSheet, paper: Paper, rows: Sequence[_Row], *, page: int, pages: int) -> Figure:
    pen = Pen(paper)
    top = draw_stamps(pen, _TOP_PT, sheet.kind, sheet.stamps)
    if page == 1:
        for line in wrapped(sheet.title, 16.0, pen.across, most=2, bold=True):
            top = pen.text(pen.left, top, line, size=16.0, bold=True)
        top = draw_identity(pen, top + 4.0, sheet.identity) + 4.0
    else:
        line = wrapped(f"{sheet.title}, continued", 9.0, pen.across, most=1, bold=True)[0]
        top = pen.text(pen.left, top, line, size=9.0, bold=True) + 4.0
    if rows:
        top = _table(pen, top, sheet, rows)
    if page == pages:
        top = pen.lines(pen.left, top + 10.0, _ending(sheet, paper))
        height = sum(_LINE + _BLANK_PT * blank.lines for blank in sheet.blanks)
        draw_blanks(pen, pen.left, top + 6.0, pen.across, height, sheet.blanks)
    draw_foot(pen, sheet.trail, page=page, pages=pages)
    return pen.figure


def _table(pen: Pen, top: float, sheet: TableSheet, rows: Sequence[_Row]) -> float:
    starts = [pen.left]
    for column in sheet.columns[:-1]:
        starts.append(starts[-1] + column.share * pen.across)
    for x, lines in zip(starts, _headings(sheet, pen.paper), strict=True):
        pen.lines(x, top + _PAD, lines, bold=True)
    top += _heading_height(sheet, pen.paper)
    pen.rule(pen.left, top - 2.0, pen.right, width=1.2)
    for row in rows:
        for x, column, lines in zip(starts, sheet.columns, row, strict=True):
            pen.lines(x, top + _PAD, lines, bold=column.strong)
        top += _row_height(row, sheet.row_lines)
        pen.rule(pen.left, top - 1.0, pen.right, width=0.4)
    return top
