"""An answer that is more than bytes: what a line does when something goes wrong on purpose.

Owns the words between `mischief`, which makes such answers, and the links, which play them.
"""

from __future__ import annotations

from enum import Enum

__all__ = ["Hangup", "Misbehaved", "Piece"]


class Hangup(Enum):
    """How a connection ends."""

    CLOSE = "close"
    RESET = "reset"


Piece = bytes | float | Hangup
"""Bytes to send, real seconds to wait, or the end of the connection."""


class Misbehaved(Exception):
    """To be played piece by piece."""

    def __init__(self, pieces: tuple[Piece, ...]) -> None:
        super().__init__(pieces)
        self.pieces = pieces
