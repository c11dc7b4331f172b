"""Recordings: one checksummed folder per sweep or DC check, written so that nothing finished is ever lost."""

from twonode.recordings.anykind import AnyHeader, AnyRecording, read_any, read_any_header
from twonode.recordings.dc import DcRecording, DcWriter, read_dc_header, read_dc_recording
from twonode.recordings.dcmodel import DcConditions, DcHeader, DcMeter, DcRow, DcState
from twonode.recordings.errors import (
    ArchiveNotWritable,
    DamagedRecording,
    NewerFormat,
    NotARecording,
    OtherKind,
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
    "AnyHeader",
    "AnyRecording",
    "ArchiveNotWritable",
    "Conditions",
    "DamagedRecording",
    "DcConditions",
    "DcHeader",
    "DcMeter",
    "DcRecording",
    "DcRow",
    "DcState",
    "DcWriter",
    "Ended",
    "Header",
    "Instrument",
    "InstrumentRole",
    "NewerFormat",
    "NotARecording",
    "NullUsed",
    "OtherKind",
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
    "read_any",
    "read_any_header",
    "read_dc_header",
    "read_dc_recording",
    "read_header",
    "read_recording",
    "read_results",
]
