"""What stands on the sheet of a sweep, or of readings that were imported as one.

Owns which fact goes where.
"""

from __future__ import annotations

from collections.abc import Sequence

from twonode.analysis.curves import FittedCurve
from twonode.analysis.hookup import HookUp
from twonode.analysis.quantities import format_quantity
from twonode.analysis.sheet import Bar, Field, Mark, Plot, RecordingSheet, Verdict
from twonode.recordings.model import Header, PointRow, PointState, RecordingKind, TableRow
from twonode.recordings.reader import Recording
from twonode.recordings.sheet_checks import DcCheck, leak_verdict, read_checks, reading_lines
from twonode.recordings.sheet_method import sweep_method
from twonode.recordings.sheet_result import Result
from twonode.recordings.sheet_source import BLANKS, Source, because_words, worst_first
from twonode.recordings.sheet_words import (
    also_in_microfarad,
    certainty_words,
    mark_of,
    plain_finding,
    plain_role,
    quantity_words,
    span_words,
)

__all__ = ["sweep_sheet"]

_LEAK = "leakage at working voltage"


def sweep_sheet(
    source: Source, recording: Recording, cautions: tuple[str, ...], curves: Sequence[FittedCurve]
) -> RecordingSheet:
    """The page's content. curves : the fit to be drawn; none leaves the points alone."""
    header, result = recording.header, source.result
    checks = read_checks(source.beside(RecordingKind.DC))
    value, leak = (
        _value_verdict(result, imported=header.conditions.imported),
        leak_verdict(checks[-1] if checks else None),
    )
    headline, note = _headline(source, recording, result)
    return RecordingSheet(
        title=header.title,
        stamps=source.stamps(),
        identity=source.identity_fields(_marked(header, recording)),
        headline=headline,
        headline_note=note,
        verdicts=worst_first(value, leak),
        plain=_plain(source, recording, result, checks),
        bar=_bar(header, result),
        points_out=_points_out(result, checks),
        not_tested=_not_tested(result, checks),
        plot=_plot(recording, result, curves),
        listing=None,
        method=sweep_method(recording, result),
        readings=reading_lines(checks),
        notes=source.note_lines(),
        blanks=BLANKS,
        cautions=cautions,
        trail=source.trail(),
        made=source.made(),
    )


def _marked(header: Header, recording: Recording) -> str:
    words = []
    if header.expected_farad is not None:
        words.append(format_quantity(header.expected_farad, "F"))
        if header.expected_tolerance is not None:
            minus, plus = header.expected_tolerance
            words[0] += f" ±{100 * plus:g} %" if minus == plus else f" -{100 * minus:g}/+{100 * plus:g} %"
    if recording.stage is not None and header.part is not None:
        rated = recording.stage.part(header.part).rated_v
        if rated is not None:
            words.append(f"{rated:g} V")
    return ", ".join(words)


def _headline(source: Source, recording: Recording, result: Result | None) -> tuple[str, str]:
    """The largest line, and what goes under it."""
    name = source.part_words()
    if result is None or result.capacitance is None:
        return f"{name}: no result yet", "The readings are filed; nothing has been worked out from them."
    found = result.capacitance.quantity
    notes = []
    if found.value is not None and result.capacitance.interval95 is not None:
        low, high = result.capacitance.interval95
        old = also_in_microfarad(low, high)
        notes.append(f"95 % interval {span_words(low, high, 'F')}{f' ({old})' if old else ''}.")
        words = quantity_words(found)
    elif result.finding is not None and result.finding.state == "shorted":
        words = "no capacitance to be seen"
    else:
        words = "value not determined" if str(found) == "not determined" else str(found)
    limits = _limits(recording.header)
    if limits is not None:
        notes.append(f"It should be {span_words(*limits, 'F')}.")
    elif result.label is not None:
        notes.append(f"{result.label}.")
    return f"{name}: {words}", " ".join(notes)


def _limits(header: Header) -> tuple[float, float] | None:
    if header.expected_farad is None or header.expected_tolerance is None:
        return None
    minus, plus = header.expected_tolerance
    return header.expected_farad * (1.0 - minus), header.expected_farad * (1.0 + plus)


def _value_verdict(result: Result | None, *, imported: bool) -> Verdict:
    if result is None:
        return Verdict(about="Finding", mark=mark_of(None), words="not worked out")
    if result.finding is None:
        return Verdict(
            about="Loose part of a drawer",
            mark=mark_of(None),
            words=result.state or "no finding",
            detail="working voltage unknown",
        )
    finding = result.finding
    return Verdict(
        about="Finding from imported readings" if imported else "Finding from the sweep",
        mark=mark_of(finding.state),
        words=finding.state,
        detail="no circuit that was tried describes the readings"
        if result.fit.misfit
        else certainty_words(finding.state, finding.probability),
    )


def _plain(source: Source, recording: Recording, result: Result | None, checks: Sequence[DcCheck]) -> str:
    """What a set's owner understands."""
    header, name = recording.header, source.part_words()
    sentences = []
    if recording.stage is not None and header.part is not None:
        part = recording.stage.part(header.part)
        where = f" between {part.between[0]} and {part.between[1]}" if header.hookup is HookUp.STAGE else ""
        role = f" ({part.role})" if part.role and header.hookup is HookUp.STAGE else ""
        sentences += [f"{name} is a capacitor{where}{role}.", plain_role(part.role)]
    if result is None:
        read = "Readings of it were imported" if header.conditions.imported else "It was measured"
        sentences.append(f"{read}, and nothing has been worked out yet.")
    elif result.finding is not None:
        finding = result.finding
        sentences.append(plain_finding(finding.state, leak=False))
        if finding.state not in ("within tolerance", "off value"):
            sentences.append(because_words(finding.because, header.part))
    elif result.state is not None:
        sentences.append(result.because or "")
    leaks = checks[-1].finding if checks else None
    if leaks == "within tolerance":
        sentences.append(f"A DC check of {checks[-1].day} found no leak that matters.")
    elif leaks is not None:
        sentences.append(f"A DC check of {checks[-1].day} found it {leaks}.")
    elif result is not None and result.finding is not None and result.finding.state == "leaky":
        sentences.append("How much it leaks at high voltage was not tested.")
    elif result is None or result.finding is None or result.finding.state != "shorted":
        sentences.append("Whether it holds back high voltage was not tested.")
    return " ".join(sentence for sentence in sentences if sentence)


def _bar(header: Header, result: Result | None) -> Bar | None:
    found = None if result is None else result.capacitance
    if found is None or found.value is None or found.interval95 is None or not found.interval95[0] > 0.0:
        return None
    if header.expected_farad is None:  # nothing to be compared with
        return None
    low, high = found.interval95
    return Bar(value=found.value, low=low, high=high, nominal=header.expected_farad, limits=_limits(header))


def _points_out(result: Result | None, checks: Sequence[DcCheck]) -> tuple[Field, ...]:
    if result is None:
        return (Field(label="Next", text="Work it out with `twonode estimate`, then print the sheet again."),)
    found = []
    if result.fit.misfit:
        found.append(Field(label="Do not trust this yet", text=result.fit.misfit))
    following = _next(result, checks)
    if following:
        found.append(Field(label="Next", text=following))
    if result.budget:
        top = max(result.budget, key=lambda line: line.share)
        text = f"{top.source}, {100 * top.share:.0f} % of the uncertainty"
        if top.action and top.action not in following:
            text += f"; to shrink it: {top.action}"
        found.append(Field(label="Largest doubt", text=f"{text}."))
    return tuple(found)


def _next(result: Result, checks: Sequence[DcCheck]) -> str:
    """What to do; where the value is right, or the DC check found a fault, the DC check decides."""
    own = "" if result.finding is None else result.finding.action
    newest = next((check for check in reversed(checks) if check.sound), None)
    if newest is None:
        return own
    right = result.finding is not None and result.finding.state == "within tolerance"
    if right and newest.finding == "within tolerance":
        return "Nothing, as far as value and leakage at the volts of the DC check go."
    if not right and mark_of(newest.finding) is not Mark.TROUBLE:
        return own
    stated = None if newest.result is None else newest.result.finding
    return own if stated is None else stated.action


def _not_tested(result: Result | None, checks: Sequence[DcCheck]) -> tuple[str, ...]:
    """What stays open; a DC check that exists has tested the leak at the volts it says."""
    named: list[str] = []
    if result is not None:
        named += result.not_tested if result.finding is None else result.finding.not_tested
    if not named:
        named.append(_LEAK)
    if any(check.sound for check in checks):
        named = [each for each in named if each != _LEAK]
        named.append("leakage at a higher voltage or temperature than in the DC check")
    return tuple(dict.fromkeys(named))


def _plot(recording: Recording, result: Result | None, curves: Sequence[FittedCurve]) -> Plot | None:
    refused = tuple(
        (row.frequency_hz, row.ratio)
        for row in recording.points
        if row.state is PointState.REFUSED and row.ratio
    )
    points = [(row.frequency_hz, ratio) for row in recording.used if (ratio := _ratio(row))]
    if not points and not refused and not curves:
        return None
    corner = None if result is None or not curves else result.fit.corner_hz
    span = [hz for hz, _ in (*points, *refused)]
    words = (
        f"Ratio of far to drive voltage in decibels, and its phase, over frequency: {len(points)} points from "
        f"{format_quantity(min(span), 'Hz')} to {format_quantity(max(span), 'Hz')}"
    )
    if curves:
        words += ", with the curve of the fitted circuit"
    if corner is not None:
        words += f"; corner at {format_quantity(corner, 'Hz')}"
    return Plot(
        curves=tuple(curves),
        points=() if curves else tuple(points),
        refused=refused,
        corner_hz=corner,
        words=f"{words}.",
    )


def _ratio(row: PointRow) -> complex | float | None:
    """Complex, or a bare magnitude where an imported table has no phase."""
    return row.ratio if row.ratio is not None or not isinstance(row, TableRow) else row.magnitude
