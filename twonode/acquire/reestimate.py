"""From closed recordings to an estimate: the way every estimate takes, also that of a sweep just finished.

Owns the translation of a recording into the terms of analysis. Ratios are worked out again from the raw codes, so
that a recording needs no trust in the program that wrote it.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from twonode.acquire.errors import UnfitRequest
from twonode.analysis.channel import ChannelClass, Probe
from twonode.analysis.estimate import Estimate, estimate_part
from twonode.analysis.model import Sweep
from twonode.analysis.quantities import Tolerance
from twonode.analysis.ratio import RatioPoint, read_point
from twonode.recordings.model import Header, InstrumentRole, PointState
from twonode.recordings.model import Probe as StoredProbe
from twonode.recordings.reader import Recording, read_recording

__all__ = ["estimate_recordings", "expected_of", "points_of", "sweep_of"]


def points_of(recording: Recording) -> tuple[RatioPoint, ...]:
    """The used points, from the raw codes."""
    points = []
    for row, traces in recording.all_traces():
        if row.state is not PointState.USED:
            continue
        point = read_point(traces, row.frequency_hz, line_hz=row.line_hz).point
        if point is not None:
            points.append(point)
    return tuple(points)


def sweep_of(recording: Recording) -> Sweep:
    """A recording as analysis takes it."""
    header = recording.header
    return Sweep(
        stage=recording.stage,
        points=points_of(recording),
        drive_probe=_probe(header.drive_probe),
        far_probe=_probe(header.far_probe),
        channels=ChannelClass(
            gain_sigma=header.gain_standard_uncertainty,
            skew_sigma_s=header.skew_standard_uncertainty_s,
            frequency_sigma=header.frequency_standard_uncertainty,
        ),
        bench=_bench_name(header),
    )


def _bench_name(header: Header) -> str:
    identities = [i.identity for i in header.instruments if i.role is InstrumentRole.SCOPE]
    return identities[0] if identities else "bench"


def expected_of(header: Header) -> tuple[float | None, Tolerance | None]:
    """What the part was held against: value in F and tolerance, None where nothing was said."""
    tolerance = header.expected_tolerance
    return (
        header.expected_farad,
        None if tolerance is None else Tolerance(minus=tolerance[0], plus=tolerance[1]),
    )


def estimate_recordings(
    paths: Sequence[Path], *, part: str | None = None
) -> tuple[Estimate, tuple[Recording, ...]]:
    """Read recordings and estimate one part from all of them, jointly.

    Parameters
    ----------
    part : the asked part; None is the one the first recording was about.

    Raises
    ------
    RecordingError : a recording cannot be read or is damaged.
    UnfitRequest : the recordings are not about one stage.
    AnalysisError : the data cannot carry an estimate.
    """
    recordings = tuple(read_recording(path) for path in paths)
    first = recordings[0]
    name = part or first.header.part
    if name is None:
        raise UnfitRequest(
            f"{first.name} is not about a part.",
            "It says nothing of which capacitor is asked for.",
            "Give the recording of a sweep first.",
        )
    for other in recordings[1:]:
        if [p.name for p in other.stage.parts] != [p.name for p in first.stage.parts]:
            raise UnfitRequest(
                f"{first.name} and {other.name} are sweeps of different stages.",
                "A joint estimate shares the neighbours' values, so the circuit has to be the same.",
                "Estimate them one by one.",
            )
    farad, tolerance = expected_of(first.header)
    if part is not None and part != first.header.part:
        asked = first.stage.asked_part(part)
        farad, tolerance = asked.value, asked.tolerance_or_default()
    estimate = estimate_part(
        [sweep_of(r) for r in recordings], name, nominal_farad=farad, tolerance=tolerance
    )
    return estimate, recordings


def _probe(stored: StoredProbe) -> Probe:
    return Probe(
        factor=stored.factor,
        resistance_ohm=stored.resistance_ohm,
        resistance_sigma=stored.resistance_standard_uncertainty_ohm / stored.resistance_ohm,
        capacitance_farad=stored.capacitance_farad,
        capacitance_sigma=stored.capacitance_standard_uncertainty_farad / stored.capacitance_farad,
        compensation_sigma=stored.compensation_standard_uncertainty,
    )
