"""A pen on one page: text, rules and boxes in points from the upper left corner.

Owns the translation to a matplotlib figure. Measures nothing and decides no place.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from twonode.analysis.look import BAND, INK
from twonode.analysis.sheet.lettering import FAMILY, LEADING, SMALLEST_POINTS
from twonode.analysis.sheet.paper import MARGIN_PT, Paper

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Pen"]

_CAP = 0.76
"""Height of the tallest letters over the base line, as a share of the size (DejaVu Sans, with a hair of air)."""


class Pen:
    """Draws on a new figure of the paper's size, or of another one.

    left, right : edges of the printed area, points. width, height : of the figure. margin : left and right.
    measuring : texts, rules and boxes only tell where they would end, which is many times faster.
    """

    def __init__(
        self,
        paper: Paper,
        *,
        width: float | None = None,
        height: float | None = None,
        margin: float = MARGIN_PT,
        measuring: bool = False,
    ) -> None:
        from matplotlib.figure import Figure

        self.paper = paper
        self.width, self.height = width or paper.width_pt, height or paper.height_pt
        self.left, self.right = margin, self.width - margin
        self._measuring = measuring
        self.figure: Figure = Figure(figsize=(self.width / 72.0, self.height / 72.0), facecolor="white")

    @property
    def across(self) -> float:
        """Width of the printed area."""
        return self.right - self.left

    def text(
        self,
        x: float,
        top: float,
        line: str,
        *,
        size: float = SMALLEST_POINTS,
        bold: bool = False,
        align: str = "left",
        colour: str = INK,
        mono: bool = False,
    ) -> float:
        """One line of printable text whose letters begin at ``top``; returns where the next line would begin."""
        assert size >= SMALLEST_POINTS, f"{size} pt is too small to be read on paper"
        if line and not self._measuring:
            self.figure.text(
                x / self.width,
                1.0 - (top + _CAP * size) / self.height,
                line,
                size=size,
                weight="bold" if bold else "normal",
                ha=align,
                va="baseline",
                color=colour,
                family="DejaVu Sans Mono" if mono else FAMILY,
                parse_math=False,
            )
        return top + LEADING * size

    def lines(self, x: float, top: float, lines: Sequence[str], **look: Any) -> float:
        """Several lines; returns where the next one would begin."""
        for line in lines:
            top = self.text(x, top, line, **look)
        return top

    def rule(
        self,
        x: float,
        y: float,
        to_x: float,
        to_y: float | None = None,
        *,
        width: float = 0.7,
        dotted: bool = False,
        colour: str = INK,
    ) -> None:
        """A straight line; level unless ``to_y`` is given."""
        from matplotlib.lines import Line2D

        if self._measuring:
            return
        end = y if to_y is None else to_y
        self.figure.add_artist(
            Line2D(
                [x / self.width, to_x / self.width],
                [1.0 - y / self.height, 1.0 - end / self.height],
                linewidth=width,
                color=colour,
                linestyle=(0, (1, 2)) if dotted else "-",
                solid_capstyle="butt",
            )
        )

    def box(
        self,
        x: float,
        top: float,
        width: float,
        height: float,
        *,
        line: float = 0.9,
        fill: str = "none",
        hatch: str | None = None,
    ) -> None:
        """A rectangle."""
        from matplotlib.patches import Rectangle

        if self._measuring:
            return
        self.figure.add_artist(
            Rectangle(
                (x / self.width, 1.0 - (top + height) / self.height),
                width / self.width,
                height / self.height,
                facecolor=fill,
                edgecolor=INK,
                linewidth=line,
                hatch=hatch,
            )
        )

    def band(self, x: float, top: float, width: float, height: float) -> None:
        """A hatched band, which stays one in black and white."""
        self.box(x, top, width, height, line=0.7, fill=BAND, hatch="////")

    def axes(self, x: float, top: float, width: float, height: float, **more: Any) -> Axes:
        """Axes that fill a rectangle."""
        place = (
            x / self.width,
            1.0 - (top + height) / self.height,
            width / self.width,
            height / self.height,
        )
        return self.figure.add_axes(place, **more)
