"""IEEE 488.2 definite-length blocks: ``#``, one digit, that many digits of length, the payload.

Owns the rules only: bytes are fetched by a function handed in, so that sockets, messages and in-process links
share one reader. An indefinite block (``#0``) is refused, because its end cannot be told from a broken link.
"""

from __future__ import annotations

from collections.abc import Callable

from twonode.drivers.errors import ReplyError

__all__ = ["LONGEST_BLOCK_BYTES", "read_block", "shortened"]

# Largest payload believed: far above the 24 MB of the deepest record of the families served, far below what a
# garbled length of nine digits would make us wait for.
LONGEST_BLOCK_BYTES = 64_000_000


def shortened(reply: str | bytes | bytearray, limit: int = 60) -> str:
    """A reply as it can be shown in one line: quoted, and cut after ``limit`` characters."""
    text = repr(reply) if isinstance(reply, str) else repr(bytes(reply[: limit + 1]))[1:]
    return text if len(text) <= limit else text[:limit] + "…"


def read_block(
    read_exactly: Callable[[int], bytes],
    *,
    expected_bytes: int | None = None,
    trailing: bytes = b"\n",
    prefix_max: int = 0,
    head: bytearray | None = None,
) -> bytes:
    """Read one definite-length block and the bytes known to follow it.

    Parameters
    ----------
    read_exactly : called with a byte count, returns exactly that many bytes or raises.
    expected_bytes : payload length that must be announced; None accepts any.
    trailing : bytes that follow the payload and must arrive, often one LF.
    prefix_max : how many bytes may stand before ``#`` (some families echo a header).
    head : those bytes are appended to it.

    Returns
    -------
    The payload.

    Raises
    ------
    ReplyError : no ``#``, no digit, ``#0``, a length that is not the expected one, or wrong trailing bytes.

    Source: IEEE Std 488.2, definite length arbitrary block response data.
    """
    skipped = bytearray()
    first = read_exactly(1)
    while first != b"#":
        skipped += first
        if len(skipped) > prefix_max:
            raise _no_block(f"It starts with {shortened(skipped)} where '#' belongs.")
        first = read_exactly(1)
    if head is not None:
        head += skipped
    digit = read_exactly(1)
    if not digit.isdigit():
        raise _no_block(f"After '#' comes {shortened(digit)} where a digit belongs.")
    if digit == b"0":
        raise _no_block("Its length is left open ('#0'), so a broken transfer could not be noticed.")
    digits = read_exactly(int(digit))
    if not digits.isdigit():
        raise _no_block(f"Its length reads {shortened(digits)}, which is no number.")
    length = int(digits)
    if length > LONGEST_BLOCK_BYTES:
        raise _no_block(f"It announces {length} bytes, more than any record has.")
    if expected_bytes is not None and length != expected_bytes:
        raise _no_block(f"It announces {length} bytes where {expected_bytes} were asked for.")
    payload = read_exactly(length)
    if trailing:
        end = read_exactly(len(trailing))
        if end != trailing:
            raise _no_block(f"It ends with {shortened(end)} where {shortened(trailing)} belongs.")
    return payload


def _no_block(why: str) -> ReplyError:
    return ReplyError(
        "The scope's data block cannot be read.",
        why,
        "Repeat the measurement; if it stays, the command profile does not suit this instrument.",
    )
