"""A simulated instrument on a loopback TCP socket.

Owns connections, line framing and shutting down promptly. One thread serves one instrument; messages end
as the instrument's line does (a serial one keeps its own line end here), and replies go out as they are.
"""

from __future__ import annotations

import contextlib
import logging
import selectors
import socket
import struct
import threading
import time

from twonode.drivers.simulated.instrument import NoReply, SimulatedInstrument
from twonode.drivers.simulated.pieces import Hangup, Misbehaved, Piece

__all__ = ["InstrumentServer"]

_LOG = logging.getLogger(__name__)

_LOOPBACK = "127.0.0.1"
_LONGEST_MESSAGE = 65536
# A client that takes nothing for this long has gone.
_SEND_TIMEOUT_S = 10.0


class InstrumentServer:
    """Serves one instrument until closed."""

    def __init__(self, instrument: SimulatedInstrument, *, name: str) -> None:
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
            line_end = self._instrument.line_end
            while (end := pending.find(line_end)) >= 0:
                message = bytes(pending[:end])
                del pending[: end + len(line_end)]
                self._answer(connection, message)
            if len(pending) > _LONGEST_MESSAGE:
                pending.clear()
                with self._instrument.lock:
                    self._instrument.overrun()
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
        except Misbehaved as odd:
            for piece in odd.pieces:
                self._play(connection, piece)
            return
        if reply:
            connection.sendall(reply)

    def _play(self, connection: socket.socket, piece: Piece) -> None:
        """One piece of an answer that goes wrong on purpose. Raises OSError to end the connection."""
        if isinstance(piece, bytes):
            connection.sendall(piece)
        elif isinstance(piece, Hangup):
            if piece is Hangup.RESET:
                # Zero time to linger: the peer sees a reset.
                connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            raise ConnectionAbortedError(f"{piece.value} on purpose")
        else:
            end_s = time.monotonic() + piece
            while (left_s := end_s - time.monotonic()) > 0 and not (self._closing or _hung_up(connection)):
                time.sleep(min(left_s, 0.01))


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
