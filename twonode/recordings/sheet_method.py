"""How a sweep was made, in a few labelled lines: hook-up, signal, instruments, null run, neighbours.

Owns the wording of these lines.
"""

from __future__ import annotations

from twonode.analysis.hookup import HookUp
from twonode.analysis.quantities import format_level, format_quantity
from twonode.analysis.sheet import Field
from twonode.recordings.model import Ended, Header, InstrumentRole, PointState
from twonode.recordings.reader import Recording
from twonode.recordings.sheet_result import Result
from twonode.recordings.sheet_words import instrument_words, quantity_words

__all__ = ["sweep_method"]

_MOST_OTHERS = 4


def sweep_method(recording: Recording, result: Result | None) -> tuple[Field, ...]:
    """The lines, the most telling first."""
    header = recording.header
    fields = [
        Field(label="Hook-up", text=_hookup(recording)),
        Field(label="Signal", text=_signal(recording)),
    ]
    others = [] if result is None else _others(result)
    if others:
        fields.append(Field(label="Worked out with it", text="; ".join(others)))
    fields += [
        Field(label=each.role.value.capitalize(), text=instrument_words(each.identity))
        for each in header.instruments
    ]
    if any(each.role is InstrumentRole.SCOPE for each in header.instruments):
        factors = f"{header.drive_probe.factor:g}:1 and {header.far_probe.factor:g}:1"
        fields.append(Field(label="Probes", text=f"{factors}, channel 1 and 2"))
    fields.append(Field(label="Null run", text=_null(header, result)))
    if header.ended is not None and header.ended is not Ended.FINISHED:
        fields.append(Field(label="Run", text=f"{header.ended.value}: the points until then were kept"))
    return tuple(fields)


def _hookup(recording: Recording) -> str:
    header, stage = recording.header, recording.stage
    imported = "; readings imported, not taken by this program" if header.conditions.imported else ""
    nodes = "" if stage is None else f", from {stage.drive} to {stage.far}"
    if header.hookup is not HookUp.STAGE:
        way = "in series with" if header.hookup is HookUp.SERIES else "to ground, behind"
        return f"loose part in a fixture, {way} a known resistor{imported}"
    volts = header.conditions.node_volts
    left = "" if volts is None else f"; {volts[0]:g} V and {volts[1]:g} V left at the nodes"
    unplugged = "set unplugged and discharged" if header.conditions.unplugged_and_discharged else ""
    return f"in its stage{nodes}{f', {unplugged}' if unplugged else ''}{left}{imported}"


def _signal(recording: Recording) -> str:
    conditions = recording.header.conditions
    words = f"{format_level(conditions.level_vpp)}, bias {conditions.bias_v:g} V"
    if conditions.imported:  # nobody was asked for the bias
        words = "level and bias not known"
        if conditions.level_vpp is not None:
            words = f"{format_level(conditions.level_vpp)}, bias not known"
    if recording.used:
        hertz = [row.frequency_hz for row in recording.used]
        count = len(hertz)
        words += (
            f", {count} point{'s' if count != 1 else ''} {format_quantity(min(hertz), 'Hz')} to "
            f"{format_quantity(max(hertz), 'Hz')}"
        )
    refused = sum(row.state is PointState.REFUSED for row in recording.points)
    return f"{words}, {refused} refused" if refused else words


def _others(result: Result) -> list[str]:
    """Neighbours and losses that were fitted."""
    found = [f"{name} {quantity_words(value.quantity)}" for name, value in result.others.items()]
    found = found[:_MOST_OTHERS]
    for name, stated in (
        ("loss", result.loss or result.tan_delta),
        ("series resistance", result.esr),
        ("leak", result.leak),
    ):
        if stated is not None and str(stated.quantity) != "not determined":
            found.append(f"{name} {quantity_words(stated.quantity)}")
    found += [f"with {name} clipped on" for name in result.conditions.companions]
    return found


def _null(header: Header, result: Result | None) -> str:
    if result is not None and result.conditions.null:
        return result.conditions.null
    if header.conditions.imported:
        return "not known"
    if header.null is None:
        return "none: the channels were not compared beforehand"
    return f"{header.null.recording} (manifest {header.null.manifest_sha256[:12]})"
