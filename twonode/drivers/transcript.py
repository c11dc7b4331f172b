"""Every exchange with the instruments, kept for the log of a recording.

Owns collecting what the links log, within a bound. A block is told by its length and its SHA-256; its bytes are in the
recording. The first lines and the latest are kept, and how many were left out between them is said.
"""

from __future__ import annotations

import logging
import time
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["Transcript", "transcribing"]

LONGEST_LINE = 400
FIRST_LINES = 2_000
LATEST_LINES = 20_000
"""Together at most about 9 MB; a point takes some fifty lines."""

_LOGGER = logging.getLogger("twonode.drivers")


class Transcript(logging.Handler):
    """Lines of text, each with the seconds since it began."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self._start_s = time.monotonic()
        self._first: list[str] = []
        self._latest: deque[str] = deque(maxlen=LATEST_LINES)
        self._count = 0

    def emit(self, record: logging.LogRecord) -> None:
        """Keep one line."""
        text = " ".join(record.getMessage().split())
        if len(text) > LONGEST_LINE:
            text = f"{text[:LONGEST_LINE]}… ({len(text)} characters)"
        line = f"{time.monotonic() - self._start_s:10.3f} {text}"
        self._count += 1
        if len(self._first) < FIRST_LINES:
            self._first.append(line)
        else:
            self._latest.append(line)

    @property
    def lines(self) -> int:
        """How many lines there were."""
        return self._count

    def text(self) -> str:
        """All that is kept, one exchange a line."""
        left_out = self._count - len(self._first) - len(self._latest)
        between = [f"... {left_out} lines left out ..."] if left_out else []
        return "\n".join([*self._first, *between, *self._latest, ""])


@contextmanager
def transcribing() -> Iterator[Transcript]:
    """Collect what goes over the links inside the block."""
    transcript = Transcript()
    level = _LOGGER.level
    _LOGGER.addHandler(transcript)
    if not _LOGGER.isEnabledFor(logging.DEBUG):
        _LOGGER.setLevel(logging.DEBUG)
    try:
        yield transcript
    finally:
        _LOGGER.removeHandler(transcript)
        _LOGGER.setLevel(level)
