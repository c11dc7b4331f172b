"""Pictures and sheets drawn for the page, one at a time: their settings are the whole process's.

Owns the lock. What is drawn is worked out by the same functions as for the commands.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import ParamSpec, TypeVar

__all__ = ["drawn", "sheet_bytes"]

P = ParamSpec("P")
T = TypeVar("T")

_lock = threading.Lock()


def drawn(function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
    """Call something that draws, alone. Raises what it raises."""
    with _lock:
        return function(*args, **kwargs)


def sheet_bytes(folder: Path, archive: Path, paper: str, suffix: str) -> tuple[bytes, tuple[str, ...]]:
    """The sheet of one recording, and what should be known of it; suffix : ".pdf" or ".html".

    Raises RecordingError.
    """
    from twonode.analysis.sheet import Paper, sheet_pdf
    from twonode.console.sheet import sheet_of
    from twonode.recordings.sheet_html import sheet_html

    size = Paper.A4 if paper == "A4" else Paper.LETTER
    sheet, notes = sheet_of(folder, archive)
    content = drawn(sheet_pdf, [sheet], size) if suffix == ".pdf" else drawn(sheet_html, sheet, size)
    return content, notes
