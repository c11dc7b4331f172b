"""What can go wrong on the simulated bench on purpose: names, moments, and reading both from a text.

Owns the list. What each of them does to bytes, settings and volts is in `mischief`.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass
from enum import Enum

__all__ = ["Kind", "Misbehaviour", "When", "parse_misbehaviour"]


class When(Enum):
    """The stretch of a run in which it happens."""

    CONNECT = "connect"  # before the output goes on
    POINT = "point"
    CLOSING = "closing"  # from the output going off again


class Kind(Enum):
    """What goes wrong; the value is its name on the command line."""

    NO_REPLY = "no-reply"
    LATE_REPLY = "late-reply"
    SLOW_REPLIES = "slow-replies"
    BYTE_BY_BYTE = "byte-by-byte"
    GARBAGE = "garbage"
    TRUNCATED_BLOCK = "truncated-block"
    WRONG_LENGTH = "wrong-length"
    CLOSED_BEFORE_BLOCK = "closed-before-block"
    CLOSED_INSIDE_BLOCK = "closed-inside-block"
    CLOSED_AFTER_BLOCK = "closed-after-block"
    RESET = "reset"
    POWER_CYCLE = "power-cycle"
    ERROR_QUEUE = "error-queue"
    WRONG_IDENTITY = "wrong-identity"
    SENTINELS = "sentinels"
    PREAMBLE_ORDER = "preamble-order"
    FREQUENCY_NOT_TAKEN = "frequency-not-taken"
    FREQUENCY_UNTRUE = "frequency-untrue"
    OUTPUT_STAYS_OFF = "output-stays-off"
    OUTPUT_DEAD = "output-dead"
    CHANNEL_OFF = "channel-off"
    AC_COUPLING = "ac-coupling"
    PROBE_SETTING = "probe-setting"
    STUCK_TRIGGER = "stuck-trigger"
    PROBE_AT_1X = "probe-at-1x"
    PROBE_AT_10X = "probe-at-10x"
    CLIPPED_CHANNEL = "clipped-channel"
    DEAD_CHANNEL = "dead-channel"
    HUM = "hum"
    BURST = "burst"
    AMPLITUDE_GLITCH = "amplitude-glitch"

    @property
    def words(self) -> str:
        """What happens, for a list."""
        return _WORDS[self]


_WORDS = {
    Kind.NO_REPLY: "a question is not answered",
    Kind.LATE_REPLY: "the answer comes after the program has given up waiting",
    Kind.SLOW_REPLIES: "the answer comes in pieces, slowly but in time",
    Kind.BYTE_BY_BYTE: "the answer comes one byte at a time",
    Kind.GARBAGE: "bytes that are no answer",
    Kind.TRUNCATED_BLOCK: "half of a block (of a line, from the generator), then silence",
    Kind.WRONG_LENGTH: "a block announces another length than it has",
    Kind.CLOSED_BEFORE_BLOCK: "the connection is closed instead of a block",
    Kind.CLOSED_INSIDE_BLOCK: "the connection is closed in the middle of a block",
    Kind.CLOSED_AFTER_BLOCK: "the connection is closed right after a block",
    Kind.RESET: "the connection is reset in the middle of an answer",
    Kind.POWER_CYCLE: "the instrument is switched off and on: connection lost, all settings as at power-on",
    Kind.ERROR_QUEUE: "an entry in the error queue that nobody caused",
    Kind.WRONG_IDENTITY: "another instrument answers after the connection was lost",
    Kind.SENTINELS: "9.91E37 (not a number) instead of a number",
    Kind.PREAMBLE_ORDER: "the fields of a record's description are exchanged",
    Kind.FREQUENCY_NOT_TAKEN: "the generator stays where it is and says so",
    Kind.FREQUENCY_UNTRUE: "the generator stays where it is and says it has moved",
    Kind.OUTPUT_STAYS_OFF: "the output does not go on, and the generator says so",
    Kind.OUTPUT_DEAD: "the generator says the output is on, and nothing comes out",
    Kind.CHANNEL_OFF: "a hand switches channel 2 off",
    Kind.AC_COUPLING: "a hand switches channel 2 to AC coupling",
    Kind.PROBE_SETTING: "a hand changes the scope's probe factor of channel 2",
    Kind.STUCK_TRIGGER: "the scope waits for a trigger that never comes",
    Kind.PROBE_AT_1X: "channel 2 shows ten times what it should: the probe's switch is at 1x",
    Kind.PROBE_AT_10X: "channel 2 shows a tenth of what it should: the probe's switch is at 10x",
    Kind.CLIPPED_CHANNEL: "channel 2's amplifier limits the signal",
    Kind.DEAD_CHANNEL: "channel 2's clip has come off",
    Kind.HUM: "1 V of mains hum on channel 2",
    Kind.BURST: "a burst on channel 2 during one record",
    Kind.AMPLITUDE_GLITCH: "the signal is gone for a moment during one record, as relays do",
}

_OF_THE_GENERATOR = {
    *(Kind.FREQUENCY_NOT_TAKEN, Kind.FREQUENCY_UNTRUE, Kind.OUTPUT_STAYS_OFF, Kind.OUTPUT_DEAD),
}
_LASTING = {
    *(Kind.OUTPUT_STAYS_OFF, Kind.OUTPUT_DEAD, Kind.STUCK_TRIGGER, Kind.PROBE_AT_1X, Kind.PROBE_AT_10X),
    *(Kind.CLIPPED_CHANNEL, Kind.DEAD_CHANNEL, Kind.HUM),
}
_INSTRUMENTS = ("generator", "scope")


@dataclass(frozen=True, slots=True, kw_only=True)
class Misbehaviour:
    """One thing that goes wrong.

    when, point : from this moment on it is due; point counts records (a repeated point takes several) from 1
        and only matters for `When.POINT`.
    instrument : "generator" or "scope"; None is the one it usually happens to.
    times : how often it happens; None is for good. Left out, it is once, or for good where a thing stays broken.
    seconds : real seconds that a late or slow answer takes.
    """

    kind: Kind
    when: When = When.POINT
    point: int = 2
    instrument: str | None = None
    times: int | None = 0
    seconds: float = 6.0

    def __post_init__(self) -> None:
        if self.point < 1:
            raise ValueError(f"point: they count from 1, got {self.point}")
        if self.instrument not in (None, *_INSTRUMENTS):
            raise ValueError(f"instrument: need generator or scope, got {self.instrument!r}")
        if not 0 < self.seconds < math.inf:
            raise ValueError(f"seconds: need > 0, got {self.seconds}")

    @property
    def where(self) -> str:
        """The instrument it happens to."""
        return self.instrument or ("generator" if self.kind in _OF_THE_GENERATOR else "scope")

    @property
    def occurrences(self) -> float:
        """How often it happens; infinite is for good."""
        if self.times is None or (self.times == 0 and self.kind in _LASTING):
            return math.inf
        return max(self.times, 1)


def parse_misbehaviour(text: str) -> Misbehaviour:
    """Read ``[INSTRUMENT:]NAME[@MOMENT][,always]``; MOMENT is connect, closing or a point's number, else 2.

    Raises ValueError saying what is allowed.
    """
    rest, comma, often = text.strip().partition(",")
    if comma and often.strip() != "always":
        raise ValueError(f"{text!r}: after the comma only 'always' can stand")
    rest, at, moment = rest.partition("@")
    instrument, colon, name = rest.rpartition(":")
    try:
        kind = Kind(name.strip())
    except ValueError:
        near = difflib.get_close_matches(name.strip(), [each.value for each in Kind], n=1)
        meant = f"did you mean {near[0]!r}? " if near else ""
        raise ValueError(
            f"{name.strip()!r} is no misbehaviour; {meant}`--misbehave help` lists all"
        ) from None
    if colon and instrument not in _INSTRUMENTS:
        raise ValueError(f"{text!r}: before the colon stands generator or scope")
    when, point = When.POINT, 2
    if at:
        if moment in (When.CONNECT.value, When.CLOSING.value):
            when = When(moment)
        elif moment.isdecimal() and 1 <= int(moment) <= 9999:
            point = int(moment)
        else:
            raise ValueError(f"{text!r}: after @ stands connect, closing or a point's number such as 3")
    return Misbehaviour(
        kind=kind, when=when, point=point, instrument=instrument or None, times=None if comma else 0
    )
