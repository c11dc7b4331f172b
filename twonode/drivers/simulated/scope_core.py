"""What both simulated scopes have in common: trigger, acquisition and the record they leave behind.

Owns when a record is taken and from which piece of history. Knows no commands and no wire format.

Everything is found out late: a record's trigger is looked for when somebody asks, and its trace computed
when it is first transferred, from the source's history; so a generator change after the record's end does
not touch it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from twonode.drivers.simulated.front_end import ChannelSetup, FrontEnd
from twonode.drivers.simulated.truth import RANGE_STEPS_V, noise_source
from twonode.drivers.simulated.world import Segment, World

__all__ = ["AcquisitionState", "Record", "ScopeCore", "Sweep", "TriggerSetup", "nearest_step"]

# Signal below this many divisions from the level does not fire the trigger (hysteresis; common practice).
_HYSTERESIS_DIV = 0.3
# How long an automatic sweep waits for a trigger.
_AUTO_WAIT_S = 0.1
# Between two records of an average.
_DEAD_S = 0.5e-3


class Sweep(Enum):
    """What happens without a trigger."""

    AUTO = "auto"
    NORMAL = "normal"


class AcquisitionState(Enum):
    """What the scope is doing."""

    STOPPED = "stopped"
    FILLING = "filling"
    WAITING = "waiting"
    TRIGGERED = "triggered"
    RUNNING = "running"


@dataclass(frozen=True, slots=True, kw_only=True)
class TriggerSetup:
    """Edge trigger; level in shown volts of the source channel.

    channel : 0 or 1, None for a source nothing is connected to.
    """

    channel: int | None = 0
    level_v: float = 0.0
    rising: bool = True
    sweep: Sweep = Sweep.AUTO


@dataclass(slots=True, kw_only=True)
class Record:
    """One finished acquisition.

    starts_s : bench time of the first sample of each acquisition averaged.
    step_s : true sample interval; stated_step_s what the scope believes.
    setups : of both channels when the record was taken.
    """

    starts_s: tuple[float, ...]
    step_s: float
    stated_step_s: float
    points: int
    setups: tuple[ChannelSetup, ChannelSetup]
    windows: tuple[tuple[Segment, ...], ...]
    _codes: tuple[NDArray[np.int16], NDArray[np.int16]] | None = field(default=None)

    def codes(self, world: World, front_end: FrontEnd) -> tuple[NDArray[np.int16], NDArray[np.int16]]:
        """Codes from the screen's centre of both channels, each of shape (points,)."""
        if self._codes is None:
            sums = [np.zeros(self.points), np.zeros(self.points)]
            for start_s, window in zip(self.starts_s, self.windows, strict=True):
                for channel, setup in enumerate(self.setups):
                    tip_v = world.sample(
                        channel,
                        window,
                        start_s=start_s,
                        step_s=self.step_s,
                        count=self.points,
                        path=setup.path,
                    )
                    sums[channel] += front_end.codes(channel, setup, tip_v)
            # An average is again shown in eight bits.
            first, second = (np.rint(s / len(self.starts_s)).astype(np.int16) for s in sums)
            self._codes = first, second
        return self._codes


def nearest_step(value: float, steps: tuple[float, ...]) -> int:
    """Place of the step that is nearest on a logarithmic scale."""
    return int(np.argmin(np.abs(np.log(np.array(steps) / value))))


class ScopeCore:
    """Acquisition of two channels clipped to a world.

    Changing a setting while it acquires starts the acquisition again, as on an instrument.

    single_needs_trigger : a single record waits for its trigger even where the sweep is automatic.
    """

    def __init__(self, world: World, *, rails: tuple[int, int], single_needs_trigger: bool) -> None:
        self.world = world
        self.single_needs_trigger = single_needs_trigger
        self.front_end = FrontEnd(world.truth, noise_source(world.settings), rails=rails)
        self.record: Record | None = None
        self._active = False
        self._search_from_s = 0.0
        self._fired: list[float] = []
        self.clear(ChannelSetup(), TriggerSetup())

    def clear(self, setup: ChannelSetup, trigger: TriggerSetup) -> None:
        """Both channels and the trigger to these, nothing acquired, running."""
        self.setups = (setup, setup)
        self.trigger = trigger
        self.averages = 1
        self.points = 1000
        self.step_s = 1e-6
        self.record = None
        self._single = False
        self._start(single=False)

    def set_channel(self, channel: int, setup: ChannelSetup) -> None:
        """Switches of channel 0 or 1."""
        first, second = self.setups
        if setup != self.setups[channel]:
            self.setups = (setup, second) if channel == 0 else (first, setup)
            self._restart()

    def set_trigger(self, trigger: TriggerSetup) -> None:
        """Trigger; an acquisition under way starts again."""
        if trigger != self.trigger:
            self.trigger = trigger
            self._restart()

    def set_timing(self, *, step_s: float, points: int) -> None:
        """Stated sample interval and number of samples of the next record."""
        if (step_s, points) != (self.step_s, self.points):
            self.step_s, self.points = step_s, points
            self._restart()

    def set_averages(self, count: int) -> None:
        """Number of acquisitions averaged into a record; 1 is none."""
        if count != self.averages:
            self.averages = count
            self._restart()

    def run(self) -> None:
        """Acquire again and again until stopped."""
        if not self._active or self._single:
            self._start(single=False)

    def single(self) -> None:
        """Acquire one record, then stop. The record before it is gone."""
        self._start(single=True)

    def stop(self) -> None:
        """Stop; a running scope keeps its last complete record."""
        if self._active:
            self.advance()
            if not self._single:
                self._keep_latest()
            self._active = False
            self._release()

    def fired_since(self, moment_s: float) -> bool:
        """Whether the trigger fired after this moment of bench time."""
        self.advance()
        if self._active and not self._single:
            begin_s = max(moment_s, self._started_s + self._length_s / 2)
            return self._find_trigger(begin_s, self.world.now_s()) is not None
        return bool(self._fired) and self._fired[-1] > moment_s

    def ended_since(self, moment_s: float) -> bool:
        """Whether an acquisition ended after this moment of bench time."""
        self.advance()
        half = self._length_s / 2
        if not self._active:
            record = self.record
            return record is not None and record.starts_s[-1] + record.points * record.step_s > moment_s
        if self._single:
            return False
        begin_s = max(moment_s - half, self._started_s + half)
        return self._find_trigger(begin_s, self.world.now_s() - half) is not None

    def force(self) -> None:
        """Fire the trigger by hand."""
        if self._active and self._single and len(self._fired) < self.averages:
            self._fired.append(max(self._search_from_s, self.world.now_s()))
            self._search_from_s = self._fired[-1] + self._length_s + _DEAD_S

    def state(self) -> AcquisitionState:
        """What the scope is doing now."""
        self.advance()
        now = self.world.now_s()
        if not self._active:
            return AcquisitionState.STOPPED
        if not self._single:
            return AcquisitionState.RUNNING
        if self._fired and now < self._fired[-1] + self._length_s / 2:
            return AcquisitionState.TRIGGERED
        if now < self._search_from_s:
            return AcquisitionState.FILLING
        return AcquisitionState.WAITING

    def ready_in_s(self) -> float:
        """Bench seconds until a look at the state may show something new, > 0."""
        now = self.world.now_s()
        end = self._fired[-1] + self._length_s / 2 if self._fired else 0.0
        later = [t - now for t in (end, self._search_from_s) if t > now]
        return max(min(later, default=0.0), 1e-3)

    def advance(self) -> None:
        """Catch up with the clock."""
        if not (self._active and self._single):
            return
        now = self.world.now_s()
        while len(self._fired) < self.averages:
            fired = self._find_trigger(self._search_from_s, now)
            if fired is None:
                return
            self._fired.append(fired)
            self._search_from_s = fired + self._length_s + _DEAD_S
        if now >= self._fired[-1] + self._length_s / 2:
            self._finish(self._fired)
            self._active = False
            self._release()

    def codes(self, channel: int) -> NDArray[np.int16] | None:
        """Codes of the record, from the screen's centre; None without one or for a channel not shown."""
        if self.record is None or not self.record.setups[channel].displayed:
            return None
        return self.record.codes(self.world, self.front_end)[channel]

    def snapshot(self) -> None:
        """Keep the latest complete record of a running scope without stopping it."""
        if self._active and not self._single:
            self._keep_latest()

    @property
    def _automatic(self) -> bool:
        return self.trigger.sweep is Sweep.AUTO and not (self._single and self.single_needs_trigger)

    @property
    def _true_step_s(self) -> float:
        return self.step_s * (1 + self.world.truth.time_base_error)

    @property
    def _length_s(self) -> float:
        return self.points * self._true_step_s

    def _start(self, *, single: bool) -> None:
        now = self.world.now_s()
        self.record = None
        self._active = True
        self._single = single
        self._started_s = now
        self._search_from_s = now + self._length_s / 2
        self._fired = []
        self.world.keep_from_s = now if single else np.inf

    def _restart(self) -> None:
        if self._active:
            self._start(single=self._single)

    def _release(self) -> None:
        self.world.keep_from_s = np.inf

    def _finish(self, fired: list[float]) -> None:
        length, step = self._length_s, self._true_step_s
        starts = tuple(t - length / 2 for t in fired)
        # A microsecond more at the end: skew may look a little ahead.
        windows = tuple(self.world.window(t - 1e-6, t + length + 1e-6) for t in starts)
        self.record = Record(
            starts_s=starts,
            step_s=step,
            stated_step_s=self.step_s,
            points=self.points,
            setups=self.setups,
            windows=windows,
        )

    def _keep_latest(self) -> None:
        now, length = self.world.now_s(), self._length_s
        latest = now - length / 2
        wait = _AUTO_WAIT_S if self._automatic else max(4 * length, 1.0)
        earliest = latest - self.averages * (length + _DEAD_S) - wait
        search = max(earliest, self._started_s + length / 2)
        fired: list[float] = []
        while len(fired) < self.averages:
            found = self._find_trigger(search, latest)
            if found is None:
                break
            fired.append(found)
            search = found + length + _DEAD_S
        if not fired and self._automatic and latest >= self._started_s + length / 2:
            fired = [latest]
        if fired:
            self._finish(fired)

    def _find_trigger(self, from_s: float, until_s: float) -> float | None:
        """First moment in the span at which the trigger fires."""
        if until_s < from_s:
            return None
        auto_s = from_s + _AUTO_WAIT_S if self._automatic else np.inf
        found = self._find_edge(from_s, min(until_s, auto_s))
        if found is None and auto_s <= until_s:
            return auto_s
        return found

    def _find_edge(self, from_s: float, until_s: float) -> float | None:
        trigger = self.trigger
        if trigger.channel is None:
            return None
        setup = self.setups[trigger.channel]
        shown = self.front_end.shown_per_tip_v(trigger.channel, setup)
        level_v = trigger.level_v / shown
        tip_per_div = RANGE_STEPS_V[setup.step] * self.world.truth.probes[trigger.channel].factor
        hysteresis_v = _HYSTERESIS_DIV * tip_per_div
        sign = 1.0 if trigger.rising == (shown > 0) else -1.0
        window = self.world.window(from_s, until_s)
        for place, segment in enumerate(window):
            begin_s = max(from_s, segment.start_s)
            end_s = window[place + 1].start_s if place + 1 < len(window) else until_s
            found = self._edge_in(
                segment, trigger.channel, begin_s, min(end_s, until_s), sign, sign * level_v, hysteresis_v
            )
            if found is not None:
                return found
        return None

    def _edge_in(
        self,
        segment: Segment,
        channel: int,
        begin_s: float,
        end_s: float,
        sign: float,
        level_v: float,
        hysteresis_v: float,
    ) -> float | None:
        """First edge within one segment, looking at a few periods and then ever more rarely."""
        world, path = self.world, self.setups[channel].path
        hum_v = world.disturbance_bound_v(channel)
        highest_v = segment.bound_v(channel, max(begin_s - segment.start_s, 0.0)) + hum_v
        if highest_v < level_v or highest_v < hysteresis_v / 2:
            return None
        line_s = 1 / world.truth.line_hz
        period_s = 2 * np.pi / segment.angular if segment.angular else line_s
        span_s = 2.2 * max(period_s, line_s if hum_v > 10 * hysteresis_v else 0.0)
        while begin_s < end_s:
            stop_s = min(begin_s + min(span_s, 100 * period_s), end_s)
            count = int(max((stop_s - begin_s) / period_s * 40, 8)) + 1
            step_s = (stop_s - begin_s) / (count - 1)
            tip_v = sign * world.sample(
                channel, (segment,), start_s=begin_s, step_s=step_s, count=count, path=path
            )
            armed = int(np.argmax(tip_v < level_v - hysteresis_v))
            if tip_v[armed] < level_v - hysteresis_v:
                above = int(np.argmax(tip_v[armed:] >= level_v)) + armed
                if tip_v[above] >= level_v:
                    low_v, high_v = tip_v[above - 1] - level_v, tip_v[above] - level_v
                    part = float(low_v / (low_v - high_v))
                    return float(begin_s + (above - 1 + part) * step_s)
            # Not yet: a slow transient may still carry it over the level.
            begin_s += 0.9 * span_s
            span_s *= 1.5
        return None


def with_step(setup: ChannelSetup, step: int) -> ChannelSetup:
    """The setup on another range, zero volts staying where they are on the screen's scale of volts."""
    shown_v = setup.position_div * RANGE_STEPS_V[setup.step]
    return replace(setup, step=step, position_div=shown_v / RANGE_STEPS_V[step])
