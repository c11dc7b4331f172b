"""What the views are made of: text, sections, buttons, labelled controls, troubles, tables.

Owns these pieces. They are the browser's own elements with our style sheet, so that keyboard and screen reader find
what they expect. Whatever is shown goes through the framework as text and never as markup; the one exception is an SVG
that this program drew.
"""

from __future__ import annotations

import base64
from collections.abc import Awaitable, Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any, TypeVar

import click
from nicegui import ui
from nicegui.element import Element
from nicegui.elements.mixins.text_element import TextElement
from nicegui.events import GenericEventArguments

from twonode.console.page.control import Choice, Field, Slider, Tick
from twonode.console.page.trouble import Trouble, trouble_of
from twonode.console.page.words import Words
from twonode.errors import TwonodeError

__all__ = [
    "TroubleBox",
    "area",
    "button",
    "choice",
    "field",
    "figure",
    "finding_line",
    "finding_words",
    "link",
    "panel",
    "parsed",
    "png",
    "row",
    "slider",
    "stack",
    "status",
    "table",
    "text",
    "tick",
    "trouble",
]

Handler = Callable[[], Awaitable[None] | None]
T = TypeVar("T")


class Text(TextElement):
    """Words in an element of any kind."""

    def __init__(self, tag: str, words: str, classes: str = "") -> None:
        super().__init__(tag=tag, text=words)
        self.classes(classes)


def text(tag: str, words: str, classes: str = "") -> Text:
    """Words in one element, such as text("p", "...")."""
    return Text(tag, words, classes)


def stack(classes: str = "") -> Element:
    """One thing under the other."""
    return ui.element("div").classes(f"stack {classes}")


def row(classes: str = "") -> Element:
    """Side by side, wrapping where there is no room."""
    return ui.element("div").classes(f"row-line {classes}")


def panel(title: str | None = None, classes: str = "") -> Element:
    """A section with its heading, to be filled in a ``with`` block."""
    section = ui.element("section").classes(f"panel {classes}")
    if title is not None:
        with section:
            text("h2", title)
    return section


def button(words: str, on_click: Handler, kind: str = "plain") -> Text:
    """A button. kind : plain, main, stop or quiet."""
    made = Text("button", words, f"button {kind}")
    made.props("type=button")

    async def pressed(_: GenericEventArguments) -> None:
        answer = on_click()
        if answer is not None:
            await answer

    made.on("click", pressed, args=[])
    return made


def link(words: str, href: str, kind: str = "") -> Text:
    """A link to another view; kind "button" makes it look like one."""
    made = Text("a", words, f"link {kind}")
    made.props["href"] = href
    return made


def field(
    label: str,
    value: str = "",
    hint: str = "",
    on_change: Callable[[str], Any] | None = None,
    width: str | None = None,
    on_enter: Handler | None = None,
) -> Field:
    """A line to type into."""
    return Field("text", label, value, hint=hint, on_change=on_change, width=width, on_enter=on_enter)


def area(label: str, value: str = "", hint: str = "", on_change: Callable[[str], Any] | None = None) -> Field:
    """Several lines to type into."""
    return Field("area", label, value, hint=hint, on_change=on_change)


def choice(
    label: str,
    options: Mapping[str, str],
    value: str,
    on_change: Callable[[str], Any] | None = None,
    hint: str = "",
) -> Choice:
    """One of several; options : what is chosen, and its words."""
    return Choice(label, options, value, hint=hint, on_change=on_change)


def tick(
    label: str, value: bool = False, on_change: Callable[[bool], Any] | None = None, hint: str = ""
) -> Tick:
    """A box to tick."""
    return Tick(label, value, hint=hint, on_change=on_change)


def slider(
    label: str,
    low: float,
    high: float,
    step: float,
    value: float,
    on_change: Callable[[float], Any] | None = None,
    shown: Callable[[float], str] = str,
) -> Slider:
    """A value to drag; on_change comes while it is dragged, at most every 40 ms."""
    return Slider(label, low, high, step, value, on_change=on_change, shown=shown)


def parsed(field: Field, parse: Callable[[str], T], *, marked: bool = True) -> T | None:
    """What stands in a field, parsed; None where nothing does. marked : what is wrong is said below it, too.

    Raises what ``parse`` raises.
    """
    field.error(None)
    text = field.value.strip()
    if not text:
        return None
    try:
        return parse(text)
    except TwonodeError as exc:
        if marked:
            field.error(exc.do)
        raise


class TroubleBox:
    """Where an error of what stands beside it is said."""

    def __init__(self, words: Words | None = None) -> None:
        self._words = words
        self._box = ui.element("div").classes("trouble-box").props("role=alert")

    def show(self, error: BaseException | Trouble) -> None:
        """Say it, in the words of the command line."""
        found = error if isinstance(error, Trouble) else trouble_of(error)
        say = self._words.say if self._words is not None else str
        self._box.clear()
        with self._box, ui.element("div").classes("trouble"):
            text("p", say(found.what), "what")
            for words in (found.why, found.do):
                if words:
                    text("p", say(words))
            for note in found.notes:
                text("p", note, "note")

    def clear(self) -> None:
        """Nothing to say any more."""
        self._box.clear()

    @contextmanager
    def catching(self) -> Iterator[None]:
        """Show what goes wrong inside; what was said before is gone."""
        self.clear()
        try:
            yield
        except (TwonodeError, click.ClickException) as exc:
            self.show(exc)
        except Exception as exc:
            self.show(exc)
            raise


def trouble(words: Words | None = None) -> TroubleBox:
    """A place for errors, here."""
    return TroubleBox(words)


def status(words: str = "", classes: str = "") -> Text:
    """A line that a screen reader says when it changes, without interrupting."""
    return text("p", words, f"status {classes}").props("role=status aria-live=polite")


def figure(svg: str, label: str, classes: str = "") -> Element:
    """A drawing of our own; svg : made and escaped by this program."""
    with ui.element("figure").classes(f"figure {classes}").props("tabindex=0") as made:
        ui.html(svg)
        text("figcaption", label)
    return made


def png(content: bytes, alt: str, classes: str = "") -> Element:
    """A picture."""
    made = ui.element("img").classes(f"picture {classes}")
    made.props["src"] = f"data:image/png;base64,{base64.b64encode(content).decode('ascii')}"
    made.props["alt"] = alt
    return made


def table(caption: str, headers: Sequence[str], rows: Sequence[Sequence[str]], classes: str = "") -> Element:
    """A table of words; the first column heads its row."""
    with ui.element("div").classes("table-room") as room, ui.element("table").classes(classes):
        text("caption", caption)
        with ui.element("thead"), ui.element("tr"):
            for header in headers:
                text("th", header).props("scope=col")
        with ui.element("tbody"):
            for each in rows:
                with ui.element("tr"):
                    for place, words in enumerate(each):
                        if place == 0:
                            text("th", words).props("scope=row")
                        else:
                            text("td", words)
    return room


_MARKS = {"within tolerance": ("✓", "sound"), "undecided": ("?", "open-question")}


def finding_words(state: str) -> tuple[str, str]:
    """Mark and style of a finding's word; the mark says the same as the colour, and the word says it all."""
    return _MARKS.get(state, ("✗", "trouble-found"))


def finding_line(state: str, classes: str = "") -> Element:
    """A finding's mark and word."""
    mark, style = finding_words(state)
    with ui.element("p").classes(f"finding-line {style} {classes}") as made:
        text("span", mark, "mark").props("aria-hidden=true")
        text("span", state, "word")
    return made
