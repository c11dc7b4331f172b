"""A recording with everything that belongs on its sheet whatever its kind: identity, notes, newest result, trail.

Owns what sheets of all kinds share.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import twonode
from twonode.analysis.look import shortened
from twonode.analysis.sheet import Blank, Field, Mark, Trail, Verdict
from twonode.recordings.anykind import AnyRecording
from twonode.recordings.bag import MANIFEST
from twonode.recordings.disk import sha256_of
from twonode.recordings.entry import Entry
from twonode.recordings.identity import Identity, IdentityField, filed_identity, with_corrections
from twonode.recordings.model import Header, RecordingKind
from twonode.recordings.notes import read_notes
from twonode.recordings.sheet_beside import of_same_part
from twonode.recordings.sheet_result import Result, Stored, stored_result
from twonode.recordings.sheet_words import UNTESTED_STAMP, moment_words

__all__ = ["BLANKS", "Source", "because_words", "worst_first"]

BLANKS = (
    Blank(label="Customer's complaint", lines=2),
    Blank(label="Replaced by (value, volts, type)"),
    Blank(label="Old part kept where"),
    Blank(label="Remarks", lines=2),
    Blank(label="Signature and date"),
)


class Source:
    """A recording with what belongs to it.

    identity : with the corrections in its notes. result : the newest one stored, else what was worked out just now.

    Raises DamagedRecording.
    """

    def __init__(
        self,
        *,
        recording: AnyRecording,
        archive: Path | None,
        worked_out: Result | None,
    ) -> None:
        header = recording.header
        self.recording, self.header = recording, header
        self.notes = notes = read_notes(recording.folder)
        self.identity: Identity = with_corrections(
            filed_identity(header.tags, part=header.part, operator=header.operator), notes
        )
        stored = stored_result(recording.folder, kind=header.kind.value, part=header.part)
        self.stored: Stored = stored
        self.result: Result | None = stored.result or worked_out
        self.simulated = header.conditions.simulated or any(each.is_simulated for each in header.instruments)
        self.imported = isinstance(header, Header) and header.conditions.imported
        self._archive = archive

    def beside(self, *kinds: RecordingKind) -> tuple[Entry, ...]:
        """What else is known of this part."""
        return of_same_part(
            self.recording.folder,
            self.identity,
            kinds=tuple(kind.value for kind in kinds),
            simulated=self.simulated,
            archive=self._archive,
        )

    def part_words(self) -> str:
        """The part's name, short enough for the headline."""
        return shortened(self.identity.part or "", 24)

    def stamps(self) -> tuple[str, ...]:
        """What must not be overlooked."""
        if self.simulated:
            return ("Simulated bench: no real part",)
        if self.imported:
            return ("Imported readings", UNTESTED_STAMP)
        return (UNTESTED_STAMP,)

    def identity_fields(self, marked: str) -> tuple[Field, ...]:
        """What the sheet is about. marked : the value on the part, as it was said."""
        about = self.identity
        return (
            Field(label="Set", text=about.set_name or ""),
            Field(label="Serial number", text=about.serial or ""),
            Field(label="Part", text=about.part or ""),
            Field(label="Position", text=about.position or ""),
            Field(label="Marked", text=marked),
            # When imported readings were taken is not known.
            Field(
                label="Imported (UTC)" if self.imported else "Measured (UTC)",
                text=moment_words(self.header.created_utc),
            ),
            Field(label="By", text=about.operator or ""),
            Field(label="Before or after the work", text=about.when or ""),
        )

    def note_lines(self) -> tuple[str, ...]:
        """Tags of no field of their own, then notes and corrections in their order."""
        known = {field.value for field in IdentityField}
        tags = [f"{key}: {text}" for key, text in sorted(self.header.tags.items()) if key not in known]
        lines = ["; ".join(tags)] if tags else []
        if self.stored.trouble is not None:
            lines.append(f"{self.stored.trouble}.")
        return (*lines, *self.header.notes, *(note.line for note in self.notes))

    def trail(self) -> Trail:
        """By what the sheet can be traced."""
        by, here = f"twonode {self.header.program_version}", f"twonode {twonode.__version__}"
        # DC readings are a meter's, and the program only files them.
        filed = "Imported" if self.imported else "Measured" if isinstance(self.header, Header) else "Filed"
        worked = (self.result.program if self.result is not None else "") or here
        file = "" if self.stored.file is None else f", results/{self.stored.file}"
        return Trail(
            recording=f"Recording: {self.recording.name}{file}",
            sha256=sha256_of(self.recording.folder / MANIFEST),
            of=f"SHA-256 of its {MANIFEST}",
            programs=f"{filed} by {by}, worked out by {worked}, printed by {here}",
        )

    def made(self) -> datetime:
        """The newest date of the recording and its notes."""
        return max([self.header.created_utc, *(note.when_utc for note in self.notes)])


def because_words(text: str, part: str | None) -> str:
    """Why a finding is what it is, without the part's name in front."""
    words = text.removeprefix(f"{part}: ")
    return words[:1].upper() + words[1:]


def worst_first(own: Verdict, other: Verdict) -> tuple[Verdict, Verdict]:
    """The recording's own verdict, unless the other one is bad news and this is none."""
    if other.mark is Mark.TROUBLE and own.mark is not Mark.TROUBLE:
        return other, own
    return own, other
