"""The language of the simulated instruments: program messages in, replies and an error queue out.

Owns headers (short and long forms, optional nodes, numeric suffixes), compounds, parameters, the error
queue and the common commands. Knows no instrument: each one supplies a table of commands.

Sources: IEEE 488.2 and SCPI-1999 as told by libscpi (numbers, suffix multipliers) and by the instrument
manuals named on the facts page; "path carry-over" after a semicolon from memory of SCPI-1999 volume 1.
"""

from __future__ import annotations

import itertools
import math
import re
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

from twonode.drivers.clock import Clock

__all__ = ["Call", "Command", "NoReply", "ScpiError", "ScpiInstrument", "command_table"]

_ERROR_TEXT = {
    0: "No error",
    -100: "Command error",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -151: "Invalid string data",
    -200: "Execution error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -310: "System error",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
}

# Bit of the event status register by the hundreds of the error number (SCPI-1999 volume 2, chapter 21.8).
_EVENT_BIT = {1: 32, 2: 16, 3: 8, 4: 4, 5: 128, 6: 64, 7: 2, 8: 1}

_QUEUE_LENGTH = 20
_LONGEST_MNEMONIC = 12

_MULTIPLIER = {
    "EX": 1e18,
    "PE": 1e15,
    "T": 1e12,
    "G": 1e9,
    "MA": 1e6,
    "K": 1e3,
    "": 1.0,
    "M": 1e-3,
    "U": 1e-6,
    "N": 1e-9,
    "P": 1e-12,
    "F": 1e-15,
    "A": 1e-18,
}

_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:\s*[eE]\s*[+-]?\d+)?)\s*([A-Za-z]*)")
_DIGITS = re.compile(r"(?<=[A-Z_])\d+")
_HEADER = re.compile(r"\*[A-Z]+\??|:?[A-Z][A-Z0-9_]*(?::[A-Z][A-Z0-9_]*)*\??")
_PATTERN_NODE = re.compile(r"\[:?([*\w]+[#@]?)\]:?|:?([*\w]+[#@]?)")


class ScpiError(Exception):
    """What the instrument queues instead of doing as told."""

    def __init__(self, code: int, detail: str = "") -> None:
        super().__init__(code, detail)
        self.code = code
        self.detail = detail

    @property
    def text(self) -> str:
        """Text of the queue's entry, device-dependent part after a semicolon."""
        standard = _ERROR_TEXT.get(self.code, "Device error")
        return f"{standard};{self.detail}" if self.detail else standard


class NoReply(Exception):
    """The instrument has not answered within its caller's patience."""


@dataclass(frozen=True, slots=True)
class Call:
    """One command as it arrived: numeric suffix of its header (1 if left out) and its parameters."""

    suffix: int
    parameters: tuple[str, ...]

    def number(
        self, unit: str, *, low: float = -math.inf, high: float = math.inf, default: float | None = None
    ) -> float:
        """The only parameter as a number within limits; MIN, MAX and DEF are known.

        Raises ScpiError -104 (no number), -131 (wrong suffix), -138 (suffix not allowed), -222 (outside).
        """
        text = self.parameters[0]
        match text.upper():
            case "MIN" | "MINIMUM" if math.isfinite(low):
                return low
            case "MAX" | "MAXIMUM" if math.isfinite(high):
                return high
            case "DEF" | "DEFAULT" if default is not None:
                return default
        value = parse_number(text, unit)
        if not low <= value <= high:
            raise ScpiError(-222, text)
        return value

    def word(self, choices: Mapping[str, str]) -> str:
        """The only parameter as one of the choices, written like "SINusoid": its value in the mapping."""
        given = self.parameters[0].upper()
        for pattern, value in choices.items():
            if given in _forms(pattern):
                return value
        raise ScpiError(-224, self.parameters[0])

    def boolean(self) -> bool:
        """ON, OFF or a number, where all but 0 is on."""
        given = self.parameters[0].upper()
        if given in ("ON", "OFF"):
            return given == "ON"
        return round(parse_number(given, "")) != 0

    def integer(self, *, low: int, high: int) -> int:
        """The only parameter as a whole number within limits, rounded."""
        return round(self.number("", low=low, high=high))


def parse_number(text: str, unit: str) -> float:
    """Decimal number with an optional multiplier and unit; ScpiError as `Call.number` says."""
    matched = _NUMBER.fullmatch(text)
    if matched is None:
        raise ScpiError(-104, text)
    value = float(matched[1].replace(" ", ""))
    suffix = matched[2].upper()
    if not suffix:
        return value
    if not unit:
        raise ScpiError(-138, text)
    unit = unit.upper()
    # SCPI's exception: M is milli, but MHZ and MOHM are mega.
    if suffix == "M" + unit and unit in ("HZ", "OHM"):
        return value * 1e6
    prefix = suffix.removesuffix(unit)
    if prefix not in _MULTIPLIER or prefix == suffix != "":
        raise ScpiError(-131, text)
    return value * _MULTIPLIER[prefix]


Reply = str | bytes | None
Handler = Callable[[Any, Call], Reply]


@dataclass(frozen=True, slots=True)
class Command:
    """One entry of an instrument's command table.

    pattern : like "[SOURce#]:VOLTage[:LEVel]"; # is a numeric suffix, @ one that must be there.
    do, ask : handlers of the command and of the query; None where there is none.
    takes, asks : fewest and most parameters of the command, and of the query.
    highest : largest numeric suffix.
    """

    pattern: str
    do: Handler | None = None
    ask: Handler | None = None
    takes: tuple[int, int] = (1, 1)
    asks: tuple[int, int] = (0, 0)
    highest: int = 1

    @property
    def long_form(self) -> str:
        """The whole header in upper case, with the suffix mark."""
        return ":".join(name for _, name in _nodes(self.pattern)).upper().replace("@", "#")


def _nodes(pattern: str) -> Iterator[tuple[bool, str]]:
    """Nodes of a pattern: may it be left out, and its name."""
    for matched in _PATTERN_NODE.finditer(pattern):
        yield matched[1] is not None, matched[1] or matched[2]


def _forms(name: str) -> tuple[str, str]:
    return name.upper(), "".join(c for c in name if not c.islower())


def command_table(commands: Iterable[Command]) -> dict[str, Command]:
    """All legal headers, upper case, digits written as #, each with its command."""
    table = {}
    for command in commands:
        choices = []
        for optional, name in _nodes(command.pattern):
            spellings = set()
            for form in _forms(name):
                spellings |= {form, form.rstrip("#")} if "#" in form else {form.replace("@", "#")}
            choices.append([*sorted(spellings), *([""] if optional else [])])
        for chosen in itertools.product(*choices):
            table[":".join(node for node in chosen if node)] = command
    return table


def _split(text: str, separator: str) -> list[str]:
    """Split outside quotes. Raises ScpiError -151 for a quote that does not end."""
    if '"' not in text and "'" not in text:
        return text.split(separator)
    pieces, quote, begin = [], "", 0
    for place, character in enumerate(text):
        if quote:
            if character == quote:
                quote = ""
        elif character in "\"'":
            quote = character
        elif character == separator:
            pieces.append(text[begin:place])
            begin = place + 1
    if quote:
        raise ScpiError(-151, "")
    return [*pieces, text[begin:]]


class ScpiInstrument:
    """An instrument that takes program messages.

    lock : shared by the instruments of a world; held while a message is worked on, free while one waits.
    clock : what waiting goes by.
    patience_s : bench seconds a command may wait before `NoReply`.
    given_up : asked while waiting; True makes the command end in `NoReply` (client gone, bench closing).
    nap_s : longest wait in one go, so that `given_up` is asked now and then.
    """

    table: ClassVar[Mapping[str, Command]] = {}
    idn: str = ""

    def __init__(self, *, lock: threading.RLock, clock: Clock) -> None:
        self.lock = lock
        self.clock = clock
        self.patience_s = math.inf
        self.nap_s = math.inf
        self.given_up: Callable[[], bool] = lambda: False
        self.errors: deque[tuple[int, str]] = deque()
        self.event_status = 128
        self.event_enable = 0
        self.service_enable = 0
        self._headers: dict[str, tuple[Command, int]] = {}

    def execute(self, message: str) -> bytes:
        """Do one program message and return the reply with its line feed, or nothing.

        Raises NoReply where the reply is not there within `patience_s`, or nobody waits for it any more.
        """
        replies: list[bytes] = []
        path = ""
        with self.lock:
            try:
                for unit in _split(message, ";"):
                    path = self._do_unit(unit.strip(), path, replies)
            except ScpiError as refused:
                # A command error loses the rest of the message: its path is no longer known.
                self.queue_error(refused)
        return b";".join(replies) + b"\n" if replies else b""

    def queue_error(self, error: ScpiError) -> None:
        """Put an error at the end of the queue; a full queue's last entry becomes -350."""
        self.event_status |= _EVENT_BIT.get(-error.code // 100, 8)
        if len(self.errors) >= _QUEUE_LENGTH:
            self.errors[-1] = (-350, _ERROR_TEXT[-350])
        else:
            self.errors.append((error.code, error.text))

    def reset(self) -> None:
        """What *RST does; the error queue and the event registers stay."""

    def operation_complete(self, _call: Call) -> Reply:
        """Reply to *OPC?; an instrument with overlapped commands waits here."""
        return "1"

    def respond(self, command: Command, suffix: int, reply: str | bytes) -> bytes:
        """The reply as it goes out; families that repeat the header do it here."""
        return reply if isinstance(reply, bytes) else reply.encode("ascii")

    def pause(self, seconds: float) -> None:
        """Let bench time pass with the world free for the other instruments.

        Raises NoReply as soon as nobody waits for the answer any more.
        """
        end_s = self.clock.now_s() + seconds
        self.lock.release()
        try:
            while (left_s := end_s - self.clock.now_s()) > 0:
                if self.given_up():
                    raise NoReply("given up")
                self.clock.sleep_s(min(left_s, self.nap_s))
        finally:
            self.lock.acquire()

    def status_byte(self) -> int:
        """Status byte as *STB? gives it."""
        status = (4 if self.errors else 0) | (32 if self.event_status & self.event_enable else 0)
        return status | (64 if status & self.service_enable else 0)

    def clear_status(self) -> None:
        """What *CLS does."""
        self.errors.clear()
        self.event_status = 0

    def _do_unit(self, unit: str, path: str, replies: list[bytes]) -> str:
        """Do one program message unit; return the path for the next."""
        if not unit:
            return path
        words = unit.split(None, 1)
        header = words[0].upper()
        query = header.endswith("?")
        if not header.startswith((":", "*")) and path:
            header = f"{path}:{header}"
        command, suffix = self._find(header)
        parameters = tuple(p.strip() for p in _split(words[1], ",")) if len(words) > 1 else ()
        handler, (fewest, most) = (command.ask, command.asks) if query else (command.do, command.takes)
        if handler is None:
            raise ScpiError(-113, words[0])
        if len(parameters) < fewest or "" in parameters:
            raise ScpiError(-109, words[0])
        if len(parameters) > most:
            raise ScpiError(-108, words[0])
        try:
            reply = handler(self, Call(suffix, parameters))
        except ScpiError as refused:
            if -200 < refused.code <= -100:
                raise
            self.queue_error(refused)
        else:
            if reply is not None:
                replies.append(self.respond(command, suffix, reply))
        if header.startswith("*"):
            return path
        return header.lstrip(":").rpartition(":")[0]

    def _find(self, header: str) -> tuple[Command, int]:
        found = self._headers.get(header)
        if found is None:
            if _HEADER.fullmatch(header) is None:
                raise ScpiError(-102, header)
            bare = header.removesuffix("?").lstrip(":")
            if any(len(node) > _LONGEST_MNEMONIC for node in bare.lstrip("*").split(":")):
                raise ScpiError(-112, header)
            command = self.table.get(_DIGITS.sub("#", bare))
            if command is None:
                raise ScpiError(-113, header)
            suffixes = [int(digits[:9]) for digits in _DIGITS.findall(bare)] or [1]
            if any(not 1 <= suffix <= command.highest for suffix in suffixes):
                raise ScpiError(-114, header)
            found = command, suffixes[0]
            if len(self._headers) < 4096:
                self._headers[header] = found
        return found

    def next_error(self, _call: Call) -> Reply:
        """Reply to SYSTem:ERRor?"""
        code, text = self.errors.popleft() if self.errors else (0, _ERROR_TEXT[0])
        return f'{code},"{text}"'

    def _identity(self, _call: Call) -> Reply:
        return self.idn

    def _clear(self, _call: Call) -> Reply:
        self.clear_status()
        return None

    def _reset(self, _call: Call) -> Reply:
        self.reset()
        return None

    def _event_status(self, _call: Call) -> Reply:
        status, self.event_status = self.event_status, 0
        return str(status)

    def _set_event_enable(self, call: Call) -> Reply:
        self.event_enable = call.integer(low=0, high=255)
        return None

    def _set_service_enable(self, call: Call) -> Reply:
        self.service_enable = call.integer(low=0, high=255) & ~64
        return None

    def _note_complete(self, _call: Call) -> Reply:
        self.event_status |= 1
        return None

    def _wait(self, call: Call) -> Reply:
        self.operation_complete(call)
        return None


COMMON: Sequence[Command] = (
    Command("*IDN", ask=ScpiInstrument._identity),
    Command("*RST", ScpiInstrument._reset, takes=(0, 0)),
    Command("*CLS", ScpiInstrument._clear, takes=(0, 0)),
    Command("*ESR", ask=ScpiInstrument._event_status),
    Command("*ESE", ScpiInstrument._set_event_enable, lambda self, _: str(self.event_enable)),
    Command("*SRE", ScpiInstrument._set_service_enable, lambda self, _: str(self.service_enable)),
    Command("*STB", ask=lambda self, _: str(self.status_byte())),
    Command(
        "*OPC",
        ScpiInstrument._note_complete,
        lambda self, call: self.operation_complete(call),
        takes=(0, 0),
    ),
    Command("*WAI", ScpiInstrument._wait, takes=(0, 0)),
    Command("*TST", ask=lambda _self, _: "0"),
)

SYSTEM: Sequence[Command] = (
    Command("SYSTem:ERRor[:NEXT]", ask=ScpiInstrument.next_error),
    Command("SYSTem:ERRor:COUNt", ask=lambda self, _: str(len(self.errors))),
    Command("SYSTem:VERSion", ask=lambda _self, _: "1999.0"),
)
