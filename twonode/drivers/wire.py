"""Bytes in and out of one open VISA session, every read against a deadline.

Owns the two ways instruments deliver bytes: a stream (raw sockets, serial) or messages (USB, VXI-11,
HiSLIP, GPIB). Takes an open session and imports no VISA library; whatever the library raises passes
through to `link`, which translates it. `Late`, `Closed`, `Short` and `TooLong` are for `link` only.

On a pyvisa-py socket the operating system's socket is looked at before each read (pyvisa-py keeps it as
`interface`; its own read would spin at full load until the timeout when the peer has gone, and one that
is fed byte by byte would never look at its clock). Then only bytes that are there are asked for. Where
there is no such socket, the library's own timeout is used.
"""

from __future__ import annotations

import select
import socket
import time
from contextlib import AbstractContextManager
from typing import Any, Protocol

__all__ = [
    "Closed",
    "Late",
    "MessageWire",
    "Short",
    "StreamWire",
    "TooLong",
    "VisaSession",
    "Wire",
    "python_socket",
]

_PEEK_BYTES = 1 << 16
# select() on Windows does not notice Ctrl-C: never sleep longer than this in one piece.
_LONGEST_WAIT_S = 0.25
_LONGEST_LINE_BYTES = 1 << 16
_MAX_COUNT_READ = 0x3FFF0006  # VI_SUCCESS_MAX_CNT, VPP-4.3: there is more


class Late(Exception):
    """The deadline passed."""


class Closed(Exception):
    """The instrument closed the connection."""


class Short(Exception):
    """A message that ends before all of its block was there."""


class TooLong(Exception):
    """A line that does not end."""


class VisaSession(Protocol):
    """The little of an open pyvisa resource that is used here."""

    session: Any
    visalib: Any
    timeout: Any
    read_termination: Any

    def ignore_warning(self, *status: Any) -> AbstractContextManager[None]:
        """Do not warn about these status codes inside the context."""
        ...

    def write_raw(self, message: bytes) -> int:
        """Send these bytes; return how many went out."""
        ...


class Wire(Protocol):
    """What `link` needs; ``deadline_s`` is a moment on `time.monotonic`."""

    def send(self, data: bytes, deadline_s: float) -> None:
        """Send all of ``data``."""
        ...

    def begin_text(self) -> None:
        """A line will be read next."""
        ...

    def begin_block(self, longest_bytes: int) -> None:
        """Counted bytes will be read next, no more than ``longest_bytes`` in all."""
        ...

    def read_line(self, end: bytes, deadline_s: float) -> bytes:
        """Read up to and with ``end``, returned without it."""
        ...

    def read_exactly(self, count: int, deadline_s: float) -> bytes:
        """Read ``count`` bytes."""
        ...

    def leftover(self) -> bool:
        """True if bytes are waiting that nobody asked for. Raises Closed if the peer has gone."""
        ...


def python_socket(session: VisaSession) -> socket.socket | None:
    """The operating system's socket behind a pyvisa-py SOCKET session, else None."""
    low_level = _low_level(session)
    found = getattr(low_level, "interface", None)
    return found if isinstance(found, socket.socket) else None


def _low_level(session: VisaSession) -> Any:
    sessions = getattr(session.visalib, "sessions", None)
    return sessions.get(session.session) if isinstance(sessions, dict) else None


def _remaining_s(deadline_s: float) -> float:
    left = deadline_s - time.monotonic()
    if left <= 0:
        raise Late
    return left


class StreamWire:
    """Raw socket or serial line: bytes without message boundaries."""

    def __init__(self, session: VisaSession) -> None:
        self._session = session
        self._socket = python_socket(session)
        self._low_level = _low_level(session)
        if self._socket is not None:
            session.read_termination = None
            if hasattr(self._low_level, "max_recv_size"):
                self._low_level.max_recv_size = _PEEK_BYTES

    def send(self, data: bytes, deadline_s: float) -> None:
        """Send all of ``data``."""
        if self._socket is None:
            self._session.timeout = _remaining_s(deadline_s) * 1000
        else:
            self._wait(self._socket, deadline_s, to_write=True)
        if self._session.write_raw(data) != len(data):
            raise Closed

    def begin_text(self) -> None:
        """A line will be read next."""
        if self._socket is None and self._session.read_termination != "\n":
            self._session.read_termination = "\n"

    def begin_block(self, longest_bytes: int) -> None:
        """Counted bytes will be read next; a LF among them ends nothing."""
        if self._socket is None and self._session.read_termination is not None:
            self._session.read_termination = None

    def read_line(self, end: bytes, deadline_s: float) -> bytes:
        """Read up to and with ``end``, returned without it."""
        line = bytearray()
        while not line.endswith(end):
            if len(line) > _LONGEST_LINE_BYTES:
                raise TooLong
            waiting = self._peek(deadline_s)
            if waiting is None:
                line += self._read(1 << 12, deadline_s)
            else:
                place = waiting.find(end[-1:])
                line += self._read(place + 1 if place >= 0 else len(waiting), deadline_s)
        return bytes(line[: len(line) - len(end)])

    def read_exactly(self, count: int, deadline_s: float) -> bytes:
        """Read ``count`` bytes."""
        pieces: list[bytes] = []
        missing = count
        while missing:
            waiting = self._peek(deadline_s)
            piece = self._read(min(missing, _PEEK_BYTES if waiting is None else len(waiting)), deadline_s)
            pieces.append(piece)
            missing -= len(piece)
        return pieces[0] if len(pieces) == 1 else b"".join(pieces)

    def leftover(self) -> bool:
        """True if bytes are waiting that nobody asked for."""
        if self._socket is None:
            return False
        if self._kept_by_library():
            return True
        if not select.select([self._socket], [], [], 0)[0]:
            return False
        if not self._socket.recv(1, socket.MSG_PEEK):
            raise Closed
        return True

    def _kept_by_library(self) -> bytes:
        return bytes(getattr(self._low_level, "_pending_buffer", b""))

    def _peek(self, deadline_s: float) -> bytes | None:
        """Bytes that can be read at once, at least one; None if that cannot be known."""
        if self._socket is None:
            return None
        kept = self._kept_by_library()
        if kept:
            return kept
        self._wait(self._socket, deadline_s)
        waiting = self._socket.recv(_PEEK_BYTES, socket.MSG_PEEK)
        if not waiting:
            raise Closed
        return waiting

    @staticmethod
    def _wait(connection: socket.socket, deadline_s: float, *, to_write: bool = False) -> None:
        watched = [connection]
        while True:
            wait_s = min(_remaining_s(deadline_s), _LONGEST_WAIT_S)
            reading, writing, _ = select.select(
                [] if to_write else watched, watched if to_write else [], [], wait_s
            )
            if reading or writing:
                return

    def _read(self, count: int, deadline_s: float) -> bytes:
        if self._socket is None:
            self._session.timeout = _remaining_s(deadline_s) * 1000
        with self._session.ignore_warning(_MAX_COUNT_READ):
            data: bytes
            data, _ = self._session.visalib.read(self._session.session, count)
        return data


class MessageWire:
    """USB, VXI-11, HiSLIP, GPIB: a reply is one message with an end.

    A block is taken in one request larger than the block, because some instruments begin the message again
    when it is fetched in parts (seen on USB scopes).
    """

    def __init__(self, session: VisaSession) -> None:
        self._session = session
        self._message = b""
        self._request_bytes = 1 << 16
        session.read_termination = None

    def send(self, data: bytes, deadline_s: float) -> None:
        """Send all of ``data``."""
        self._message = b""
        self._session.timeout = _remaining_s(deadline_s) * 1000
        if self._session.write_raw(data) != len(data):
            raise Closed

    def begin_text(self) -> None:
        """A line will be read next."""
        self._request_bytes = 1 << 16

    def begin_block(self, longest_bytes: int) -> None:
        """Counted bytes will be read next, no more than ``longest_bytes`` in all."""
        self._request_bytes = longest_bytes

    def read_line(self, end: bytes, deadline_s: float) -> bytes:
        """Read one message; its line end may be missing, as the message's own end says the same."""
        self._fetch(deadline_s)
        line, self._message = self._message, b""
        return line.removesuffix(end)

    def read_exactly(self, count: int, deadline_s: float) -> bytes:
        """Read ``count`` bytes of one message, fetched with the first call."""
        if not self._message:
            self._fetch(deadline_s)
        if len(self._message) < count:
            raise Short
        piece, self._message = self._message[:count], self._message[count:]
        return piece

    def leftover(self) -> bool:
        """True if a message was not used up."""
        return bool(self._message.strip(b"\r\n"))

    def _fetch(self, deadline_s: float) -> None:
        pieces: list[bytes] = []
        more = True
        while more:
            self._session.timeout = _remaining_s(deadline_s) * 1000
            with self._session.ignore_warning(_MAX_COUNT_READ):
                piece, status = self._session.visalib.read(self._session.session, self._request_bytes)
            pieces.append(piece)
            more = int(status) == _MAX_COUNT_READ
        self._message = b"".join(pieces)
