"""The level of a node over frequency as one small drawing: as stated, and now.

Owns the layout and the SVG. Colours come from the page around it; the two curves differ by their line as well.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.corners import Corner
from twonode.analysis.look import hertz_words
from twonode.analysis.quantities import format_quantity

__all__ = ["response_svg"]

Real = NDArray[np.float64]

_WIDTH, _HEIGHT = 560.0, 270.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 62.0, 18.0, 14.0, 42.0
_SPAN_DB = 80.0
_STEP_DB = 20.0


def response_svg(
    frequency_hz: Real,
    stated_db: Real,
    now_db: Real,
    *,
    corners: Sequence[Corner] = (),
    title: str,
) -> str:
    """The drawing as one SVG element.

    frequency_hz : shape (n,), Hz, rising. stated_db, now_db : shape (n,), dB; minus infinity is drawn at the bottom.

    The scale ends at the next 20 dB above the stated curve and holds 80 dB, so that it stands still while the other
    curve moves.
    """
    top_db = _STEP_DB * math.ceil(max(float(np.max(stated_db)), -200.0) / _STEP_DB + 1e-9)
    frame = _Frame(float(frequency_hz[0]), float(frequency_hz[-1]), top_db)
    out = [f"<title>{escape(title)}</title>", *frame.grid()]
    out.append(
        f'<polyline points="{frame.points(frequency_hz, stated_db)}" stroke="var(--quiet)" stroke-width="2" '
        'stroke-dasharray="7 5"/>'
    )
    out.append(
        f'<polyline points="{frame.points(frequency_hz, now_db)}" stroke="var(--curve)" stroke-width="3.5"/>'
    )
    for corner in corners:
        if frequency_hz[0] <= corner.frequency_hz <= frequency_hz[-1]:
            out += frame.corner(corner)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:g} {_HEIGHT:g}" role="img" '
        f'class="response" font-family="sans-serif" font-size="14" fill="none" stroke="currentColor" '
        f'stroke-width="1.5" stroke-linejoin="round">{"".join(out)}</svg>'
    )


class _Frame:
    """Hertz and decibels to places."""

    def __init__(self, low_hz: float, high_hz: float, top_db: float) -> None:
        self._low, self._high = math.log10(low_hz), math.log10(high_hz)
        self._top_db = top_db
        self._bottom = _HEIGHT - _BOTTOM

    def _x(self, hz: float) -> float:
        share = (math.log10(hz) - self._low) / (self._high - self._low)
        return _LEFT + share * (_WIDTH - _LEFT - _RIGHT)

    def _y(self, db: float) -> float:
        return _TOP + min(max((self._top_db - db) / _SPAN_DB, 0.0), 1.0) * (self._bottom - _TOP)

    def points(self, frequency_hz: Real, level_db: Real) -> str:
        pairs = zip(frequency_hz, level_db, strict=True)
        return " ".join(f"{self._x(float(hz)):.1f},{self._y(float(db)):.1f}" for hz, db in pairs)

    def grid(self) -> list[str]:
        out = []
        for step in range(int(_SPAN_DB / _STEP_DB) + 1):
            db = self._top_db - step * _STEP_DB
            y = self._y(db)
            out.append(
                f'<path d="M{_LEFT:g},{y:.1f}H{_WIDTH - _RIGHT:g}" stroke="var(--line)" stroke-width="1"/>'
                + _text(_LEFT - 7, y + 5, f"{db:g}", "end")
            )
        for power in range(math.ceil(self._low), math.floor(self._high) + 1):
            x = self._x(10.0**power)
            out.append(
                f'<path d="M{x:.1f},{_TOP:g}V{self._bottom:g}" stroke="var(--line)" stroke-width="1"/>'
                + _text(x, self._bottom + 19, hertz_words(10.0**power), "middle")
            )
        out.append(f'<path d="M{_LEFT:g},{_TOP:g}V{self._bottom:g}H{_WIDTH - _RIGHT:g}"/>')
        out.append(
            f'<text transform="translate(15,{(_TOP + self._bottom) / 2:g}) rotate(-90)" text-anchor="middle" '
            'fill="currentColor" stroke="none">level, dB</text>'
        )
        return out

    def corner(self, corner: Corner) -> list[str]:
        x = self._x(corner.frequency_hz)
        anchor = "end" if x > _WIDTH - 110 else "start"
        side = -5 if anchor == "end" else 5
        words = format_quantity(corner.frequency_hz, "Hz")
        return [
            f'<path d="M{x:.1f},{self._bottom:g}V{self._bottom - 16:.1f}" stroke-width="3"/>'
            + _text(x + side, self._bottom - 6, words, anchor)
        ]


def _text(x: float, y: float, words: str, anchor: str) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="currentColor" stroke="none">'
        f"{escape(words)}</text>"
    )
