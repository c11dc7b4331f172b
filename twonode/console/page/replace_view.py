"""What may go in instead of a capacitor: the form of `twonode replace`, and its advice.

Owns the places. At the mains nothing but the safety class is said, as there.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from nicegui import ui

from twonode.analysis.quantities import format_quantity
from twonode.analysis.replacement import Replacement, Role, parse_role, parse_stock
from twonode.analysis.replacement.role import facts_of
from twonode.cautions import SOLDERING_CAUTIONS
from twonode.console.page import pieces
from twonode.console.page.context import PageContext
from twonode.console.page.optionform import OptionForm, parsed_options
from twonode.console.replace import replace, replacement_advice
from twonode.console.replace_screen import (
    changes_of,
    parts_words,
    percent,
    series_words,
    shares_words,
    value_words,
    was_words,
    working_words,
)
from twonode.errors import TwonodeError

__all__ = ["build", "role_of", "value_of"]


_LETTERS = ((-6, "u"), (-9, "n"), (-12, "p"))


def role_of(text: str) -> str:
    """The position that a role of a stage file or a DC check means; empty where it is none."""
    try:
        return parse_role(text).value if text.strip() else ""
    except TwonodeError:
        return ""


def value_of(text: str) -> str:
    """A value in farads out of an address, as it is typed; empty where it is none."""
    try:
        farad = float(text)
    except ValueError:
        return ""
    if not 0.0 < farad < 1.0:
        return ""
    power, letter = next((each for each in _LETTERS if farad >= 10.0 ** each[0]), _LETTERS[-1])
    return f"{float(f'{farad:.4e}') / 10.0**power:.6g}{letter}"


def build(context: PageContext) -> None:
    """The view; of the query: part, value (F) and role."""
    query, say = context.query, context.words.say
    form = OptionForm(context.words.say)
    with pieces.panel(f"Instead of {query['part']}" if query.get("part") else None):
        with ui.element("div").classes("form-grid"):
            form.field(
                "--value",
                "Value of the old part",
                "as on the schematic: .05uF, 22n, 250 mmf",
                value_of(query.get("value", "")),
            )
            roles = {"": "choose …"} | {role.value: say(role.value) for role in Role}
            form.choice("--role", "What it is for", roles, role_of(query.get("role", "")))
            form.field(
                "--voltage",
                "DC volts of the supply behind it",
                "such as HT 265V, not the lower ones of a warm valve; unused at the line",
            )
            form.field(
                "--next",
                "Resistance it works with",
                "the grid leak it feeds, the resistor it bypasses, such as 470k",
            )
        with ui.element("details"):
            pieces.text("summary", "More that is known")
            with ui.element("div").classes("form-grid"):
                form.field(
                    "--source", "Resistance of what feeds it", "anode load in parallel with the valve's"
                )
                form.field("--tolerance", "How far the value may move", "such as 10%; else what is usual")
                form.field("--at", "A frequency to look at", "such as 50Hz")
                form.field("--rated", "A rated voltage you have in mind", "such as 400V")
                form.field("--secondary", "The transformer's secondary", "such as 250-0-250V")
                form.field("--line-rise", "How far the line may rise", "such as 8%")
                form.field("--line", "Mains volts", "for positions at the mains")
                form.field("--line-frequency", "Mains frequency", "such as 50Hz")
            stock = pieces.area(
                "Parts at hand",
                hint="CSV with a first line value,voltage and if wanted tolerance,dielectric,quantity",
            )

        def suggest() -> None:
            place.clear()
            with form.catching(box):
                options = parsed_options(replace, form.given())
                at_hand = parse_stock(stock.value, "the list of parts") if stock.value.strip() else None
                advice = replacement_advice(options, at_hand)
                with place:
                    _Shown(context, advice, form).build()

        pieces.button("What may go in?", suggest, "main")
        box = pieces.trouble(context.words)
    place = ui.element("div")


class _Shown:
    """The advice on the page; cautions before anything that the person could act on."""

    def __init__(self, context: PageContext, advice: Replacement, form: OptionForm) -> None:
        self._words = context.words
        self._form = form
        self._advice = advice

    def _say(self, text: str) -> str:
        """A sentence with the fields' labels, and the person's words."""
        return self._words.say(self._form.labelled(text))

    def build(self) -> None:
        """All of it."""
        advice, say = self._advice, self._say
        request = advice.request
        at = "" if request.working is None or advice.mains is not None else f", {working_words(advice)}"
        with ui.element("div").props("role=status"):
            with ui.element("section").classes("caution"):
                pieces.text("h2", "Before soldering")
                with ui.element("ul"):
                    for caution in (*(advice.mains.cautions if advice.mains else ()), *SOLDERING_CAUTIONS):
                        pieces.text("li", say(caution))
            with pieces.panel("In short"):
                pieces.text("p", say(f"{advice.in_short[:1].upper()}{advice.in_short[1:]}."), "value-words")
                old = f"Instead of {format_quantity(request.value_farad, 'F')}, {request.role.value}{at}."
                pieces.text("p", say(old), "quiet")
        self._values()
        if advice.mains is not None:
            self._mains()
        if advice.rated is not None:
            self._rated()
        self._dielectrics()
        self._stock()
        self._list("Notes", advice.notes)
        self._list("Not known", advice.unknown)

    def _list(self, title: str, lines: Iterable[str]) -> None:
        found = [self._say(line) for line in lines]
        if found:
            with pieces.panel(title), ui.element("ul"):
                for line in found:
                    pieces.text("li", line)

    def _table(self, caption: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
        pieces.table(self._say(caption), heads, [[self._say(cell) for cell in row] for row in rows])

    def _values(self) -> None:
        advice = self._advice
        with pieces.panel("Value"):
            if not advice.suggestions:
                pieces.text("p", self._say(f"No preferred value: {facts_of(advice.request.role).why}."))
                return
            caption = (
                "Preferred values"
                if advice.limits is None
                else f"Preferred values; it may move {advice.limits}"
            )
            self._table(
                caption,
                ["value", "", "change", "series", *changes_of(advice.suggestions[0])],
                [
                    [
                        value_words(each),
                        "usual" if each.recommended else "",
                        percent(each.deviation),
                        series_words(each),
                        *changes_of(each).values(),
                    ]
                    for each in advice.suggestions
                ],
            )
            was = was_words(advice.suggestions[0])
            if was:
                pieces.text("p", self._say(f"With the old value: {was}."))
            with ui.element("ul"):
                for each in advice.suggestions:
                    opinions = ", ".join(opinion.value for opinion in each.opinions)
                    pieces.text("li", self._say(f"{value_words(each)} ({opinions}): {each.because}"))

    def _mains(self) -> None:
        mains = self._advice.mains
        assert mains is not None
        said = " (the line was not given: these are usual ones)" if mains.assumed_line else ""
        with pieces.panel("At the mains"):
            self._table(
                f"Current through it at the line{said}",
                ["line", "value", "current", "part 20 % high", ""],
                [
                    [
                        f"{each.line.volts:g} V {each.line.frequency_hz:g} Hz",
                        format_quantity(each.value_farad, "F"),
                        format_quantity(each.current_a, "A"),
                        format_quantity(each.high_a, "A"),
                        ", ".join(
                            word
                            for word, true in (("old value", each.old), ("not suggested", not each.suggested))
                            if true
                        ),
                    ]
                    for each in mains.currents
                ],
            )
        self._list("Limits kept", mains.limits)

    def _rated(self) -> None:
        rated = self._advice.rated
        assert rated is not None
        value = (
            "none that is commonly made"
            if rated.suggested_v is None
            else f"{rated.suggested_v:g} V DC or more"
        )
        with pieces.panel("Rated voltage"):
            pieces.text("p", value, "value-words")
            with ui.element("ul"):
                for line in (*rated.because, *([rated.asked_because] if rated.asked_because else [])):
                    pieces.text("li", self._say(line))

    def _dielectrics(self) -> None:
        rows = [[each.name, each.fit.value, each.because, each.source] for each in self._advice.dielectrics]
        if rows:
            with pieces.panel("Dielectric"):
                self._table("What it may be made of", ["dielectric", "here", "because", "source"], rows)

    def _stock(self) -> None:
        stock = self._advice.stock
        if stock is None:
            return
        with pieces.panel("From the parts at hand"):
            if stock.found:
                self._table(
                    "Single parts and combinations",
                    ["parts (line)", "", "value", "change", "rated", "remarks"],
                    [
                        [
                            parts_words(each),
                            each.arrangement.value,
                            f"{format_quantity(each.value_farad, 'F')} ({format_quantity(each.low_farad, 'F')} to "
                            f"{format_quantity(each.high_farad, 'F')})",
                            percent(each.deviation),
                            f"{each.rated_v:.0f} V",
                            "; ".join((*shares_words(each), *each.notes)),
                        ]
                        for each in stock.found
                    ],
                )
            if stock.because is not None:
                pieces.text("p", self._say(f"{stock.because}."))
            with ui.element("ul"):
                for refused in stock.refused:
                    value = format_quantity(refused.part.value_farad, "F")
                    pieces.text(
                        "li", self._say(f"Line {refused.part.line}, {value}: not used: {refused.because}")
                    )
