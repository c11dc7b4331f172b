"""recording.json of any kind: to bytes and back, with the format number looked at first.

Owns what the headers of all recordings share; their fields belong to the models.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any, TypeVar

import msgspec

from twonode.recordings.errors import DamagedRecording, NewerFormat, UnfitRecord
from twonode.recordings.jsontext import JSON_ERRORS, encode_json

__all__ = ["FORMAT", "decode_head", "encode_head", "is_simulated", "kind_word", "must_be_utc"]

FORMAT = 1

Head = TypeVar("Head", bound=msgspec.Struct)


def is_simulated(identity: str) -> bool:
    """Whether a reply to *IDN? is one of the simulated bench."""
    return identity.startswith("TWONODE,SIM-")


def encode_head(header: msgspec.Struct, created_utc: datetime) -> bytes:
    """A header as indented JSON with a final newline.

    Raises UnfitRecord where JSON cannot hold it exactly, or where the time is not in UTC.
    """
    if created_utc.utcoffset() != timedelta(0):
        raise UnfitRecord(
            f"created_utc {created_utc} is not in UTC.",
            "Recordings are ordered by it wherever they were made.",
            "Hand over a time with the UTC time zone.",
        )
    try:
        return encode_json(header)
    except (UnicodeEncodeError, TypeError, ValueError) as exc:
        raise UnfitRecord(
            f"recording.json cannot be written: {exc}.",
            "What is recorded must be read back exactly, or it is no record.",
            "Correct the tag, title or setting in question.",
        ) from exc


class _Front(msgspec.Struct):
    format: int
    kind: Any = "sweep"
    program_version: Any = None


def kind_word(content: bytes, *, where: str) -> str:
    """The kind that a recording.json states; a sweep where it states none.

    Raises DamagedRecording, NewerFormat where a later program wrote it.
    """
    try:
        written = msgspec.json.decode(content, type=_Front)
        if written.format > FORMAT:
            by = written.program_version
            named = f"twonode {by}" if isinstance(by, str) and by.strip() else "the twonode that wrote it"
            raise NewerFormat(
                f"{where} has format {written.format}; this program reads up to {FORMAT}.",
                "Reading it as the older format could give a wrong value.",
                f"Use {named}, or a later one.",
            )
    except JSON_ERRORS as exc:
        raise _unsound(where, str(exc)) from exc
    if not isinstance(written.kind, str):
        raise _unsound(where, f"kind is {written.kind!r}, no word")
    return written.kind


def decode_head(content: bytes, kind: type[Head], *, where: str) -> Head:
    """recording.json read back as a header of one type; ``where`` names the file in errors.

    Raises DamagedRecording naming the field, NewerFormat where a later program wrote it.
    """
    kind_word(content, where=where)
    try:
        return msgspec.json.decode(content, type=kind)
    except JSON_ERRORS as exc:
        raise _unsound(where, str(exc)) from exc


def must_be_utc(created_utc: datetime, *, where: str) -> None:
    """Raise DamagedRecording unless a time read back is in UTC."""
    if created_utc.utcoffset() != timedelta(0):
        raise DamagedRecording(
            f"{where} is not sound: created_utc {created_utc} is not in UTC.",
            "Recordings are ordered by it.",
            "Fetch the recording from a copy; its manifest tells which copy is right.",
        )


def _unsound(where: str, because: str) -> DamagedRecording:
    """The error for a recording.json that does not say what it must."""
    return DamagedRecording(
        f"{where} is not sound: {because}.",
        "It says what was measured and how.",
        "Fetch the recording from a copy; its manifest tells which copy is right.",
    )
