"""From closed recordings to a diagnosis of their stage.

Owns the check that the recordings are sweeps of one stage, whatever was clipped on and wherever, and what the weighing
takes from them. The parts of the set have to be the same in all; channels, companions and a feeding resistor may
differ, and a part swept alone in a fixture counts as that part of the stage.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from twonode.acquire.errors import UnfitRequest
from twonode.acquire.jointly import NamedStage, holds, joint_stages
from twonode.acquire.nulls import null_named
from twonode.acquire.reestimate import sweep_of
from twonode.analysis.dc_reading import DcReading
from twonode.analysis.errors import StageError
from twonode.analysis.feeding import own_parts
from twonode.analysis.hookup import HookUp
from twonode.analysis.measurement_candidates import fixture_alone
from twonode.analysis.meter_reading import without_readings
from twonode.analysis.model import Sweep
from twonode.analysis.stage import Part, PartKind, Stage
from twonode.recordings.model import RecordingKind
from twonode.recordings.reader import Recording, read_recording

__all__ = ["Swept", "swept_stage"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Swept:
    """What recordings say of one stage.

    stage : the set's own parts as marked; its channels are those of the first sweep where that is possible.
    sweeps : of the stage, then the null runs used. readings : ohmmeter readings that the stage files state.
    recordings, nulls : what was read. notes : what the person has to know, such as a null run that was not found.
    """

    stage: Stage
    sweeps: tuple[Sweep, ...]
    readings: tuple[DcReading, ...]
    recordings: tuple[Recording, ...]
    nulls: tuple[Recording, ...]
    notes: tuple[str, ...]


def swept_stage(paths: Sequence[Path], *, use_nulls: bool = True, places: Sequence[Path] = ()) -> Swept:
    """Read recordings of one stage.

    Parameters
    ----------
    paths : recordings of sweeps; null runs may be among them.
    use_nulls : False leaves out the null runs that the sweeps name. places : folders to look for those in.

    Raises
    ------
    RecordingError : a recording cannot be read or is damaged.
    UnfitRequest : there is no sweep of a stage among them, or they are of different stages.
    """
    given = tuple(read_recording(path) for path in paths)
    for name, count in Counter(r.name for r in given).items():
        if count > 1:
            raise UnfitRequest(
                f"{name} is given {count} times.",
                "The same readings would count as if they had been taken again, and promise too much.",
                "Give each recording once.",
            )
    sweeps = [r for r in given if r.header.kind.tells_of_a_part]
    in_stage = [r for r in sweeps if r.header.hookup is HookUp.STAGE]
    if not in_stage:
        raise UnfitRequest(
            f"{given[0].name} is no sweep of a stage.",
            "A diagnosis weighs the parts of a circuit against each other; a part in a fixture has no neighbours.",
            "Give a recording of the stage hook-up, or use `twonode estimate` for the part alone.",
        )
    nulls, notes = [r for r in given if r.header.kind is RecordingKind.NULL], []
    if use_nulls:
        for sweep in sweeps:
            found, note = null_named(sweep, places)
            if found is not None:
                nulls.append(found)
            if note is not None:
                notes.append(note)
    used = tuple({r.folder.resolve(): r for r in nulls}.values())
    stage, stages = _one_stage(in_stage)
    plain, readings = without_readings(stage)
    together = []
    for recording in sweeps:
        if recording.header.hookup is HookUp.STAGE:
            circuit = without_readings(stages[recording.name])[0]
        else:
            circuit = _alone(recording, plain)
        together.append(replace(sweep_of(recording), stage=circuit))
    return Swept(
        stage=plain,
        sweeps=(*together, *(sweep_of(r) for r in used)),
        readings=readings,
        recordings=tuple(sweeps),
        nulls=used,
        notes=tuple(notes),
    )


def _one_stage(recordings: Sequence[Recording]) -> tuple[Stage, dict[str, Stage]]:
    """The set's own stage and each recording's circuit by its name.

    The comparison is that of joint estimates, made on the set's own parts with the channels put aside.
    """
    first = _own(recordings[0])
    named = []
    for recording in recordings:
        assert recording.stage is not None
        own = own_parts(recording.stage)
        companions = tuple(p for p in recording.stage.parts if p.role == "companion")
        named.append(
            NamedStage(
                recording=recording.name,
                stage=_as_first(recording, first, (*own, *companions)),
                holds=holds(recording.header),
            )
        )
    joined = joint_stages(named, "")
    circuits = {}
    for recording, circuit in zip(recordings, joined, strict=True):
        assert recording.stage is not None
        assert circuit is not None
        by_name = {p.name: p for p in circuit.parts}
        fed = [
            p for p in recording.stage.parts if p not in own_parts(recording.stage) and p.role != "companion"
        ]
        circuits[recording.name] = Stage(
            title=recording.stage.title,
            drive=recording.stage.drive,
            far=recording.stage.far,
            parts=(*by_name.values(), *fed),
        )
    assert joined[0] is not None
    names = {p.name for p in first.parts}
    return replace(first, parts=tuple(p for p in joined[0].parts if p.name in names)), circuits


def _own(recording: Recording) -> Stage:
    """The set's own parts of a recording, with channels that are possible without what was clipped on."""
    assert recording.stage is not None
    parts = own_parts(recording.stage)
    nodes = dict.fromkeys([recording.stage.drive, recording.stage.far])
    nodes |= dict.fromkeys(n for p in parts for n in p.between)
    for drive in nodes:
        for far in nodes:
            try:
                return Stage(title=recording.stage.title, drive=drive, far=far, parts=parts)
            except StageError:
                continue
    raise UnfitRequest(
        f"{recording.name}: nothing is left of its stage without what was clipped on.",
        "A diagnosis is about the parts of the set.",
        "Describe the set's own parts in the stage file, and clip on with --companion and --through.",
    )


def _as_first(recording: Recording, first: Stage, parts: tuple[Part, ...]) -> Stage:
    """A recording's parts with the first one's channels, `asked` put aside, so that only the circuit is compared."""
    # A sweep writes the usual tolerance into the part it was about; stated or not, it means the same.
    plain = tuple(replace(p, asked=False, tolerance=p.tolerance_or_default()) for p in parts)
    try:
        return Stage(title=recording.name, drive=first.drive, far=first.far, parts=plain)
    except StageError as exc:
        raise UnfitRequest(
            f"{recording.name} is of another stage than the first recording: {exc.what}",
            "Hypotheses about one circuit cannot be weighed by sweeps of another.",
            "Diagnose them one by one, or correct the stage file.",
        ) from exc


def _alone(recording: Recording, stage: Stage) -> Stage:
    """The fixture of a part that was swept alone, the part as the stage has it."""
    assert recording.stage is not None
    header = recording.header
    asked = next((p for p in stage.parts if p.name == header.part), None)
    if asked is None or asked.kind is not PartKind.CAPACITOR:
        raise UnfitRequest(
            f"{recording.name} is a sweep of {header.part} alone, which the stage does not have.",
            f"The stage has {', '.join(p.name for p in stage.parts)}.",
            "Leave the recording out, or name the part with --part when sweeping it alone.",
        )
    own = recording.stage.part(asked.name)
    known = next(p for p in recording.stage.parts if p.name != asked.name)
    plain = fixture_alone(asked, drive=recording.stage.drive, far=recording.stage.far)
    return replace(
        plain,
        parts=(
            replace(asked, between=own.between, asked=True),
            replace(known, name=f"fixture {known.value:.6g} ohm"),
        ),
    )
