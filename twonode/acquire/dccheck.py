"""DC readings on a live set, one node after the other: typed by a person, or taken from a voltmeter.

Owns the order of a check, waiting until a reading stands still, and storing every reading before the next one.
It is meter work: neither generator nor scope is known here. Words of caution stand in `cautions`.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import Enum
from pathlib import Path
from typing import Protocol

from twonode.acquire.events import Note
from twonode.analysis.leakage_readings import Meter, MeterReading
from twonode.analysis.quantities import format_quantity
from twonode.analysis.typed_reading import last_digit_v, parse_volts
from twonode.drivers.clock import Clock
from twonode.drivers.errors import ReplyError
from twonode.recordings import DcHeader, DcMeter, DcRow, DcState, DcWriter, Ended, RecordingError

__all__ = [
    "Answer",
    "DcEvent",
    "DcSession",
    "DcStep",
    "ReadingTaken",
    "ReadsDc",
    "TipWanted",
    "dc_session",
    "filed_meter",
    "run_dc_check",
]

_PAUSE_S = 0.3
_MOST_LOOKS = 20
_STILL_STEPS = 2.0
_STILL_SHARE = 5e-4
"""A reading stands still when the next one differs by no more than this share or two steps of its last digit."""


class ReadsDc(Protocol):
    """What a check needs of a voltmeter."""

    def read_dc_v(self) -> float:
        """Volts, once."""
        ...


class Answer(Enum):
    """What the person says when asked to move the tip."""

    READ = "read"
    SKIP = "skip"
    AGAIN = "again"  # the reading before, once more
    FINISH = "finish"


@dataclass(frozen=True, slots=True, kw_only=True)
class DcStep:
    """One reading to take.

    node : where the tip goes. state : how the circuit must be then. advice : what to do first, in words.
    """

    node: str
    state: DcState = DcState.IN_PLACE
    advice: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class TipWanted:
    """The tip has to go to the step's node; index counts from 1."""

    step: DcStep
    index: int
    total: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingTaken:
    """A reading is taken and, where a recording is kept, on disk."""

    step: DcStep
    row: DcRow
    reading: MeterReading


DcEvent = ReadingTaken | Note


class DcSession:
    """The readings of one check, in the order taken.

    meter : its accuracy and resistance. writer : None where no recording is kept. clock : of the check's times.
    header : what was asked, with which meter and under which conditions; None in a trial.
    """

    def __init__(
        self, *, meter: Meter, writer: DcWriter | None, clock: Clock, header: DcHeader | None = None
    ) -> None:
        self.header = header
        self._meter = meter
        self._writer = writer
        self._clock = clock
        self._started_s = clock.now_s()
        self._taken: list[ReadingTaken] = []

    @property
    def simulated(self) -> bool:
        """Whether a simulated meter was read."""
        return self.header is not None and self.header.conditions.simulated

    @property
    def folder(self) -> Path | None:
        """The recording, closed once the session is over; None where none is kept or nothing was read."""
        return self._writer.folder if self._writer is not None and self._taken else None

    @property
    def taken(self) -> tuple[ReadingTaken, ...]:
        """Every reading so far."""
        return tuple(self._taken)

    def latest(self, node: str, state: DcState = DcState.IN_PLACE) -> MeterReading | None:
        """The last reading of a node in a state; the last one counts where it was read again."""
        for each in reversed(self._taken):
            if (each.step.node, each.step.state) == (node, state):
                return each.reading
        return None

    def typed(self, step: DcStep, text: str) -> ReadingTaken:
        """Store a reading as a person typed it; its last digit says how finely it was read.

        Raises QuantityError where it is no volts, RecordingError where it cannot be stored.
        """
        digit_v = last_digit_v(text)
        reading = self._meter.reading(parse_volts(text), digit_v=digit_v)
        return self._store(step, reading, step_v=2.0 * reading.rounding_v, typed=text, note=None)

    def measured(self, step: DcStep, voltmeter: ReadsDc) -> ReadingTaken:
        """Read the voltmeter until it stands still, and store the last reading; one that never does gets a note.

        Raises BenchError, RecordingError.
        """
        before = voltmeter.read_dc_v()
        note: str | None = None
        for _ in range(_MOST_LOOKS):
            self._clock.sleep_s(_PAUSE_S)
            now = voltmeter.read_dc_v()
            still = self._stands_still(before, now)
            before, last = now, before
            if still:
                break
        else:
            note = (
                f"still moving: {format_quantity(last, 'V')} was followed by {format_quantity(before, 'V')}"
            )
        reading = self._meter.reading(before)
        return self._store(step, reading, step_v=2.0 * reading.rounding_v, typed=None, note=note)

    def _stands_still(self, before: float, now: float) -> bool:
        step = 2.0 * self._meter.reading(now).rounding_v
        return abs(now - before) <= max(_STILL_STEPS * step, _STILL_SHARE * abs(now))

    def _store(
        self, step: DcStep, reading: MeterReading, *, step_v: float, typed: str | None, note: str | None
    ) -> ReadingTaken:
        row = DcRow(
            reading=len(self._taken) + 1,
            time_s=self._clock.now_s() - self._started_s,
            node=step.node,
            volts=reading.volts,
            half_width_v=reading.half_width_v,
            step_v=step_v,
            state=step.state.value,
            typed=typed,
            note=note,
        )
        if self._writer is not None:
            self._writer.add_reading(row)
        taken = ReadingTaken(step=step, row=row, reading=reading)
        self._taken.append(taken)
        return taken


@contextmanager
def dc_session(header: DcHeader, *, archive: Path | None, meter: Meter, clock: Clock) -> Iterator[DcSession]:
    """A check whose readings are filed one by one; leaving closes the recording, however it is left.

    archive : None keeps no recording. An error or an interrupt on its way carries a note that says where the readings
    are.

    Raises RecordingError.
    """
    if archive is None:
        yield DcSession(meter=meter, writer=None, clock=clock, header=header)
        return
    with DcWriter(archive, header) as writer:
        session = DcSession(meter=meter, writer=writer, clock=clock, header=header)
        try:
            yield session
        except BaseException as exc:
            if writer.readings:
                with contextlib.suppress(RecordingError):
                    writer.close(finished_utc=datetime.now(UTC), ended=Ended.INTERRUPTED)
                exc.add_note(f"The readings taken until then are kept: {writer.folder}")
            raise
        writer.close(finished_utc=datetime.now(UTC))


def filed_meter(meter: Meter) -> DcMeter:
    """The meter as a recording states it."""
    return DcMeter(
        resistance_ohm=meter.resistance_ohm,
        resistance_relative=meter.tolerance,
        relative=meter.relative,
        counts=meter.counts,
    )


def run_dc_check(
    session: DcSession,
    voltmeter: ReadsDc,
    steps: Sequence[DcStep],
    *,
    place: Callable[[TipWanted], Answer],
) -> Iterator[DcEvent]:
    """Take the steps one after the other; each reading is stored before the next is asked for.

    place : sees to it that the tip is where it should be, and answers; called again after an overload.

    Raises BenchError where the meter fails otherwise; what was read until then is stored.
    """
    at = 0
    while at < len(steps):
        answer = place(TipWanted(step=steps[at], index=at + 1, total=len(steps)))
        if answer is Answer.FINISH:
            return
        if answer is Answer.AGAIN:
            at = max(0, at - 1)
            continue
        if answer is Answer.SKIP:
            at += 1
            continue
        try:
            taken = session.measured(steps[at], voltmeter)
        except ReplyError as exc:
            # Out of range or no number: the person may choose another range, or leave this node out.
            yield Note(text=f"{steps[at].node}: {exc.what} Nothing was stored; try again or skip it.")
            continue
        yield taken
        if taken.row.note is not None:
            yield Note(text=f"{steps[at].node}: {taken.row.note}.")
        at += 1
