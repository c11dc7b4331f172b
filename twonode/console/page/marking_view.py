"""A part's marking typed or picked colour by colour, and every reading that it allows.

Owns the picking; the readings are those of `twonode marking`.
"""

from __future__ import annotations

from collections.abc import Callable

from nicegui import ui

from twonode.analysis.marking import Arrow, MarkingRead, parse_meter_reading, read_marking
from twonode.analysis.marking.colourwords import Colour
from twonode.console.marking import detail_words, reading_cells, source_words
from twonode.console.page import pieces
from twonode.console.page.context import PageContext
from twonode.console.page.soon import Soon

__all__ = ["build", "with_word", "without_last"]

_SWATCHES = {
    Colour.BLACK: "#000000",
    Colour.BROWN: "#6b3e1d",
    Colour.RED: "#c8201e",
    Colour.ORANGE: "#ef7d12",
    Colour.YELLOW: "#f2d21b",
    Colour.GREEN: "#23803a",
    Colour.BLUE: "#1f4fb0",
    Colour.VIOLET: "#7b3fa0",
    Colour.GREY: "#868686",
    Colour.WHITE: "#ffffff",
    Colour.GOLD: "#c9a227",
    Colour.SILVER: "#c3c7cc",
    Colour.NONE: "transparent",
}
_ARROWS = {
    Arrow.RIGHT.value: "right, or none",
    Arrow.LEFT.value: "left",
    Arrow.UNKNOWN.value: "unknown",
}


def with_word(marking: str, word: str) -> str:
    """The marking with one more word."""
    return f"{marking.strip()} {word}".strip()


def without_last(marking: str) -> str:
    """The marking without its last word."""
    return " ".join(marking.split()[:-1])


def build(context: PageContext) -> None:
    """The view; of the query: text."""
    _MarkingView(context).build()


class _MarkingView:
    """One marking on one visit."""

    def __init__(self, context: PageContext) -> None:
        self._context = context
        self._soon = Soon(context, self._read)

    def build(self) -> None:
        """Form, colours, and the place of the readings."""
        with pieces.panel():
            self._text = pieces.field(
                "What is on the part",
                self._context.query.get("text", ""),
                hint="Letters and figures such as 473K 400V or .05 mfd 600 VDC; or colours, by button or in words.",
                on_change=self._soon.ask,
            )
            with (
                ui.element("div")
                .classes("swatches")
                .props('role=group aria-label="Colours, one after the other"')
            ):
                for colour, swatch in _SWATCHES.items():
                    self._colour(colour, swatch)
                self._key("/ next row", lambda text: with_word(text, "/"))
                self._key("Take the last one back", without_last)
                self._key("Clear", lambda _: "")
            with ui.element("div").classes("form-grid"):
                self._measured = pieces.field(
                    "Measured value, if any",
                    hint="such as 252p or 252p ± 1%: orders the readings",
                    on_change=self._soon.ask,
                )
                self._arrow = pieces.choice(
                    "Arrows on the dots point", _ARROWS, Arrow.RIGHT.value, self._soon.ask
                )
        self._box = pieces.trouble(self._context.words)
        self._said = pieces.status()
        self._place = ui.element("div")
        if self._text.value:
            self._soon.ask(pause_s=0.0)

    def _colour(self, colour: Colour, swatch: str) -> None:
        made = pieces.button("", lambda: self._put(with_word(self._text.value, colour.value)), "quiet swatch")
        with made:
            bare = " bare" if colour is Colour.NONE else ""
            pieces.text("span", "", f"dot{bare}").props("aria-hidden=true").style(f"background: {swatch}")
            pieces.text("span", "none (bare)" if colour is Colour.NONE else colour.value)

    def _key(self, words: str, change: Callable[[str], str]) -> None:
        pieces.button(words, lambda: self._put(change(self._text.value)), "quiet")

    def _put(self, text: str) -> None:
        self._text.set(text)
        self._soon.ask()

    async def _read(self, wanted: Callable[[], bool]) -> None:
        self._place.clear()
        self._measured.error(None)
        self._box.clear()
        if not self._text.value.strip():
            self._said.set_text("")
            return
        with self._box.catching():
            measured = pieces.parsed(self._measured, parse_meter_reading)
            found = read_marking(self._text.value, measured=measured, arrow=Arrow(self._arrow.value))
            count = len(found.readings)
            self._said.set_text("One reading." if count == 1 else f"{count} readings.")
            with self._place:
                self._show(found)
            return
        self._said.set_text("")

    def _show(self, found: MarkingRead) -> None:
        say = self._context.words.say
        for caution in found.cautions:
            with ui.element("div").classes("caution"):
                pieces.text("p", say(caution))
        heads = ["value", "tolerance", "volts"]
        heads += ["measured"] if found.measured is not None else []
        rows = []
        sources: dict[str, int] = {}
        for ranked in found.readings:
            cells = [say(cell) for cell in reading_cells(ranked)]
            if found.measured is not None:
                cells.append("-" if ranked.agreement is None else say(ranked.agreement.words))
            numbers = [sources.setdefault(source, len(sources) + 1) for source in source_words(ranked)]
            notes = "; ".join(say(each) for each in detail_words(ranked))
            by = f"{ranked.reading.scheme.value} [{', '.join(map(str, numbers))}]"
            rows.append([*cells, by, ranked.today or "-", notes])
        pieces.table("Every reading", [*heads, "scheme [source]", "marked today", "notes"], rows, "marking")
        page_order = found.order.replace("Give --measured to order them.", "A measured value orders them.")
        for line in (page_order, *found.notes):
            pieces.text("p", say(line), "quiet")
        with pieces.panel("Sources"), ui.element("ol"):
            for source in sources:
                pieces.text("li", source)
