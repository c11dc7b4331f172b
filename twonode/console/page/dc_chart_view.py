"""A set's voltage chart on the page: the book's figures, today's readings, and how far each is off.

Owns the two forms. Chart, readings and judgement are those of `twonode dc --chart`.
"""

from __future__ import annotations

from pathlib import Path

from nicegui import ui

from twonode.analysis.voltage_chart import VoltageChart, parse_chart, shipped_chart
from twonode.analysis.voltage_report import chart_finding, chart_remarks, chart_rows
from twonode.console.dc_chart import ChartChecked, check_chart
from twonode.console.dc_options import refuse_mixtures
from twonode.console.page import pieces
from twonode.console.page.archive_view import address
from twonode.console.page.context import PageContext
from twonode.console.page.control import Field
from twonode.console.page.dc_view import NothingTyped, meter_fields, typed_options
from twonode.console.page.looks import TextFile
from twonode.console.page.optionform import OptionForm

__all__ = ["build_chart"]

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
        pieces.button("Show an invented example", lambda: show(shipped_chart(_EXAMPLE)), "quiet")
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
        self._form = OptionForm()
        self._readings: dict[str, Field] = {}

    def build(self) -> None:
        """The nodes to fill in, and the place of the result."""
        say = self._context.words.say
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
                    self._context.seat.require()
                    checked = await self._context.in_thread(self._check)
                    result.clear()
                    with result:
                        self._show(checked)

            pieces.button("Compare with the chart", compare, "main")
            box = pieces.trouble(self._context.words)
            result = ui.element("div")

    def _check(self) -> ChartChecked:
        options = typed_options(self._context, self._form)
        readings = tuple(
            f"{name}={field.value.strip()}" for name, field in self._readings.items() if field.value.strip()
        )
        if not readings:
            raise NothingTyped(
                "No node has a reading.",
                "There is nothing to compare with the chart.",
                "Type one reading at least.",
            )
        options.update(chart_file=Path("chart"), readings=readings)
        refuse_mixtures(options)
        return check_chart(options, self._chart, beforehand=lambda: None, ask=False)

    def _show(self, checked: ChartChecked) -> None:
        say = self._context.words.say
        finding = chart_finding(checked.verdicts, checked.not_read)
        with ui.element("div").classes("found").props("role=status"):
            pieces.finding_line(finding.state.value)
            pieces.text("p", say(finding.because), "value-words")
            rows = []
            for row in chart_rows(checked.verdicts, checked.not_read):
                name, *cells, found = row
                mark = f"{pieces.finding_words(found.partition(' (')[0])[0]} " if found else ""
                rows.append([say(name), *cells, f"{mark}{found}"])
            pieces.table(
                "Every node of the chart", ["node", "read", "expected today", "off by", "finding"], rows
            )
            for remark in chart_remarks(checked.verdicts, checked.not_read):
                pieces.text("p", say(remark))
            if checked.session.folder is not None:
                pieces.link("Open the recording", address(recording=checked.session.folder.name), "button")
