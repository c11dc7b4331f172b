"""A throw-away instrument on a loopback socket that answers exactly what a test tells it to."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterable
from types import TracebackType

CLOSE = "close"
IDENTITY = b"TWONODE,SIM-GENERATOR,7,1.0\n"

Action = bytes | float | str
Answer = Callable[[str], Iterable[Action]]


class LoopbackInstrument:
    """Serves one client after another; ``answer`` gives bytes to send, seconds to wait, or CLOSE."""

    def __init__(self, answer: Answer) -> None:
        self._answer = answer
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(0.05)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self.connections = 0
        self.identity = IDENTITY
        self.heard: list[str] = []

    @property
    def resource(self) -> str:
        return f"TCPIP0::127.0.0.1::{self._server.getsockname()[1]}::SOCKET"

    def __enter__(self) -> LoopbackInstrument:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop.set()
        self._thread.join(timeout=5)
        self._server.close()

    def _serve(self) -> None:
        while not self._stop.is_set():
            try:
                client, _ = self._server.accept()
            except TimeoutError:
                continue
            self.connections += 1
            with client:
                client.settimeout(0.02)
                client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                try:
                    self._talk(client)
                except OSError:
                    continue

    def _talk(self, client: socket.socket) -> None:
        pending = b""
        while not self._stop.is_set():
            try:
                data = client.recv(4096)
            except TimeoutError:
                continue
            if not data:
                return
            pending += data
            while b"\n" in pending:
                line, pending = pending.split(b"\n", 1)
                text = line.decode("ascii")
                self.heard.append(text)
                for action in [self.identity] if text == "*IDN?" else self._answer(text):
                    if isinstance(action, bytes):
                        client.sendall(action)
                    elif isinstance(action, float):
                        time.sleep(action)
                    else:
                        return
