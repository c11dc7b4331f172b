"""What a recording is about: set, serial, part, position, before or after the work, and who measured.

Owns the six fields and how corrections change them. A recording's own words are never altered; a correction is a
note beside it, and the last one holds.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from enum import Enum
from typing import TYPE_CHECKING

import msgspec

if TYPE_CHECKING:
    from twonode.recordings.notes import Note

__all__ = ["Identity", "IdentityField", "filed_identity", "identity_of", "with_corrections"]


class IdentityField(Enum):
    """What may be asked for and corrected; the value is the tag's key and the option's name."""

    SET = "set"
    SERIAL = "serial"
    PART = "part"
    POSITION = "position"
    WHEN = "when"
    OPERATOR = "operator"

    @property
    def attribute(self) -> str:
        """The name in `Identity`."""
        return "set_name" if self is IdentityField.SET else self.value


class Identity(msgspec.Struct, frozen=True, kw_only=True):
    """The six fields; None is what nobody said.

    when : "before" or "after" the work, in recordings of this program; other words are kept as they were filed.
    """

    set_name: str | None = None
    serial: str | None = None
    part: str | None = None
    position: str | None = None
    when: str | None = None
    operator: str | None = None

    def of(self, field: IdentityField) -> str | None:
        """One field's text."""
        text: str | None = getattr(self, field.attribute)
        return text

    def document(self) -> dict[str, str | None]:
        """By the tags' keys, for JSON."""
        return {field.value: self.of(field) for field in IdentityField}


def filed_identity(tags: Mapping[str, str], *, part: str | None, operator: str | None) -> Identity:
    """The identity as recording.json states it; the fields of its own go before tags of the same name."""
    return Identity(
        set_name=tags.get("set"),
        serial=tags.get("serial"),
        part=part or tags.get("part"),
        position=tags.get("position"),
        when=tags.get("when"),
        operator=operator or tags.get("operator"),
    )


def with_corrections(filed: Identity, notes: Iterable[Note]) -> Identity:
    """The identity as it stands: ``notes`` in the order they were made, each correction over the ones before."""
    for note in notes:
        if note.corrects is not None:
            filed = msgspec.structs.replace(filed, **{note.corrects.attribute: note.value})
    return filed


def identity_of(folder: str | os.PathLike[str]) -> Identity:
    """The identity of one recording as it stands, its files not compared with the manifests.

    Raises DamagedRecording, NewerFormat.
    """
    from twonode.recordings.anykind import read_any_header
    from twonode.recordings.notes import read_notes

    header = read_any_header(folder)
    filed = filed_identity(header.tags, part=header.part, operator=header.operator)
    return with_corrections(filed, read_notes(folder))
