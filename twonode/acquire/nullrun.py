"""The null run: both probes on the drive node, so that what remains is what the two channels do differently.

Owns the order of its points. At full level it goes over frequency (compensation, skew); at one frequency it compares
range with range (gains, see `nullchain`). How a point is taken and refused is `nullpoint`. Whichever way it ends the
output goes off and the measured points are a closed recording. What the readings mean is left to the joint
model: a null run is one more sweep there, with a circuit that passes everything.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

import twonode
from twonode.acquire.errors import SweepFailed
from twonode.acquire.events import Event, Note, PointDone, SweepClosed, SweepStarted
from twonode.acquire.filed import channel_class, filed_instruments, filed_probe, filed_row, filed_versions
from twonode.acquire.nullchain import RangePair, chain_of_ranges, first_ranges
from twonode.acquire.nullpoint import LEAST_POINTS, NullTaker, check_channels, out_of_range
from twonode.acquire.nullrequest import NullRequest, check_null_request
from twonode.acquire.safety import look_at_nodes
from twonode.acquire.timing import Placement, place_frequency
from twonode.analysis.hookup import HookUp
from twonode.analysis.quantities import format_quantity
from twonode.analysis.ratio import RatioPoint, Refusal
from twonode.analysis.ratio_again import RATIO_READING
from twonode.drivers.bench import Bench
from twonode.drivers.errors import BenchError
from twonode.recordings.model import Conditions, Ended, Header, RecordingKind
from twonode.recordings.writer import RecordingWriter

__all__ = ["run_null"]

LOWEST_HZ = 20.0
HIGHEST_HZ = 100e3
FREQUENCIES = 8
"""Two or three below and above 1.3 kHz, where a 10:1 probe's trimming shows; the highest for the skew."""
CHAIN_HZ = 400.0
"""Above the mains, and so fast that a record takes no time worth speaking of."""

SHORT_RECORD = 10_000
"""A scope that holds fewer samples takes each point twice, so that the null run's noise does not limit the sweeps."""
TRANSFER_S = 0.1
"""What reading two records takes on an ordinary scope (class figure); only for the forecast."""
LOOK_S = 1.5


def run_null(bench: Bench, request: NullRequest, *, archive: Path) -> Iterator[Event]:
    """Carry out a null run on an open bench and file it.

    Every point is on disk before its event is yielded.

    Raises
    ------
    UnfitRequest, SafetyRefusal : as `check_null_request`, and from what the node shows.
    NoSignal, LevelMismatch : the bench does not show what a null run needs.
    ProbesApart : the ratio is far from 1, so the probes are on two nodes.
    SweepFailed : too few points could be used.
    BenchError : an instrument failed. ArchiveNotWritable : the archive cannot be written.
    """
    check_null_request(request)
    plan = _plan(bench, request)
    header = _header(bench, request, plan, datetime.now(UTC).replace(microsecond=0))
    wide = used = 0
    with RecordingWriter(archive, header) as writer:
        try:
            for event in _measure(bench, request, plan, writer):
                if isinstance(event, PointDone) and event.used:
                    used += 1
                    wide += event.index <= len(plan.placements)
                yield event
            if wide < LEAST_POINTS:
                raise SweepFailed(
                    f"Only {wide} of {len(plan.placements)} points over frequency can be used.",
                    "A null run that knows so little of the channels would mislead the sweeps after it.",
                    "See the reasons given for the refused points, mend them and start again.",
                )
        except BaseException:
            # A dead link must not hide what went wrong; the bench says so itself when it is left. A STOP that reaches
            # this thread only now must not leave the folder open.
            try:
                with suppress(BenchError):
                    bench.generator.output(False)
            finally:
                writer.close(finished_utc=datetime.now(UTC).replace(microsecond=0), ended=Ended.INTERRUPTED)
            raise
        try:
            bench.generator.output(False)
        finally:
            folder = writer.close(finished_utc=datetime.now(UTC).replace(microsecond=0))
    assert folder is not None, "there are points, so there is a folder"
    yield SweepClosed(recording=folder, used=used, refused=writer.points - used)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    """placements : over frequency, at full level on the first ranges. chain : pairs of ranges, all at `chain_at`."""

    placements: tuple[Placement, ...]
    first: RangePair
    chain_at: Placement
    chain: tuple[RangePair, ...]
    unreached: float | None
    expected_s: float


def _plan(bench: Bench, request: NullRequest) -> _Plan:
    generator, scope = bench.generator, bench.scope
    slowest_record_s = max(scope.seconds_per_div_choices) * scope.divisions_x
    lowest_hz = max(generator.frequency_min_hz, 4.2 / slowest_record_s)
    drive_steps, far_steps = (scope.volts_per_div_choices(factor) for factor in request.probe_factors)

    def place(wanted_hz: float) -> Placement:
        return place_frequency(
            wanted_hz,
            seconds_per_div=scope.seconds_per_div_choices,
            divisions=scope.divisions_x,
            line_hz=request.line_hz,
            lowest_hz=lowest_hz,
            highest_hz=generator.frequency_max_hz,
        )

    wanted = np.geomspace(
        max(LOWEST_HZ, 1.3 * lowest_hz), min(HIGHEST_HZ, generator.frequency_max_hz / 1.3), FREQUENCIES
    )
    takes = 2 if max(scope.points_choices) < SHORT_RECORD else 1
    placements = tuple(place(float(hz)) for hz in wanted for _ in range(takes))
    chain_at = place(CHAIN_HZ)
    first = first_ranges(request.generator_vpp, drive_steps, far_steps)
    chain = chain_of_ranges(first, drive_steps, far_steps, lowest_vpp=generator.vpp_min)
    chain = tuple(pair for pair in chain for _ in range(takes))
    finest = min([first.far_volts_per_div, *(pair.far_volts_per_div for pair in chain)])
    levels = len({pair.node_vpp for pair in chain})
    each_s = generator.settle_s + TRANSFER_S
    expected_s = (
        LOOK_S
        + sum(p.record_s + 1.0 / p.frequency_hz + each_s for p in placements)
        + len(chain) * (chain_at.record_s + TRANSFER_S)
        + levels * (generator.settle_s + generator.profile.amplitude_settle_s)
    )
    return _Plan(
        placements=placements,
        first=first,
        chain_at=chain_at,
        chain=chain,
        unreached=finest if finest > far_steps[0] * (1 + 1e-9) else None,
        expected_s=expected_s,
    )


def _measure(bench: Bench, request: NullRequest, plan: _Plan, writer: RecordingWriter) -> Iterator[Event]:
    generator, scope = bench.generator, bench.scope
    generator.prepare()
    scope.prepare(request.probe_factors)
    taker = NullTaker(bench, request)
    look_at_nodes(bench, taker.clipped)
    level_vpp = generator.set_level(request.generator_vpp)
    generator.set_frequency(plan.placements[0].frequency_hz)
    jobs = [(placement, plan.first) for placement in plan.placements]
    jobs += [(plan.chain_at, pair) for pair in plan.chain]
    yield SweepStarted(
        total=len(jobs), expected_s=plan.expected_s, generator=generator.identity, scope=scope.identity
    )
    if plan.unreached is not None:
        yield Note(
            text=f"Channel 2's ranges finer than {format_quantity(plan.unreached, 'V')}/div cannot be compared: "
            f"the generator goes down to {format_quantity(generator.vpp_min, 'V')} only."
        )
    generator.output(True)
    taker.begin(level_vpp)
    start_s = bench.clock.now_s()
    points: list[RatioPoint] = []
    for index, (placement, ranges) in enumerate(jobs, start=1):
        attempt = taker.take(placement, ranges)
        time_s = attempt.started_s - start_s
        row = filed_row(index, attempt, line_hz=request.line_hz, level_vpp=taker.level_vpp, time_s=time_s)
        writer.add_point(row, attempt.traces)
        if attempt.repeats and attempt.used:
            yield Note(text=f"Point {index} was repeated: {attempt.repeat_reason}.")
        elapsed_s = bench.clock.now_s() - start_s
        point = attempt.reading.point
        yield PointDone(
            index=index,
            total=len(jobs),
            frequency_hz=attempt.frequency_hz,
            ratio=point.ratio if point is not None else None,
            used=attempt.used,
            reason=attempt.reason,
            left_s=max(plan.expected_s - LOOK_S, elapsed_s) * (1.0 - index / len(jobs)),
        )
        if attempt.used and point is not None:
            points.append(point)
        if Refusal.CLIPPED in dict(attempt.reading.refusals):
            if index <= len(plan.placements):
                raise out_of_range(attempt, request.node)
            finest = format_quantity(ranges.far_volts_per_div, "V")
            yield Note(text=f"The node's DC or hum does not fit {finest}/div; finer ranges are not compared.")
            break
        if index == len(plan.placements):
            check_channels(bench, request, points)


def _header(bench: Bench, request: NullRequest, plan: _Plan, created: datetime) -> Header:
    scope_class = channel_class(bench)
    volts = request.node_volts
    pairs = (plan.first, *plan.chain)
    return Header(
        kind=RecordingKind.NULL,
        title=f"Null run: both probes on {request.node}",
        created_utc=created,
        operator=request.operator,
        program_version=twonode.__version__,
        hookup=HookUp.STAGE if request.in_set else None,
        instruments=filed_instruments(
            bench, level_vpp=request.generator_vpp, probe_factors=request.probe_factors
        ),
        conditions=Conditions(
            level_vpp=request.generator_vpp,
            node_volts=None if volts is None else (volts, volts),
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
        tags=dict(request.tags),
        plan={
            "kind": "null run",
            "frequencies_hz": [p.frequency_hz for p in plan.placements],
            "chain_hz": plan.chain_at.frequency_hz,
            "drive_volts_per_div": sorted({pair.drive_volts_per_div for pair in pairs}),
            "far_volts_per_div": sorted({pair.far_volts_per_div for pair in pairs}),
        },
        versions=filed_versions(),
        ratio_reading=RATIO_READING,
    )
