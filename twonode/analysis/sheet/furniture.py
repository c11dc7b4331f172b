"""What every page has alike: its head with the stamps, the identity, blanks to write on, and the foot.

Owns their look. Where they go is decided by the pages.
"""

from __future__ import annotations

from collections.abc import Sequence

from twonode.analysis.sheet.content import Blank, Field, Trail
from twonode.analysis.sheet.lettering import LEADING, SMALLEST_POINTS, width_pt, wrapped
from twonode.analysis.sheet.pen import Pen

__all__ = ["FOOT_PT", "draw_blanks", "draw_foot", "draw_identity", "draw_stamps", "identity_height"]

_LINE = LEADING * SMALLEST_POINTS
FOOT_PT = 28.0
"""From the lower edge of the paper to the last line."""
_HEAD_PT = 9.0
_COLUMNS = 4
_IDENTITY_PT = 26.0


def draw_stamps(pen: Pen, top: float, kind: str, stamps: Sequence[str]) -> float:
    """What kind of sheet it is, and framed beside it what must not be overlooked; returns where to go on."""
    texts = [text.upper() for text in (kind, *stamps)]
    needed = sum(width_pt(text, _HEAD_PT, bold=True) for text in texts) + 16.0 * len(stamps)
    size = _HEAD_PT if needed <= pen.across else SMALLEST_POINTS
    pen.text(pen.left, top, texts[0], size=size, bold=True)
    x = pen.right
    for text in reversed(texts[1:]):
        wide = width_pt(text, size, bold=True)
        pen.text(x - 5.0, top, text, size=size, bold=True, align="right")
        pen.box(x - wide - 10.0, top - 4.5, wide + 10.0, 16.0, line=1.2)
        x -= wide + 16.0
    top += 15.0
    pen.rule(pen.left, top, pen.right, width=1.4)
    return top + 7.0


def identity_height(fields: Sequence[Field]) -> float:
    """How much of the page the identity takes, points."""
    return _IDENTITY_PT * -(-len(fields) // _COLUMNS)


def draw_identity(pen: Pen, top: float, fields: Sequence[Field]) -> float:
    """Labels over texts in four columns; an empty text is a line to write on."""
    width = pen.across / _COLUMNS
    for place, each in enumerate(fields):
        x = pen.left + (place % _COLUMNS) * width
        y = top + (place // _COLUMNS) * _IDENTITY_PT
        pen.text(x, y, each.label)
        if each.text:
            pen.text(x, y + 10.5, wrapped(each.text, 10.0, width - 10.0, most=1)[0], size=10.0)
        else:
            pen.rule(x, y + 20.0, x + width - 12.0, dotted=True)
    return top + identity_height(fields)


def draw_blanks(pen: Pen, x: float, top: float, width: float, height: float, blanks: Sequence[Blank]) -> None:
    """Lines to write on, spread over ``height``."""
    count = sum(blank.lines for blank in blanks)
    if not count:
        return
    step = (height - len(blanks) * _LINE) / count
    for blank in blanks:
        pen.text(x, top, blank.label)
        top += _LINE
        for _ in range(blank.lines):
            top += step
            pen.rule(x, top - 4.0, x + width, dotted=True)


def draw_foot(pen: Pen, trail: Trail, *, page: int, pages: int) -> float:
    """By what the sheet can be traced; returns its upper edge."""
    lines = [trail.recording]
    if trail.sha256:
        lines += [f"Checksum {trail.short}, in full on the next line: {trail.of}", trail.sha256]
    number = f"Page {page} of {pages}"
    room = pen.across - width_pt(number, SMALLEST_POINTS) - 12.0
    last = wrapped(trail.programs, SMALLEST_POINTS, room, most=1)[0]
    top = pen.height - FOOT_PT - (len(lines) + 1) * _LINE
    pen.rule(pen.left, top - 4.0, pen.right, width=1.4)
    at = top
    for line in lines:
        mono = line == trail.sha256
        text = line if mono else wrapped(line, SMALLEST_POINTS, pen.across, most=1)[0]
        at = pen.text(pen.left, at, text, mono=mono)
    pen.text(pen.left, at, last)
    pen.text(pen.right, at, number, align="right")
    return top - 4.0
