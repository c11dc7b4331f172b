"""Reading a recording's small files whole, with a limit that a mistaken or hostile file cannot pass.

Owns the limits, far above what a bench produces in a day, and the errors of reading.
"""

from __future__ import annotations

import os
from pathlib import Path

from twonode.recordings.bag import damaged
from twonode.recordings.errors import DamagedRecording

__all__ = ["LARGEST_HEADER_BYTES", "LARGEST_TABLE_BYTES", "read_bounded"]

LARGEST_HEADER_BYTES = 16_000_000
LARGEST_TABLE_BYTES = 64_000_000


def read_bounded(path: Path, largest: int) -> bytes:
    """A file's content. Raises DamagedRecording where it cannot be read or is longer than ``largest`` bytes."""
    try:
        with path.open("rb") as file:
            # No more than is there: asking for much reserves it.
            content = file.read(min(largest, os.fstat(file.fileno()).st_size) + 1)
    except OSError as exc:
        raise damaged(path, f"it cannot be read ({exc.strerror or exc})") from exc
    if len(content) > largest:
        raise DamagedRecording(
            f"{path} is longer than {largest} bytes.",
            "No bench writes that much; reading it could fill the memory.",
            "Look at the file, and fetch the recording from a copy.",
        )
    return content
