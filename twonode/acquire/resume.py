"""Going on with an interrupted sweep.

Owns what an incomplete recording says of the sweep it was to become, and the checks that the bench is still the same.
A closed recording never changes: the continued sweep is a new recording. The first points of it are those of the old
one, rows and codes byte for byte, and its header names where they come from; so it can be read, estimated and handed
on by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import Any

import msgspec

from twonode.acquire.errors import UnfitRequest
from twonode.acquire.jointly import holds
from twonode.acquire.nulls import null_named, null_used
from twonode.acquire.planner import Planner
from twonode.acquire.reestimate import expected_of, points_of
from twonode.acquire.request import PlanKind, SweepRequest
from twonode.acquire.timing import Placement
from twonode.analysis.ratio import RatioPoint
from twonode.drivers.bench import Bench
from twonode.recordings.model import Continues, Ended, Header, InstrumentRole, RecordingKind
from twonode.recordings.naming import UNFINISHED
from twonode.recordings.reader import Recording, read_recording
from twonode.recordings.unfinished import close_unfinished
from twonode.recordings.writer import RecordingWriter

__all__ = ["Resumed", "asked_plan", "incomplete_sweep", "line_of", "request_of"]

_USUAL_LINE_HZ = 50.0


class _Asked(msgspec.Struct, frozen=True):
    """What a header's plan says of the request; a header holds any JSON there."""

    kind: str | None = None
    from_hz: float | None = None
    to_hz: float | None = None
    points: int | None = None
    frequencies_hz: tuple[float, ...] = ()
    samples: int | None = None
    line_hz: float | None = None


def _asked(recording: Recording) -> _Asked:
    try:
        return msgspec.convert(recording.header.plan, _Asked)
    except msgspec.ValidationError as exc:
        raise UnfitRequest(
            f"{recording.name} does not say which frequencies were asked for: plan: {exc}.",
            "Nothing can stand in for it.",
            "Start a new sweep; `twonode estimate` works out what was measured.",
        ) from exc


def asked_plan(request: SweepRequest) -> dict[str, Any]:
    """What of a request says which frequencies are taken, for the header; what is left to the program is left out."""
    asked = {
        "from_hz": request.from_hz,
        "to_hz": request.to_hz,
        "points": request.points,
        "frequencies_hz": list(request.frequencies_hz) or None,
        "samples": request.samples,
        "line_hz": request.line_hz,
    }
    return {name: value for name, value in asked.items() if value is not None}


def incomplete_sweep(path: Path) -> Recording:
    """The interrupted sweep in a folder; one that was never closed is closed first, with the points it reported.

    Raises
    ------
    UnfitRequest : it is complete, or no sweep. RecordingInUse : it is still being measured.
    RecordingError : it cannot be read or is damaged.
    """
    folder: Path | None = path
    if path.name.endswith(UNFINISHED):
        folder = close_unfinished(path)
    if folder is None:
        raise UnfitRequest(
            f"{path.name} had no point yet.",
            "There is nothing to go on with; the empty folder is removed.",
            "Start the sweep again.",
        )
    recording = read_recording(folder)
    header = recording.header
    if header.kind is not RecordingKind.SWEEP:
        raise UnfitRequest(
            f"{recording.name} is no sweep.",
            "Only a sweep that was interrupted can be gone on with.",
            "Do a null run again from its beginning; imported tables are complete as they are.",
        )
    if header.ended is Ended.FINISHED:
        raise UnfitRequest(
            f"{recording.name} is complete: it was not interrupted.",
            "There is nothing to go on with.",
            "`twonode estimate` works it out again; for more points start a new sweep and estimate both jointly.",
        )
    return recording


def request_of(
    recording: Recording,
    *,
    node_volts: tuple[float, float] | None = None,
    unplugged_and_discharged: bool = False,
    places: Sequence[Path] = (),
) -> SweepRequest:
    """What an incomplete recording was asked to be.

    node_volts, unplugged_and_discharged : as confirmed now; what was confirmed then says nothing of today.
    places : folders to look for its null run in, after the recording's own.

    Raises UnfitRequest where the recording does not say what was asked for.
    """
    header = recording.header
    # Checked when it was read.
    assert recording.stage is not None
    assert header.hookup is not None
    if header.part is None:
        raise UnfitRequest(
            f"{recording.name} names no part.",
            "A sweep that goes on is about the same part.",
            "Start a new sweep.",
        )
    farad, tolerance = expected_of(header)
    asked = _asked(recording)
    null, _ = null_named(recording, places)
    return SweepRequest(
        hookup=header.hookup,
        stage=recording.stage,
        part=header.part,
        nominal_farad=farad,
        tolerance=tolerance,
        from_hz=asked.from_hz,
        to_hz=asked.to_hz,
        points=asked.points,
        frequencies_hz=asked.frequencies_hz,
        samples=asked.samples,
        level_vpp=header.conditions.level_vpp,
        probe_factors=(header.drive_probe.factor, header.far_probe.factor),
        line_hz=line_of(recording),
        tags=dict(header.tags),
        operator=header.operator,
        node_volts=node_volts,
        unplugged_and_discharged=unplugged_and_discharged,
        simulated=header.conditions.simulated,
        seed=header.conditions.seed,
        null=None if null is None else null.folder,
        plan=PlanKind.EVEN if asked.kind == PlanKind.EVEN.value else PlanKind.INFORMATION,
    )


def line_of(recording: Recording) -> float:
    """Mains frequency the sweep went by, Hz. Raises UnfitRequest where what is said of it is no number."""
    stated = _asked(recording).line_hz
    return float(stated or next((row.line_hz for row in recording.points if row.line_hz), _USUAL_LINE_HZ))


@dataclass(frozen=True, kw_only=True)
class Resumed:
    """An interrupted sweep on its way into a new recording."""

    recording: Recording

    @cached_property
    def points(self) -> tuple[RatioPoint, ...]:
        """Its usable points, from the raw codes."""
        return points_of(self.recording)

    @property
    def taken(self) -> int:
        """All its points, refused ones too."""
        return len(self.recording.points)

    @property
    def used(self) -> int:
        """Its points that go into the estimate."""
        return len(self.recording.used)

    @cached_property
    def elapsed_s(self) -> float:
        """From the start of the run to now, s; never less than to its last point, whatever the clocks say."""
        since_s = (datetime.now(UTC) - self.recording.header.created_utc).total_seconds()
        return max(since_s, self.recording.points[-1].time_s)

    def check_bench(self, bench: Bench) -> None:
        """Raise UnfitRequest unless generator and scope are those the sweep was begun with."""
        now = {
            InstrumentRole.GENERATOR: bench.generator.identity,
            InstrumentRole.SCOPE: bench.scope.identity,
        }
        for instrument in self.recording.header.instruments:
            identity = now.get(instrument.role, instrument.identity)
            if identity != instrument.identity:
                raise UnfitRequest(
                    f"{self.recording.name} was begun with the {instrument.role.value} {instrument.identity!r}; "
                    f"here is {identity!r}.",
                    "Points of two benches in one recording would pass for those of one, with its errors in common.",
                    "Connect the same instruments, or start a new sweep and estimate both recordings jointly.",
                )

    def next_placement(self, planner: Planner) -> Placement:
        """Where to go on. Raises UnfitRequest where nothing is left to take."""
        placement = planner.go_on(self.points, [row.frequency_set_hz for row in self.recording.points])
        if placement is None:
            raise UnfitRequest(
                f"Nothing is missing in {self.recording.name}: its {self.taken} points are all that were wanted.",
                "It was interrupted after the last one.",
                f"`twonode estimate {self.recording.name}` says what they amount to.",
            )
        return placement

    def header(self, header: Header) -> Header:
        """The new recording's header, saying where its first points come from."""
        old = self.recording
        used = null_used(old.folder)
        return msgspec.structs.replace(
            header,
            continues=Continues(
                recording=used.recording,
                manifest_sha256=used.manifest_sha256,
                points=self.taken,
                before=holds(old.header),
            ),
            # Where they differ, the older one: `verify` holds no ratio against codes by a way it was not made.
            ratio_reading=min(old.header.ratio_reading, header.ratio_reading),
            expected_farad=old.header.expected_farad,
            notes=(
                *old.header.notes,
                f"Points 1 to {self.taken} are those of {old.name}, which was "
                f"{old.header.ended.value if old.header.ended else 'interrupted'}.",
            ),
        )

    def copy_points(self, writer: RecordingWriter) -> None:
        """Put the old points ahead of the first new one. Raises RecordingError."""
        for row, traces in self.recording.all_traces():
            writer.add_point(row, traces)
