"""What misbehaviour does to bytes, settings and volts.

Owns the stand-ins between line and instrument, and the world that lies about the circuit. Points are counted by the
blocks the scope has delivered since the output went on, two a point, whatever its dialect. For tests and for trying
the program out; nothing of it is loaded where nothing misbehaves.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from twonode.drivers.clock import Clock
from twonode.drivers.simulated.instrument import SimulatedInstrument
from twonode.drivers.simulated.misbehave import Kind, Misbehaviour, When
from twonode.drivers.simulated.pieces import Hangup, Misbehaved, Piece
from twonode.drivers.simulated.scope_core import ScopeCore
from twonode.drivers.simulated.scpi import ScpiInstrument
from twonode.drivers.simulated.scpi_values import ScpiError
from twonode.drivers.simulated.settings import SimulatedSettings
from twonode.drivers.simulated.world import InputPath, Segment, World

__all__ = ["MisbehavingWorld"]

_LEAST_RECORD = 500
"""Shorter looks at the signal are the trigger's, not a record's."""
_HUM_V = 1.0
_OF_A_BLOCK = {
    *(Kind.TRUNCATED_BLOCK, Kind.WRONG_LENGTH),
    *(Kind.CLOSED_BEFORE_BLOCK, Kind.CLOSED_INSIDE_BLOCK, Kind.CLOSED_AFTER_BLOCK),
}
_WIRE = {
    *(Kind.NO_REPLY, Kind.LATE_REPLY, Kind.SLOW_REPLIES, Kind.BYTE_BY_BYTE, Kind.GARBAGE, Kind.RESET),
    *_OF_A_BLOCK,
}
_PANEL = (Kind.CHANNEL_OFF, Kind.AC_COUPLING, Kind.PROBE_SETTING)
# Commands of the families of the facts page that move the generator, or switch its output on.
_FREQUENCY = re.compile(r":?(SOUR\w*:)?FREQ|C1:BSWV FRQ,|WMF|bf", re.IGNORECASE)
_OUTPUT_ON = re.compile(r":?OUTP\w*(:STAT\w*)?\s+(ON|1)$|C1:OUTP ON|WMN1", re.IGNORECASE)
_TRIGGER_SOURCE = re.compile("SOU|TRSE", re.IGNORECASE)
_NUMBERS = re.compile(rb"\s*[-+.\dE]+(,[-+.\dE]+)*\s*", re.IGNORECASE)
# Single fields of a record's description, and the one that answers in their place.
_EXCHANGED = ((re.compile(r"(?<=:)YMU\w*\?", re.IGNORECASE), "XINcr?"),)


class _Run:
    """How far the run is, and what is still to go wrong."""

    def __init__(self, faults: tuple[Misbehaviour, ...]) -> None:
        self._left = {id(fault): fault.occurrences for fault in faults}
        self._faults = faults
        self.on = False
        self.blocks = 0
        self._been_on = False

    def output(self, on: bool) -> None:
        self.on = on
        self._been_on |= on

    def due(self, *kinds: Kind) -> list[Misbehaviour]:
        """What of these is to happen now."""
        return [f for f in self._faults if f.kind in kinds and self._left[id(f)] > 0 and self._now(f)]

    def happened(self, fault: Misbehaviour) -> None:
        """One occurrence is used up."""
        self._left[id(fault)] -= 1

    def _now(self, fault: Misbehaviour) -> bool:
        match fault.when:
            case When.CONNECT:
                return not self._been_on or self._left[id(fault)] == float("inf")
            case When.CLOSING:
                return self._been_on and not self.on
            case When.POINT:
                return self._been_on and self.blocks // 2 + 1 >= fault.point


class MisbehavingWorld(World):
    """A world whose instruments and circuit do what the settings' misbehaviours say."""

    def __init__(self, settings: SimulatedSettings, clock: Clock) -> None:
        self.run = _Run(settings.misbehave)
        self._asked_hz = 1000.0
        self._true_hz = 1000.0
        self._struck: dict[Kind, float] = {}
        super().__init__(settings, clock)

    def misbehaving(self, instruments: dict[str, SimulatedInstrument]) -> dict[str, SimulatedInstrument]:
        """Generator and scope behind stand-ins; the voltmeter behaves."""
        return {
            name: _StandIn(each, name, self.run) if name in ("generator", "scope") else each
            for name, each in instruments.items()
        }

    def set_source(self, *, frequency_hz: float, amplitude_v: float) -> None:
        """As in `World`, unless the generator lies about it."""
        run = self.run
        if frequency_hz != self._asked_hz:
            lies = run.due(Kind.FREQUENCY_UNTRUE)
            if lies:
                run.happened(lies[0])
            else:
                self._true_hz = frequency_hz
            self._asked_hz = frequency_hz
        run.output(amplitude_v > 0)
        amplitude_v = 0.0 if run.due(Kind.OUTPUT_DEAD) else amplitude_v
        super().set_source(frequency_hz=self._true_hz, amplitude_v=amplitude_v)

    def sample(
        self,
        channel: int,
        window: tuple[Segment, ...],
        *,
        start_s: float,
        step_s: float,
        count: int,
        path: InputPath | None = None,
    ) -> NDArray[np.float64]:
        """As in `World`, and then what has happened to probes and signal."""
        volts = super().sample(channel, window, start_s=start_s, step_s=step_s, count=count, path=path)
        if count >= _LEAST_RECORD and self._strikes(Kind.AMPLITUDE_GLITCH, start_s):
            volts = volts.copy()
            volts[int(0.4 * count) : int(0.45 * count)] = 0.0
        if channel == 0:
            return volts
        due = {fault.kind for fault in self.run.due(*_CHANNEL_2)}
        if Kind.DEAD_CHANNEL in due:
            volts = 0.0 * volts
        if Kind.PROBE_AT_1X in due:
            volts = 10.0 * volts
        if Kind.PROBE_AT_10X in due:
            volts = 0.1 * volts
        if Kind.HUM in due:
            moments_s = start_s + step_s * np.arange(count)
            volts = volts + _HUM_V * np.sin(2 * np.pi * self.truth.line_hz * moments_s + 0.7)
        if Kind.CLIPPED_CHANNEL in due:
            limit = 0.6 * float(np.abs(volts).max())
            volts = np.clip(volts, -limit, limit)
        if count >= _LEAST_RECORD and self._strikes(Kind.BURST, start_s):
            volts = volts.copy()
            begin, length = int(0.6 * count), max(count // 50, 8)
            ringing = np.exp(-np.arange(length) / (length / 4)) * np.cos(np.arange(length) * 0.9)
            volts[begin : begin + length] += 0.5 * float(np.ptp(volts)) * ringing
        return volts

    def _strikes(self, kind: Kind, start_s: float) -> bool:
        """Whether it happens to the record that starts here, which both channels share."""
        if self._struck.get(kind) == start_s:
            return True
        due = self.run.due(kind)
        if not due:
            return False
        self.run.happened(due[0])
        self._struck[kind] = start_s
        return True


_CHANNEL_2 = (Kind.DEAD_CHANNEL, Kind.PROBE_AT_1X, Kind.PROBE_AT_10X, Kind.HUM, Kind.CLIPPED_CHANNEL)


class _StandIn(SimulatedInstrument):
    """Between the line and an instrument: hands messages on, and does to them what is due."""

    def __init__(self, behind: SimulatedInstrument, name: str, run: _Run) -> None:
        super().__init__(lock=behind.lock, clock=behind.clock)
        self._behind = behind
        self._name = name
        self._run = run
        self._identity: bytes | None = None
        self.idn = behind.idn
        self.line_end = behind.line_end  # type: ignore[misc]

    def execute(self, message: str) -> bytes:
        """As the instrument behind, or raises Misbehaved."""
        behind = self._behind
        behind.patience_s, behind.nap_s, behind.given_up = self.patience_s, self.nap_s, self.given_up
        with self.lock:
            asked = self._before(message)
        if asked is None:
            return b""
        reply = self._without_trigger(asked) if self._due(Kind.STUCK_TRIGGER) else behind.execute(asked)
        with self.lock:
            return self._after(asked, reply)

    def _without_trigger(self, message: str) -> bytes:
        """As the instrument behind, but nothing reaches its trigger meanwhile."""
        core = getattr(self._behind, "core", None)
        if not isinstance(core, ScopeCore) or _TRIGGER_SOURCE.search(message):
            return self._behind.execute(message)
        source = core.trigger.channel
        core.trigger = replace(core.trigger, channel=None)
        try:
            return self._behind.execute(message)
        finally:
            core.trigger = replace(core.trigger, channel=source)

    def overrun(self) -> None:
        """As the instrument behind."""
        self._behind.overrun()

    def _due(self, *kinds: Kind) -> list[Misbehaviour]:
        return [fault for fault in self._run.due(*kinds) if fault.where == self._name]

    def _first(self, *kinds: Kind) -> Misbehaviour | None:
        """One that is due, counted as happened."""
        for fault in self._due(*kinds):
            self._run.happened(fault)
            return fault
        return None

    def _before(self, message: str) -> str | None:
        """The message as it reaches the instrument; None is lost on the way."""
        query = "?" in message
        if not query and _FREQUENCY.match(message) and self._first(Kind.FREQUENCY_NOT_TAKEN):
            return None
        if not query and _OUTPUT_ON.match(message) and self._first(Kind.OUTPUT_STAYS_OFF):
            return None
        if self._due(Kind.ERROR_QUEUE) and isinstance(self._behind, ScpiInstrument):
            self._first(Kind.ERROR_QUEUE)
            self._behind.queue_error(ScpiError(-350 if query else -222, "nobody's fault"))
        core = getattr(self._behind, "core", None)
        if isinstance(core, ScopeCore):
            for kind in _PANEL:
                if self._first(kind):
                    _AT_THE_PANEL[kind](core)
        for field, other in _EXCHANGED:
            if field.search(message) and self._first(Kind.PREAMBLE_ORDER):
                return field.sub(other, message)
        return message

    def _after(self, message: str, reply: bytes) -> bytes:
        """The reply as it goes out. Raises Misbehaved."""
        if not reply:
            return reply
        if message.strip().upper() == "*IDN?":
            return self._named(reply)
        block = self._name == "scope" and b"#" in reply[:4096] and len(reply) > 64
        if self._due(Kind.WRONG_IDENTITY):
            self._first(Kind.WRONG_IDENTITY)
            self._identity = b"TWONODE,SIM-STRANGER,SIMULATED,1.0\n"
            raise Misbehaved((Hangup.CLOSE,))
        if self._due(Kind.POWER_CYCLE):
            self._first(Kind.POWER_CYCLE)
            switch_on = getattr(self._behind, "reset", None)
            if callable(switch_on):
                switch_on()
            raise Misbehaved((Hangup.CLOSE,))
        if not block and _NUMBERS.fullmatch(reply):
            reply = self._numbers(reply)
        for fault in self._due(*_WIRE):
            if fault.kind not in _OF_A_BLOCK or block or self._name == "generator":
                self._run.happened(fault)
                raise Misbehaved(_pieces(fault, reply))
        # Counted last, so that a block that went wrong is none.
        if block and self._run.on:
            self._run.blocks += 1
        return reply

    def _named(self, reply: bytes) -> bytes:
        """Who answers to *IDN?."""
        if self._identity is None and self._due(Kind.WRONG_IDENTITY):
            self._first(Kind.WRONG_IDENTITY)
            self._identity = b"TWONODE,SIM-STRANGER,SIMULATED,1.0\n"
        return self._identity or reply

    def _numbers(self, reply: bytes) -> bytes:
        fields = reply.strip().split(b",")
        if len(fields) == 10 and self._first(Kind.PREAMBLE_ORDER):
            return b",".join([*fields[:4], *fields[7:], *fields[4:7]]) + b"\n"
        if len(fields) in (1, 10) and self._first(Kind.SENTINELS):
            fields[-3 if len(fields) == 10 else 0] = b"9.91E+37"
            return b",".join(fields) + b"\n"
        return reply


def _pieces(fault: Misbehaviour, reply: bytes) -> tuple[Piece, ...]:
    """What goes out instead of a reply."""
    half = reply[: max(len(reply) // 2, 1)]
    match fault.kind:
        case Kind.NO_REPLY:
            return ()
        case Kind.LATE_REPLY:
            return (fault.seconds, reply)
        case Kind.SLOW_REPLIES:
            size = max(len(reply) // 6, 1)
            parts = [reply[at : at + size] for at in range(0, len(reply), size)]
            return tuple(piece for part in parts for piece in (fault.seconds / 10 / len(parts), part))
        case Kind.BYTE_BY_BYTE:
            return tuple(reply[at : at + 1] for at in range(len(reply)))
        case Kind.GARBAGE:
            return (bytes((7 * n + 131) % 96 + 128 for n in range(64)) + b"\n",)
        case Kind.TRUNCATED_BLOCK:
            return (half,)
        case Kind.WRONG_LENGTH:
            return (_with_wrong_length(reply),)
        case Kind.CLOSED_BEFORE_BLOCK:
            return (Hangup.CLOSE,)
        case Kind.CLOSED_INSIDE_BLOCK:
            return (half, Hangup.CLOSE)
        case Kind.CLOSED_AFTER_BLOCK:
            return (reply, Hangup.CLOSE)
        case _:
            return (half, Hangup.RESET)


def _with_wrong_length(reply: bytes) -> bytes:
    """The same block, eight bytes less announced; a reply without a block loses its line end."""
    begin = reply.find(b"#")
    if begin < 0 or not reply[begin + 1 : begin + 2].isdigit():
        return reply.rstrip(b"\r\n")
    digits = int(reply[begin + 1 : begin + 2])
    length = int(reply[begin + 2 : begin + 2 + digits])
    return b"%b#%d%0*d%b" % (reply[:begin], digits, digits, length - 8, reply[begin + 2 + digits :])


def _change_channel(core: ScopeCore, **fields: Any) -> None:
    core.set_channel(1, replace(core.setups[1], **fields))


_AT_THE_PANEL: dict[Kind, Callable[[ScopeCore], None]] = {
    Kind.CHANNEL_OFF: lambda core: _change_channel(core, displayed=False),
    Kind.AC_COUPLING: lambda core: _change_channel(core, path=replace(core.setups[1].path, ac_coupled=True)),
    Kind.PROBE_SETTING: lambda core: _change_channel(
        core, probe_setting=1.0 if core.setups[1].probe_setting > 1.0 else 10.0
    ),
}
