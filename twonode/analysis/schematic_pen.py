"""The pen that schematics are drawn with: wires, dots, words, earths and the flags where a probe's tip goes.

Owns the SVG of these pieces. Colours come from the page around it (``currentColor`` and two variables); nothing is said
by colour alone. Lengths are in units of the drawing, about a CSS pixel each.
"""

from __future__ import annotations

from xml.sax.saxutils import escape, quoteattr

__all__ = ["PART", "Pen"]

PART = 44
"""Length of a symbol."""


class Pen:
    """Collects what is drawn; `svg` is the whole."""

    def __init__(self) -> None:
        self._out: list[str] = []

    def put(self, markup: str) -> None:
        """Markup of our own."""
        self._out.append(markup)

    def line(self, *points: tuple[float, float]) -> None:
        """A wire through these points."""
        text = " ".join(f"{x:g},{y:g}" for x, y in points)
        self.put(f'<polyline points="{text}"/>')

    def dot(self, x: float, y: float) -> None:
        """Where wires join."""
        self.put(f'<circle cx="{x:g}" cy="{y:g}" r="3.5" fill="currentColor"/>')

    def text(self, x: float, y: float, text: str, *, anchor: str = "start", bold: bool = False) -> None:
        """Words, whatever they hold."""
        weight = ' font-weight="bold"' if bold else ""
        self.put(
            f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}" fill="currentColor" stroke="none"{weight}>'
            f"{escape(text)}</text>"
        )

    def earth(self, x: float, y: float) -> None:
        """The symbol of ground."""
        for width, drop in ((30, 0), (19, 7), (8, 14)):
            self.line((x - width / 2, y + drop), (x + width / 2, y + drop))

    def flag(self, x: float, y: float, channel: int) -> None:
        """A probe's flag, its middle at x and y."""
        self.put(f'<rect x="{x - 32:g}" y="{y - 15:g}" width="64" height="30" rx="4" class="clip"/>')
        self.text(x, y + 5, f"CH {channel}", anchor="middle", bold=True)

    def svg(self, width: float, height: float, *, title: str, described: str) -> str:
        """One SVG element with title and description for a screen reader."""
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" role="img" '
            f'aria-label={quoteattr(title)} class="schematic" font-family="sans-serif" '
            f'font-size="15" fill="none" stroke="currentColor" stroke-width="2" stroke-linecap="round">'
            f"<title>{escape(title)}</title><desc>{escape(described)}</desc>{''.join(self._out)}</svg>"
        )
