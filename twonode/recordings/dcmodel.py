"""What a recording of DC readings holds: the words of its recording.json and the columns of readings.csv.

Owns names, types and units of both. Format 1 may grow by optional fields; a change of meaning takes a new format
number. A DC check is meter work: there is no generator, no scope and no trace in it.
"""

from __future__ import annotations

from datetime import datetime
from enum import Enum
from typing import Any

import msgspec

from twonode.recordings.errors import OtherKind
from twonode.recordings.heads import FORMAT, decode_head, encode_head, kind_word, must_be_utc
from twonode.recordings.model import Ended, Instrument, RecordingKind

__all__ = [
    "DcConditions",
    "DcHeader",
    "DcMeter",
    "DcRow",
    "DcState",
    "decode_dc_header",
    "encode_dc_header",
]


class DcState(Enum):
    """How the circuit was when a reading was taken."""

    IN_PLACE = "in place"  # everything connected
    LIFTED = "lifted"  # the part's far end is off, the meter on the node it was lifted from
    NEXT_VALVE_OUT = "next valve out"  # the valve behind the node is out of its socket
    LOOSE_END = "loose end"  # the part's far end is off, the meter on that loose end


class DcMeter(msgspec.Struct, frozen=True, kw_only=True):
    """The meter as the arithmetic takes it; every limit is a half-width, as its data sheet gives it.

    resistance_ohm : its input resistance.
    resistance_relative : limits of that, a share of it.
    relative, counts : limits of a reading, a share of it and steps of its last digit.
    floor_v : limits that do not shrink with the step, V.
    """

    resistance_ohm: float
    resistance_relative: float = 0.0
    relative: float = 0.005
    counts: float = 3.0
    floor_v: float = 0.0


class DcConditions(msgspec.Struct, frozen=True, kw_only=True):
    """Under what conditions the readings were taken.

    live : the set was switched on. cautions : they were shown (and, with a meter on the bus, acknowledged) before.
    line_volts : mains, V rms. minutes_on : since the set was switched on, or the part was under voltage.
    seed : of the simulated bench.
    """

    live: bool = True
    cautions: bool = True
    line_volts: float | None = None
    minutes_on: float | None = None
    simulated: bool = False
    seed: int | None = None


class DcHeader(msgspec.Struct, frozen=True, kw_only=True):
    """All of recording.json of DC readings.

    created_utc, finished_utc : with time zone; the room has no clock of its own, the caller says.
    part, role : the capacitor asked about; None for a voltage chart.
    instruments : the voltmeter, where it was read over a bus; empty for typed readings.
    asked : what the readings were taken for, as the command states it (JSON values): grid leak, bias, limits, or the
        chart's document.
    tags : set, serial, position and the like.
    versions : program and libraries, by name.
    """

    format: int = FORMAT
    kind: RecordingKind = RecordingKind.DC
    title: str
    created_utc: datetime
    finished_utc: datetime | None = None
    ended: Ended | None = None
    operator: str | None = None
    program_version: str
    part: str | None = None
    role: str | None = None
    meter: DcMeter
    instruments: tuple[Instrument, ...] = ()
    conditions: DcConditions = DcConditions()
    asked: dict[str, Any] = {}
    tags: dict[str, str] = {}
    versions: dict[str, str] = {}
    notes: tuple[str, ...] = ()


class DcRow(msgspec.Struct, frozen=True, kw_only=True):
    """One row of readings.csv; the field names are its column names, in this order.

    reading : 1, 2, 3 ... in the order taken.
    time_s : from the start of the check.
    node : where the meter's tip was. volts : to the reference point, as the meter showed them, V.
    half_width_v : limits of the reading, V. step_v : what its last digit stands for, V.
    state : how the circuit was then; one of `DcState`, or other words for readings made otherwise.
    typed : as it was typed, where it was. note : anything to be said of it.
    """

    reading: int
    time_s: float
    node: str
    volts: float
    half_width_v: float
    step_v: float | None = None
    state: str = DcState.IN_PLACE.value
    typed: str | None = None
    note: str | None = None


def encode_dc_header(header: DcHeader) -> bytes:
    """The header as indented JSON with a final newline. Raises UnfitRecord where JSON cannot hold it exactly."""
    return encode_head(header, header.created_utc)


def decode_dc_header(content: bytes, *, where: str) -> DcHeader:
    """recording.json of DC readings read back; ``where`` names the file in errors.

    Raises DamagedRecording naming the field, NewerFormat where a later program wrote it, OtherKind where it heads a
    sweep or a null run.
    """
    found = kind_word(content, where=where)
    if found != RecordingKind.DC.value:
        raise OtherKind(
            f"{where}: this is a recording of kind {found!r}, not of DC readings.",
            "Leakage and node voltages come from a meter's DC readings.",
            "Name a recording that `twonode dc` made.",
        )
    header = decode_head(content, DcHeader, where=where)
    must_be_utc(header.created_utc, where=where)
    return header
