"""One point of a null run, and the refusals that tell a null run from a sweep on two nodes.

Owns levels, ranges, waiting and repeats of a point, and what a ratio between channels may look like.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from twonode.acquire.attempt import Attempt, trace_pair
from twonode.acquire.errors import LevelMismatch, NoSignal, ProbesApart, SweepFailed
from twonode.acquire.filed import channel_class
from twonode.acquire.nullchain import RangePair
from twonode.acquire.nullrequest import NullRequest
from twonode.acquire.point import FRESH_STARTS, PASSING
from twonode.acquire.safety import NodeVolts, look_at_nodes, refuse_unsafe
from twonode.acquire.timing import Placement
from twonode.analysis.channel import probe_for_factor
from twonode.analysis.channels_compared import compare_channels
from twonode.analysis.model import Sweep
from twonode.analysis.quantities import format_quantity
from twonode.analysis.ratio import PointReading, RatioPoint, Refusal, read_point
from twonode.drivers.bench import Bench
from twonode.drivers.capture import Capture
from twonode.drivers.errors import NoTrigger
from twonode.drivers.scope import TriggerMode

__all__ = ["LEAST_POINTS", "NullTaker", "check_channels", "out_of_range"]

SAMPLES_WANTED = 60_000
RATIO_LIMIT = 0.20
"""Gains of 3 %, trimming of 3 % (standard uncertainty) and the rest together stay below this; two nodes seldom do."""
UNEXPLAINED_LIMIT = 0.01
"""What gain, trimming and delay leave of a ratio between channels; more means a circuit between the probes."""
STRAIN_LIMIT = 6.0
"""Standard uncertainties by which a probe or channel may lie outside its class before two nodes are likelier."""
LEVEL_LIMIT = 0.25
DEAD_SHARE = 0.02
MOST_ATTEMPTS = 4
LEAST_POINTS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class _BothOn:
    """A node that carries both clips."""

    node: str

    @property
    def drive(self) -> str:
        return self.node

    @property
    def far(self) -> str:
        return self.node


@dataclass(frozen=True, slots=True, kw_only=True)
class _Clipped:
    """What the look at the nodes asks for."""

    stage: _BothOn
    probe_factors: tuple[float, float]
    line_hz: float


class NullTaker:
    """Takes the points of a null run on an open bench."""

    def __init__(self, bench: Bench, request: NullRequest) -> None:
        self._bench = bench
        self._request = request
        self.clipped = _Clipped(
            stage=_BothOn(node=request.node), probe_factors=request.probe_factors, line_hz=request.line_hz
        )
        self.level_vpp = request.generator_vpp
        self._highest_vpp = request.generator_vpp
        self._node_share = 1.0
        self._trim = 1.0
        self._stretch = 1.0
        self._triggers = True
        self._forget()

    def begin(self, level_vpp: float) -> None:
        """The output is on at this level, as read back."""
        self.level_vpp = self._highest_vpp = level_vpp
        self._changed_s = self._bench.clock.now_s()

    def take(self, placement: Placement, ranges: RangePair) -> Attempt:
        """Measure one point, repeating where that can help; after a fault of an instrument twice from the beginning.

        Raises
        ------
        SafetyRefusal, NoSignal, LevelMismatch, ProbesApart : nothing further should be measured.
        BenchError : an instrument failed.
        """
        faults: list[str] = []
        while True:
            try:
                if faults:
                    self._set_up_again()
                attempt = self._take(placement, ranges)
            except PASSING as exc:
                if len(faults) >= FRESH_STARTS:
                    raise
                faults.append(exc.what.rstrip("."))
            else:
                reasons = [*faults, *([attempt.repeat_reason] if attempt.repeat_reason else [])]
                return replace(
                    attempt,
                    repeats=len(faults) + attempt.repeats,
                    repeat_reason=" / ".join(reasons) or None,
                    troubled=attempt.troubled or bool(faults),
                )

    def _set_up_again(self) -> None:
        """Everything from the basic settings on: the instrument may have been switched off and on meanwhile."""
        bench = self._bench
        bench.generator.prepare()
        bench.scope.prepare(self._request.probe_factors)
        look_at_nodes(bench, self.clipped)
        self._forget()
        self._triggers = True
        self.level_vpp = bench.generator.set_level(self.level_vpp)
        bench.generator.output(True)

    def _take(self, placement: Placement, ranges: RangePair) -> Attempt:
        """One point on a bench that is set up."""
        bench = self._bench
        dropped: list[str] = []
        for attempt in range(MOST_ATTEMPTS):
            self._set(placement, ranges)
            wait_s = bench.generator.settle_s * self._stretch
            bench.clock.sleep_s(max(self._changed_s + wait_s - bench.clock.now_s(), 0.0))
            started_s = bench.clock.now_s()
            capture = self._capture(placement.record_s)
            # A hand at the scope would spoil the ratio without a trace in it.
            bench.scope.confirm_channels(self._request.probe_factors)
            traces = trace_pair(capture)
            reading = read_point(traces, self._hz, line_hz=self._request.line_hz)
            reasons = dict(reading.refusals)
            if Refusal.CLIPPED not in reasons:
                self._check(reading)
            if not reasons or attempt == MOST_ATTEMPTS - 1:
                break
            self._mend(reasons)
            dropped.append("; ".join(reasons.values()))
        return Attempt(
            frequency_set_hz=placement.frequency_hz,
            frequency_hz=self._hz,
            traces=traces,
            reading=reading,
            averages=1,
            waited_s=started_s - self._changed_s,
            used=not reasons and reading.point is not None,
            reason="; ".join(reasons.values()) or None,
            repeats=len(dropped),
            repeat_reason=" / ".join(dropped) or None,
            troubled=bool(dropped),
            started_s=started_s,
        )

    def _forget(self) -> None:
        """What is set on the scope is not known any more."""
        self._time: float | None = None
        self._ranges: tuple[float, float] | None = None
        self._placed: Placement | None = None
        self._changed_s = 0.0

    def _set(self, placement: Placement, ranges: RangePair) -> None:
        generator, scope = self._bench.generator, self._bench.scope
        # The node may carry less than the generator's open-circuit volts, but is never given more than was asked.
        wanted_vpp = min(self._highest_vpp, self._trim * ranges.node_vpp / self._node_share)
        wanted_vpp = max(wanted_vpp, min(generator.vpp_min, self._highest_vpp))
        if abs(wanted_vpp - self.level_vpp) > 1e-3 * self.level_vpp:
            self.level_vpp = generator.set_level(wanted_vpp)
            self._changed_s = self._bench.clock.now_s()
        if placement != self._placed:
            self._hz = generator.set_frequency(placement.frequency_hz)
            self._placed = placement
            self._changed_s = self._bench.clock.now_s()
        if placement.seconds_per_div != self._time:
            scope.set_time(placement.seconds_per_div, SAMPLES_WANTED)
            self._time = placement.seconds_per_div
        wanted = (ranges.drive_volts_per_div, ranges.far_volts_per_div)
        if wanted != self._ranges:
            for channel, volts in enumerate(wanted, start=1):
                if self._ranges is None or self._ranges[channel - 1] != volts:
                    scope.set_volts_per_div(channel, volts)
            self._ranges = wanted

    def _capture(self, record_s: float) -> Capture:
        """A record; where nothing crosses 0 V on channel 1 (a DC of some volts is allowed), without a trigger."""
        if self._triggers:
            try:
                return self._bench.scope.capture(timeout_s=1.5 * record_s + 1.5)
            except NoTrigger:
                self._triggers = False
        return self._bench.scope.capture(timeout_s=3.0 * record_s + 5.0, trigger=TriggerMode.FREE)

    def _check(self, reading: PointReading) -> None:
        """Raise where going on makes no sense."""
        refuse_unsafe(
            self._bench,
            self.clipped,
            (
                NodeVolts(dc_v=reading.drive_dc_v, line_v=reading.drive_hum_v),
                NodeVolts(dc_v=reading.far_dc_v, line_v=reading.far_hum_v),
            ),
        )
        share = reading.drive_vpp / self.level_vpp
        node = self._request.node
        if share < DEAD_SHARE:
            raise NoSignal(
                f"No signal at channel 1: {format_quantity(reading.drive_vpp, 'V', 2)} where "
                f"{format_quantity(self.level_vpp, 'V')} were expected.",
                "The generator's signal does not reach the node that both probes should be on.",
                "Check the generator's lead, its output and channel 1's clip; the output is off now.",
            )
        ratio = complex("nan") if reading.point is None else reading.point.ratio
        if abs(ratio) < DEAD_SHARE:
            raise NoSignal(
                "No signal at channel 2, while channel 1 carries "
                f"{format_quantity(reading.drive_vpp, 'V', 2)} at {format_quantity(self._hz, 'Hz')}.",
                "In a null run both probes are on one node and see the same.",
                f"Clip channel 2 to {node!r} as well, right beside channel 1; the output is off now.",
            )
        if not abs(ratio - 1.0) <= RATIO_LIMIT:
            raise _two_nodes(ratio, self._hz, node)
        if not 1.0 - LEVEL_LIMIT <= share <= 1.0 + LEVEL_LIMIT:
            raise _level_mismatch(share, reading.drive_vpp, self.level_vpp, self._request)
        if self.level_vpp == self._highest_vpp:
            # Afterwards a changed reading is the range's own error, not the node's.
            self._node_share = min(share, 1.0)

    def _mend(self, reasons: Mapping[Refusal, str]) -> None:
        """Change what the next attempt needs."""
        if Refusal.CLIPPED in reasons:
            look_at_nodes(self._bench, self.clipped)
            self._time = self._ranges = None
            # A little, in case the range was just too full; then much: a probe's switch is a factor of ten.
            self._trim *= 0.8 if self._trim == 1.0 else 0.25
        if Refusal.UNSETTLED in reasons:
            self._stretch = min(self._stretch * 2.0, 8.0)


def _two_nodes(ratio: complex, hz: float, node: str) -> ProbesApart:
    seen = f"{abs(ratio):.3g} at {np.degrees(np.angle(ratio)):.0f}°"
    if abs(ratio) > 5.0 or abs(ratio) < 0.2:
        do = f"Clip both probes to {node!r}; if they are, one probe's switch does not match its probe factor."
    elif abs(abs(ratio) - 1.0) < 2 * RATIO_LIMIT and abs(ratio.imag) < RATIO_LIMIT and hz > 1000.0:
        do = f"Clip both probes to {node!r}, side by side; if they are, trim both probes on a square wave first."
    else:
        do = f"Clip both probes to {node!r}, side by side, both ground clips on ground, and start again."
    return ProbesApart(
        f"The ratio of the channels is {seen} at {format_quantity(hz, 'Hz')}: the probes are still on two nodes.",
        f"In a null run it is 1 within {RATIO_LIMIT:g}; taken for the channels' own it would spoil every sweep.",
        do,
    )


def out_of_range(attempt: Attempt, node: str) -> SweepFailed:
    """The refusal of a node whose signal leaves the first range."""
    reading = attempt.reading
    volts = max(abs(reading.drive_dc_v), abs(reading.far_dc_v))
    clipped = dict(reading.refusals)[Refusal.CLIPPED]
    return SweepFailed(
        f"The signal at {node!r} does not fit the range it was to be compared on ({clipped}).",
        f"The node carries about {format_quantity(volts, 'V', 2)} of DC beside it, or the level is not what was set.",
        "Take the lead off the set and do the null run on the lead alone; check the probes' switches.",
    )


def check_channels(bench: Bench, request: NullRequest, points: Sequence[RatioPoint]) -> None:
    """Raise ProbesApart where the ratio over frequency is not that of two channels on one node.

    A coupling capacitor far above its corner passes nearly everything: each ratio is near 1, their course is not.
    """
    if len(points) < LEAST_POINTS:
        return
    found = compare_channels(
        Sweep(
            stage=None,
            points=tuple(points),
            drive_probe=probe_for_factor(request.probe_factors[0]),
            far_probe=probe_for_factor(request.probe_factors[1]),
            channels=channel_class(bench),
        )
    )
    if found.unexplained <= UNEXPLAINED_LIMIT and found.strain <= STRAIN_LIMIT:
        return
    away = (
        f"At {format_quantity(found.unexplained_hz, 'Hz')} the ratio of the channels is "
        f"{100 * found.unexplained:.2g} % away from anything"
        if found.unexplained > UNEXPLAINED_LIMIT
        else "The course of the ratio over frequency is not"
    )
    raise ProbesApart(
        f"{away} that gain, trimming and delay make of 1: the probes are still on two nodes.",
        "Taken for the channels' own it would spoil every sweep.",
        f"Clip both probes to {request.node!r}, side by side, both ground clips on ground, and start again.",
    )


def _level_mismatch(share: float, seen_vpp: float, level_vpp: float, request: NullRequest) -> LevelMismatch:
    if share > 5 or share < 0.2:
        do = "Check both probes' switches (1x or 10x) against the probe factors."
    elif 1.6 < share < 2.5 or 0.4 < share < 0.625:
        do = "Check the generator's load setting: it must be high impedance."
    elif share < 1.0 and request.in_set:
        do = "The circuit loads the generator: take its lead off the set and do the null run on the lead alone."
    else:
        do = "Check the clips, the load setting of the generator and the probes' switches."
    return LevelMismatch(
        f"Channel 1 carries {format_quantity(seen_vpp, 'V')}, the generator is set to "
        f"{format_quantity(level_vpp, 'V')} peak-to-peak.",
        "More than 25 % between the two means a wrong setting or a heavy load.",
        do,
    )
