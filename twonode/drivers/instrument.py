"""What generator, scope and voltmeter have in common: sending the steps of a profile and believing nothing.

Owns sending, reading back, comparing and the bounded emptying of the error queue. Knows no particular instrument.
"""

from __future__ import annotations

import logging
import math
import re
from collections.abc import Iterable

from twonode.drivers.block import shortened
from twonode.drivers.clock import Clock
from twonode.drivers.errors import CommandRefused, ReplyError, SettingNotTaken
from twonode.drivers.keyvalue import parse_pairs
from twonode.drivers.link import Link
from twonode.drivers.profile_format import Profile, ReplyForm, Setting, Step
from twonode.drivers.scpi_text import (
    QueuedError,
    parse_error_entry,
    parse_number,
    parse_number_or_infinity,
)

__all__ = ["Instrument"]

log = logging.getLogger("twonode.drivers")

# An instrument that never says its queue is empty must not hold us; no queue of the families served is longer.
_LONGEST_QUEUE = 32
# Steps that set exactly zero are read back through some rounding: far below any setting that matters.
_ZERO_TOLERANCE = 1e-6
_NUMBER_TOLERANCE = 1e-3
# Of several scales a reply may have, the one that gives back what was sent is meant; they are decades apart.
_SCALE_TOLERANCE = 0.01


class Instrument:
    """An instrument behind a link, spoken to as its profile says."""

    def __init__(self, link: Link, *, name: str, identity: str, profile: Profile, clock: Clock) -> None:
        self._link = link
        self._name = name
        self._identity = identity
        self._common = profile
        self._clock = clock
        self._scales: dict[str, float] = {}

    @property
    def identity(self) -> str:
        """The reply to ``*IDN?``, or to the question that stands in for it."""
        return self._identity

    @property
    def resource(self) -> str:
        """The address."""
        return self._link.resource

    def forget_errors(self) -> None:
        """Empty the error queue of what happened before: it is not about our commands."""
        queue = self._common.errors
        if queue is None:
            return
        if queue.clear is not None:
            self._write(queue.clear)
        for entry in self._queued_errors():
            log.debug("%s: old entry in the error queue: %s", self._name, entry)

    def check_errors(self, after: str) -> None:
        """Raise CommandRefused if the instrument queued an error.

        after : what was done, for the message. Instruments without a queue are judged by reading back alone.
        """
        entries = list(self._queued_errors())
        if entries:
            texts = "; ".join(f"{entry.number} {entry.text}".strip() for entry in entries[:3])
            raise CommandRefused(
                f"The {self._name} refused: {after}.",
                f"It says: {texts[:300]}",
                f"Check the {self._name}'s own limits, and that the command profile "
                f"{self._common.name!r} suits it.",
            )

    def _queued_errors(self) -> Iterable[QueuedError]:
        queue = self._common.errors
        if queue is None:
            return
        if queue.status is not None:
            self._link.query(queue.status)
        for _ in range(_LONGEST_QUEUE):
            entry = parse_error_entry(self._link.query(queue.ask))
            if entry.number in queue.last:
                return
            if entry.number not in queue.harmless:
                yield entry

    def _write(self, text: str) -> None:
        """Send one command, and hear the line that answers it where the family answers every command.

        Raises CommandRefused where that line is another one, LinkError.
        """
        expected = self._common.line.acknowledge
        if expected is None:
            self._link.write(text)
            return
        heard = self._link.query(text)
        if heard != expected:
            raise CommandRefused(
                f"The {self._name} answered {text!r} with {shortened(heard)}.",
                f"It takes a command with {shortened(expected)}.",
                f"Check the {self._name}'s own limits, and that the command profile "
                f"{self._common.name!r} suits it.",
            )

    def _do(self, step: Step, **fields: object) -> None:
        """Send a step and compare what is read back. Raises SettingNotTaken."""
        self._write(step.send.format(**fields))
        self._confirm(step, **fields)

    def _confirm(self, step: Step, **fields: object) -> None:
        """Read a step back. Raises SettingNotTaken."""
        if step.ask is None:
            return
        does = step.does.format(**fields)
        reply = self._link.query(step.ask.format(**fields))
        what = f"the {self._name}'s {does}"
        answer = _answer_in(reply, step.reply, what=what)
        if step.answers:
            # A family that repeats headers does so until the step that switches them off.
            last_word = answer.split()[-1].strip('"').upper() if answer.split() else ""
            taken = last_word in {each.upper() for each in step.answers}
        elif step.number is not None:
            value = parse_number(answer, what=what)
            taken = abs(value - step.number) <= max(_ZERO_TOLERANCE, _NUMBER_TOLERANCE * abs(step.number))
        else:
            assert step.at_least is not None
            taken = parse_number_or_infinity(answer, what=what) >= step.at_least
        if not taken:
            # Where the instrument says why, its own words help more.
            self.check_errors(does)
            raise self._not_taken(does, shortened(reply))

    def _set(self, setting: Setting, value: float, *, what: str, **fields: object) -> float:
        """Send a number and return what the instrument made of it; without a question, what was sent.

        Raises CommandRefused, ReplyError, LinkError.
        """
        number = setting.form.text(value)
        self._write(setting.send.format(value=number, **fields))
        if setting.ask is None:
            self.check_errors(f"{what} {number}")
            return setting.form.rounded(value)
        try:
            taken = self._read(setting, what=what, sent=value, **fields)
        except ReplyError:
            self.check_errors(f"{what} {number}")
            raise
        self.check_errors(f"{what} {number}")
        return taken

    def _read(self, setting: Setting, *, what: str, sent: float | None = None, **fields: object) -> float:
        """The value of a setting; ``sent`` tells which of several scales the instrument uses."""
        assert setting.ask is not None
        what = f"the {self._name}'s {what}"
        reply = self._link.query(setting.ask.format(**fields))
        figure = parse_number(_answer_in(reply, setting.reply, what=what), what=what)
        value = figure / self._scale(setting, figure, sent)
        if not setting.reply.reciprocal:
            return value
        return 1 / value if value else math.inf

    def _scale(self, setting: Setting, figure: float, sent: float | None) -> float:
        """The scale of a reply, settled by the first read-back that agrees with what was sent."""
        first, *others = setting.reply.scales
        assert setting.ask is not None
        if others and sent and setting.ask not in self._scales:
            for scale in setting.reply.scales:
                if abs(figure / scale - sent) <= _SCALE_TOLERANCE * abs(sent):
                    log.debug("%s: %r answers in units of 1/%g", self._name, setting.ask, scale)
                    self._scales[setting.ask] = scale
                    break
        return self._scales.get(setting.ask, first)

    def _not_taken(self, asked: str, reply: str) -> SettingNotTaken:
        return SettingNotTaken(
            f"The {self._name} was told: {asked}; asked for it, it answers {reply}.",
            "The measurement would not be what it claims to be.",
            f"Check that nobody operates the {self._name} by hand and that the profile "
            f"{self._common.name!r} suits it.",
        )


def _answer_in(reply: str, form: ReplyForm, *, what: str) -> str:
    """The part of a reply that the profile means. Raises ReplyError where it is not there."""
    if form.key is not None:
        return parse_pairs(reply, what=what).get(form.key, what=what, reply=reply)
    if form.pattern is None:
        return reply
    found = re.fullmatch(form.pattern, reply.strip())
    if found is None or found[1] is None:
        raise ReplyError(
            f"For {what} the instrument answered {shortened(reply)}.",
            "That is not how its family answers.",
            "Repeat the measurement; if it stays, the command profile does not suit this instrument.",
        )
    return found[1]
