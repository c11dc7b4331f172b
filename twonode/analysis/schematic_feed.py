"""The generator's lead: generator, DC-blocking capacitor and bleeder, all of it ahead of channel 1.

Owns these in the drawing of a stage, and the lead by itself: for the null run, where both probes are on it, and for
screens that are too narrow for lead and stage in one row.
"""

from __future__ import annotations

from collections.abc import Sequence

from twonode.analysis.schematic_pen import PART, Pen

__all__ = ["FED_WORDS", "FEED", "draw_feed", "lead_svg", "null_run_svg"]

FEED = 340
"""Room for generator, blocking capacitor and bleeder, left of the drive node."""
FED_WORDS = (
    "The generator feeds the drive node through a DC-blocking capacitor, a bleeder to ground behind it; both stand "
    "ahead of channel 1."
)
_NODE_X = FEED + 40.0
_ROW_Y = 110.0
_GROUND_Y = 214.0


def draw_feed(pen: Pen, *, start_x: float, node_x: float, row_y: float, ground_y: float) -> None:
    """Draw it leftwards of ``start_x``, with a wire on to ``node_x``."""
    source, blocking, bleeder = start_x - 300, start_x - 210, start_x - 130
    middle = (row_y + ground_y) / 2
    pen.line((source, row_y), (blocking - 5, row_y))
    pen.line((blocking + 5, row_y), (node_x, row_y))
    for plate in (blocking - 5, blocking + 5):
        pen.line((plate, row_y - 15), (plate, row_y + 15))
    for number, words in enumerate(("DC blocking", "1 µF or more, film")):
        pen.text(blocking + 6, row_y - 44 + 18 * number, words, anchor="middle", bold=number == 0)
    pen.dot(bleeder, row_y)
    pen.line((bleeder, row_y), (bleeder, middle - PART / 2))
    pen.put(f'<rect x="{bleeder - 9:g}" y="{middle - PART / 2:g}" width="18" height="{PART}"/>')
    pen.line((bleeder, middle + PART / 2), (bleeder, ground_y))
    pen.text(bleeder + 18, middle - 4, "bleeder", bold=True)
    pen.text(bleeder + 18, middle + 14, "1 MΩ")
    pen.line((source, row_y), (source, middle - 22))
    pen.put(f'<circle cx="{source:g}" cy="{middle:g}" r="22"/>')
    pen.put(f'<path d="M{source - 12:g},{middle:g}q6,-14 12,0t12,0"/>')
    pen.line((source, middle + 22), (source, ground_y))
    pen.text(source + 30, middle + 5, "generator", bold=True)
    pen.earth(bleeder, ground_y)
    pen.earth(source, ground_y)


def null_run_svg() -> str:
    """The hook-up of the null run: both tips on the generator's lead, which is clipped to nothing else."""
    return _lead(
        (1, 2),
        "nothing else",
        title="The null run: both probes on the generator's lead",
        described="Generator, DC-blocking capacitor, bleeder to ground; then the tips of channels 1 and 2 on the "
        "same place of the lead, both ground clips on the generator's ground, and nothing else.",
    )


def lead_svg(drive: str) -> str:
    """The lead as it is clipped to a stage: channel 1's tip on it, and the drive node at its end."""
    return _lead((1,), f"to {drive}", title=f"The generator's lead to {drive}", described=FED_WORDS)


def _lead(channels: Sequence[int], onward: str, *, title: str, described: str) -> str:
    pen = Pen()
    draw_feed(pen, start_x=_NODE_X, node_x=_NODE_X, row_y=_ROW_Y, ground_y=_GROUND_Y)
    pen.dot(_NODE_X, _ROW_Y)
    spread = 44.0 * (len(channels) - 1)
    for place, channel in enumerate(channels):
        x = _NODE_X - spread + 2 * place * 44.0
        pen.line((_NODE_X, _ROW_Y), (x, _ROW_Y - 42))
        pen.flag(x, _ROW_Y - 57, channel)
    pen.line((_NODE_X, _ROW_Y), (_NODE_X + 44, _ROW_Y))
    pen.text(_NODE_X + 52, _ROW_Y + 5, onward)
    if len(channels) > 1:
        pen.earth(_NODE_X, _GROUND_Y)
        pen.line((_NODE_X, _GROUND_Y - 26), (_NODE_X, _GROUND_Y))
        pen.text(_NODE_X + 20, _GROUND_Y - 10, "both ground")
        pen.text(_NODE_X + 20, _GROUND_Y + 8, "clips here")
    width = _NODE_X + 60 + max(96.0, 8.5 * len(onward))
    return pen.svg(width, _GROUND_Y + 40, title=title, described=described)
