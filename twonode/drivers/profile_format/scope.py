"""The form of a scope's profile.

Owns what must be said about ranges, time base, trigger and the end of a record; the transfer is in `waveform`.
"""

from __future__ import annotations

from enum import Enum

from twonode.drivers.profile_format.common import (
    PLAIN,
    BaseProfile,
    Setting,
    Step,
    StepLadder,
    check_template,
)
from twonode.drivers.profile_format.strict import Strict
from twonode.drivers.profile_format.waveform import WaveformTransfer

__all__ = ["Averaging", "Done", "OffsetMeaning", "RecordDepth", "ScopeProfile"]


class OffsetMeaning(Enum):
    """What a vertical offset means; it is always set to zero and read back, where all three say the same."""

    ADDED = "added to the trace"  # trace volts = screen volts - offset
    AT_CENTRE = "at the screen's centre"  # the voltage that the centre line stands for
    DIVISIONS = "position in divisions"


class RecordDepth(Strict, frozen=True, kw_only=True):
    """Record lengths with both channels on; ``set`` is None where there is only one.

    before : sent ahead of ``set``, where it is taken only in a certain state.
    is_limit : the number set is the memory that may be used; the record is as long as sample rate and screen make
        it.
    """

    choices: tuple[int, ...]
    set: Setting | None = None
    before: tuple[str, ...] = ()
    is_limit: bool = False

    def __post_init__(self) -> None:
        if not self.choices or list(self.choices) != sorted(self.choices) or self.choices[0] < 4:
            raise ValueError(f"choices: need ascending record lengths, got {self.choices}")
        if self.set is None and len(self.choices) != 1:
            raise ValueError("choices: without `set` there is exactly one")
        if self.set is not None and self.set.ask is None:
            raise ValueError("set: the record length must be read back")
        if self.is_limit and self.set is None:
            raise ValueError("is_limit: goes with `set`")
        for text in self.before:
            check_template("before", text, PLAIN)


class Averaging(Strict, frozen=True, kw_only=True):
    """Averages: ``off`` for single records, ``on`` with one of ``choices`` records.

    on : absent where the count itself switches averaging on.
    """

    off: Step
    on: Step | None = None
    count: Setting
    choices: tuple[int, ...]

    def __post_init__(self) -> None:
        if not self.choices or list(self.choices) != sorted(self.choices) or self.choices[0] < 2:
            raise ValueError(f"choices: need ascending numbers from 2, got {self.choices}")
        if self.count.ask is None:
            raise ValueError("count: the number of averages must be read back")


class Done(Strict, frozen=True, kw_only=True):
    """How to see that a single record is complete.

    answers : replies that mean complete, case ignored; or mask : bits of the number answered, one of which is then
    set, or with clear all of which are then clear.
    forget : a question asked right before arming, because its reply makes the instrument forget the record before.
    blocking : the reply comes only when the record is complete; it is waited for until the deadline.
    then : a question asked once that has been seen, whose reply comes only when nothing is pending any more; the reply
        itself is not looked at.
    """

    ask: str
    answers: tuple[str, ...] = ()
    mask: int | None = None
    clear: bool = False
    forget: str | None = None
    blocking: bool = False
    then: str | None = None

    def __post_init__(self) -> None:
        check_template("ask", self.ask, PLAIN)
        if bool(self.answers) == (self.mask is not None):
            raise ValueError("answers: give either answers or mask")
        if self.mask is not None and self.mask < 1:
            raise ValueError(f"mask: need at least one bit, got {self.mask}")
        if self.clear and self.mask is None:
            raise ValueError("clear: goes with mask")
        for key in ("forget", "then"):
            if getattr(self, key) is not None:
                check_template(key, getattr(self, key), PLAIN)


class ScopeProfile(BaseProfile, frozen=True, kw_only=True, tag_field="kind", tag="scope"):
    """A two-channel scope.

    volts_per_div_ladder : at the scope's input; the probe factor multiplies it.
    offset_means : see `OffsetMeaning`.
    prepare, channel_prepare : sent once, and once a channel (after the probe factor).
    edge_trigger : arms for a trigger on channel 1. single, free_run, stop : see `scope.Scope`.
    slowest_triggered_s_per_div : slower settings roll without a trigger.
    free_run_extra_s : how long a free-running scope waits for a trigger before it takes a record anyway.
    gain_standard_uncertainty : relative, of one channel on one range (class limit read as k = 2).
    sample_rate : None where it follows from record length and time base. averaging : None where there is none.
    """

    divisions_x: int
    divisions_y: int
    gain_standard_uncertainty: float
    volts_per_div: Setting
    volts_per_div_ladder: StepLadder
    offset_means: OffsetMeaning
    seconds_per_div: Setting
    seconds_per_div_ladder: StepLadder
    slowest_triggered_s_per_div: float
    probe_factor: Setting
    prepare: tuple[Step, ...]
    channel_prepare: tuple[Step, ...]
    depth: RecordDepth
    sample_rate: str | None = None
    averaging: Averaging | None = None
    edge_trigger: tuple[Step, ...]
    single: tuple[str, ...]
    done: Done
    free_trigger: tuple[Step, ...]
    free_run: tuple[str, ...]
    free_run_extra_s: float = 0.2
    stop: tuple[str, ...]
    waveform: WaveformTransfer

    def __post_init__(self) -> None:
        BaseProfile.__post_init__(self)
        if not 4 <= self.divisions_x <= 20 or not 4 <= self.divisions_y <= 12:
            raise ValueError("divisions_x, divisions_y: need 4 to 20 and 4 to 12")
        if not 0 < self.gain_standard_uncertainty < 0.2:
            raise ValueError("gain_standard_uncertainty: need a relative figure from 0 to 0.2")
        if not 0 <= self.free_run_extra_s <= 60:
            raise ValueError(f"free_run_extra_s: need 0 to 60 s, got {self.free_run_extra_s}")
        self.check_channels(
            "seconds_per_div", "prepare", "depth", "averaging", "edge_trigger", "free_trigger"
        )
        for key in ("single", "free_run", "stop"):
            for text in getattr(self, key):
                check_template(key, text, PLAIN)
        if self.sample_rate is not None:
            check_template("sample_rate", self.sample_rate, PLAIN)
        elif self.depth.is_limit:
            raise ValueError("sample_rate: needed where the record length is only a limit")
        if not self.slowest_triggered_s_per_div >= self.seconds_per_div_ladder.lowest:
            raise ValueError("slowest_triggered_s_per_div: below the fastest setting")
        ladders = {
            "volts_per_div": (self.volts_per_div, self.volts_per_div_ladder),
            "seconds_per_div": (self.seconds_per_div, self.seconds_per_div_ladder),
        }
        for key, (setting, ladder) in ladders.items():
            setting.check_range(key, ladder.values()[0], ladder.values()[-1], self.line)
        for key in ("volts_per_div", "seconds_per_div", "probe_factor"):
            if getattr(self, key).ask is None:
                raise ValueError(f"{key}: must be read back")
        self.check_lengths()
