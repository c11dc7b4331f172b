"""From closed recordings to an estimate: the way every estimate takes, also that of a sweep just finished.

Owns the translation of a recording into the terms of analysis. Ratios are worked out again from the raw codes, so
that a recording needs no trust in the program that wrote it.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from twonode.acquire.errors import UnfitRequest
from twonode.acquire.imported import points_of_table
from twonode.acquire.jointly import NamedStage, holds, joint_stages
from twonode.acquire.nulls import channels_of, fits, null_named, ranges_covered, refuse_unfit
from twonode.analysis.channel import ChannelClass, Probe, wiring_sigma_farad
from twonode.analysis.estimate import Estimate, estimate_part
from twonode.analysis.hookup import HookUp
from twonode.analysis.model import Sweep
from twonode.analysis.quantities import Tolerance
from twonode.analysis.ratio import RatioPoint, read_point
from twonode.recordings.model import Header, InstrumentRole, PointState, RecordingKind
from twonode.recordings.model import Probe as StoredProbe
from twonode.recordings.reader import Recording, read_recording

__all__ = ["Reestimate", "estimate_recordings", "expected_of", "points_of", "reestimate", "sweep_of"]

log = logging.getLogger("twonode.acquire")


def points_of(recording: Recording) -> tuple[RatioPoint, ...]:
    """The used points, from the raw codes; of an imported table, which has none, as its rows state them."""
    if not recording.has_codes:
        return points_of_table(recording.used)
    points = []
    for row, traces in recording.all_traces():
        if row.state is not PointState.USED:
            continue
        point = read_point(traces, row.frequency_hz, line_hz=row.line_hz).point
        if point is not None:
            points.append(point)
    return tuple(points)


def sweep_of(recording: Recording) -> Sweep:
    """A recording as analysis takes it; a null run has no stage."""
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
        bench=_bench_name(recording),
        wiring_sigma_farad=_wiring(recording),
    )


def _wiring(recording: Recording) -> float:
    """Capacitance at the far node that nobody listed: a fixture has none to speak of, a set has."""
    if recording.stage is None or recording.header.hookup is not HookUp.STAGE:
        return 0.0
    return wiring_sigma_farad(recording.stage)


def _bench_name(recording: Recording) -> str:
    header = recording.header
    identities = [i.identity for i in header.instruments if i.role is InstrumentRole.SCOPE]
    if identities:
        return identities[0]
    # Of what took imported readings nothing is known, so it is nobody else's.
    return recording.name if header.conditions.imported else "bench"


def expected_of(header: Header) -> tuple[float | None, Tolerance | None]:
    """What the part was held against: value in F and tolerance, None where nothing was said."""
    tolerance = header.expected_tolerance
    return (
        header.expected_farad,
        None if tolerance is None else Tolerance(minus=tolerance[0], plus=tolerance[1]),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Reestimate:
    """An estimate with what went into it.

    recordings : the sweeps, in the order given. nulls : the null runs that were used.
    notes : what the person has to know of it, such as a null run that could not be used.
    """

    estimate: Estimate
    recordings: tuple[Recording, ...]
    nulls: tuple[Recording, ...]
    notes: tuple[str, ...]


def reestimate(
    paths: Sequence[Path],
    *,
    part: str | None = None,
    null: Path | None = None,
    use_nulls: bool = True,
    places: Sequence[Path] = (),
) -> Reestimate:
    """Read recordings and estimate one part from all of them, jointly.

    Null runs among the recordings are used; so is the one that each sweep names, if it is found.

    Parameters
    ----------
    part : the asked part; None is the one the first sweep was about.
    null : a null run to use instead of those the sweeps name.
    use_nulls : False leaves out those the sweeps name.
    places : folders to look for those in, after the sweeps' own.

    Raises
    ------
    RecordingError : a recording cannot be read or is damaged.
    UnfitRequest : the sweeps are not about one stage, or a null run that was asked for does not fit.
    AnalysisError : the data cannot carry an estimate.
    """
    given = tuple(read_recording(path) for path in paths)
    sweeps = tuple(r for r in given if r.header.kind.tells_of_a_part)
    if not sweeps:
        raise UnfitRequest(
            f"{given[0].name} is a null run, and there is no sweep beside it.",
            "It says what the two channels do differently, and nothing of a part.",
            "Give the recording of a sweep as well.",
        )
    first = sweeps[0]
    name = part or first.header.part
    if name is None:
        raise UnfitRequest(
            f"{first.name} is not about a part.",
            "It says nothing of which capacitor is asked for.",
            "Give the recording of a sweep first.",
        )
    stages = joint_stages(
        [NamedStage(recording=r.name, stage=r.stage, holds=holds(r.header)) for r in sweeps], name
    )
    asked_for = [r for r in given if r.header.kind is RecordingKind.NULL]
    if null is not None:
        asked_for.append(read_recording(null))
    for each in asked_for:
        _check_fit(each, sweeps)
    nulls, notes = list(asked_for), []
    if null is None and use_nulls:
        for sweep in sweeps:
            found, note = null_named(sweep, places)
            if found is not None:
                nulls.append(found)
            if note is not None:
                notes.append(note)
    used = tuple({r.folder.resolve(): r for r in nulls}.values())
    farad, tolerance = expected_of(first.header)
    if part is not None and part != first.header.part:
        assert first.stage is not None
        asked = first.stage.asked_part(part)
        farad, tolerance = asked.value, asked.tolerance_or_default()
    estimate = estimate_part(
        [
            *(replace(sweep_of(r), stage=stage) for r, stage in zip(sweeps, stages, strict=True)),
            *(sweep_of(r) for r in used),
        ],
        name,
        nominal_farad=farad,
        tolerance=tolerance,
    )
    return Reestimate(estimate=estimate, recordings=sweeps, nulls=used, notes=tuple(notes))


def estimate_recordings(
    paths: Sequence[Path], *, part: str | None = None, null: Path | None = None, use_nulls: bool = True
) -> tuple[Estimate, tuple[Recording, ...]]:
    """`reestimate` for those who want estimate and sweeps only; its notes go to the log."""
    found = reestimate(paths, part=part, null=null, use_nulls=use_nulls)
    for note in found.notes:
        log.warning(note)
    return found.estimate, found.recordings


def _check_fit(null: Recording, sweeps: Sequence[Recording]) -> None:
    """Refuse a null run that was asked for and does not fit one of the sweeps."""
    for sweep in sweeps:
        reason = fits(null.header, channels_of(sweep.header)) or ranges_covered(null, sweep)
        if reason is not None:
            raise refuse_unfit(null.folder, reason)


def _probe(stored: StoredProbe) -> Probe:
    return Probe(
        factor=stored.factor,
        resistance_ohm=stored.resistance_ohm,
        resistance_sigma=stored.resistance_standard_uncertainty_ohm / stored.resistance_ohm,
        capacitance_farad=stored.capacitance_farad,
        capacitance_sigma=stored.capacitance_standard_uncertainty_farad / stored.capacitance_farad,
        compensation_sigma=stored.compensation_standard_uncertainty,
    )
