"""``twonode dc --chart``: every node of a set's voltage chart against today's readings, filed.

Owns the order of the job: typed readings, those in the chart's file, those asked for at the keyboard, or a voltmeter.
The arithmetic is `analysis.voltage_expected`.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

import twonode
from twonode.console import confirm
from twonode.console.dc_confirm import show_dc_cautions
from twonode.console.dc_options import conditions_of, meter_of_options, tags_of
from twonode.console.dc_readings import live_meter, take
from twonode.console.exits import Exit
from twonode.console.options import default_archive

if TYPE_CHECKING:
    from twonode.acquire.dccheck import DcSession
    from twonode.analysis.leakage_readings import Meter
    from twonode.analysis.stage import Stage
    from twonode.analysis.voltage_chart import ChartNode, VoltageChart
    from twonode.analysis.voltage_expected import Line, NodeVerdict
    from twonode.recordings import DcHeader, Instrument

__all__ = ["ChartChecked", "check_chart", "run_chart"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartChecked:
    """A set's readings held against its chart.

    not_read : nodes without a reading. document : the JSON object, as it is kept beside the readings.
    """

    chart: VoltageChart
    session: DcSession
    verdicts: list[NodeVerdict]
    not_read: list[str]
    meter: Meter
    line: Line
    document: dict[str, Any]


def run_chart(options: Mapping[str, Any]) -> int:
    """The whole job for a chart; returns the exit code."""
    from twonode.analysis.findings import FindingState
    from twonode.analysis.voltage_chart import load_chart
    from twonode.analysis.voltage_report import chart_finding

    chart = load_chart(options["chart_file"])
    found = check_chart(options, chart, beforehand=show_dc_cautions, ask=confirm.interactive())
    if options["as_json"]:
        print(json.dumps(found.document))
    else:
        _show(chart, found.session, found.verdicts, found.not_read, found.meter, found.line)
    passed = chart_finding(found.verdicts, found.not_read).state is FindingState.WITHIN_TOLERANCE
    passed = passed and not found.not_read
    return Exit.NOT_PASSED if options["check"] and not passed else Exit.DONE


def check_chart(
    options: Mapping[str, Any], chart: VoltageChart, *, beforehand: Callable[[], None], ask: bool
) -> ChartChecked:
    """Take the readings, file them, and hold them against the chart.

    options : those of `twonode dc`. beforehand : shows the cautions, once it is known that the job can be done.
    ask : whether nodes without a reading are asked for at the keyboard.

    Raises UsageError, AnalysisError, RecordingError, BenchError, SafetyRefusal.
    """
    from twonode.analysis.voltage_expected import Line, check_line

    meter = meter_of_options(options)
    line = Line(volts=options["line_v"])
    check_line(chart, line)
    live = options["voltmeter"] is not None or options["simulated"]
    typed = {} if live else _typed(options, chart)
    beforehand()
    session = (
        _from_voltmeter(options, chart, meter)
        if live
        else _from_typing(options, chart, meter, typed, ask=ask)
    )
    verdicts, not_read = _judged(chart, session, meter, line)
    document = _document(chart, session, verdicts, not_read, meter, line)
    if session.folder is not None:
        _keep(session.folder, document)
    return ChartChecked(
        chart=chart,
        session=session,
        verdicts=verdicts,
        not_read=not_read,
        meter=meter,
        line=line,
        document=document,
    )


def _typed(options: Mapping[str, Any], chart: VoltageChart) -> dict[str, str]:
    """Node to reading, from --read and from the chart's file; --read comes first.

    Raises ChartError, QuantityError naming where the reading stands.
    """
    from twonode.analysis.typed_reading import parse_node_reading, parse_volts
    from twonode.errors import TwonodeError

    found: dict[str, str] = {}
    for text in options["readings"]:
        try:
            name, volts = parse_node_reading(text)
            node = chart.node(name)
        except TwonodeError as exc:
            raise type(exc)(f"--read: {exc.what}", exc.why, exc.do) from exc
        if node.name in found:
            raise click.UsageError(f"--read {node.name!r} is given twice")
        found[node.name] = volts
    for node in chart.nodes:
        if node.reading is None or node.name in found:
            continue
        try:
            parse_volts(node.reading)
        except TwonodeError as exc:
            where = f"{options['chart_file']}: node {node.name}: reading"
            raise type(exc)(f"{where}: {exc.what}", exc.why, exc.do) from exc
        found[node.name] = node.reading
    return found


def _header(
    options: Mapping[str, Any], chart: VoltageChart, meter: Meter, instruments: tuple[Instrument, ...]
) -> DcHeader:
    from twonode.acquire.dccheck import filed_meter
    from twonode.acquire.filed import filed_versions
    from twonode.analysis.voltage_chart import chart_to_document
    from twonode.recordings import DcHeader

    tags = tags_of(options)
    return DcHeader(
        title=chart.title,
        created_utc=datetime.now(UTC),
        operator=tags.get("operator"),
        program_version=twonode.__version__,
        meter=filed_meter(meter),
        instruments=instruments,
        conditions=conditions_of(options, instruments),
        asked={"kind": "voltage chart", "chart": chart_to_document(chart)},
        tags=tags,
        versions=filed_versions(),
    )


def _archive(options: Mapping[str, Any]) -> Path | None:
    if not options["save"]:
        return None
    return options["archive"] or default_archive()


def _from_typing(
    options: Mapping[str, Any], chart: VoltageChart, meter: Meter, typed: Mapping[str, str], *, ask: bool
) -> DcSession:
    """Typed readings first, then at a keyboard those that are missing; each is filed before the next is asked for."""
    from twonode.acquire.dccheck import DcStep, dc_session
    from twonode.drivers.clock import SystemClock

    asking = ask and not options["readings"]
    if not typed and not asking:
        raise click.UsageError(
            'No readings: give --read "NODE=VOLTS", write them into the chart as reading = "121V", or use a voltmeter'
        )
    header = _header(options, chart, meter, ())
    with dc_session(header, archive=_archive(options), meter=meter, clock=SystemClock()) as session:
        for name, text in typed.items():
            session.typed(DcStep(node=name), text)
        if asking:
            _ask_nodes(session, chart)
    return session


def _ask_nodes(session: DcSession, chart: VoltageChart) -> None:
    """Ask for every node without a reading; a slip is said and asked again."""
    from twonode.acquire.dccheck import DcStep
    from twonode.analysis.errors import QuantityError

    wanted = [node for node in chart.nodes if session.latest(node.name) is None]
    at = 0
    while at < len(wanted):
        node = wanted[at]
        text = click.prompt(
            f"{at + 1}/{len(wanted)} {node.name}, book {node.book_v:g} V; read volts "
            "(s skip, r the one before again, q finish)",
            prompt_suffix=": ",
            err=True,
        ).strip()
        word = text.lower()
        if word == "q":
            return
        if word == "r":
            at = max(0, at - 1)
            continue
        if word != "s":
            try:
                session.typed(DcStep(node=node.name), text)
            except QuantityError as exc:
                click.echo(str(exc), err=True)
                continue
        at += 1


def _from_voltmeter(options: Mapping[str, Any], chart: VoltageChart, meter: Meter) -> DcSession:
    from twonode.acquire.dccheck import DcStep, dc_session
    from twonode.drivers.leaving import leaving

    stage = _simulated_set(options)
    nodes = [node for node in chart.nodes if stage is None or _in_set(stage, node)]
    if not nodes:
        raise click.UsageError("The simulated set has no node of this chart; name one with --stage")
    if stage is not None and not options["as_json"]:
        click.echo("The simulated set has no valve currents: what a valve loads reads high in it.", err=True)
    with leaving(), live_meter(options, stage) as live:
        header = _header(options, chart, meter, (live.instrument,))
        with dc_session(header, archive=_archive(options), meter=meter, clock=live.clock) as session:
            take(
                session,
                live,
                [DcStep(node=node.name) for node in nodes],
                quiet=bool(options["as_json"] or stage is not None),
            )
    return session


def _simulated_set(options: Mapping[str, Any]) -> Stage | None:
    from twonode.analysis.stage import load_stage, shipped_stage

    if not options["simulated"]:
        return None
    if options["stage_file"] is not None:
        return load_stage(options["stage_file"])
    return shipped_stage("wrenfield-46-driver-output")


def _in_set(stage: Stage, node: ChartNode) -> bool:
    return node.name in stage.nodes


def _judged(
    chart: VoltageChart, session: DcSession, meter: Meter, line: Line
) -> tuple[list[NodeVerdict], list[str]]:
    from twonode.analysis.voltage_chart import ChartError
    from twonode.analysis.voltage_expected import judge_reading

    verdicts, not_read = [], []
    for node in chart.nodes:
        reading = session.latest(node.name)
        if reading is None:
            not_read.append(node.name)
        else:
            verdicts.append(judge_reading(chart, node, reading, meter=meter, line=line))
    if not verdicts:
        raise ChartError(
            "No node was read.", "There is nothing to compare with the chart.", "Read one node at least."
        )
    return verdicts, not_read


def _document(
    chart: VoltageChart,
    session: DcSession,
    verdicts: list[NodeVerdict],
    not_read: list[str],
    meter: Meter,
    line: Line,
) -> dict[str, Any]:
    from twonode.analysis.voltage_report import chart_document

    return chart_document(
        chart,
        verdicts,
        not_read=not_read,
        meter=meter,
        line=line,
        simulated=session.simulated,
        recording=None if session.folder is None else str(session.folder),
    )


def _keep(folder: Path, document: Mapping[str, Any]) -> None:
    """Put the result beside the readings; an archive that cannot be written is said and passed over."""
    from twonode.recordings import RecordingError, add_result

    # A name, not a path: a recording may be moved.
    kept = {**document, "recording": folder.name, "program": f"twonode {twonode.__version__}"}
    try:
        add_result(folder, "dc_chart", kept)
    except RecordingError as exc:
        print(f"The result was not kept beside the recording: {exc.what}", file=sys.stderr)


def _show(
    chart: VoltageChart,
    session: DcSession,
    verdicts: list[NodeVerdict],
    not_read: list[str],
    meter: Meter,
    line: Line,
) -> None:
    from twonode.analysis.voltage_report import chart_lines

    first, *others = chart_lines(
        chart,
        verdicts,
        not_read=not_read,
        meter=meter,
        line=line,
        simulated=session.simulated,
    )
    click.secho(first, bold=True)
    for text in others:
        click.echo(text)
    if session.folder is not None:
        click.echo(f"Recording: {session.folder}")
