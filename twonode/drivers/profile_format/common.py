"""What every command profile has: names, identity, line, error queue, and steps with what reading them back gives.

Owns the pieces that generator, scope and voltmeter profiles are put together from, and their checks.
"""

from __future__ import annotations

import re
import string
from enum import Enum
from typing import Literal

import msgspec

from twonode.drivers.profile_format.numbers import NumberForm, ReplyForm
from twonode.drivers.profile_format.strict import Strict

__all__ = [
    "CHANNEL",
    "PLAIN",
    "BaseProfile",
    "ErrorQueue",
    "Evidence",
    "Identify",
    "IdentityMatch",
    "InstrumentKind",
    "Line",
    "Question",
    "Setting",
    "Step",
    "StepLadder",
    "check_template",
    "compiled",
]


class InstrumentKind(Enum):
    """What an instrument is for; the value is the word used in messages."""

    GENERATOR = "generator"
    SCOPE = "scope"
    VOLTMETER = "voltmeter"


class Evidence(Enum):
    """Where a profile's facts come from.

    MEMORY : most of its commands, or any part of its scaling, were written down without a document at hand. Such
    a profile is used only where the person asks for it.
    """

    DOCUMENTS = "documents read"
    MEMORY = "from memory"


PLAIN: frozenset[str] = frozenset()
CHANNEL = frozenset({"channel"})
_CHANNEL_VALUE = frozenset({"channel", "value"})


def check_template(key: str, text: str, allowed: frozenset[str]) -> None:
    """Raise ValueError unless ``text`` is a one-line ASCII command that holds no other fields than allowed."""
    _check_fields(key, text, allowed)
    if not text.strip() or not text.isprintable() or not text.isascii():
        raise ValueError(f"{key}: {text!r} is no one-line ASCII command")


def _check_fields(key: str, text: str, allowed: frozenset[str]) -> None:
    """Raise ValueError unless the fields of ``text`` are plain ones that are allowed."""
    try:
        pieces = [piece for piece in string.Formatter().parse(text) if piece[1] is not None]
    except ValueError as exc:
        raise ValueError(f"{key}: {text!r} is no command text: {exc}") from exc
    found = {name for _, name, _, _ in pieces if name is not None}
    if any(form or conversion for _, _, form, conversion in pieces):
        raise ValueError(f"{key}: {text!r} says how a field is written; fields are plain")
    if found - allowed:
        wrong = ", ".join(sorted(found - allowed))
        raise ValueError(
            f"{key}: {text!r} holds {{{wrong}}}; allowed are {', '.join(sorted(allowed)) or 'none'}"
        )


def compiled(key: str, pattern: str) -> re.Pattern[str]:
    """The regular expression. Raises ValueError naming the key."""
    try:
        return re.compile(pattern, re.IGNORECASE)
    except (re.error, OverflowError, RecursionError) as exc:
        raise ValueError(f"{key}: {pattern!r} is no regular expression: {exc}") from exc


class IdentityMatch(Strict, frozen=True, kw_only=True):
    """One family name as ``*IDN?`` gives it.

    maker : must be contained in field 1, upper case.
    model : regular expression that must match the whole trimmed field 2, case ignored.
    """

    maker: str
    model: str

    def __post_init__(self) -> None:
        if not self.maker or self.maker != self.maker.upper():
            raise ValueError(f"maker: need upper case text, got {self.maker!r}")
        compiled("model", self.model)


class Identify(Strict, frozen=True, kw_only=True):
    """How an instrument that does not know ``*IDN?`` says who it is; asked where the profile is named by hand.

    answer : regular expression that must match the whole reply, case ignored.
    """

    ask: str
    answer: str

    def __post_init__(self) -> None:
        check_template("ask", self.ask, PLAIN)
        compiled("answer", self.answer)

    def accepts(self, reply: str) -> bool:
        """Whether the reply is the instrument's own."""
        return compiled("answer", self.answer).fullmatch(reply.strip()) is not None


class Line(Strict, frozen=True, kw_only=True):
    """How the bytes travel.

    inter_command_delay_ms : least time between two messages. acknowledge : line that answers every command that
    is no question, "" being a bare line end; None is silence. longest_message : characters without the line end.
    baud_rate : of a serial port (8 data bits, no parity, 1 stop bit); nothing to a network or USB connection.
    """

    write_end: Literal["\n", "\r\n", "\r"] = "\n"
    read_end: Literal["\n", "\r\n", "\r"] = "\n"
    timeout_s: float = 5.0
    inter_command_delay_ms: float = 0.0
    acknowledge: str | None = None
    longest_message: int | None = None
    baud_rate: int | None = None

    def __post_init__(self) -> None:
        if not 0 < self.timeout_s <= 120:
            raise ValueError(f"timeout_s: need 0 to 120 s, got {self.timeout_s}")
        if not 0 <= self.inter_command_delay_ms <= 1000:
            raise ValueError(f"inter_command_delay_ms: need 0 to 1000, got {self.inter_command_delay_ms}")
        if self.longest_message is not None and self.longest_message < 1:
            raise ValueError(f"longest_message: need >= 1, got {self.longest_message}")
        if self.baud_rate is not None and not 300 <= self.baud_rate <= 4_000_000:
            raise ValueError(f"baud_rate: need 300 to 4000000, got {self.baud_rate}")

    def check_length(self, key: str, text: str) -> None:
        """Raise ValueError for a message the instrument would cut off."""
        if self.longest_message is not None and len(text) > self.longest_message:
            raise ValueError(f"{key}: {text!r} is longer than {self.longest_message} characters")


class ErrorQueue(Strict, frozen=True, kw_only=True):
    """How errors are asked for.

    ask : answers ``<number>,"<text>"``, oldest first, one a question.
    status : a question whose reply is read first, where the family needs that to fill its queue.
    harmless : numbers that are no errors; 0 means empty and always is one.
    last : numbers after which nothing follows.
    """

    ask: str
    clear: str | None = "*CLS"
    status: str | None = None
    harmless: tuple[int, ...] = ()
    last: tuple[int, ...] = (0,)

    def __post_init__(self) -> None:
        check_template("ask", self.ask, PLAIN)
        for key in ("clear", "status"):
            if getattr(self, key) is not None:
                check_template(key, getattr(self, key), PLAIN)


class Question(Strict, frozen=True, kw_only=True):
    """A question and the replies that are accepted, case ignored; ``{channel}`` allowed."""

    ask: str
    answers: tuple[str, ...]

    def __post_init__(self) -> None:
        check_template("ask", self.ask, CHANNEL)
        if not self.answers:
            raise ValueError("answers: need at least one")


class Step(Strict, frozen=True, kw_only=True):
    """One command of a sequence, and what reading it back must give.

    does : in words, for messages; ``{channel}`` allowed.
    ask : None where the family cannot be asked; then nothing confirms the step.
    answers : accepted replies, case ignored. number : accepted value, at_least : lowest accepted value.
    reply : where in the reply the answer stands.
    """

    does: str
    send: str
    ask: str | None = None
    answers: tuple[str, ...] = ()
    number: float | None = None
    at_least: float | None = None
    reply: ReplyForm = ReplyForm()

    def __post_init__(self) -> None:
        _check_fields("does", self.does, CHANNEL)
        check_template("send", self.send, CHANNEL)
        if self.ask is not None:
            check_template("ask", self.ask, CHANNEL)
        expected = [bool(self.answers), self.number is not None, self.at_least is not None]
        if sum(expected) != (0 if self.ask is None else 1):
            raise ValueError("ask: goes with exactly one of answers, number, at_least, and these with it")
        if self.reply.scales != (1.0,) or self.reply.reciprocal:
            raise ValueError("reply: a step's answer has no scales; write the number as the instrument does")


class Setting(Strict, frozen=True, kw_only=True):
    """A command with a number, and the question that reads the number back.

    ask : None where the family cannot be asked; only a generator's amplitude may be like that.
    form : how the number is written. reply : where in the reply it stands, and in which unit.
    """

    send: str
    ask: str | None = None
    form: NumberForm = NumberForm()
    reply: ReplyForm = ReplyForm()

    def __post_init__(self) -> None:
        check_template("send", self.send, _CHANNEL_VALUE)
        if "{value}" not in self.send:
            raise ValueError(f"send: {self.send!r} has no {{value}}")
        if self.ask is not None:
            check_template("ask", self.ask, CHANNEL)
        elif self.reply != ReplyForm():
            raise ValueError("reply: there is no ask")

    def check_range(self, key: str, lowest: float, highest: float, line: Line) -> None:
        """Raise ValueError unless both ends can be written, and read as what they are."""
        for value in (lowest, highest):
            try:
                text = self.form.text(value)
            except ValueError as exc:
                raise ValueError(f"{key}: {exc}") from exc
            if not abs(self.form.rounded(value) - value) <= 0.01 * abs(value):
                raise ValueError(f"{key}: {value:g} would be sent as {text!r}, which is something else")
            line.check_length(key, self.send.format(value=text, channel=1))


class StepLadder(Strict, frozen=True, kw_only=True):
    """Settings such as 1-2-5, from ``lowest`` to ``highest`` inclusive."""

    lowest: float
    highest: float
    mantissas: tuple[float, ...] = (1.0, 2.0, 5.0)

    def __post_init__(self) -> None:
        if not 0 < self.lowest < self.highest:
            raise ValueError(f"lowest: need 0 < lowest < highest, got {self.lowest}, {self.highest}")
        if not self.mantissas or any(not 1 <= m < 10 for m in self.mantissas):
            raise ValueError(f"mantissas: need numbers from 1 to below 10, got {self.mantissas}")
        if not 2 <= len(self.values()) <= 200:
            raise ValueError(f"lowest: the ladder has {len(self.values())} steps")

    def values(self) -> tuple[float, ...]:
        """All steps, ascending."""
        steps = sorted(float(f"{m:g}e{e}") for e in range(-15, 7) for m in self.mantissas)
        return tuple(s for s in steps if self.lowest * 0.999 <= s <= self.highest * 1.001)


class BaseProfile(Strict, frozen=True, kw_only=True):
    """What every profile has.

    format : version of this form. family : name of the family in the project's list of command facts.
    about : the family in words.
    hardware_status : "untested on hardware" until a check is recorded. evidence : see `Evidence`.
    identity : what ``*IDN?`` answers; none where the profile must be named by hand.
    identify : for instruments without ``*IDN?``.
    """

    format: Literal[1]
    name: str
    family: str | None = None
    about: str
    hardware_status: str
    evidence: Evidence
    identity: tuple[IdentityMatch, ...] = ()
    identify: Identify | None = None
    line: Line = Line()
    errors: ErrorQueue | None = None

    def __post_init__(self) -> None:
        if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", self.name):
            raise ValueError(f"name: need lower case words joined by '-', got {self.name!r}")
        if not self.hardware_status.strip():
            raise ValueError("hardware_status: say what was tried, or 'untested on hardware'")
        if bool(self.identity) == (self.identify is not None):
            raise ValueError("identity: give either identity or, for instruments without *IDN?, identify")

    @property
    def identification(self) -> str:
        """The question who it is."""
        return "*IDN?" if self.identify is None else self.identify.ask

    def check_channels(self, *keys: str) -> None:
        """Raise ValueError where a text under these keys, which are sent for no channel, holds ``{channel}``."""
        for key in keys:
            for at, text in _texts(getattr(self, key), key, ("does", "send", "ask")):
                if "channel" in {name for _, name, _, _ in string.Formatter().parse(text)}:
                    raise ValueError(f"{at}: {text!r} holds {{channel}}, and it is sent for none")

    def check_lengths(self) -> None:
        """Raise ValueError for a command without a number that is longer than the line allows."""
        if self.line.longest_message is None:
            return
        for key, text in _texts(self):
            if "{value}" not in text:
                self.line.check_length(key, text.replace("{channel}", "1"))


def _texts(piece: object, key: str = "", names: tuple[str, ...] = ("send", "ask")) -> list[tuple[str, str]]:
    """Every ``send`` and ``ask`` of a profile with the key it stands under."""
    if isinstance(piece, tuple):
        return [pair for each in piece for pair in _texts(each, key, names)]
    if not isinstance(piece, msgspec.Struct):
        return []
    found: list[tuple[str, str]] = []
    for name in piece.__struct_fields__:
        value = getattr(piece, name)
        if name in names and isinstance(value, str):
            found.append((key or name, value))
        else:
            found += _texts(value, f"{key}.{name}" if key else name, names)
    return found
