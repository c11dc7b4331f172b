"""``twonode dc`` for one capacitor: readings in, leak with interval or bound out, filed.

Owns the order of the job and what is shown. The arithmetic is `analysis.leakage`.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

import twonode
from twonode.console.dc_asked import LeakAsked, asked_of, header_of
from twonode.console.dc_confirm import show_dc_cautions
from twonode.console.dc_readings import live_meter, reading_words, take
from twonode.console.exits import Exit
from twonode.console.options import default_archive

if TYPE_CHECKING:
    from twonode.acquire.dccheck import DcSession, DcStep
    from twonode.analysis.leakage import LeakageEstimate, LeakageReadings
    from twonode.analysis.leakage_forming import FormedReadings

__all__ = ["LeakChecked", "check_leak", "run_leak"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LeakChecked:
    """A capacitor checked: what was asked, the readings with their recording, and what they say.

    document : the JSON object, as it is kept beside the readings.
    """

    asked: LeakAsked
    session: DcSession
    estimate: LeakageEstimate
    document: dict[str, Any]


def run_leak(options: Mapping[str, Any]) -> int:
    """The whole job for one capacitor; returns the exit code."""
    from twonode.analysis.findings import FindingState

    checked = check_leak(options, beforehand=show_dc_cautions)
    if options["as_json"]:
        print(json.dumps(checked.document))
    else:
        _show(checked.session, checked.estimate, typed=not _live(options))
    passed = checked.estimate.finding.state is FindingState.WITHIN_TOLERANCE
    return Exit.NOT_PASSED if options["check"] and not passed else Exit.DONE


def check_leak(options: Mapping[str, Any], *, beforehand: Callable[[], None]) -> LeakChecked:
    """Take the readings, file them, and work the leak out.

    options : those of `twonode dc`. beforehand : shows the cautions, once it is known that the job can be done.

    Raises UsageError, AnalysisError, RecordingError, BenchError, SafetyRefusal; with a note on readings that are kept.
    """
    from twonode.errors import TwonodeError

    asked = asked_of(options)
    live = _live(options)
    if asked.forming is None:
        _refuse_too_little(options, asked, live=live)
    beforehand()
    session = _from_voltmeter(options, asked) if live else _from_typing(options, asked)
    try:
        estimate = _estimated(asked, session)
    except TwonodeError as exc:
        if session.folder is not None:
            exc.add_note(f"The readings are kept: {session.folder}")
        raise
    document = _document(asked, session, estimate)
    if session.folder is not None:
        _keep(session.folder, asked.part, document)
    return LeakChecked(asked=asked, session=session, estimate=estimate, document=document)


def _live(options: Mapping[str, Any]) -> bool:
    return options["voltmeter"] is not None or bool(options["simulated"])


def _typed_steps(options: Mapping[str, Any], asked: LeakAsked) -> list[tuple[str, DcStep, str]]:
    """Option, step and text of every reading that was typed."""
    from twonode.acquire.dccheck import DcStep
    from twonode.recordings import DcState

    drive = DcStep(node=asked.drive_node)
    if asked.to_ground and options["lifted"] is not None:
        # The part alone: what drives it is the node that its other end hangs on.
        drive = DcStep(node=asked.far_node, state=DcState.LIFTED)
    all_of_them = (
        ("drive", drive),
        ("far", DcStep(node=asked.far_node)),
        ("across", DcStep(node=asked.far_node)),
        ("far_lifted", DcStep(node=asked.far_node, state=DcState.LIFTED)),
        ("far_valve_out", DcStep(node=asked.far_node, state=DcState.NEXT_VALVE_OUT)),
        ("lifted", DcStep(node=f"{asked.part}, loose end", state=DcState.LOOSE_END)),
    )
    return [(name, step, options[name]) for name, step in all_of_them if options[name] is not None]


def _from_typing(options: Mapping[str, Any], asked: LeakAsked) -> DcSession:
    """The typed readings; filed once they are known to fit together, so that a slip does not fill the archive."""
    from twonode.acquire.dccheck import DcSession, dc_session
    from twonode.drivers.clock import SystemClock
    from twonode.errors import TwonodeError

    clock = SystemClock()
    trial = DcSession(meter=asked.meter, writer=None, clock=clock)
    steps = _typed_steps(options, asked)
    for name, step, text in steps:
        try:
            trial.typed(step, text)
        except TwonodeError as exc:
            raise type(exc)(f"--{name.replace('_', '-')}: {exc.what}", exc.why, exc.do) from exc
    _fitting(asked, trial)
    header = header_of(options, asked, ())
    with dc_session(header, archive=_archive(options), meter=asked.meter, clock=clock) as session:
        for _, step, text in steps:
            session.typed(step, text)
    return session


def _from_voltmeter(options: Mapping[str, Any], asked: LeakAsked) -> DcSession:
    from twonode.acquire.dccheck import dc_session
    from twonode.drivers.leaving import leaving

    with leaving(), live_meter(options, asked.stage, part=asked.part) as live:
        header = header_of(options, asked, (live.instrument,))
        with dc_session(header, archive=_archive(options), meter=asked.meter, clock=live.clock) as session:
            take(session, live, _live_steps(options, asked), quiet=_quiet(options))
    return session


def _quiet(options: Mapping[str, Any]) -> bool:
    """Whether a reading is only said at the end: nobody stands at a simulated set."""
    return bool(options["as_json"] or options["simulated"])


def _live_steps(options: Mapping[str, Any], asked: LeakAsked) -> list[DcStep]:
    from twonode.acquire.dccheck import DcStep
    from twonode.acquire.dcsteps import second_reading
    from twonode.recordings import DcState

    also = list(dict.fromkeys(options["also"]))
    seconds = [
        second_reading(name, part=asked.part, far_node=asked.far_node, to_ground=asked.to_ground)
        for name in also
    ]
    if asked.to_ground and "lifted" in also:
        # The part alone: what drives it is the node that its other end hangs on, in that state.
        first = DcStep(node=asked.far_node, state=DcState.LIFTED, advice=seconds[0].advice)
        return [first, DcStep(node=seconds[0].node, state=DcState.LOOSE_END)]
    return [DcStep(node=asked.drive_node), DcStep(node=asked.far_node), *seconds]


def _refuse_too_little(options: Mapping[str, Any], asked: LeakAsked, *, live: bool) -> None:
    """Refuse what could not be judged, before anybody reads it on a live set. Raises UsageError."""
    from twonode.analysis.leakage import LeakRole

    lifted = options["lifted"] is not None or "lifted" in options["also"]
    others = [name for name in ("far", "far_lifted", "far_valve_out") if options[name] is not None]
    others += [name for name in options["also"] if name != "lifted"]
    if asked.to_ground and lifted and others:
        raise click.UsageError(
            f"--lifted judges {asked.role.with_article} alone: give --drive as the volts of the node that its other "
            f"end is on, and leave --{others[0].replace('_', '-')} out"
        )
    if not live:
        return
    if asked.resistor is None and not (asked.to_ground and lifted):
        raise click.UsageError("--grid-leak is missing: the leak's current is read off the volts across it")
    if asked.to_ground and asked.role is not LeakRole.AVC_FILTER and not options["also"]:
        raise click.UsageError(
            f"The role {asked.role.value!r} needs a second reading, or the valve's current is taken for its leak: "
            "--also lifted, far-lifted or far-valve-out"
        )


def _archive(options: Mapping[str, Any]) -> Path | None:
    if not options["save"]:
        return None
    return options["archive"] or default_archive()


def _estimated(asked: LeakAsked, session: DcSession) -> LeakageEstimate:
    from twonode.analysis.leakage import LeakageReadings, estimate_leakage
    from twonode.analysis.leakage_forming import estimate_formed

    readings = _fitting(asked, session)
    if isinstance(readings, LeakageReadings):
        return estimate_leakage(readings, asked.limits)
    return estimate_formed(readings, asked.limits)


def _fitting(asked: LeakAsked, session: DcSession) -> LeakageReadings | FormedReadings:
    """The readings together with what is known around them. Raises LeakageError where no leak explains them."""
    from twonode.analysis.leakage import LeakageError, LeakageReadings
    from twonode.recordings import DcState

    loose = session.latest(f"{asked.part}, loose end", DcState.LOOSE_END)
    alone = asked.to_ground and loose is not None
    drive = session.latest(asked.drive_node)
    if alone:
        drive = session.latest(asked.far_node, DcState.LIFTED) or drive
    if drive is None:
        raise LeakageError(
            f"The drive node {asked.drive_node!r} was not read.",
            "Without the volts behind the capacitor its leak is not known.",
            "Read it as well.",
        )
    if asked.forming is not None:
        return asked.forming.readings(
            part=asked.part,
            applied=drive,
            across=session.latest(asked.far_node),
            resistor=asked.resistor,
            meter=asked.meter,
        )
    return LeakageReadings(
        drive=drive,
        far=session.latest(asked.far_node),
        resistor=asked.resistor,
        meter=asked.meter,
        role=asked.role,
        part=asked.part,
        bias_v=asked.bias_v,
        far_capacitor_lifted=None if alone else session.latest(asked.far_node, DcState.LIFTED),
        far_valve_out=session.latest(asked.far_node, DcState.NEXT_VALVE_OUT),
        lifted_end=loose,
        drive_source=asked.far_source if alone else asked.drive_source,
        grid_current=asked.grid_current,
    )


def _document(asked: LeakAsked, session: DcSession, estimate: LeakageEstimate) -> dict[str, Any]:
    import msgspec

    from twonode.analysis.leakage_report import leakage_document

    assert session.header is not None, "only a trial has none"
    conditions = session.header.conditions
    return {
        "format": 1,
        "recording": None if session.folder is None else str(session.folder),
        **leakage_document(estimate),
        "conditions": {
            "live": conditions.live,
            "line_volts": conditions.line_volts,
            "minutes_on": conditions.minutes_on,
            "meter_ohm": asked.meter.resistance_ohm,
            "bias_v": estimate.bias_v,
            "simulated": conditions.simulated,
        },
        "readings": [msgspec.to_builtins(taken.row) for taken in session.taken],
    }


def _keep(folder: Path, part: str, document: Mapping[str, Any]) -> None:
    """Put the result beside the readings; an archive that cannot be written is said and passed over."""
    from twonode.recordings import RecordingError, add_result

    # A name, not a path: a recording may be moved.
    kept = {**document, "recording": folder.name, "program": f"twonode {twonode.__version__}"}
    try:
        add_result(folder, f"dc_{part}", kept)
    except RecordingError as exc:
        print(f"The result was not kept beside the recording: {exc.what}", file=sys.stderr)


def _show(session: DcSession, estimate: LeakageEstimate, *, typed: bool) -> None:
    from twonode.analysis.leakage_report import leakage_lines

    first, *others = leakage_lines(estimate)
    click.secho(first, bold=True)
    if session.simulated:
        click.echo("  SIMULATED BENCH")
    for line in others:
        click.echo(line)
    how = ", as finely as they were typed" if typed else ""
    click.echo(f"Readings{how}:")
    for taken in session.taken:
        click.echo(f"  {reading_words(taken)}")
    if session.folder is not None:
        click.echo(f"Recording: {session.folder}")
