"""A link to a simulated instrument without sockets, in the same thread.

Owns the shortcut only: the same text and blocks as over a socket go through the same instruments, and
what goes wrong raises what the socket link would raise. Time is the bench's clock, not the wall's.
"""

from __future__ import annotations

from twonode.drivers.block import read_block, shortened
from twonode.drivers.errors import LinkError, ReplyError, ReplyTimeout
from twonode.drivers.simulated.instrument import NoReply, SimulatedInstrument
from twonode.drivers.simulated.pieces import Hangup, Misbehaved

__all__ = ["DirectLink"]


class DirectLink:
    """Stands in for a socket link (see `drivers.link.Link`).

    resource : a name for messages; there is nothing to open.
    timeout_s : bench seconds a reply may take.
    """

    def __init__(self, instrument: SimulatedInstrument, resource: str, *, timeout_s: float = 5.0) -> None:
        self._resource = resource
        self._instrument = instrument
        self._timeout_s = timeout_s
        self._closed = False

    @property
    def resource(self) -> str:
        """The name, where a socket link has its address."""
        return self._resource

    def write(self, text: str) -> None:
        """Send one program message; a reply nobody asked for is lost, as when a socket is opened again."""
        self._execute(text, self._timeout_s)

    def query(self, text: str, *, timeout_s: float | None = None) -> str:
        """Send one program message and return its one-line reply, ends stripped.

        Raises ReplyTimeout, or ReplyError for a reply that is no text.
        """
        reply = self._ask(text, timeout_s)
        if not reply.isascii():
            raise ReplyError(
                f"{self._resource} answered {text!r} with {shortened(reply)}.",
                "That is no text, so the reply cannot be believed.",
                "Check which command was sent.",
            )
        return reply.decode("ascii").strip()

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
        """Send one program message and return the payload of the block that answers it (see `read_block`).

        Raises ReplyTimeout, or ReplyError as `read_block`.
        """
        reply = self._ask(text, timeout_s)
        place = 0

        def read_exactly(count: int) -> bytes:
            nonlocal place
            piece = reply[place : place + count]
            if len(piece) < count:
                raise self._late(text)
            place += count
            return piece

        return read_block(
            read_exactly, expected_bytes=expected_bytes, trailing=trailing, prefix_max=prefix_max, head=head
        )

    def close(self) -> None:
        """Nothing can be sent any more; a second call does nothing."""
        self._closed = True

    def _ask(self, text: str, timeout_s: float | None) -> bytes:
        limit_s = self._timeout_s if timeout_s is None else timeout_s
        reply = self._execute(text, limit_s)
        if not reply:
            self._instrument.clock.sleep_s(limit_s)
            raise self._late(text)
        return reply

    def _execute(self, text: str, limit_s: float) -> bytes:
        if self._closed:
            raise RuntimeError(f"the link to {self._resource} is closed")
        self._instrument.patience_s = limit_s
        try:
            return self._instrument.execute(text)
        except NoReply as exc:
            raise self._late(text) from exc
        except Misbehaved as odd:
            return self._heard(odd, text, limit_s)

    def _heard(self, odd: Misbehaved, text: str, limit_s: float) -> bytes:
        """What of an answer that goes wrong on purpose arrives in time."""
        heard = b"".join(piece for piece in odd.pieces if isinstance(piece, bytes))
        if Hangup.CLOSE in odd.pieces and heard.endswith(b"\n"):
            return heard
        if any(isinstance(piece, Hangup) for piece in odd.pieces):
            raise LinkError(
                f"{self._resource} closed the connection while {text!r} was being asked.",
                "Its reply, if any, is lost.",
                "Check the cable and that no other program uses the instrument; then try again.",
            )
        if sum(piece for piece in odd.pieces if isinstance(piece, float)) > limit_s:
            raise self._late(text)
        return heard

    def _late(self, text: str) -> ReplyTimeout:
        return ReplyTimeout(
            f"{self._resource} did not answer {text!r} in time.",
            "Without the reply it is not known what the instrument did.",
            "Check the command and what the instrument waits for.",
        )
