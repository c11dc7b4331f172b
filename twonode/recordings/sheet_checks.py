"""The DC checks beside a sweep, as its sheet quotes them.

Owns reading and wording them. Each is compared with its manifests before it is quoted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from twonode.analysis.quantities import format_quantity
from twonode.analysis.sheet import Mark, Verdict
from twonode.recordings.bag import check_bag
from twonode.recordings.entry import Entry
from twonode.recordings.errors import RecordingError
from twonode.recordings.sheet_result import Result, stored_result
from twonode.recordings.sheet_words import certainty_words, day_words, entry_words, mark_of

__all__ = ["DcCheck", "leak_verdict", "read_checks", "reading_lines"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DcCheck:
    """A DC check beside a sweep. sound : its files are as they were written; nothing else is quoted."""

    entry: Entry
    sound: bool
    result: Result | None

    @property
    def day(self) -> str:
        """The day it was made."""
        return day_words(self.entry.created_utc)

    @property
    def finding(self) -> str | None:
        """Its word; None for one that is not quoted."""
        return self.entry.finding if self.sound else None

    @property
    def leak_words(self) -> str:
        """The leak, and at what volts."""
        words = entry_words(self.entry)
        if self.result is not None and self.result.drive_v is not None:
            words += f" at {format_quantity(self.result.drive_v, 'V')}"
        return words.strip()


def read_checks(entries: Sequence[Entry]) -> tuple[DcCheck, ...]:
    """Each compared with its manifest and read."""
    return tuple(_read_check(entry) for entry in entries)


def _read_check(entry: Entry) -> DcCheck:
    try:
        check_bag(entry.folder)
        result = stored_result(entry.folder, kind="dc", part=entry.identity.part).result
    except RecordingError:
        return DcCheck(entry=entry, sound=False, result=None)
    return DcCheck(entry=entry, sound=True, result=result)


def leak_verdict(check: DcCheck | None) -> Verdict:
    """The newest DC check of a part, beside the finding of its sweep; None where there is none."""
    if check is None:
        return Verdict(
            about="Leakage at working voltage",
            mark=Mark.NOT_TESTED,
            words="not tested",
            detail="a sweep cannot test it; a DC check can",
        )
    about = f"Leakage, DC check of {check.day}"
    if not check.sound:
        return Verdict(
            about=about,
            mark=Mark.NOT_TESTED,
            words="damaged recording",
            detail="not quoted; `twonode archive verify` says more",
        )
    return Verdict(
        about=about,
        mark=mark_of(check.finding),
        words=check.finding or "no finding",
        detail=check.leak_words,
    )


def reading_lines(checks: Sequence[DcCheck]) -> tuple[str, ...]:
    """One line for each check, oldest first."""
    lines = []
    for check in checks:
        if not check.sound:
            lines.append(f"{check.day}: damaged, not quoted ({check.entry.name})")
            continue
        certainty = certainty_words(check.finding or "", check.entry.probability)
        lines.append(
            f"{check.day}: {check.finding}, {check.leak_words}{f', {certainty}' if certainty else ''} "
            f"({check.entry.name})"
        )
    return tuple(lines)
