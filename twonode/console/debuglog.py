"""With --debug: every exchange with the instruments, kept beside the recordings it led to.

Owns when the log is collected and that it is filed whatever way a command ends. It is a tag file of the bag, added
after closing like a result: the raw data stays as it was, and switching the output off at the very end is in the log
too.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = ["DebugLog", "debug_log"]


class DebugLog:
    """The recordings that the log belongs to."""

    def __init__(self) -> None:
        self.folders: list[Path] = []

    def belongs_to(self, folder: Path) -> None:
        """File the log with this closed recording too."""
        if folder not in self.folders:
            self.folders.append(folder)


@contextmanager
def debug_log(on: bool) -> Iterator[DebugLog]:
    """Collect while inside, if wanted; on leaving, add ``results/log.txt`` to the recordings that were named."""
    log = DebugLog()
    if not on:
        yield log
        return
    from twonode.drivers.transcript import transcribing

    with transcribing() as transcript:
        try:
            yield log
        finally:
            _file(log, transcript.text())


def _file(log: DebugLog, text: str) -> None:
    from twonode.recordings.errors import RecordingError
    from twonode.recordings.results import add_log

    for folder in log.folders:
        try:
            print(f"Every exchange is in {add_log(folder, 'log', text)}", file=sys.stderr)
        except RecordingError as exc:
            print(f"The log could not be kept: {exc.what}", file=sys.stderr)
