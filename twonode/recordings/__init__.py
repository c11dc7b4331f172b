"""Recordings: one checksummed folder per sweep, written so that no finished point is ever lost."""

from twonode.recordings.errors import (
    ArchiveNotWritable,
    DamagedRecording,
    NewerFormat,
    NotARecording,
    RecordingError,
    RecordingInUse,
    UnfitRecord,
)
from twonode.recordings.model import (
    Conditions,
    Ended,
    Header,
    Instrument,
    InstrumentRole,
    NullUsed,
    PointRow,
    PointState,
    Probe,
    RecordingKind,
)
from twonode.recordings.reader import Recording, read_header, read_recording
from twonode.recordings.results import StoredResult, add_picture, add_result, read_results
from twonode.recordings.unfinished import Unfinished, close_unfinished, find_unfinished
from twonode.recordings.writer import RecordingWriter

__all__ = [
    "ArchiveNotWritable",
    "Conditions",
    "DamagedRecording",
    "Ended",
    "Header",
    "Instrument",
    "InstrumentRole",
    "NewerFormat",
    "NotARecording",
    "NullUsed",
    "PointRow",
    "PointState",
    "Probe",
    "Recording",
    "RecordingError",
    "RecordingInUse",
    "RecordingKind",
    "RecordingWriter",
    "StoredResult",
    "Unfinished",
    "UnfitRecord",
    "add_picture",
    "add_result",
    "close_unfinished",
    "find_unfinished",
    "read_header",
    "read_recording",
    "read_results",
]
