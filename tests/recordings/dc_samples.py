"""Made-up DC recordings for the tests of this room; nothing here was measured."""

from datetime import UTC, datetime
from pathlib import Path

from twonode.recordings import DcConditions, DcHeader, DcMeter, DcRow, DcState, DcWriter

CREATED = datetime(2031, 4, 9, 18, 20, 11, tzinfo=UTC)


def dc_header(**changes) -> DcHeader:
    values = {
        "title": "Wrenfield 46 table receiver: driver to output stage",
        "created_utc": CREATED,
        "program_version": "0.1.0",
        "part": "C7",
        "role": "coupling",
        "meter": DcMeter(resistance_ohm=10e6, resistance_relative=0.01),
        "conditions": DcConditions(line_volts=123.0),
        "asked": {"grid_leak_ohm": 470e3},
        "tags": {"set": "Wrenfield 46"},
        "operator": "EM",
    }
    return DcHeader(**(values | changes))


def dc_row(number: int, **changes) -> DcRow:
    values = {
        "reading": number,
        "time_s": 0.5 * number,
        "node": "output grid",
        "volts": 0.1 * number / 3,
        "half_width_v": 0.01 / 7,
        "step_v": 0.01,
        "state": DcState.LIFTED.value if number % 2 else DcState.IN_PLACE.value,
        "typed": f"0.{number}V",
    }
    return DcRow(**(values | changes))


def add_dc_readings(writer: DcWriter, count: int) -> None:
    for number in range(writer.readings + 1, writer.readings + count + 1):
        writer.add_reading(dc_row(number))


def write_dc_sample(archive: Path, *, readings: int = 3, **changes) -> Path:
    with DcWriter(archive, dc_header(**changes)) as writer:
        add_dc_readings(writer, readings)
    return writer.folder
