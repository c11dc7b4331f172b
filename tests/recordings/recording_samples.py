"""Made-up recordings for the tests of this room; nothing here was measured."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from twonode.analysis.hookup import HookUp
from twonode.analysis.stage import shipped_stage, stage_to_document
from twonode.analysis.traces import ChannelCodes, TracePair
from twonode.recordings import (
    Conditions,
    Header,
    Instrument,
    InstrumentRole,
    PointRow,
    Probe,
    RecordingWriter,
)

CREATED = datetime(2031, 4, 9, 18, 20, 11, tzinfo=UTC)
STAGE = shipped_stage("wrenfield-46-driver-output")
PROBE = Probe(
    factor=10.0,
    resistance_ohm=10e6,
    resistance_standard_uncertainty_ohm=58e3,
    capacitance_farad=12e-12,
    capacitance_standard_uncertainty_farad=1.2e-12,
    compensation_standard_uncertainty=0.03,
)


def sample_header(**changes) -> Header:
    values = {
        "title": STAGE.title,
        "created_utc": CREATED,
        "program_version": "0.1.0",
        "hookup": HookUp.STAGE,
        "stage": stage_to_document(STAGE),
        "part": "C7",
        "instruments": (
            Instrument(
                role=InstrumentRole.SCOPE,
                resource="TCPIP0::127.0.0.1::5025::SOCKET",
                identity="SIMULATED,SCOPE,0,1",
                profile="sample",
                settings={"points": 200, "coupling": "DC"},
            ),
        ),
        "conditions": Conditions(level_vpp=2.0, simulated=True, seed=7),
        "drive_probe": PROBE,
        "far_probe": PROBE,
        "gain_standard_uncertainty": 0.015,
        "tags": {"set": "Wrenfield 46"},
    }
    return Header(**(values | changes))


def sample_channel(seed: int, samples: int, volts_per_div: float) -> ChannelCodes:
    codes = np.random.default_rng(seed).integers(1, 255, samples, dtype=np.int16)
    return ChannelCodes(
        codes=codes,
        volts_per_code=volts_per_div / 25,
        volts_at_code_zero=-128 * volts_per_div / 25,
        lowest_code=0,
        highest_code=255,
        volts_per_div=volts_per_div,
    )


def sample_traces(point: int, samples: int = 60) -> TracePair:
    return TracePair(
        drive=sample_channel(2 * point, samples, 0.5),
        far=sample_channel(2 * point + 1, samples, 0.2),
        sample_interval_s=1e-5 / point,
    )


def sample_row(number: int, traces: TracePair, **changes) -> PointRow:
    values = {
        "point": number,
        "time_s": 0.25 * number,
        "frequency_set_hz": 20.0 * number,
        "frequency_hz": 20.0 * number * (1 + 1e-7),
        "ratio_re": 0.1 * number / 3,
        "ratio_im": -0.2 / number,
        "var_re": 1e-8 / 3,
        "cov_re_im": -1e-9 / 7,
        "var_im": 1e-8 / 7,
        "drive_volts_per_div": traces.drive.volts_per_div,
        "far_volts_per_div": traces.far.volts_per_div,
        "samples": traces.samples,
        "sample_interval_s": traces.sample_interval_s,
    }
    return PointRow(**(values | changes))


def add_sample_points(writer: RecordingWriter, count: int) -> None:
    for point in range(writer.points + 1, writer.points + count + 1):
        traces = sample_traces(point)
        writer.add_point(sample_row(point, traces), traces)


def write_sample(archive: Path, *, points: int = 3, **header_changes) -> Path:
    with RecordingWriter(archive, sample_header(**header_changes)) as writer:
        add_sample_points(writer, points)
    return writer.folder


def files_below(folder: Path) -> dict[str, bytes]:
    """Every file, by its name relative to the folder; read without the code under test."""
    return {
        p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()
    }
