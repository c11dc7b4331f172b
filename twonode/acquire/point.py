"""One frequency, from the step of the generator to a ratio that may be used.

Owns ranges, waiting, averages, and the repeats with their reasons. After a fault of a link or an instrument a point is
begun again twice, from the basic settings on: the instrument may have been switched off and on meanwhile.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future

import numpy as np

from twonode.acquire.attempt import Attempt, trace_pair
from twonode.acquire.dialled import dialled_hz
from twonode.acquire.levelcheck import LEAST_LEVEL, LevelCheck
from twonode.acquire.levels import Predictor
from twonode.acquire.ranges import LEAST_DIV, choose_range, coarser, finer_exists
from twonode.acquire.request import SweepRequest
from twonode.acquire.safety import NodeVolts, look_at_nodes, refuse_unsafe
from twonode.acquire.timing import Placement
from twonode.analysis.ratio import PointReading, Refusal, read_point
from twonode.analysis.traces import TracePair
from twonode.drivers.bench import Bench
from twonode.drivers.errors import (
    BenchError,
    CommandRefused,
    LinkError,
    NoTrigger,
    ReplyError,
    SettingNotTaken,
)
from twonode.drivers.scope import TriggerMode

__all__ = ["FRESH_STARTS", "PASSING", "PointTaker"]

MOST_ATTEMPTS = 5
FRESH_STARTS = 2
"""How often a point is begun again after a link or an instrument failed (issue)."""
PASSING = (LinkError, ReplyError, CommandRefused, SettingNotTaken, NoTrigger)
"""What may be over by the next try; an instrument that cannot do what is asked, or is another, stays so."""
WEAK_DIV = 0.5
"""Divisions on the finest range below which a record is taken longer or averaged."""
AVERAGES = 16
LONGEST_AVERAGE_S = 4.0
AVERAGING_NOISE_LSB = 0.4
"""Noise an average must keep: many scopes round it to whole codes again, and without noise a small sine is lost."""
POINTS_WANTED = 6000
WEAK_POINTS_WANTED = 60_000


def _prepare_bench(bench: Bench, request: SweepRequest) -> float:
    """Both instruments set from scratch with the output off, and both nodes looked at; the level read back, V p-p.

    Raises SafetyRefusal, BenchError.
    """
    bench.generator.prepare()
    bench.scope.prepare(request.probe_factors)
    look_at_nodes(bench, request)
    return bench.generator.set_level(request.generator_vpp)


class _Ahead:
    """The step to the next point, begun once, beside the transfer."""

    def __init__(self, go_on: Callable[[], Future[Placement | None]] | None) -> None:
        self._go_on = go_on
        self._going: Future[Placement | None] | None = None

    def begin(self) -> None:
        if self._going is None and self._go_on is not None:
            self._going = self._go_on()

    def placement(self) -> Placement | None:
        """Where it leads; waits until the generator is there."""
        return None if self._going is None else self._going.result()


class PointTaker:
    """Takes points one after the other on an open bench, which it prepares itself."""

    def __init__(self, bench: Bench, request: SweepRequest) -> None:
        self._bench = bench
        self._request = request
        self._level_vpp = request.generator_vpp
        self._level_seen = False
        self._set_up = False
        self._faults: list[str] = []
        self._faults_ahead: list[str] = []
        self._predictor = Predictor(request)
        self._levels = LevelCheck(request)
        self._steps = [bench.scope.volts_per_div_choices(f) for f in request.probe_factors]
        self._ranges: list[float | None] = [None, None]
        self._correction = [1.0, 1.0]
        self._stretch = 1.0
        self._averages = 1
        self._time: tuple[float, int] | None = None
        self._deep = True
        self._noise_lsb = 0.0
        self._triggers = True
        self._at: Placement | None = None
        self._hz = 0.0
        self._stepped_s = 0.0

    def take(
        self,
        placement: Placement,
        *,
        go_on: Callable[[], Future[Placement | None]] | None = None,
    ) -> tuple[Attempt, Placement | None]:
        """Measure one point, repeating where that can help.

        Parameters
        ----------
        go_on : called once, when the record is complete; starts choosing the next placement and stepping the
            generator there (`go_to`) beside the transfer, so that it settles meanwhile.

        Returns
        -------
        The point, and the placement that go_on led to.

        Raises
        ------
        SafetyRefusal, NoSignal, ChannelsSwapped, LevelMismatch : nothing further should be measured.
        BenchError : an instrument failed.
        """
        ahead = _Ahead(go_on)
        while True:
            try:
                self._prepared(placement)
                attempt = self._take(placement, ahead)
                following = ahead.placement()
            except BenchError as exc:
                # The generator's link belongs to the planner's thread until it is there.
                ahead.placement()
                self._note_fault(exc)
            else:
                self._faults.clear()
                return attempt, following

    def switch_on(self, placement: Placement) -> tuple[float, tuple[str, ...]]:
        """Prepare the bench and switch the output on at this frequency.

        Returns
        -------
        The level read back, V peak-to-peak, and why it had to be begun again.

        Raises
        ------
        SafetyRefusal; BenchError : an instrument failed.
        """
        while True:
            try:
                self._prepared(placement)
            except BenchError as exc:
                self._note_fault(exc)
            else:
                faults, self._faults = tuple(self._faults), []
                return self._level_vpp, faults

    def _note_fault(self, exc: BenchError) -> None:
        """Remember why a point has to be begun again; raises the error where another try makes no sense."""
        self._set_up = False
        if not isinstance(exc, PASSING) or len(self._faults) >= FRESH_STARTS:
            raise exc
        self._faults.append(exc.what.rstrip("."))

    def _prepared(self, placement: Placement) -> None:
        """Everything set as it has to be and the output on, unless it is so."""
        if self._set_up:
            return
        bench = self._bench
        self._faults += self._faults_ahead
        self._faults_ahead.clear()
        self._time = self._at = None
        self._ranges = [None, None]
        self._averages = 1
        self._triggers = True
        self._level_vpp = _prepare_bench(bench, self._request)
        self.go_to(placement)
        bench.generator.output(True)
        self._stepped_s = bench.clock.now_s()
        self._set_up = True

    def _take(self, placement: Placement, ahead: _Ahead) -> Attempt:
        """One point on a bench that is set up. Raises as `take`."""
        bench = self._bench
        hz = self.go_to(placement)
        expected = self._predictor.at(hz)
        vpp = [
            self._level_vpp * expected.drive * self._correction[0],
            self._level_vpp * expected.far * self._correction[1],
        ]
        dropped: list[str] = []
        troubled = False
        reading: PointReading | None = None
        for attempt in range(MOST_ATTEMPTS):
            self._prepared(placement)
            weak = vpp[1] < WEAK_DIV * self._steps[1][0]
            samples = self._request.samples or (WEAK_POINTS_WANTED if weak else POINTS_WANTED)
            self._set_time(placement.seconds_per_div, samples)
            self._set_ranges(vpp)
            averages = self._set_averages(placement.record_s if weak else None)
            self.go_to(placement)
            wait_s = (bench.generator.settle_s + expected.settle_s) * self._stretch
            bench.clock.sleep_s(self._stepped_s + wait_s - bench.clock.now_s())
            started_s = bench.clock.now_s()
            waited_s = started_s - self._stepped_s
            trigger = self._arm()
            self._wait(averages * placement.record_s, trigger)
            ahead.begin()
            traces = trace_pair(bench.scope.transfer())
            # A hand at the scope would spoil the ratio without a trace in it.
            bench.scope.confirm_channels(self._request.probe_factors)
            ahead.placement()
            if bench.generator.profile.dialled:
                hz = dialled_hz(traces, hz)
            reading = read_point(traces, hz, line_hz=self._request.line_hz)
            reasons = self._examine(hz, traces, reading, expected.drive)
            if not reasons or attempt == MOST_ATTEMPTS - 1:
                break
            if not self._mend(reasons, traces, reading, vpp):
                break
            if Refusal.CLIPPED in reasons:
                look_at_nodes(bench, self._request)
                self._time = None
            dropped.append("; ".join(reasons.values()))
            troubled |= not (Refusal.CLIPPED in reasons or Refusal.SMALL in reasons)
        assert reading is not None
        self._learn(expected.drive, expected.far, reading)
        return Attempt(
            frequency_set_hz=placement.frequency_hz,
            frequency_hz=hz,
            traces=traces,
            reading=reading,
            averages=averages,
            waited_s=waited_s,
            used=not reasons and reading.point is not None,
            reason="; ".join(reasons.values()) or None,
            repeats=len(self._faults) + len(dropped),
            repeat_reason=" / ".join([*self._faults, *dropped]) or None,
            troubled=troubled or bool(self._faults),
            started_s=started_s,
        )

    def go_ahead(self, placement: Placement) -> None:
        """`go_to` for the planner's thread: a fault is mended when the next point is taken."""
        try:
            self.go_to(placement)
        except PASSING as exc:
            self._set_up = False
            self._faults_ahead.append(exc.what.rstrip("."))

    def go_to(self, placement: Placement) -> float:
        """Step the generator unless it is there already; the frequency read back, Hz."""
        if placement is not self._at:
            self._at = None
            self._hz = self._bench.generator.set_frequency(placement.frequency_hz)
            self._stepped_s = self._bench.clock.now_s()
            self._at = placement
        return self._hz

    def _arm(self) -> TriggerMode:
        trigger = TriggerMode.EDGE if self._triggers else TriggerMode.FREE
        self._bench.scope.arm(trigger=trigger)
        return trigger

    def _wait(self, record_s: float, trigger: TriggerMode) -> None:
        """Until the record is complete; where nothing crosses 0 V (a DC of some volts is allowed), untriggered."""
        scope = self._bench.scope
        if trigger is TriggerMode.EDGE:
            try:
                scope.wait(1.5 * record_s + 1.5)
                return
            except NoTrigger:
                self._triggers = False
                scope.arm(trigger=TriggerMode.FREE)
        scope.wait(3.0 * record_s + 5.0)

    def _set_time(self, seconds_per_div: float, points: int) -> None:
        if (seconds_per_div, points) != self._time:
            taken = self._bench.scope.set_time(seconds_per_div, points)
            self._deep = taken.points >= points
            self._time = (seconds_per_div, points)

    def _set_ranges(self, vpp: list[float]) -> None:
        for channel in (0, 1):
            wanted = choose_range(vpp[channel], self._steps[channel], self._ranges[channel])
            if wanted != self._ranges[channel]:
                self._ranges[channel] = self._bench.scope.set_volts_per_div(channel + 1, wanted)

    def _set_averages(self, weak_record_s: float | None) -> int:
        """Averages for a weak signal where the record cannot be made longer; None is no weak signal."""
        wanted = 1
        if weak_record_s is not None and not self._deep:
            kept = self._noise_lsb / AVERAGES**0.5
            if kept >= AVERAGING_NOISE_LSB and weak_record_s * AVERAGES <= LONGEST_AVERAGE_S:
                wanted = AVERAGES
        if wanted != self._averages:
            self._averages = self._bench.scope.set_averages(wanted)
        return self._averages

    def _examine(
        self, hz: float, traces: TracePair, reading: PointReading, expected_drive: float
    ) -> dict[Refusal, str]:
        """Reasons against the record; raises where going on makes no sense."""
        reasons = dict(reading.refusals)
        if Refusal.CLIPPED in reasons:
            return reasons
        refuse_unsafe(
            self._bench,
            self._request,
            (
                NodeVolts(dc_v=reading.drive_dc_v, line_v=reading.drive_hum_v),
                NodeVolts(dc_v=reading.far_dc_v, line_v=reading.far_hum_v),
            ),
        )
        ranges = (traces.drive.volts_per_div, traces.far.volts_per_div)
        fills = (reading.drive_fill_div, reading.far_fill_div)
        for channel, (fill, volts) in enumerate(zip(fills, ranges, strict=True)):
            if fill < LEAST_DIV and finer_exists(volts, self._steps[channel]):
                reasons[Refusal.SMALL] = (
                    f"channel {channel + 1} fills {fill:.2g} of 8 divisions and can be read finer"
                )
        if Refusal.SMALL not in reasons:
            there = reading.drive_vpp > LEAST_LEVEL * self._level_vpp
            if there and self._bench.generator.profile.dialled and not self._level_seen:
                # A knob has no figure to be held against: what the first point shows is the level from then on.
                self._level_vpp = reading.drive_vpp / max(expected_drive, 1e-9)
                self._level_seen = True
            self._levels.check(hz, reading, level_vpp=self._level_vpp, expected_drive=expected_drive)
        return reasons

    def _mend(
        self, reasons: dict[Refusal, str], traces: TracePair, reading: PointReading, vpp: list[float]
    ) -> bool:
        """Change what the next attempt needs; False where nothing would help."""
        if Refusal.FEW_CYCLES in reasons or Refusal.ALIASED in reasons:
            return False
        if Refusal.CLIPPED in reasons:
            for channel, codes in enumerate((traces.drive, traces.far)):
                if codes.clipped:
                    wider = coarser(codes.volts_per_div, self._steps[channel])
                    vpp[channel] = 6.0 * wider
            # The look at the nodes has moved both ranges.
            self._ranges = [None, None]
        elif Refusal.SMALL in reasons:
            vpp[0], vpp[1] = reading.drive_vpp, reading.far_vpp
        if Refusal.UNSETTLED in reasons:
            self._stretch = min(self._stretch * 2.0, 16.0)
        return True

    def _learn(self, drive: float, far: float, reading: PointReading) -> None:
        """What this point's levels say of the next one's."""
        if self._averages == 1:
            self._noise_lsb = reading.far_residual_lsb
        for channel, (seen, foreseen) in enumerate(((reading.drive_vpp, drive), (reading.far_vpp, far))):
            if foreseen > 0 and seen > 0:
                self._correction[channel] = float(np.clip(seen / (self._level_vpp * foreseen), 1e-4, 1e4))
