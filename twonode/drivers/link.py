"""The link to one instrument: text out, text or a block back, within a deadline.

Owns the only import of pyvisa and the only place where its errors, and those of the sockets and drivers below
it, become ours. Knows nothing of what the text means.

After any exchange that did not come to its end (timeout, wrong block, Ctrl-C in the middle) the session is
closed; the next use opens a new one and compares ``*IDN?``, so that a late reply can never answer the next
question.
"""

from __future__ import annotations

import functools
import hashlib
import ipaddress
import logging
import re
import socket
import threading
import time
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, Protocol

from twonode.drivers.block import LONGEST_BLOCK_BYTES, read_block, shortened
from twonode.drivers.errors import BenchError, LinkError, ReplyError
from twonode.drivers.linkfaults import translated
from twonode.drivers.scpi_text import bare_identity
from twonode.drivers.wire import MessageWire, StreamWire, Wire, python_socket

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = [
    "IDENTIFY",
    "Backend",
    "Link",
    "Terminators",
    "VisaLink",
    "chosen_backend",
    "list_addresses",
    "open_link",
    "system_visa_library",
]

Backend = Literal["system", "python"]

IDENTIFY = "*IDN?"
"""IEEE 488.2: who are you."""

log = logging.getLogger("twonode.drivers")

_SOCKET = re.compile(r"TCPIP\d*::(?P<host>[^:]+)::(?P<port>\d+)::SOCKET", re.IGNORECASE)
_CONNECT_S = 5.0


class Link(Protocol):
    """What the instruments need of a link; a simulated one may stand in."""

    @property
    def resource(self) -> str:
        """The address, as it was given."""
        ...

    def write(self, text: str) -> None:
        """Send one program message."""
        ...

    def query(self, text: str, *, timeout_s: float | None = None) -> str:
        """Send one program message and return its one-line reply, ends stripped."""
        ...

    def query_block(
        self,
        text: str,
        *,
        expected_bytes: int | None = None,
        trailing: bytes = b"\n",
        prefix_max: int = 0,
        timeout_s: float | None = None,
        head: bytearray | None = None,
    ) -> bytes:
        """Send one program message and return the payload of the block that answers it (see `read_block`)."""
        ...

    def close(self) -> None:
        """Release the connection; a second call does nothing."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Terminators:
    """What ends a program message and a reply."""

    write: str = "\n"
    read: str = "\n"


class VisaLink:
    """A link over a VISA session. Made by `open_link`; exchanges of several threads follow one another."""

    def __init__(
        self,
        resource: str,
        *,
        terminators: Terminators,
        timeout_s: float,
        backend: Backend,
        pause_s: float = 0.0,
        identify: str | None = IDENTIFY,
        kind: str | None = None,
        baud_rate: int | None = None,
    ) -> None:
        if not 0 < timeout_s < float("inf"):
            raise ValueError(f"timeout_s: need a finite time > 0 s, got {timeout_s}")
        self._resource = resource
        self._who = resource if kind is None else f"the {kind} ({resource})"
        self._identify = identify
        self._baud_rate = baud_rate
        self._ends = terminators
        self._timeout_s = timeout_s
        self._backend: Backend = backend
        self._pause_s = pause_s
        self._visa: Any = None
        self._wire: Wire | None = None
        self._closed = False
        self._identity: str | None = None
        self._last_sent_s = float("-inf")
        self._turn = threading.RLock()

    @property
    def resource(self) -> str:
        """The address, as it was given."""
        return self._resource

    @property
    def identity(self) -> str:
        """The reply to the question who it is at the first connection; empty where nothing can be asked."""
        if self._identity is None:
            raise RuntimeError("the link was never connected")
        return self._identity

    @property
    def backend(self) -> Backend:
        """Which VISA library is used: the system's or pyvisa-py."""
        return self._backend

    def write(self, text: str) -> None:
        """Send one program message.

        Raises LinkError or ReplyTimeout.
        """
        deadline_s = time.monotonic() + self._timeout_s
        with self._exchange(text, deadline_s) as wire:
            self._send(wire, text, deadline_s)

    def query(self, text: str, *, timeout_s: float | None = None) -> str:
        """Send one program message and return its one-line reply, line end and blanks stripped.

        Raises LinkError, ReplyTimeout, or ReplyError for a line that never ends or is not ASCII.
        """
        deadline_s = time.monotonic() + (self._timeout_s if timeout_s is None else timeout_s)
        with self._exchange(text, deadline_s) as wire:
            wire.begin_text()
            self._send(wire, text, deadline_s)
            line = wire.read_line(self._ends.read.encode("ascii"), deadline_s)
            try:
                reply = line.decode("ascii").strip()
            except UnicodeDecodeError as exc:
                raise ReplyError(
                    f"{self._called} answered {text!r} with {shortened(line)}.",
                    "That is no text, so the reply cannot be believed.",
                    "Check the cable and the port: a prompt or web port does not speak SCPI.",
                ) from exc
        log.debug("%s < %s", self._resource, reply)
        return reply

    def query_block(
        self,
        text: str,
        *,
        expected_bytes: int | None = None,
        trailing: bytes = b"\n",
        prefix_max: int = 0,
        timeout_s: float | None = None,
        head: bytearray | None = None,
    ) -> bytes:
        """Send one program message and return the payload of the block that answers it.

        Raises LinkError, ReplyTimeout, or ReplyError as `read_block`.
        """
        deadline_s = time.monotonic() + (self._timeout_s if timeout_s is None else timeout_s)
        longest = (LONGEST_BLOCK_BYTES if expected_bytes is None else expected_bytes) + 64 + prefix_max
        with self._exchange(text, deadline_s) as wire:
            wire.begin_block(longest)
            self._send(wire, text, deadline_s)
            payload = read_block(
                lambda count: wire.read_exactly(count, deadline_s),
                expected_bytes=expected_bytes,
                trailing=trailing,
                prefix_max=prefix_max,
                head=head,
            )
        if log.isEnabledFor(logging.DEBUG):
            digest = hashlib.sha256(payload).hexdigest()
            log.debug("%s < block of %d bytes, SHA-256 %s", self._resource, len(payload), digest)
        return payload

    def close(self) -> None:
        """Release the connection; a second call does nothing."""
        self._closed = True
        self._drop()

    def adopt(self, *, terminators: Terminators, timeout_s: float, pause_s: float) -> None:
        """Go on with what the instrument's profile says about its line, once it is known."""
        if not 0 < timeout_s < float("inf"):
            raise ValueError(f"timeout_s: need a finite time > 0 s, got {timeout_s}")
        self._ends, self._timeout_s, self._pause_s = terminators, timeout_s, pause_s

    def connect(self) -> None:
        """Open the session and ask who is there: opening alone proves nothing, a closed socket opens too.

        Raises LinkError or ReplyTimeout; LinkError also when another instrument answers than before.
        """
        self._closed = False
        self._drop()
        with self._exchange(self._identify or "", time.monotonic() + self._timeout_s):
            # Opening a session asks it already.
            pass

    @contextmanager
    def _exchange(self, text: str, deadline_s: float) -> Iterator[Wire]:
        """One exchange; whatever ends it early also ends the session."""
        with self._turn:
            if self._closed:
                raise RuntimeError(f"the link to {self._resource} is closed")
            try:
                wire = self._ready(text, deadline_s)
                yield wire
            except BaseException as exc:
                log.debug("%s: %r ended by %s", self._resource, text, type(exc).__name__)
                self._drop()
                if isinstance(exc, BenchError) or not isinstance(exc, Exception):
                    raise
                raise translated(exc, called=self._called, resource=self._resource, text=text) from exc

    def _ready(self, text: str, deadline_s: float) -> Wire:
        if self._wire is not None and self._wire.leftover():
            log.warning("%s: bytes nobody asked for were waiting; connecting again", self._resource)
            self._drop()
        if self._wire is None:
            self._open()
            assert self._wire is not None
            self._recognise(self._wire, max(deadline_s, time.monotonic() + self._timeout_s))
        return self._wire

    def _open(self) -> None:
        log.debug("%s: connecting (%s VISA)", self._resource, self._backend)
        self._visa = _resource_manager(self._backend).open_resource(
            self._resource, open_timeout=int(_CONNECT_S * 1000)
        )
        self._visa.timeout = self._timeout_s * 1000
        if self._baud_rate is not None and self._resource.upper().startswith("ASRL"):
            self._visa.baud_rate = self._baud_rate
        stream = self._resource.upper().endswith("::SOCKET") or self._resource.upper().startswith("ASRL")
        self._wire = StreamWire(self._visa) if stream else MessageWire(self._visa)
        connection = python_socket(self._visa)
        if connection is not None:
            # Two small packets in a row would otherwise wait for each other (Nagle's algorithm).
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _recognise(self, wire: Wire, deadline_s: float) -> None:
        """Ask a fresh session who is there; a session opened again must answer the same."""
        if self._identify is None:
            self._identity = ""
            return
        wire.begin_text()
        self._send(wire, self._identify, deadline_s)
        line = wire.read_line(self._ends.read.encode("ascii"), deadline_s)
        identity = bare_identity(line.decode("ascii", errors="replace"))
        log.debug("%s < %s", self._resource, identity)
        if self._identity is None:
            self._identity = identity
        elif identity != self._identity:
            raise LinkError(
                f"{self._called} now says it is {shortened(identity)}.",
                f"Before it was {shortened(self._identity)}; settings made there do not hold here.",
                "Check which instrument is connected and start again.",
            )

    def _send(self, wire: Wire, text: str, deadline_s: float) -> None:
        if self._pause_s > 0:
            wait_s = self._last_sent_s + self._pause_s - time.monotonic()
            if wait_s > 0:
                time.sleep(wait_s)
        log.debug("%s > %s", self._resource, text)
        wire.send((text + self._ends.write).encode("ascii"), deadline_s)
        self._last_sent_s = time.monotonic()

    def _drop(self) -> None:
        """Close the session, never `clear()` it: on a dead socket that does not return (seen with pyvisa-py 0.8)."""
        visa, self._visa, self._wire = self._visa, None, None
        if visa is None:
            return
        try:
            visa.close()
        except Exception as exc:  # noqa: BLE001 - a broken session may fail to close in any way; it is given up
            log.debug("%s: closing failed: %r", self._resource, exc)

    @property
    def _called(self) -> str:
        """Its name at the beginning of a sentence."""
        return self._who[:1].upper() + self._who[1:]


def open_link(
    resource: str,
    *,
    terminators: Terminators | None = None,
    timeout_s: float = 5.0,
    backend: Backend | None = None,
    pause_s: float = 0.0,
    identify: str | None = IDENTIFY,
    kind: str | None = None,
    baud_rate: int | None = None,
) -> VisaLink:
    """Connect to an instrument and make sure that something answers there.

    Parameters
    ----------
    resource : VISA address, such as ``TCPIP0::192.168.1.20::5025::SOCKET``.
    terminators : ends of messages and replies; None is LF for both.
    timeout_s : deadline of one exchange, s.
    backend : "system" or "python"; None takes the system's VISA library where there is one, else pyvisa-py.
        A socket on this computer always uses pyvisa-py.
    pause_s : least time between two messages, s, for instruments that lose back-to-back commands.
    identify : the question who it is, asked whenever a session is opened; None where there is none.
    kind : such as "scope", for messages.
    baud_rate : of a serial port; None leaves it as it is.

    Raises
    ------
    LinkError : nothing reachable there. ReplyTimeout : it does not answer.
    """
    link = VisaLink(
        resource,
        terminators=terminators or Terminators(),
        timeout_s=timeout_s,
        backend=chosen_backend(resource, backend),
        pause_s=pause_s,
        identify=identify,
        kind=kind,
        baud_rate=baud_rate,
    )
    link.connect()
    return link


def system_visa_library() -> str | None:
    """Path of the VISA library installed in the system; None if there is none."""
    from pyvisa.ctwrapper.highlevel import IVIVisaLibrary

    paths = IVIVisaLibrary.get_library_paths()
    return str(paths[0]) if paths else None


def list_addresses(backend: Backend) -> tuple[str, ...]:
    """VISA addresses that a library finds, sorted; this sends broadcasts. Raises whatever the library raises."""
    return tuple(sorted(_resource_manager(backend).list_resources("?*::INSTR")))


def chosen_backend(resource: str, asked: Backend | None) -> Backend:
    """The library that `open_link` uses for an address. Raises LinkError where the one asked for is not there."""
    found = _SOCKET.fullmatch(resource.strip())
    if found and _is_loopback(found["host"]):
        return "python"
    if asked is None:
        return "system" if system_visa_library() else "python"
    if asked not in ("system", "python"):
        raise ValueError(f"backend: need 'system', 'python' or None, got {asked!r}")
    if asked == "system" and system_visa_library() is None:
        raise LinkError(
            "No VISA library is installed in this system.",
            f"{resource} was to be opened with one.",
            "Install one, or choose the built-in one with `--visa python`.",
        )
    return asked


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.lower() == "localhost"


@functools.cache
def _resource_manager(backend: Backend) -> Any:
    # Kept for the life of the process: closing a resource manager closes every session of its library.
    import pyvisa

    return pyvisa.ResourceManager("@py" if backend == "python" else "@ivi")
