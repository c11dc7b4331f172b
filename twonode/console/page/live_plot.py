"""The plot that grows: ratio and phase over frequency, a dot the moment it is measured.

Owns the Python side of the element. Lines and dots are drawn by the browser as SVG; nothing is drawn twice.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from nicegui.element import Element

if TYPE_CHECKING:
    from twonode.acquire.sofar import StandsAt

__all__ = ["LivePlot"]

_CURVE_POINTS = 160
"""Of the fitted curve that are sent: more than a screen can show."""


class LivePlot(Element, component="static/live_plot.js"):
    """Dots and fitted line of one sweep.

    dots : those that are there already, each with n, hz, used, words and, where there is a ratio, db, deg, db_half,
    deg_half.
    """

    def __init__(self, dots: Sequence[Mapping[str, Any]] = (), stands: StandsAt | None = None) -> None:
        super().__init__()
        self._props["dots"] = list(dots)
        self._props["line"] = _line(stands)

    def add(self, dot: Mapping[str, Any]) -> None:
        """Draw one more, now."""
        # Appended so that a page that is drawn again has it; sent as a call, which the framework does at once.
        self._props["dots"] = [*self._props["dots"], dot]
        self.run_method("add", dot)

    def fit(self, stands: StandsAt) -> None:
        """Draw the fitted line anew."""
        self._props["line"] = _line(stands)
        self.run_method("fit", self._props["line"])


def _line(stands: StandsAt | None) -> dict[str, list[float]] | None:
    from twonode.analysis.look import decibels

    if stands is None or stands.curve is None:
        return None
    curve = stands.curve
    step = max(1, len(curve.fine_hz) // _CURVE_POINTS)
    degrees, _ = curve.degrees()
    return {
        "hz": curve.fine_hz[::step].tolist(),
        "db": decibels(curve.fine_ratio)[::step].tolist(),
        "deg": degrees[::step].tolist(),
    }
