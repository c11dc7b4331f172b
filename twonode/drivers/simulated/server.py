"""A simulated instrument on a loopback TCP socket.

Owns connections, line framing and shutting down promptly. One thread serves one instrument; messages end
with a line feed, replies likewise, and a block's bytes go out as they are.
"""

from __future__ import annotations

import contextlib
import logging
import selectors
import socket
import threading

from twonode.drivers.simulated.scpi import NoReply, ScpiInstrument
from twonode.drivers.simulated.scpi_values import ScpiError

__all__ = ["InstrumentServer"]

_LOG = logging.getLogger(__name__)

_LOOPBACK = "127.0.0.1"
_LONGEST_MESSAGE = 65536
# A client that takes nothing for this long has gone.
_SEND_TIMEOUT_S = 10.0


class InstrumentServer:
    """Serves one instrument until closed."""

    def __init__(self, instrument: ScpiInstrument, *, name: str) -> None:
        self._instrument = instrument
        self._closing = False
        self._pending: dict[socket.socket, bytearray] = {}
        self._listener = socket.create_server((_LOOPBACK, 0))
        self.port: int = self._listener.getsockname()[1]
        self._wake, self._waker = socket.socketpair()
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._listener, selectors.EVENT_READ)
        self._selector.register(self._wake, selectors.EVENT_READ)
        self._thread = threading.Thread(target=self._serve, name=f"simulated {name}", daemon=True)
        self._thread.start()

    @property
    def resource(self) -> str:
        """VISA resource string."""
        return f"TCPIP0::{_LOOPBACK}::{self.port}::SOCKET"

    def close(self) -> None:
        """Close every connection and end the thread. Returns when it has ended."""
        self._closing = True
        with contextlib.suppress(OSError):
            self._waker.send(b"x")
        self._thread.join(timeout=5.0)
        self._waker.close()

    def _serve(self) -> None:
        try:
            while not self._closing:
                for key, _ in self._selector.select():
                    if key.fileobj is self._listener:
                        self._accept()
                    elif key.fileobj is not self._wake and isinstance(key.fileobj, socket.socket):
                        self._receive(key.fileobj)
        finally:
            for connection in [*self._pending, self._listener, self._wake]:
                connection.close()
            self._selector.close()

    def _accept(self) -> None:
        connection, _ = self._listener.accept()
        connection.settimeout(_SEND_TIMEOUT_S)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._pending[connection] = bytearray()
        self._selector.register(connection, selectors.EVENT_READ)

    def _drop(self, connection: socket.socket) -> None:
        self._selector.unregister(connection)
        del self._pending[connection]
        connection.close()

    def _receive(self, connection: socket.socket) -> None:
        try:
            received = connection.recv(65536)
            if not received:
                self._drop(connection)
                return
            pending = self._pending[connection]
            pending += received
            while (end := pending.find(b"\n")) >= 0:
                message = bytes(pending[:end])
                del pending[: end + 1]
                self._answer(connection, message)
            if len(pending) > _LONGEST_MESSAGE:
                pending.clear()
                with self._instrument.lock:
                    self._instrument.queue_error(ScpiError(-363))
        except OSError as gone:
            _LOG.debug("connection lost: %s", gone)
            self._drop(connection)

    def _answer(self, connection: socket.socket, message: bytes) -> None:
        instrument = self._instrument
        instrument.given_up = lambda: self._closing or _hung_up(connection)
        try:
            reply = instrument.execute(message.decode("ascii", "replace"))
        except NoReply as silent:
            _LOG.debug("no reply to %r: %s", message, silent)
            return
        if reply:
            connection.sendall(reply)


def _hung_up(connection: socket.socket) -> bool:
    """Whether the other side has closed; data that waits means it has not."""
    connection.setblocking(False)
    try:
        return connection.recv(1, socket.MSG_PEEK) == b""
    except BlockingIOError:
        return False
    except OSError:
        return True
    finally:
        connection.settimeout(_SEND_TIMEOUT_S)
