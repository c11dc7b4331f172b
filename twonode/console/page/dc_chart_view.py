"""A set's voltage chart on the page: the book's figures, today's readings, and how far each is off.

Owns the two forms. Chart, readings and judgement are those of `twonode dc --chart`.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from nicegui import ui

from twonode.analysis.typed_reading import parse_volts
from twonode.analysis.voltage_chart import VoltageChart, parse_chart, shipped_chart
from twonode.analysis.voltage_report import chart_finding, chart_remarks, chart_rows
from twonode.console.dc_chart import ChartChecked, check_chart
from twonode.console.dc_options import refuse_mixtures
from twonode.console.page import pieces
from twonode.console.page.archive_view import address
from twonode.console.page.context import PageContext
from twonode.console.page.control import Field
from twonode.console.page.dc_view import (
    NothingTyped,
    begin_meter,
    meter_fields,
    simulated_bench_options,
    simulated_flags,
    typed_options,
    voltmeter_fields,
)
from twonode.console.page.looks import TextFile
from twonode.console.page.optionform import OptionForm
from twonode.errors import TwonodeError

__all__ = ["build_chart", "show_chart"]

_EXAMPLE = "wrenfield-46"


def build_chart(context: PageContext) -> None:
    """Choosing a chart, and the place where it is filled in."""
    with pieces.panel("The chart"):
        box = pieces.trouble(context.words)

        def take(text: str, where: str) -> None:
            with box.catching():
                show(parse_chart(text, where=where))

        TextFile(
            "Chart file",
            hint="TOML; `twonode dc --help` and the README show one.",
            accept=".toml,text/plain",
            chosen=lambda name, text: take(text, name),
            trouble=box,
        )
        with ui.element("details"):
            pieces.text("summary", "Or paste its text")
            area = pieces.area("Text of the chart")
            pieces.button("Use this chart", lambda: take(area.value, "pasted text"))

        def example() -> None:
            box.clear()
            show(shipped_chart(_EXAMPLE))

        pieces.button("Show an invented example", example, "quiet")
    place = ui.element("div")

    def show(chart: VoltageChart) -> None:
        place.clear()
        with place:
            _ChartView(context, chart).build()


class _ChartView:
    """One chart on one visit."""

    def __init__(self, context: PageContext, chart: VoltageChart) -> None:
        self._context = context
        self._chart = chart
        self._form = OptionForm(context.words.say)
        self._readings: dict[str, Field] = {}

    def build(self) -> None:
        """The nodes to fill in, and the place of the result."""
        context = self._context
        say = context.words.say
        with pieces.panel(self._chart.title):
            about = [
                f"To {self._chart.reference}",
                *([self._chart.condition] if self._chart.condition else []),
            ]
            pieces.text("p", "; ".join(about) + ".", "quiet")
            pieces.text("p", "Volts as the meter showed them, every digit; leave out what you did not read.")
            with ui.element("div").classes("form-grid"):
                for node in self._chart.nodes:
                    self._readings[node.name] = pieces.field(
                        say(node.name), node.reading or "", hint=f"book: {node.book_v:g} V"
                    )
            meter_fields(self._form)

            async def compare() -> None:
                with self._form.catching(box):
                    context.seat.require()
                    checked = await context.in_thread(self._check, self._typed())
                    result.clear()
                    with result:
                        show_chart(context, checked)

            def read() -> None:
                with self._form.catching(box):
                    options = typed_options(context, self._form, simulated_flags(context))
                    options.update(simulated_bench_options(context) if context.bench.simulated else {})
                    if not context.bench.simulated and options["voltmeter"] is None:
                        raise NothingTyped(
                            "--voltmeter: none is named.",
                            "Without one the readings are typed.",
                            "Type its address, or bench for the one that is remembered.",
                        )
                    options.update(chart_file=Path("chart"))
                    begin_meter(context, self._chart.title, self._form, options, self._check)

            simulated = context.bench.simulated
            with ui.element("details"):
                pieces.text("summary", "Read from a voltmeter on the bus, node by node")
                if not simulated:
                    with ui.element("div").classes("form-grid"):
                        voltmeter_fields(self._form)
                words = "Read the simulated set, node by node" if simulated else "Read node by node"
                pieces.button(words, read)
            pieces.button("Compare with the chart", compare, "main")
            box = pieces.trouble(context.words)
            result = ui.element("div")

    def _typed(self) -> dict[str, Any]:
        options = typed_options(self._context, self._form)
        readings = []
        for name, field in self._readings.items():
            try:
                if pieces.parsed(field, parse_volts) is not None:
                    readings.append(f"{name}={field.value.strip()}")
            except TwonodeError as exc:
                raise type(exc)(f"{name}: {exc.what}", exc.why, exc.do) from exc
        if not readings:
            raise NothingTyped(
                "No node has a reading.",
                "There is nothing to compare with the chart.",
                "Type one reading at least.",
            )
        options.update(chart_file=Path("chart"), readings=tuple(readings), voltmeter=None, profile=None)
        refuse_mixtures(options)
        return options

    def _check(self, options: Mapping[str, Any]) -> ChartChecked:
        return check_chart(options, self._chart, beforehand=lambda: None, ask=False)


def show_chart(context: PageContext, checked: ChartChecked) -> None:
    """What came of a chart, node by node."""
    say = context.words.say
    finding = chart_finding(checked.verdicts, checked.not_read)
    with ui.element("div").classes("found").props("role=status"):
        pieces.finding_line(finding.state.value)
        pieces.text("p", say(finding.because), "value-words")
        rows = []
        for row in chart_rows(checked.verdicts, checked.not_read):
            name, *cells, found = row
            mark = f"{pieces.finding_words(found.partition(' (')[0])[0]} " if found else ""
            rows.append([say(name), *cells, f"{mark}{found}"])
        pieces.table("Every node of the chart", ["node", "read", "expected today", "off by", "finding"], rows)
        for remark in chart_remarks(checked.verdicts, checked.not_read):
            pieces.text("p", say(remark))
        if checked.session.folder is not None:
            pieces.link("Open the recording", address(recording=checked.session.folder.name), "button")
