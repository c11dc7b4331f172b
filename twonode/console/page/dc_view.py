"""The DC check on the page: a meter's readings, typed in or taken from a voltmeter, and what they say of one capacitor.

Owns the form and its result; a set's whole chart is `dc_chart_view`'s, the way from node to node `dc_meter_view`'s.
Everything is taken, refused, filed and judged by the functions of `twonode dc`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from nicegui import ui

from twonode.analysis.leakage_readings import LeakRole
from twonode.analysis.leakage_report import leakage_lines
from twonode.cautions import DC_CAUTIONS
from twonode.console.benches import remembered_voltmeter
from twonode.console.dc import dc
from twonode.console.dc_leak import LeakChecked, check_leak
from twonode.console.dc_options import refuse_mixtures
from twonode.console.dc_readings import reading_words
from twonode.console.page import pieces
from twonode.console.page.archive_view import address
from twonode.console.page.context import PageContext
from twonode.console.page.dc_meter_view import MeterSession
from twonode.console.page.dc_meter_work import MeterProgress, meter_work
from twonode.console.page.optionform import OptionForm, parsed_options
from twonode.errors import TwonodeError

if TYPE_CHECKING:
    from twonode.console.dc_chart import ChartChecked

__all__ = [
    "NothingTyped",
    "begin_meter",
    "build",
    "build_cautions",
    "meter_fields",
    "show_leak",
    "simulated_bench_options",
    "simulated_flags",
    "typed_options",
    "voltmeter_fields",
]

_SECOND = {
    "": "none",
    "far-lifted": "far node, the capacitor's far end lifted",
    "far-valve-out": "far node, the next valve out",
    "lifted": "the lifted far end itself",
}


def build(context: PageContext) -> None:
    """The view: the check that runs, or ran last, from a voltmeter; the form. Of the query: part, role, what=chart."""
    job = context.jobs.current
    if job is not None and isinstance(job.progress, MeterProgress):
        MeterSession(context, job, lambda progress: _show_checked(context, progress))
        if not job.state.over:
            return
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


def _show_checked(context: PageContext, progress: MeterProgress) -> None:
    from twonode.console.page.dc_chart_view import show_chart

    if isinstance(progress.checked, LeakChecked):
        show_leak(context, progress.checked)
    elif progress.checked is not None:
        show_chart(context, progress.checked)


def begin_meter(
    context: PageContext,
    title: str,
    form: OptionForm,
    options: dict[str, Any],
    check: Callable[[Mapping[str, Any]], LeakChecked | ChartChecked],
) -> None:
    """Read node by node, from the voltmeter that the options name or the simulated one.

    Raises NotYourBench, UsageError, BenchFileError, BenchBusy.
    """
    context.seat.require()
    remembered_voltmeter(options)
    refuse_mixtures(options)
    # Whoever reads is on the page: nothing of it is said in the terminal.
    options.update(as_json=True, cautions_acknowledged=True)
    progress = MeterProgress(labels=form.labels)
    context.jobs.start(title, meter_work(options, check), progress=progress, view="/dc")
    ui.navigate.to("/dc")


def simulated_flags(context: PageContext) -> tuple[str, ...]:
    """--simulated where the page's bench is, else nothing."""
    return ("--simulated",) if context.bench.simulated else ()


def simulated_bench_options(context: PageContext) -> dict[str, Any]:
    """Which simulated bench, as the page was told."""
    bench = context.bench.options
    return {name: bench[name] for name in ("seed", "speed", "true", "faults") if name in bench}


def voltmeter_fields(form: OptionForm) -> None:
    """A voltmeter that is read instead of typing."""
    form.field(
        "--voltmeter", "Voltmeter", "its VISA address, or bench for the one that `twonode bench` asked for"
    )
    form.field("--profile", "Command profile", "where *IDN? is unknown")


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
        self._form = OptionForm(context.words.say)

    def build(self) -> None:
        """Form and place of the result."""
        form = self._form
        with pieces.panel("Readings"):
            with ui.element("div").classes("form-grid"):
                self._part_fields()
            with ui.element("details"):
                second = "A second reading: it tells the capacitor's leak from the valve's grid current"
                pieces.text("summary", self._context.words.say(second))
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

            simulated = self._context.bench.simulated
            with ui.element("details"):
                pieces.text("summary", "Read from a voltmeter on the bus, node by node")
                with ui.element("div").classes("form-grid"):
                    if not simulated:
                        voltmeter_fields(form)
                    form.choice("--also", "A second reading, too", _SECOND, "")
                words = "Read the simulated set, node by node" if simulated else "Read node by node"
                pieces.button(words, lambda: self._read(box))

        async def check() -> None:
            with form.catching(box):
                self._context.seat.require()
                options = self._typed()
                refuse_mixtures(options)
                said.set_text("Working it out …")
                checked = await self._context.in_thread(check_leak, options, beforehand=lambda: None)
                result.clear()
                with result:
                    show_leak(self._context, checked)
                self._context.sound("done")
            said.set_text("")

        pieces.button("What does it leak?", check, "main")
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

    def _typed(self) -> dict[str, Any]:
        if not self._form.given()["--drive"].strip():
            raise NothingTyped(
                "--drive: no volts were typed.",
                "Without the volts behind the capacitor its leak is not known.",
                "Type them as the meter showed them, such as 118V.",
            )
        options = typed_options(self._context, self._form)
        # Only for the voltmeter.
        options.update(also=(), voltmeter=None, profile=None)
        return options

    def _read(self, box: pieces.TroubleBox) -> None:
        context, form = self._context, self._form
        with form.catching(box):
            if context.bench.simulated:
                # The simulated set has its own stage; what was typed is of another one.
                given = form.given()
                part = given["--part"].strip() or "C7"
                asked = {"--part": part, "--also": given["--also"]}
                options = parsed_options(dc, asked, simulated_flags(context))
                options.update(simulated_bench_options(context), archive=context.archive)
            else:
                if not form.given()["--voltmeter"].strip():
                    raise NothingTyped(
                        "--voltmeter: none is named.",
                        "Without one the readings are typed.",
                        "Type its address, or bench for the one that is remembered.",
                    )
                options = typed_options(context, form)
                part = options["part"] or "the capacitor"
            begin_meter(context, f"DC check of {part}", form, options, _check)


def _check(options: Mapping[str, Any]) -> LeakChecked:
    return check_leak(options, beforehand=lambda: None)


def show_leak(context: PageContext, checked: LeakChecked) -> None:
    """What came of one capacitor."""
    say = context.words.say
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
                pieces.text("li", say(reading_words(taken)))
        with pieces.row():
            if checked.session.folder is not None:
                pieces.link("Open the recording", address(recording=checked.session.folder.name), "button")
            replace = urlencode({"part": checked.asked.part, "role": checked.asked.role.value})
            pieces.link("What may go in instead", f"/replace?{replace}", "button")
