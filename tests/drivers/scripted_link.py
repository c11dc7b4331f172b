"""A link in memory: settings are remembered, questions answered from them, faults put in by the test."""

from __future__ import annotations

from collections.abc import Callable

from twonode.drivers.block import read_block
from twonode.drivers.errors import LinkError


class ScriptedLink:
    """Answers ``X?`` with what was last sent as ``X value``, or with what ``replies`` says.

    replies : question to reply, or to a function of no arguments giving it.
    errors : entries still in the error queue, oldest first.
    refuses : text of a message to the entry it puts into the queue.
    """

    def __init__(self, replies: dict[str, str | bytes | Callable[[], str | bytes]] | None = None) -> None:
        self.replies = replies or {}
        self.settings: dict[str, str] = {}
        self.errors: list[str] = []
        self.refuses: dict[str, str] = {}
        self.sent: list[str] = []
        self.dead = False
        self.closed = False

    @property
    def resource(self) -> str:
        return "SCRIPTED::1"

    def write(self, text: str) -> None:
        if self.dead:
            raise LinkError("The cable is out.", "Nothing arrives.", "Plug it in.")
        self.sent.append(text)
        if text == "*CLS":
            self.errors.clear()
        elif text in self.refuses:
            self.errors.append(self.refuses[text])
        elif not text.endswith("?"):
            header, _, value = text.partition(" ")
            self.settings[header] = value

    def query(self, text: str, *, timeout_s: float | None = None) -> str:
        reply = self._ask(text)
        assert isinstance(reply, str)
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
        reply = self._ask(text)
        assert isinstance(reply, bytes)
        return read_block(
            reader_of(reply),
            expected_bytes=expected_bytes,
            trailing=trailing,
            prefix_max=prefix_max,
            head=head,
        )

    def close(self) -> None:
        self.closed = True

    def _ask(self, text: str) -> str | bytes:
        self.write(text)
        if text in self.replies:
            reply = self.replies[text]
            return reply() if callable(reply) else reply
        if text == ":SYST:ERR?":
            return self.errors.pop(0) if self.errors else '0,"No error"'
        value = self.settings[text.removesuffix("?")]
        return {"INF": "9.9E+37"}.get(value, value)


def reader_of(data: bytes) -> Callable[[int], bytes]:
    """What `read_block` wants, over bytes that are all there; EOFError at their end."""
    place = 0

    def read_exactly(count: int) -> bytes:
        nonlocal place
        if place + count > len(data):
            raise EOFError
        place += count
        return data[place - count : place]

    return read_exactly
