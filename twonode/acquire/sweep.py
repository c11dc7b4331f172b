"""A sweep from the first look at the nodes to a closed recording.

Owns the order of events. Yields what happens; whoever iterates may stop at any time, and whatever way it ends the
output goes off and the measured points are a closed recording.
"""

from __future__ import annotations

import platform
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
from twonode.acquire.nulls import null_used
from twonode.acquire.plan import plan_sweep
from twonode.acquire.planner import Advice, EvenPlanner, InformationPlanner, Planner
from twonode.acquire.point import Attempt, PointTaker
from twonode.acquire.request import PlanKind, SweepRequest, check_request, resistor_advice
from twonode.acquire.safety import look_at_nodes
from twonode.acquire.timing import Placement
from twonode.analysis.channel import ChannelClass, probe_for_factor
from twonode.analysis.channel import Probe as ProbeClass
from twonode.analysis.model import Sweep
from twonode.analysis.ratio import PointReading, RatioPoint
from twonode.analysis.stage import stage_to_document
from twonode.drivers.bench import Bench
from twonode.drivers.errors import BenchError
from twonode.recordings.model import (
    Conditions,
    Ended,
    Header,
    Instrument,
    InstrumentRole,
    PointRow,
    PointState,
    Probe,
)
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
    bench: Bench, request: SweepRequest, *, archive: Path, null: Sweep | None = None, overlap: bool = True
) -> Iterator[Event]:
    """Carry out a sweep on an open bench and file it.

    Every point is on disk before its event is yielded.

    Parameters
    ----------
    null : the null run named in the request, as analysis takes it; planning uses what it says of the channels.
    overlap : let the generator settle at the next frequency while a record is transferred.

    Raises
    ------
    UnfitRequest, SafetyRefusal : as `check_request`, and from what the nodes show.
    NoSignal, ChannelsSwapped, LevelMismatch, SweepFailed : the bench does not show what a sweep needs.
    BenchError : an instrument failed. ArchiveNotWritable : the archive cannot be written.
    """
    check_request(request)
    generator = bench.generator
    planner = _planner(bench, request, null)
    created = datetime.now(UTC).replace(microsecond=0)
    header = _header(bench, request, planner, created)
    used = 0
    with RecordingWriter(archive, header) as writer:
        try:
            for event in _measure(bench, request, planner, writer, overlap=overlap):
                used += isinstance(event, PointDone) and event.used
                yield event
        except BaseException:
            # A dead link must not hide what went wrong; the bench says so itself when it is left.
            with suppress(BenchError):
                generator.output(False)
            writer.close(finished_utc=datetime.now(UTC).replace(microsecond=0), ended=Ended.INTERRUPTED)
            raise
        generator.output(False)
        folder = writer.close(finished_utc=datetime.now(UTC).replace(microsecond=0))
    if folder is None:
        raise SweepFailed("No point was measured.", "There is nothing to file.", "Start the sweep again.")
    yield SweepClosed(recording=folder, used=used, refused=writer.points - used)


def _measure(
    bench: Bench, request: SweepRequest, planner: Planner, writer: RecordingWriter, *, overlap: bool
) -> Iterator[Event]:
    generator, scope = bench.generator, bench.scope
    generator.prepare()
    scope.prepare(request.probe_factors)
    look_at_nodes(bench, request)
    level_vpp = generator.set_level(request.generator_vpp)
    # Before the output goes on: working out what to expect takes as long as a point.
    taker = PointTaker(bench, request, level_vpp)
    placement: Placement | None = planner.first()
    generator.set_frequency(planner.first().frequency_hz)
    yield SweepStarted(
        total=planner.total,
        expected_s=planner.expected_s,
        generator=generator.identity,
        scope=scope.identity,
    )
    advice = resistor_advice(request) if request.null is None else None
    if advice is not None:
        yield Note(text=advice)
    generator.output(True)
    start_s = bench.clock.now_s()
    done: list[RatioPoint] = []
    index = 0
    # The planner computes beside the measurement, and its thread steps the generator while this one transfers.
    with ThreadPoolExecutor(max_workers=1, thread_name_prefix="planner") as beside:
        pending = beside.submit(planner.advise, (), 1)
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
            writer.add_point(
                _row(index, attempt, request, level_vpp, attempt.started_s - start_s), attempt.traces
            )
            if attempt.troubled and attempt.used:
                yield Note(text=f"Point {index} was repeated: {attempt.repeat_reason}.")
            placement = following
            total = index if placement is None else max(planner.total, index + 1)
            elapsed_s = bench.clock.now_s() - start_s
            yield PointDone(
                index=index,
                total=total,
                frequency_hz=attempt.frequency_hz,
                ratio=point.ratio if point is not None else None,
                used=attempt.used,
                reason=attempt.reason,
                left_s=float(elapsed_s / index * (total - index)),
            )
            if given.enough is not None:
                yield Note(text=f"{index} points are enough: {given.enough}.")


def _go_on(pending: Future[Advice], taker: PointTaker | None) -> Placement | None:
    """Where the planner leads, the generator already on its way there."""
    placement = pending.result().placement
    if placement is not None and taker is not None:
        taker.go_to(placement)
    return placement


def _planner(bench: Bench, request: SweepRequest, null: Sweep | None) -> Planner:
    generator, scope = bench.generator, bench.scope
    limits = _Limits(
        frequency_min_hz=generator.frequency_min_hz,
        frequency_max_hz=generator.frequency_max_hz,
        seconds_per_div=tuple(scope.seconds_per_div_choices),
        divisions=scope.divisions_x,
    )
    if request.plan is PlanKind.EVEN:
        return EvenPlanner(plan_sweep(request, limits, per_point_s=generator.settle_s + TRANSFER_S))
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


def channel_class(bench: Bench) -> ChannelClass:
    """How far this scope's channels may differ, by its profile."""
    return ChannelClass(gain_sigma=bench.scope.profile.gain_standard_uncertainty)


def _row(index: int, attempt: Attempt, request: SweepRequest, level_vpp: float, time_s: float) -> PointRow:
    reading: PointReading = attempt.reading
    point = reading.point
    traces = attempt.traces
    drive_step, far_step = abs(traces.drive.volts_per_code), abs(traces.far.volts_per_code)
    return PointRow(
        point=index,
        time_s=time_s,
        frequency_set_hz=attempt.frequency_set_hz,
        frequency_hz=attempt.frequency_hz,
        ratio_re=point.ratio.real if point else None,
        ratio_im=point.ratio.imag if point else None,
        var_re=point.ratio_cov[0] if point else None,
        cov_re_im=point.ratio_cov[1] if point else None,
        var_im=point.ratio_cov[2] if point else None,
        drive_vpp=reading.drive_vpp,
        far_vpp=reading.far_vpp,
        drive_volts_per_div=traces.drive.volts_per_div,
        far_volts_per_div=traces.far.volts_per_div,
        samples=traces.samples,
        sample_interval_s=traces.sample_interval_s,
        averages=attempt.averages,
        line_hz=request.line_hz,
        line_harmonics=2,
        state=PointState.USED if attempt.used else PointState.REFUSED,
        reason=attempt.reason,
        repeats=attempt.repeats,
        repeat_reason=attempt.repeat_reason,
        waited_s=attempt.waited_s,
        level_vpp=level_vpp,
        drive_residual_v=reading.drive_residual_lsb * drive_step,
        far_residual_v=reading.far_residual_lsb * far_step,
        drive_dc_v=reading.drive_dc_v,
        far_dc_v=reading.far_dc_v,
    )


def _header(bench: Bench, request: SweepRequest, planner: Planner, created: datetime) -> Header:
    import numpy
    import scipy

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
        instruments=(
            Instrument(
                role=InstrumentRole.GENERATOR,
                resource=bench.generator.resource,
                identity=bench.generator.identity,
                profile=bench.generator.profile.name,
                settings={"level_vpp": request.generator_vpp, "load": "high impedance"},
            ),
            Instrument(
                role=InstrumentRole.SCOPE,
                resource=bench.scope.resource,
                identity=bench.scope.identity,
                profile=bench.scope.profile.name,
                settings={
                    "coupling": "DC",
                    "probe_factor_channel_1": request.probe_factors[0],
                    "probe_factor_channel_2": request.probe_factors[1],
                },
            ),
        ),
        conditions=Conditions(
            level_vpp=request.generator_vpp,
            node_volts=request.node_volts,
            unplugged_and_discharged=request.unplugged_and_discharged,
            simulated=request.simulated,
            seed=request.seed,
        ),
        drive_probe=_stored_probe(probe_for_factor(request.probe_factors[0])),
        far_probe=_stored_probe(probe_for_factor(request.probe_factors[1])),
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
        plan={"kind": planner.kind},
        versions={
            "twonode": twonode.__version__,
            "python": platform.python_version(),
            "numpy": numpy.__version__,
            "scipy": scipy.__version__,
        },
    )


def _stored_probe(probe: ProbeClass) -> Probe:
    return Probe(
        factor=probe.factor,
        resistance_ohm=probe.resistance_ohm,
        resistance_standard_uncertainty_ohm=probe.resistance_ohm * probe.resistance_sigma,
        capacitance_farad=probe.capacitance_farad,
        capacitance_standard_uncertainty_farad=probe.capacitance_farad * probe.capacitance_sigma,
        compensation_standard_uncertainty=probe.compensation_sigma,
    )
