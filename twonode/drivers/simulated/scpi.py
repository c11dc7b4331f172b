"""The language of the simulated instruments: program messages in, replies and an error queue out.

Owns compounds with their path, the error queue, the status registers and the common commands. Knows no instrument:
each one supplies a table of commands.

Sources: IEEE 488.2 and SCPI-1999 as told by libscpi and the instrument manuals named on the facts page; how a path
carries over after a semicolon from memory of SCPI-1999 volume 1.
"""

from __future__ import annotations

import re
import threading
from collections import deque
from collections.abc import Mapping, Sequence
from typing import ClassVar

from twonode.drivers.clock import Clock
from twonode.drivers.simulated.instrument import NoReply, SimulatedInstrument
from twonode.drivers.simulated.scpi_table import Command, Reply
from twonode.drivers.simulated.scpi_values import ERROR_TEXT, Call, ScpiError

__all__ = ["COMMON", "SYSTEM", "NoReply", "ScpiInstrument"]

# Bit of the event status register by the hundreds of the error number (SCPI-1999 volume 2, chapter 21.8).
_EVENT_BIT = {1: 32, 2: 16, 3: 8, 4: 4, 5: 128, 6: 64, 7: 2, 8: 1}

_QUEUE_LENGTH = 20
_LONGEST_MNEMONIC = 12

_DIGITS = re.compile(r"(?<=[A-Z_])\d+")
_HEADER = re.compile(r"\*[A-Z]+\??|:?[A-Z][A-Z0-9_]*(?::[A-Z][A-Z0-9_]*)*\??")


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


class ScpiInstrument(SimulatedInstrument):
    """An instrument that takes program messages.

    keeps_path : a header after a semicolon goes on where the one before it was, as in SCPI.
    """

    table: ClassVar[Mapping[str, Command]] = {}
    keeps_path: ClassVar[bool] = True

    def __init__(self, *, lock: threading.RLock, clock: Clock) -> None:
        super().__init__(lock=lock, clock=clock)
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
            self.errors[-1] = (-350, ERROR_TEXT[-350])
        else:
            self.errors.append((error.code, error.text))

    def overrun(self) -> None:
        """The message that was thrown away is an error of its own."""
        self.queue_error(ScpiError(-363))

    def reset(self) -> None:
        """What *RST does; the error queue and the event registers stay."""

    def operation_complete(self, _call: Call) -> Reply:
        """Reply to *OPC?; an instrument with overlapped commands waits here."""
        return "1"

    def respond(self, command: Command, suffix: int, reply: str | bytes) -> bytes:
        """The reply as it goes out; families that repeat the header do it here."""
        return reply if isinstance(reply, bytes) else reply.encode("ascii")

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
        if header.startswith("*") or not self.keeps_path:
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
        code, text = self.errors.popleft() if self.errors else (0, ERROR_TEXT[0])
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
