"""The two-channel scope: settings read back, one record of both channels at a time.

Owns arming, waiting with a deadline on the bench's own clock, and that both channels come from one record; the
transfer itself is in `transfer`. Never blocks on the instrument. What the traces show belongs to the rooms above.
"""

from __future__ import annotations

import bisect
from enum import Enum

from twonode.drivers.capture import Capture, ChannelTrace, TimeSetting
from twonode.drivers.clock import Clock
from twonode.drivers.errors import (
    NoTrigger,
    ReplyError,
    ReplyTimeout,
    SettingRefused,
)
from twonode.drivers.instrument import Instrument
from twonode.drivers.link import Link
from twonode.drivers.profile_format import ScopeProfile
from twonode.drivers.scpi_text import parse_integer, parse_number
from twonode.drivers.transfer import RecordReader
from twonode.drivers.waveform import Scaling, channel_trace

__all__ = ["CHANNELS", "Scope", "TimeSetting", "TriggerMode"]

CHANNELS = (1, 2)

# Polls: often enough not to waste time, seldom enough for instruments that answer ten questions a second.
_SHORTEST_POLL_S = 0.002
_LONGEST_POLL_S = 0.05
# The sample interval of a record must be the one that was read back when the time base was set.
_RATE_TOLERANCE = 0.05


class TriggerMode(Enum):
    """What starts a record."""

    EDGE = "edge"  # channel 1 crosses 0 V upward
    FREE = "free"  # nothing: for looking at nodes that carry no signal


class _State(Enum):
    IDLE = "idle"
    ARMED = "armed"
    COMPLETE = "complete"


class Scope(Instrument):
    """A scope on a link; channel 1 is the drive node, channel 2 the far node.

    Nothing is sent by making one.
    """

    def __init__(self, link: Link, *, identity: str, profile: ScopeProfile, clock: Clock) -> None:
        super().__init__(link, name="scope", identity=identity, profile=profile, clock=clock)
        self.profile = profile
        self._reader = RecordReader(link, profile, self._write)
        self._volts_per_div: dict[int, float] = {}
        self._time: TimeSetting | None = None
        self._averages = 1
        self._trigger: TriggerMode | None = None
        self._state = _State.IDLE
        self._armed_s = 0.0

    @property
    def divisions_x(self) -> int:
        """Divisions across the screen."""
        return self.profile.divisions_x

    @property
    def divisions_y(self) -> int:
        """Divisions from bottom to top."""
        return self.profile.divisions_y

    @property
    def seconds_per_div_choices(self) -> tuple[float, ...]:
        """Time base settings that trigger, ascending, s; slower ones roll and are left out."""
        slowest = self.profile.slowest_triggered_s_per_div * 1.001
        return tuple(s for s in self.profile.seconds_per_div_ladder.values() if s <= slowest)

    @property
    def points_choices(self) -> tuple[int, ...]:
        """Record lengths offered with both channels on, ascending."""
        return self.profile.depth.choices

    @property
    def averages_choices(self) -> tuple[int, ...]:
        """Numbers of averages offered, ascending, 1 first; only 1 where the scope does not average."""
        averaging = self.profile.averaging
        return (1,) if averaging is None else (1, *averaging.choices)

    def volts_per_div_choices(self, probe_factor: float) -> tuple[float, ...]:
        """Ranges at the probe tip, ascending, V/div."""
        return tuple(float(f"{v * probe_factor:.6g}") for v in self.profile.volts_per_div_ladder.values())

    def prepare(self, probe_factor: tuple[float, float]) -> None:
        """Both channels on, DC, full bandwidth, no offset, probe factors, trigger on channel 1; all read back.

        probe_factor : of channel 1 and 2, as 10.0 for a 10:1 probe.
        Raises CommandRefused, SettingNotTaken, ReplyError, LinkError.
        """
        self._state = _State.IDLE
        self._trigger = None
        self.forget_errors()
        for text in self.profile.stop:
            self._write(text)
        # Headers off and the like come first: until then replies may look otherwise.
        for step in self.profile.prepare:
            self._do(step)
        for channel, factor in zip(CHANNELS, probe_factor, strict=True):
            taken = self._set(
                self.profile.probe_factor, factor, what=f"channel {channel} probe factor", channel=channel
            )
            if not abs(taken - factor) <= 1e-3 * factor:
                raise self._not_taken(f"channel {channel} probe factor {factor:g}", f"{taken:g}")
            for step in self.profile.channel_prepare:
                self._do(step, channel=channel)
            self._volts_per_div[channel] = self._read(
                self.profile.volts_per_div, what=f"channel {channel} V/div", channel=channel
            )
        self.set_averages(1)
        self._use_trigger(TriggerMode.EDGE)
        self.check_errors("the basic settings")

    def confirm_channels(self, probe_factor: tuple[float, float]) -> None:
        """Read both channels' switches back without setting them: somebody may have touched the scope.

        probe_factor : as given to `prepare`.
        Raises SettingNotTaken, ReplyError, LinkError.
        """
        for channel, factor in zip(CHANNELS, probe_factor, strict=True):
            self._confirm_probe(channel, factor)
            for step in self.profile.channel_prepare:
                self._confirm(step, channel=channel)

    def _confirm_probe(self, channel: int, factor: float) -> None:
        if self.profile.probe_factor.ask is None:
            return
        taken = self._read(self.profile.probe_factor, what=f"channel {channel} probe factor", channel=channel)
        if not abs(taken - factor) <= 1e-3 * factor:
            raise self._not_taken(f"channel {channel} probe factor {factor:g}", f"{taken:g}")

    def set_volts_per_div(self, channel: int, volts_per_div: float) -> float:
        """Set a range, in V/div at the probe tip; return what was read back.

        Raises CommandRefused, ReplyError, LinkError.
        """
        _require_channel(channel)
        if not volts_per_div > 0:
            raise SettingRefused(
                f"Channel {channel} was to be set to {volts_per_div:g} V/div.",
                "A range is greater than zero.",
                "Choose one of the scope's ranges.",
            )
        self._state = _State.IDLE
        taken = self._set(
            self.profile.volts_per_div, volts_per_div, what=f"channel {channel} V/div", channel=channel
        )
        if not taken > 0:
            raise self._not_taken(f"channel {channel} {volts_per_div:g} V/div", f"{taken:g}")
        self._volts_per_div[channel] = taken
        return taken

    def set_time(self, seconds_per_div: float, points: int | None = None) -> TimeSetting:
        """Set time base and record length; return them as read back, with the sample rate.

        Parameters
        ----------
        seconds_per_div : s. The scope rounds it to one of its steps.
        points : wanted record length; the shortest offered that is no shorter is used, else the longest.
            None takes the shortest.

        Raises
        ------
        SettingRefused : slower than the scope triggers, or not above zero; nothing was sent.
        CommandRefused, ReplyError, LinkError.
        """
        if not 0 < seconds_per_div <= self.profile.slowest_triggered_s_per_div * 1.001:
            raise SettingRefused(
                f"The scope's time base was to be {seconds_per_div:g} s/div.",
                f"It triggers up to {self.profile.slowest_triggered_s_per_div:g} s/div; slower ones roll.",
                "Measure at higher frequencies, or use another scope.",
            )
        self._state = _State.IDLE
        taken = self._set(self.profile.seconds_per_div, seconds_per_div, what="s/div")
        length = self._set_points(points)
        screen_s = self.profile.divisions_x * taken
        if self.profile.sample_rate is None:
            rate_hz = length / screen_s if screen_s > 0 else 0.0
        else:
            rate_hz = parse_number(self._link.query(self.profile.sample_rate), what="the scope's sample rate")
        if not (taken > 0 and 0 < rate_hz < 1e12):
            raise self._not_taken(f"{seconds_per_div:g} s/div", f"{taken:g} s/div at {rate_hz:g} samples/s")
        if self.profile.depth.is_limit:
            length = max(min(length, round(rate_hz * screen_s)), 1)
        self._time = TimeSetting(seconds_per_div=taken, sample_rate_hz=rate_hz, points=length)
        return self._time

    def set_averages(self, n: int) -> int:
        """Average the smallest number of records offered that is no less than ``n`` (else the greatest).

        1 is none. Returns the number read back.
        Raises CommandRefused, SettingNotTaken, ReplyError, LinkError.
        """
        if n < 1:
            raise SettingRefused(
                f"{n} averages were asked for.", "There is no such record.", "Ask for 1 or more."
            )
        self._state = _State.IDLE
        averaging = self.profile.averaging
        if averaging is None:
            self._averages = 1
            return 1
        if n == 1:
            self._do(averaging.off)
            self._averages = 1
            self.check_errors(averaging.off.does)
            return 1
        place = min(bisect.bisect_left(averaging.choices, n), len(averaging.choices) - 1)
        if averaging.on is not None:
            self._do(averaging.on)
        taken = self._set(averaging.count, averaging.choices[place], what="number of averages")
        self._averages = max(round(taken), 1)
        return self._averages

    def capture(self, *, timeout_s: float, trigger: TriggerMode = TriggerMode.EDGE) -> Capture:
        """Take one record of both channels: `arm`, `wait` and `transfer`."""
        self.arm(trigger=trigger)
        return self.fetch(timeout_s)

    def arm(self, *, trigger: TriggerMode = TriggerMode.EDGE) -> None:
        """Start one record and return at once; the one before it is given up.

        Raises CommandRefused, SettingNotTaken, ReplyError, LinkError.
        """
        self._state = _State.IDLE
        self._use_trigger(trigger)
        if self.profile.done.forget is not None:
            self._link.query(self.profile.done.forget)
        for text in self.profile.single if trigger is TriggerMode.EDGE else self.profile.free_run:
            self._write(text)
        self.check_errors("start of a record")
        self._armed_s = self._clock.now_s()
        self._state = _State.ARMED

    def wait(self, timeout_s: float) -> None:
        """Return when the armed record is complete; the generator may move from then on.

        timeout_s : from `arm`, on the bench's clock.

        Raises
        ------
        NoTrigger : not complete by then; the scope was stopped.
        ReplyError, LinkError.
        """
        if self._state is _State.COMPLETE:
            return
        if self._state is not _State.ARMED:
            raise RuntimeError("wait: the scope is not armed")
        deadline_s = self._armed_s + timeout_s
        duration_s = self._expected_duration_s()
        if self._trigger is TriggerMode.FREE:
            # Twice: the first screen may have begun before the settings were taken.
            self._sleep_until(self._armed_s + 2 * duration_s + self.profile.free_run_extra_s)
            self._stop()
        else:
            # No record is complete sooner than it is long; asking before that only disturbs.
            self._sleep_until(min(self._armed_s + duration_s, deadline_s))
            poll_s = min(max(duration_s / 20, _SHORTEST_POLL_S), _LONGEST_POLL_S)
            while not self._is_done(deadline_s):
                if self._clock.now_s() >= deadline_s:
                    self._give_up(timeout_s)
                self._clock.sleep_s(poll_s)
            if self.profile.done.then is not None:
                self._link.query(self.profile.done.then)
        self._state = _State.COMPLETE

    def transfer(self) -> Capture:
        """Fetch both channels of the complete record.

        Raises
        ------
        ReplyError : the channels do not belong to one record, or scaling and settings do not fit together.
        CommandRefused, LinkError.
        """
        if self._state is not _State.COMPLETE:
            raise RuntimeError("transfer: there is no complete record; wait() first")
        for text in self.profile.waveform.before:
            self._write(text)
        first, first_scaling = self._channel(1)
        second, second_scaling = self._channel(2)
        self.check_errors("transfer of a record")
        if (first_scaling.points, first_scaling.sample_interval_s) != (
            second_scaling.points,
            second_scaling.sample_interval_s,
        ):
            raise ReplyError(
                "The two channels do not share one time base.",
                f"Channel 1 has {first_scaling.points} points of {first_scaling.sample_interval_s:g} s, "
                f"channel 2 {second_scaling.points} of {second_scaling.sample_interval_s:g} s.",
                "Repeat the measurement; phase is only meant between channels of one record.",
            )
        self._check_interval(first_scaling.sample_interval_s)
        return Capture(channel_1=first, channel_2=second, sample_interval_s=first_scaling.sample_interval_s)

    def fetch(self, timeout_s: float) -> Capture:
        """`wait`, then `transfer`."""
        self.wait(timeout_s)
        return self.transfer()

    def stop(self) -> None:
        """Stop acquiring; used when leaving the scope to its owner."""
        self._state = _State.IDLE
        self._stop()
        self.check_errors("stop")

    def _use_trigger(self, trigger: TriggerMode) -> None:
        if trigger is not self._trigger:
            self._trigger = None
            for step in (
                self.profile.edge_trigger if trigger is TriggerMode.EDGE else self.profile.free_trigger
            ):
                self._do(step)
            self._trigger = trigger

    def _set_points(self, points: int | None) -> int:
        depth = self.profile.depth
        if depth.set is None:
            return depth.choices[0]
        place = (
            0 if points is None else min(bisect.bisect_left(depth.choices, points), len(depth.choices) - 1)
        )
        for text in depth.before:
            self._write(text)
        taken = self._set(depth.set, depth.choices[place], what="record length")
        if taken < 4 or taken != round(taken):
            raise self._not_taken(f"record length {depth.choices[place]}", f"{taken:g}")
        return round(taken)

    def _expected_duration_s(self) -> float:
        return self._time.duration_s * self._averages if self._time is not None else 0.0

    def _sleep_until(self, moment_s: float) -> None:
        self._clock.sleep_s(max(moment_s - self._clock.now_s(), 0.0))

    def _is_done(self, deadline_s: float) -> bool:
        done = self.profile.done
        if done.blocking:
            try:
                reply = self._link.query(done.ask, timeout_s=max(deadline_s - self._clock.now_s(), 0.1))
            except ReplyTimeout:
                return False
        else:
            reply = self._link.query(done.ask)
        if done.mask is not None:
            seen = bool(parse_integer(reply, what="the scope's state") & done.mask)
            return seen is not done.clear
        return reply.upper() in {answer.upper() for answer in done.answers}

    def _stop(self) -> None:
        for text in self.profile.stop:
            self._write(text)

    def _give_up(self, timeout_s: float) -> None:
        self._state = _State.IDLE
        self._stop()
        raise NoTrigger(
            f"The scope found no trigger on channel 1 within {timeout_s:.3g} s.",
            "There is no signal at the drive node, or it is too small for the range.",
            "Check that the generator's output is on and reaches channel 1, and the probe's ground clip.",
        )

    def _channel(self, channel: int) -> tuple[ChannelTrace, Scaling]:
        scaling, codes = self._reader.read(channel)
        if channel not in self._volts_per_div:
            self._volts_per_div[channel] = self._read(
                self.profile.volts_per_div, what=f"channel {channel} V/div", channel=channel
            )
        trace = channel_trace(
            codes,
            scaling,
            volts_per_div=self._volts_per_div[channel],
            transfer=self.profile.waveform,
            divisions_y=self.profile.divisions_y,
        )
        return trace, scaling

    def _check_interval(self, interval_s: float) -> None:
        if self._time is not None and not abs(interval_s * self._time.sample_rate_hz - 1) <= _RATE_TOLERANCE:
            raise ReplyError(
                f"The record's sample interval is {interval_s:g} s.",
                f"The time base was read back as {self._time.sample_rate_hz:g} samples a second.",
                "Leave the scope's keys alone while measuring, and repeat.",
            )


def _require_channel(channel: int) -> None:
    if channel not in CHANNELS:
        raise ValueError(f"channel: need 1 or 2, got {channel}")
