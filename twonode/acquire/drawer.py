"""A drawer session: the fixture checked once, then one unmarked part after the other, each saved at once.

Owns the order of a session and what of it is filed. It says what the hand at the fixture is to do and runs the sweeps;
who exchanges the parts, a person or the simulated bench, is not its business. What the readings mean is left to
`analysis`: the fixture, the first look, the part.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import twonode
from twonode.acquire.drawer_events import (
    DrawerEvent,
    FixtureChecked,
    KnownChecked,
    PartDone,
    ProbesTogether,
    PutIn,
    PutInKnown,
    StepBegins,
    TakeOut,
    WireFixture,
)
from twonode.acquire.drawer_request import DrawerRequest, check_drawer_request
from twonode.acquire.drawer_table import BatchTable, DrawerRow
from twonode.acquire.errors import SweepFailed, UnfitRequest
from twonode.acquire.events import Event, SweepClosed
from twonode.acquire.nullrequest import NullRequest
from twonode.acquire.nullrun import run_null
from twonode.acquire.nulls import ChannelsUsed, fits
from twonode.acquire.reestimate import sweep_of
from twonode.acquire.request import POLARISED_LEVEL_VPP, SweepRequest
from twonode.acquire.sweep import run_sweep
from twonode.analysis.fixture import (
    STRAY_ACROSS,
    FixtureAdvice,
    advised_fixture,
    fixture_stage,
    open_advice,
    scout_advice,
)
from twonode.analysis.fixture_open import OpenFixture, open_fixture
from twonode.analysis.hookup import KNOWN_RESISTOR_ROLE, HookUp
from twonode.analysis.loose_part import LoosePart, characterise
from twonode.analysis.model import Sweep
from twonode.analysis.ratio import Refusal, read_point
from twonode.analysis.scout import Scouted, next_fixture, not_settled, scout
from twonode.analysis.stage import Stage
from twonode.drivers.bench import Bench
from twonode.recordings.drawer_tags import BATCH_TAG, NUMBER_TAG, STEP_TAG, DrawerStep
from twonode.recordings.heads import is_simulated
from twonode.recordings.notes import add_note
from twonode.recordings.reader import Recording, read_recording
from twonode.recordings.results import add_result, read_results

__all__ = ["DrawerRequest", "DrawerSession", "check_drawer_request", "stored_document"]

KNOWN_PART = "known part"
_MOST_LOOKS = 2
_LOOKED_FOR_FARAD = 100e-9
_LARGEST_FOR_A_LOOK_OHM = 1e5
"""A look waits for the first beside the second, 0.1 s; with more, a large part would take seconds to come to rest."""


_SIGNED = ("format", "program", "batch", "recordings", "null")
"""What a filed result has beside the document of the part itself."""


class DrawerSession:
    """One session on an open bench: `compare_channels`, `look_at_empty_fixture` and `check_known`, then `measure`.

    table : where the rows go. documents : what was found before the first part, as JSON.

    Raises UnfitRequest for what cannot be done, and for a table of the other kind of parts, simulated or real.
    All methods that yield run on only when their next event is asked for; whoever stops early keeps everything that
    was finished.
    """

    def __init__(self, bench: Bench, request: DrawerRequest, *, archive: Path, table: BatchTable) -> None:
        check_drawer_request(request)
        # A simulated bench may also be reached by its address; its instruments say what they are.
        identities = bench.generator.identity, bench.scope.identity
        self._simulated = request.simulated or any(map(is_simulated, identities))
        table.refuse_mixture(simulated=self._simulated)
        self._bench = bench
        self._request = request
        self._archive = archive
        self.table = table
        self._null: Recording | None = None
        self._fixture: OpenFixture | None = None
        self._wired: tuple[HookUp, float] | None = None
        self.documents: dict[str, Any] = {"null": None, "open_fixture": None, "known_part": None}

    @property
    def prepared(self) -> bool:
        """Whether null run and open fixture are there."""
        return self._fixture is not None

    def compare_channels(self) -> Iterator[DrawerEvent]:
        """The null run, made or taken as named.

        Raises as `run_null`; UnfitRequest or RecordingError for a named one that does not fit or cannot be read.
        """
        request = self._request
        if request.null is None:
            yield ProbesTogether()
            yield StepBegins(what="Null run: what the two channels do differently")
            asked = NullRequest(
                node="generator lead",
                probe_factors=request.probe_factors,
                line_hz=request.line_hz,
                tags=self._tags(DrawerStep.NULL_RUN),
                operator=request.operator,
                simulated=request.simulated,
                seed=request.seed,
            )
            folder = yield from _closing(run_null(self._bench, asked, archive=self._archive))
            self._null = read_recording(folder)
        else:
            null = read_recording(request.null)
            channels = ChannelsUsed(
                scope=self._bench.scope.identity,
                probe_factors=request.probe_factors,
                simulated=request.simulated,
                seed=request.seed,
            )
            reason = fits(null.header, channels)
            if reason is not None:
                raise UnfitRequest(
                    f"The null run {request.null.name} does not fit: {reason}.",
                    "What the channels did then says nothing of this bench; it would put errors in.",
                    "Leave --null out: one is made before the first part.",
                )
            self._null = null
        self.documents["null"] = str(self._null.folder)

    def look_at_empty_fixture(self) -> Iterator[DrawerEvent]:
        """The open-fixture sweep.

        Raises FixtureNotOpen where something is in it; doing it again is in order then. Else as `run_sweep`.
        """
        assert self._null is not None, "compare_channels comes first"
        advice = replace(open_advice(), resistor_ohm=max(self._request.resistors_ohm))
        stage = self._stage(advice, None)
        yield from self._wire(advice, stage)
        yield TakeOut()
        yield StepBegins(what="Open fixture: its own few picofarads")
        recording = yield from self._sweep(advice, stage, part=STRAY_ACROSS, step=DrawerStep.OPEN_FIXTURE)
        if not recording.used:
            raise _unusable(recording, "the fixture")
        fixture = open_fixture([sweep_of(recording)], [sweep_of(self._null)])
        document = _open_document(fixture)
        add_result(recording.folder, "open_fixture", self._signed(document, [recording]))
        self._fixture = fixture
        self.documents["open_fixture"] = {"recording": str(recording.folder), **document}
        yield FixtureChecked(fixture=fixture, recording=recording.folder)

    def check_known(self) -> Iterator[DrawerEvent]:
        """The known part, where there is one; whether it agrees is in the event."""
        if self._request.known is None:
            return
        assert self._fixture is not None, "look_at_empty_fixture comes first"
        from twonode.analysis.known_part import check_known_part, known_part_document

        farad, tolerance = self._request.known
        advice = advised_fixture(farad, resistors_ohm=self._request.resistors_ohm)
        stage = self._stage(advice, KNOWN_PART, farad)
        yield from self._wire(advice, stage)
        yield PutInKnown(farad=farad, tolerance=tolerance)
        yield StepBegins(what="Known part")
        recording = yield from self._sweep(advice, stage, part=KNOWN_PART, step=DrawerStep.KNOWN_PART)
        if not recording.used:
            raise _unusable(recording, f"the {KNOWN_PART}")
        loose = characterise([sweep_of(recording)], part=KNOWN_PART, fixture=self._fixture)
        check = check_known_part(loose, farad, tolerance)
        document = known_part_document(check)
        add_result(recording.folder, "known_part", self._signed(document, [recording]))
        self.documents["known_part"] = {"recording": str(recording.folder), **document}
        yield KnownChecked(check=check, recording=recording.folder)

    def measure(self, number: int, *, because: str = "measured again") -> Iterator[DrawerEvent]:
        """One part, from the prompt to its row in the table.

        because : why an earlier row of the same part is withdrawn.

        Raises as `run_sweep`; the table is as before then.
        """
        assert self._fixture is not None, "look_at_empty_fixture comes first"
        name = f"part {number}"
        yield PutIn(number=number, again=any(row.number == number for row in self.table.kept))
        recordings: list[Recording] = []
        sweeps: list[Sweep] = []
        advice: FixtureAdvice | None = self._first_look()
        farad = _LOOKED_FOR_FARAD
        while advice is not None:
            stage = self._stage(advice, name, farad)
            yield from self._wire(advice, stage)
            yield StepBegins(what=f"Part {number}" + (", a first look" if advice.scout else ""))
            step = DrawerStep.FIRST_LOOK if advice.scout else DrawerStep.PART
            recording = yield from self._sweep(advice, stage, part=name, step=step, number=number)
            recordings.append(recording)
            if recording.used:
                sweeps.append(sweep_of(recording))
            elif not (advice.scout and _unsettled(recording)):
                raise _unusable(recording, name)
            if not advice.scout:
                break
            found = self._found(recording, sweeps, advice, name)
            advice = None
            if len(recordings) <= _MOST_LOOKS:
                advice = next_fixture(found, resistors_ohm=self._request.resistors_ohm)
            if advice is None and not sweeps:
                raise _unusable(recording, name, found.because)
            if found.farad is not None:
                farad = found.farad
        row = self._file(number, characterise(sweeps, part=name, fixture=self._fixture), recordings)
        replaced = self.table.add(row, because=because)
        if replaced is not None:
            self._note_withdrawn(replaced)
        yield PartDone(row=row, replaced=replaced)

    def _found(
        self, recording: Recording, sweeps: Sequence[Sweep], advice: FixtureAdvice, name: str
    ) -> Scouted:
        """What the looks so far say; a refused one says that the part is large, or that next to nothing passes."""
        assert self._fixture is not None
        if recording.used:
            return scout(sweeps, part=name, fixture=self._fixture)
        waited_s = max(row.waited_s or 0.0 for row in recording.points)
        last = recording.points[-1]
        return not_settled(
            resistor_ohm=advice.resistor_ohm,
            waited_s=waited_s,
            ratio=None if last.ratio_re is None else complex(last.ratio_re, last.ratio_im or 0.0),
            frequency_hz=last.frequency_hz,
        )

    def undo(self) -> DrawerRow | None:
        """Take the last part back: its row is marked as withdrawn, its recording stays and says so.

        Returns the row; None where there is none.
        """
        withdrawn = self.table.withdraw_last("taken back")
        if withdrawn is not None:
            self._note_withdrawn(withdrawn)
        return withdrawn

    def _note_withdrawn(self, row: DrawerRow) -> None:
        add_note(
            row.recording,
            f"Withdrawn from batch {self._request.batch} as part {row.number}: {row.because}.",
            operator=self._request.operator,
            when_utc=_now(),
        )

    def _first_look(self) -> FixtureAdvice:
        """With the resistor that is in, so that nothing is exchanged for a mere look."""
        usual = scout_advice()
        hookup, ohm = self._wired or (usual.hookup, usual.resistor_ohm)
        if hookup is not usual.hookup or ohm > _LARGEST_FOR_A_LOOK_OHM:
            ohm = _nearest(usual.resistor_ohm, self._request.resistors_ohm)
        return scout_advice(resistor_ohm=ohm)

    def _stage(self, advice: FixtureAdvice, part: str | None, farad: float = 10e-9) -> Stage:
        stage = fixture_stage(advice.hookup, part=part, farad=farad, resistor_ohm=advice.resistor_ohm)
        resistor = next(each for each in stage.parts if each.role == KNOWN_RESISTOR_ROLE)
        return stage.replace_part(replace(resistor, tolerance=self._request.resistor_tolerance))

    def _wire(self, advice: FixtureAdvice, stage: Stage) -> Iterator[DrawerEvent]:
        wanted = (advice.hookup, advice.resistor_ohm)
        again = self._wired is not None and self._wired != wanted
        # Told every time: the simulated bench has to know where the part's clips are, a person only of a change.
        yield WireFixture(advice=advice, stage=stage, change=self._wired != wanted, again=again)
        self._wired = wanted

    def _sweep(
        self, advice: FixtureAdvice, stage: Stage, *, part: str, step: DrawerStep, number: int | None = None
    ) -> Generator[DrawerEvent, None, Recording]:
        assert self._null is not None
        request = self._request
        asked = SweepRequest(
            hookup=advice.hookup,
            stage=stage,
            part=part,
            frequencies_hz=advice.frequencies_hz,
            samples=advice.samples,
            level_vpp=min(advice.level_vpp, POLARISED_LEVEL_VPP) if request.polarised else advice.level_vpp,
            probe_factors=request.probe_factors,
            line_hz=request.line_hz,
            tags=self._tags(step, number),
            operator=request.operator,
            simulated=request.simulated,
            seed=request.seed,
            null=self._null.folder,
        )
        folder = yield from _closing(run_sweep(self._bench, asked, archive=self._archive))
        recording = read_recording(folder)
        return recording

    def _tags(self, step: DrawerStep, number: int | None = None) -> dict[str, str]:
        tags = {**self._request.tags, BATCH_TAG: self._request.batch, STEP_TAG: step.value}
        return tags if number is None else {**tags, NUMBER_TAG: str(number)}

    def _file(self, number: int, loose: LoosePart, recordings: Sequence[Recording]) -> DrawerRow:
        """The result beside its recording, and as a row."""
        from twonode.analysis.loose_report import bin_of, label_text, loose_part_document, loose_part_row

        document = {"number": number, **loose_part_document(loose)}
        add_result(recordings[-1].folder, f"part_{number}", self._signed(document, recordings))
        return DrawerRow(
            number=number,
            measured_utc=_now(),
            simulated=self._simulated,
            recordings=tuple(recording.folder for recording in recordings),
            cells=loose_part_row(loose),
            document=document,
            bin=bin_of(loose),
            label=label_text(loose),
            loose=loose,
        )

    def _signed(self, document: Mapping[str, Any], recordings: Sequence[Recording]) -> dict[str, Any]:
        """A result with what every filed one names: program and inputs."""
        assert self._null is not None
        return {
            "format": 1,
            "program": f"twonode {twonode.__version__}",
            "batch": self._request.batch,
            "recordings": [recording.name for recording in recordings],
            "null": self._null.name,
            **document,
        }


def stored_document(row: DrawerRow) -> dict[str, Any]:
    """The result of a row as JSON, from its recording where the row came from a file.

    Raises RecordingError where that recording cannot be read.
    """
    if row.document is not None:
        return dict(row.document)
    found = [
        each.document for each in read_results(row.recording) if each.document.get("number") == row.number
    ]
    if not found:
        return {"number": row.number}
    return {key: value for key, value in found[-1].items() if key not in _SIGNED}


def _closing(run: Iterator[Event]) -> Generator[Event, None, Path]:
    """The events of a run but its last one, whose recording is returned; the run is closed whatever happens."""
    folder: Path | None = None
    try:
        for event in run:
            if isinstance(event, SweepClosed):
                folder = event.recording
            else:
                yield event
    finally:
        close = getattr(run, "close", None)
        if close is not None:
            close()
    assert folder is not None, "a run that ends without error closes its recording"
    return folder


def _unsettled(recording: Recording) -> bool:
    """Whether the far node was still moving in every record, said by the codes themselves.

    What runs out of the range moves from one half of a record to the other whatever the part: hum, say.
    """
    found = [
        dict(read_point(traces, row.frequency_hz, line_hz=row.line_hz).refusals)
        for row, traces in recording.all_traces()
    ]
    return all(Refusal.UNSETTLED in each and Refusal.CLIPPED not in each for each in found)


def _unusable(recording: Recording, about: str, because: str | None = None) -> SweepFailed:
    reasons = because or "; ".join(dict.fromkeys(row.reason or "no reason" for row in recording.points))
    return SweepFailed(
        f"Nothing can be said of {about}: {reasons.rstrip('.')}.",
        f"No point of it can be used; the readings are kept in {recording.folder}.",
        "Check clips and leads, then measure it again.",
    )


def _open_document(fixture: OpenFixture) -> dict[str, Any]:
    return {
        "across": fixture.across.document(),
        "to_ground": fixture.to_ground.document(),
        "misfit": fixture.misfit,
    }


def _nearest(ohm: float, resistors_ohm: Sequence[float]) -> float:
    return min(resistors_ohm, key=lambda each: max(each / ohm, ohm / each))


def _now() -> datetime:
    return datetime.now(UTC).replace(microsecond=0)
