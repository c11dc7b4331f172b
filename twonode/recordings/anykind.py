"""Recordings of whatever kind: for lists, indexes and sheets, which take both.

Owns telling the kinds apart; reading either belongs to its own module.
"""

from __future__ import annotations

import os
from pathlib import Path

from twonode.recordings.bag import check_bag
from twonode.recordings.bounded import LARGEST_HEADER_BYTES, read_bounded
from twonode.recordings.dc import DcRecording, load_dc_recording
from twonode.recordings.dcmodel import DcHeader, decode_dc_header
from twonode.recordings.heads import kind_word
from twonode.recordings.model import Header, RecordingKind, decode_header
from twonode.recordings.reader import Recording, load_recording

__all__ = ["AnyHeader", "AnyRecording", "load_any", "read_any", "read_any_header"]

AnyHeader = Header | DcHeader
AnyRecording = Recording | DcRecording


def read_any_header(folder: str | os.PathLike[str]) -> AnyHeader:
    """recording.json alone, not compared with the manifest: for lists and indexes.

    Raises NewerFormat, or DamagedRecording naming the field.
    """
    path = Path(folder) / "data" / "recording.json"
    content = read_bounded(path, LARGEST_HEADER_BYTES)
    if kind_word(content, where=str(path)) == RecordingKind.DC.value:
        return decode_dc_header(content, where=str(path))
    return decode_header(content, where=str(path))


def read_any(folder: str | os.PathLike[str]) -> AnyRecording:
    """Read a closed recording, whatever its kind.

    Raises NotARecording, NewerFormat, or DamagedRecording naming file and field. Every file is compared with the
    manifests before anything in it is believed.
    """
    place = Path(folder)
    check_bag(place)
    return load_any(place)


def load_any(folder: Path) -> AnyRecording:
    """The same for a folder whose files were compared with the manifests already."""
    path = folder / "data" / "recording.json"
    if kind_word(read_bounded(path, LARGEST_HEADER_BYTES), where=str(path)) == RecordingKind.DC.value:
        return load_dc_recording(folder)
    return load_recording(folder)
