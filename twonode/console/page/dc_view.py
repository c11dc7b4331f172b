"""The DC check on the page: a meter's readings typed in, and what they say of one capacitor.

Owns the form and its result; a set's whole chart is `dc_chart_view`'s. Everything is taken, refused, filed and judged
by the functions of `twonode dc`.
"""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from nicegui import ui

from twonode.acquire.cautions import DC_CAUTIONS
from twonode.analysis.leakage_readings import LeakRole
from twonode.analysis.leakage_report import leakage_lines
from twonode.console.dc import dc
from twonode.console.dc_leak import LeakChecked, check_leak
from twonode.console.dc_options import refuse_mixtures
from twonode.console.dc_readings import reading_words
from twonode.console.page import pieces
from twonode.console.page.archive_view import address
from twonode.console.page.context import PageContext
from twonode.console.page.optionform import OptionForm, parsed_options
from twonode.errors import TwonodeError

__all__ = ["NothingTyped", "build", "build_cautions", "meter_fields", "typed_options"]


def build(context: PageContext) -> None:
    """The view; of the query: part, role, and what=chart for a whole chart."""
    chart = context.query.get("what") == "chart"
    with ui.element("nav").classes("row-line views-nav").props('aria-label="What is checked"'):
        for words, href, here in (
            ("One capacitor", "/dc", not chart),
            ("A set's voltage chart", "/dc?what=chart", chart),
        ):
            made = pieces.link(words, href, "nav")
            if here:
                made.props("aria-current=page")
    if chart:
        from twonode.console.page.dc_chart_view import build_chart

        build_cautions(context, lambda: build_chart(context))
    else:
        build_cautions(context, _LeakView(context).build)


def build_cautions(context: PageContext, then: Any) -> None:
    """The cautions, and what comes once they are acknowledged."""
    with ui.element("section").classes("caution"):
        pieces.text("h2", "Before the meter goes on")
        with ui.element("ul"):
            for caution in DC_CAUTIONS:
                pieces.text("li", context.words.say(caution))

        def acknowledged(ticked: bool) -> None:
            place.set_visibility(ticked)
            if ticked and not place.default_slot.children:
                with place:
                    then()

        pieces.tick("I have read this and work by it on the live set.", on_change=acknowledged)
    place = ui.element("div")
    place.set_visibility(False)


def meter_fields(form: OptionForm) -> None:
    """What the meter is, and what is filed with the readings."""
    with ui.element("details"):
        pieces.text("summary", "The meter")
        with ui.element("div").classes("form-grid"):
            form.field("--meter", "Input resistance", "such as 10M 1%", "10M")
            form.field("--meter-accuracy", "Accuracy", "share of reading and counts", "0.5% + 3")
            form.field("--display", "Counts of its display", "4000 shows steps of 0.1 mV up to 0.4 V", "4000")
    with ui.element("details"):
        pieces.text("summary", "For the archive")
        with ui.element("div").classes("form-grid"):
            form.field("--tag set", "Set", "such as wrenfield-46")
            form.field("--tag serial", "Serial number")
            form.field("--tag operator", "Who measures")
            form.field("--line", "Mains today", "as read, such as 123V")
            form.field("--minutes-on", "Minutes on", "how long the set has been on")


def typed_options(context: PageContext, form: OptionForm, flags: tuple[str, ...] = ()) -> dict[str, Any]:
    """The options of `twonode dc` as this form says them. Raises as `parsed_options`."""
    given = form.given()
    tags = tuple(
        (option.removeprefix("--tag "), text.strip())
        for option, text in given.items()
        if option.startswith("--tag ") and text.strip()
    )
    plain = {option: text for option, text in given.items() if not option.startswith("--tag ")}
    options = parsed_options(dc, plain, flags)
    options.update(tags=tags, archive=context.archive)
    return options


class NothingTyped(TwonodeError):
    """A reading without which nothing can be said."""


class _LeakView:
    """One capacitor on one visit."""

    def __init__(self, context: PageContext) -> None:
        self._context = context
        self._form = OptionForm()

    def build(self) -> None:
        """Form and place of the result."""
        form = self._form
        with pieces.panel("Readings"):
            with ui.element("div").classes("form-grid"):
                self._part_fields()
            with ui.element("details"):
                pieces.text(
                    "summary", "A second reading: it tells the capacitor's leak from the valve's grid current"
                )
                pieces.text(
                    "p", "Set off and discharged before anything is lifted or pulled.", "caution-line"
                )
                with ui.element("div").classes("form-grid"):
                    form.field("--far-lifted", "Far node, capacitor's far end lifted", "such as 0.40V")
                    form.field(
                        "--far-valve-out",
                        "Far node, next valve out",
                        "parallel heaters only; the rails rise with a valve out",
                    )
                    form.field(
                        "--lifted", "The lifted far end itself, to ground", "some 20 times as sensitive"
                    )
            with ui.element("details"):
                pieces.text("summary", "An electrolytic after forming")
                with ui.element("div").classes("form-grid"):
                    form.field(
                        "--rated", "Rated voltage", "such as 450V; drive node is then the volts across it"
                    )
                    form.field("--value", "Its capacitance", "such as 40u")
                    form.field("--formed", "Time at that voltage", "such as 5min or 3h")
                    form.field("--current", "Its current on a milliammeter", "such as 0.6mA")
                    form.field(
                        "--across",
                        "Or: volts across the series resistor",
                        "the resistor goes into the grid leak's field",
                    )
            meter_fields(form)

        async def check(*flags: str) -> None:
            with form.catching(box):
                self._context.seat.require()
                options = self._options(flags)
                refuse_mixtures(options)
                said.set_text("Reading …" if flags else "Working it out …")
                checked = await self._context.in_thread(check_leak, options, beforehand=lambda: None)
                result.clear()
                with result:
                    self._show(checked)
                self._context.sound("done")
            said.set_text("")

        with pieces.row():
            pieces.button("What does it leak?", check, "main")
            if self._context.bench.simulated:
                pieces.button("Read the simulated set instead", lambda: check("--simulated"))
        box = pieces.trouble(self._context.words)
        said = pieces.status()
        result = ui.element("div")

    def _part_fields(self) -> None:
        form, query = self._form, self._context.query
        say = self._context.words.say
        form.field("--part", "Part", "such as C7", query.get("part", ""))
        roles = {"": "coupling, usually"} | {role.value: say(role.value) for role in LeakRole}
        role = query.get("role", "")
        form.choice("--role", "What it is for", roles, role if role in roles else "")
        form.field("--drive", "Drive node", "volts as the meter showed them, such as 118V")
        form.field("--far", "Far node, part in place", "every digit shown: 0.42V was read to 10 mV")
        form.field(
            "--grid-leak",
            "Grid leak",
            'far node to ground, such as "470k 10%"; for bypasses what feeds the far node',
        )
        form.field("--bias", "Bias of the next grid", "what it should have, such as -7V")
        form.field(
            "--drive-source",
            "What feeds the drive node",
            "such as the anode load, 220k: the meter loads it too",
        )
        form.field("--grid-current", "Grid current", "none, or such as 20nA, while no second reading tells")

    def _options(self, flags: tuple[str, ...]) -> dict[str, Any]:
        if not flags:
            if not self._form.given()["--drive"].strip():
                raise NothingTyped(
                    "--drive: no volts were typed.",
                    "Without the volts behind the capacitor its leak is not known.",
                    "Type them as the meter showed them, such as 118V.",
                )
            return typed_options(self._context, self._form)
        # The simulated set has its own stage; what was typed is of another one.
        part = self._form.given()["--part"].strip() or "C7"
        options = parsed_options(dc, {"--part": part}, flags)
        bench = self._context.bench.options
        options.update({name: bench[name] for name in ("seed", "speed", "true", "faults") if name in bench})
        options["archive"] = self._context.archive
        return options

    def _show(self, checked: LeakChecked) -> None:
        say = self._context.words.say
        finding = checked.estimate.finding
        with pieces.panel(classes="found") as section:
            section.props("role=status")
            first, *others = leakage_lines(checked.estimate)
            pieces.finding_line(finding.state.value)
            pieces.text("p", say(first), "value-words")
            if checked.session.simulated:
                pieces.text("p", "Simulated set: no real part was measured.", "quiet")
            for line in others:
                pieces.text("p", say(line.strip()))
            pieces.text("h3", "Readings as they were filed")
            with ui.element("ul"):
                for taken in checked.session.taken:
                    pieces.text("li", reading_words(taken))
            with pieces.row():
                if checked.session.folder is not None:
                    pieces.link(
                        "Open the recording", address(recording=checked.session.folder.name), "button"
                    )
                replace = urlencode({"part": checked.asked.part, "role": checked.asked.role.value})
                pieces.link("What may go in instead", f"/replace?{replace}", "button")
