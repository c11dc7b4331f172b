"""The stage as a recording keeps it: plain JSON with SI numbers, exact to the last bit both ways.

Owns the field names of that document. They only ever grow: a new field is optional.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import msgspec

from twonode.analysis.errors import QuantityError, StageError
from twonode.analysis.quantities import Measured, Tolerance
from twonode.analysis.stage.model import Part, PartKind, Stage

__all__ = ["stage_from_document", "stage_to_document"]


class _LimitsDocument(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    minus: float
    plus: float


class _ReadingDocument(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    value: float
    half_width: float


class _PartDocument(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    name: str
    kind: PartKind
    between: tuple[str, str]
    value: float
    tolerance: _LimitsDocument | None = None
    role: str | None = None
    rated_v: float | None = None
    measured: _ReadingDocument | None = None
    aged: bool = False
    loss: float = 0.0
    esr_ohm: float = 0.0
    leak_ohm: float | None = None
    asked: bool = False
    dielectric: str | None = None


class _StageDocument(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    title: str
    drive: str
    far: str
    parts: tuple[_PartDocument, ...]


def stage_to_document(stage: Stage) -> dict[str, Any]:
    """The stage as plain dicts, lists, texts and SI numbers, ready for JSON; no field is left out."""
    document: dict[str, Any] = msgspec.json.decode(msgspec.json.encode(stage))
    return document


def stage_from_document(document: Mapping[str, Any]) -> Stage:
    """The stage which `stage_to_document` wrote, equal to the last bit; else StageError naming the field."""
    try:
        read = msgspec.convert(document, _StageDocument)
        return Stage(
            title=read.title,
            drive=read.drive,
            far=read.far,
            parts=tuple(_part_from_document(part) for part in read.parts),
        )
    except (msgspec.ValidationError, QuantityError) as exc:
        raise StageError(
            f"The stage in the document is not sound: {str(exc).splitlines()[0]}.",
            "The estimate needs the circuit exactly as it was written.",
            "Take it from the recording again, or correct the field named.",
        ) from exc


def _part_from_document(part: _PartDocument) -> Part:
    fields = {name: getattr(part, name) for name in part.__struct_fields__}
    if part.tolerance is not None:
        fields["tolerance"] = Tolerance(minus=part.tolerance.minus, plus=part.tolerance.plus)
    if part.measured is not None:
        fields["measured"] = Measured(value=part.measured.value, half_width=part.measured.half_width)
    return Part(**fields)
