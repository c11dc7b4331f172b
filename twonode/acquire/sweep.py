"""A sweep from the first look at the nodes to a closed recording.

Owns the order of events. Yields what happens; whoever iterates may stop at any time, and whatever way it ends the
output goes off and the measured points are a closed recording.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import twonode
from twonode.acquire.errors import SweepFailed
from twonode.acquire.events import Event, Note, PointDone, SweepClosed, SweepStarted
from twonode.acquire.filed import channel_class, filed_instruments, filed_probe, filed_row, filed_versions
from twonode.acquire.information_planner import InformationPlanner
from twonode.acquire.nulls import null_used
from twonode.acquire.plan import plan_sweep
from twonode.acquire.planner import Advice, EvenPlanner, Planner
from twonode.acquire.point import PointTaker
from twonode.acquire.request import PlanKind, SweepRequest, check_request, resistor_advice
from twonode.acquire.resume import Resumed, asked_plan
from twonode.acquire.timing import Placement
from twonode.analysis.model import Sweep
from twonode.analysis.ratio import RatioPoint
from twonode.analysis.ratio_again import RATIO_READING
from twonode.analysis.stage import stage_to_document
from twonode.drivers.bench import Bench
from twonode.drivers.errors import BenchError
from twonode.recordings.model import Conditions, Ended, Header
from twonode.recordings.writer import RecordingWriter

__all__ = ["run_sweep"]

TRANSFER_S = 0.1
"""What reading two records takes on an ordinary scope (0.1 to 10 MB/s, instrument facts); only for the forecast."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Limits:
    frequency_min_hz: float
    frequency_max_hz: float
    seconds_per_div: tuple[float, ...]
    divisions: int


def run_sweep(
    bench: Bench,
    request: SweepRequest,
    *,
    archive: Path,
    null: Sweep | None = None,
    overlap: bool = True,
    resumed: Resumed | None = None,
) -> Iterator[Event]:
    """Carry out a sweep on an open bench and file it.

    Every point is on disk before its event is yielded.

    Parameters
    ----------
    null : the null run named in the request, as analysis takes it; planning uses what it says of the channels.
    overlap : let the generator settle at the next frequency while a record is transferred.
    resumed : the interrupted sweep to go on with, whose request this is (`resume.request_of`). Its points are copied
        into the new recording ahead of the first new one.

    Raises
    ------
    UnfitRequest, SafetyRefusal : as `check_request`, and from what the nodes show; of an interrupted sweep also
        where another bench made it, or nothing of it is left to take.
    NoSignal, ChannelsSwapped, LevelMismatch, SweepFailed : the bench does not show what a sweep needs.
    BenchError : an instrument failed. ArchiveNotWritable : the archive cannot be written.
    """
    check_request(request)
    generator = bench.generator
    # Whoever dials cannot be asked from two threads at once.
    overlap = overlap and not generator.profile.dialled
    if resumed is not None:
        resumed.check_bench(bench)
    planner = _planner(bench, request, null)
    first = planner.first() if resumed is None else resumed.next_placement(planner)
    created = datetime.now(UTC).replace(microsecond=0)
    header = _header(bench, request, planner, created)
    if resumed is not None:
        header = resumed.header(header)
    used = 0 if resumed is None else resumed.used
    with RecordingWriter(archive, header) as writer:
        try:
            for event in _measure(bench, request, planner, writer, first, overlap=overlap, resumed=resumed):
                used += isinstance(event, PointDone) and event.used
                yield event
        except BaseException:
            # A dead link must not hide what went wrong; the bench says so itself when it is left. A STOP that reaches
            # this thread only now must not leave the folder open.
            try:
                with suppress(BenchError):
                    generator.output(False)
            finally:
                writer.close(finished_utc=datetime.now(UTC).replace(microsecond=0), ended=Ended.INTERRUPTED)
            raise
        # All points are there; a generator that cannot be reached is for the bench to tell of, which tries again.
        try:
            with suppress(BenchError):
                generator.output(False)
        finally:
            folder = writer.close(finished_utc=datetime.now(UTC).replace(microsecond=0))
    if folder is None:
        raise SweepFailed("No point was measured.", "There is nothing to file.", "Start the sweep again.")
    yield SweepClosed(recording=folder, used=used, refused=writer.points - used)


def _measure(
    bench: Bench,
    request: SweepRequest,
    planner: Planner,
    writer: RecordingWriter,
    first: Placement,
    *,
    overlap: bool,
    resumed: Resumed | None,
) -> Iterator[Event]:
    generator, scope = bench.generator, bench.scope
    # Before the output goes on: working out what to expect takes as long as a point.
    taker = PointTaker(bench, request)
    placement: Placement | None = first
    level_vpp, faults = taker.switch_on(first)
    yield SweepStarted(
        total=planner.total,
        expected_s=planner.expected_s,
        generator=generator.identity,
        scope=scope.identity,
    )
    for fault in faults:
        yield Note(text=f"The instruments were set up again: {fault}.")
    advice = resistor_advice(request) if request.null is None else None
    if advice is not None:
        yield Note(text=advice)
    start_s = bench.clock.now_s()
    done: list[RatioPoint] = []
    index = 0
    if resumed is not None:
        start_s -= resumed.elapsed_s
        done += resumed.points
        index = resumed.taken
    before, begun_s = index, bench.clock.now_s()
    # The planner computes beside the measurement, and its thread steps the generator while this one transfers.
    with ThreadPoolExecutor(max_workers=1, thread_name_prefix="planner") as beside:
        pending = beside.submit(planner.advise, tuple(done), index + 1)
        while placement is not None:
            index += 1
            attempt, following = taker.take(
                placement, go_on=partial(beside.submit, _go_on, pending, taker if overlap else None)
            )
            point = attempt.reading.point
            if attempt.used and point is not None:
                done.append(point)
            given = pending.result()
            if following is not None:
                pending = beside.submit(planner.advise, tuple(done), index + 1)
            if resumed is not None and index == before + 1:
                resumed.copy_points(writer)
            writer.add_point(
                filed_row(
                    index,
                    attempt,
                    line_hz=request.line_hz,
                    level_vpp=level_vpp,
                    time_s=attempt.started_s - start_s,
                ),
                attempt.traces,
            )
            if attempt.troubled and attempt.used:
                yield Note(text=f"Point {index} was repeated: {attempt.repeat_reason}.")
            placement = following
            total = index if placement is None else max(planner.total, index + 1)
            elapsed_s = bench.clock.now_s() - begun_s
            yield PointDone(
                index=index,
                total=total,
                frequency_hz=attempt.frequency_hz,
                ratio=point.ratio if point is not None else None,
                used=attempt.used,
                reason=attempt.reason,
                left_s=float(elapsed_s / (index - before) * (total - index)),
                point=point,
            )
            if given.enough is not None:
                yield Note(text=f"{index} points are enough: {given.enough}.")


def _go_on(pending: Future[Advice], taker: PointTaker | None) -> Placement | None:
    """Where the planner leads, the generator already on its way there."""
    placement = pending.result().placement
    if placement is not None and taker is not None:
        taker.go_ahead(placement)
    return placement


def _planner(bench: Bench, request: SweepRequest, null: Sweep | None) -> Planner:
    generator, scope = bench.generator, bench.scope
    limits = _Limits(
        frequency_min_hz=generator.frequency_min_hz,
        frequency_max_hz=generator.frequency_max_hz,
        seconds_per_div=tuple(scope.seconds_per_div_choices),
        divisions=scope.divisions_x,
    )
    kind = PlanKind.GIVEN if request.frequencies_hz else request.plan
    if kind is not PlanKind.INFORMATION:
        plan = plan_sweep(request, limits, per_point_s=generator.settle_s + TRANSFER_S)
        return EvenPlanner(plan, kind)
    return InformationPlanner(
        request,
        limits,
        volts_per_div=[scope.volts_per_div_choices(f) for f in request.probe_factors],
        channels=channel_class(bench),
        bench=scope.identity,
        null=null,
        settle_s=generator.settle_s,
        transfer_s=TRANSFER_S,
    )


def _header(bench: Bench, request: SweepRequest, planner: Planner, created: datetime) -> Header:
    scope_class = channel_class(bench)
    asked = request.asked
    return Header(
        title=request.stage.title,
        created_utc=created,
        operator=request.operator,
        program_version=twonode.__version__,
        hookup=request.hookup,
        stage=stage_to_document(request.stage),
        part=asked.name,
        instruments=filed_instruments(
            bench, level_vpp=request.generator_vpp, probe_factors=request.probe_factors
        ),
        conditions=Conditions(
            level_vpp=request.generator_vpp,
            node_volts=request.node_volts,
            unplugged_and_discharged=request.unplugged_and_discharged,
            simulated=request.simulated,
            seed=request.seed,
        ),
        drive_probe=filed_probe(request.probe_factors[0]),
        far_probe=filed_probe(request.probe_factors[1]),
        gain_standard_uncertainty=scope_class.gain_sigma,
        skew_standard_uncertainty_s=scope_class.skew_sigma_s,
        frequency_standard_uncertainty=scope_class.frequency_sigma,
        source_ohm=50.0,
        expected_farad=request.nominal_farad,
        expected_tolerance=None
        if request.tolerance is None
        else (request.tolerance.minus, request.tolerance.plus),
        null=None if request.null is None else null_used(request.null),
        tags=dict(request.tags),
        plan={"kind": planner.kind, **asked_plan(request)},
        versions=filed_versions(),
        ratio_reading=RATIO_READING,
    )
