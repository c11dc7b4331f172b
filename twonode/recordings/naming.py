"""Folder names of recordings: when, which set, which part, and nothing that a file system could stumble over.

Owns the name only. Names are for people; what a recording is about stands in its recording.json.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

__all__ = ["UNFINISHED", "candidate_names", "is_recording_name", "lock_path", "recording_name", "slug"]

UNFINISHED = ".unfinished"

_LONGEST_SLUG = 40
_STAMPED = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}-\d{2}-\d{2}Z(_[A-Za-z0-9-]+)*")


def slug(text: str) -> str:
    """ASCII letters, digits and single hyphens, at most 40 of them; empty where nothing of ``text`` is left.

    >>> slug("Wrenfield 46 / März")
    'Wrenfield-46-Marz'
    """
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode("ascii")
    return re.sub(r"[^A-Za-z0-9]+", "-", plain).strip("-")[:_LONGEST_SLUG].rstrip("-")


def recording_name(created_utc: datetime, *, set_name: str | None, part: str | None) -> str:
    """Such as ``2031-04-09T18-20-11Z_wrenfield-46_C7``; what is not known or leaves no slug is left out."""
    stamp = created_utc.astimezone(UTC).strftime("%Y-%m-%dT%H-%M-%SZ")
    words = (slug(set_name or "").lower(), slug(part or ""))
    return "_".join((stamp, *filter(None, words)))


def lock_path(folder: Path) -> Path:
    """The lock of an unfinished folder: a hidden file beside it, so that the folder itself can be renamed."""
    return folder.with_name(f".{folder.name}.lock")


def candidate_names(name: str) -> Iterator[str]:
    """``name``, then ``name_2``, ``name_3`` ... for when it is taken."""
    yield name
    for count in range(2, 10_000):
        yield f"{name}_{count}"


def is_recording_name(name: str) -> bool:
    """Whether a folder of this name looks like a closed recording of ours."""
    return _STAMPED.fullmatch(name) is not None
