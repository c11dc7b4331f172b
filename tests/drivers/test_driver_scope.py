"""The scope: one contract for every family on its simulated dialect, and misbehaviour on a scripted link."""

import msgspec
import numpy as np
import pytest
from scripted_link import ScriptedLink

from twonode.analysis.stage import parse_stage
from twonode.drivers.bench import Bench
from twonode.drivers.clock import VirtualClock
from twonode.drivers.errors import CommandRefused, NoTrigger, ReplyError, SettingNotTaken, SettingRefused
from twonode.drivers.profiles import shipped_profiles
from twonode.drivers.scope import Scope, TriggerMode
from twonode.drivers.simulated.bench import direct_links
from twonode.drivers.simulated.settings import ScopeFamily, SimulatedSettings

STAGE = parse_stage(
    """
title = "a capacitor into a resistor"
drive = "drive"
far = "far"

[[part]]
name = "C1"
kind = "capacitor"
between = ["drive", "far"]
value = "22n"

[[part]]
name = "R1"
kind = "resistor"
between = ["far", "ground"]
value = "100k"
"""
)


def volts(trace):
    return trace.codes * trace.volts_per_code + trace.volts_at_code_zero


class ScopeContract:
    """What every family's scope does; subclasses name the family."""

    family: ScopeFamily

    @pytest.fixture
    def bench(self):
        links = direct_links(SimulatedSettings(stage=STAGE, seed=5, scope_family=self.family))
        with Bench.from_links(
            generator=links.generator, scope=links.scope, clock=links.clock, allow_unverified=True
        ) as bench:
            assert bench.scope.profile.family == self.family.value
            bench.scope.prepare((10.0, 10.0))
            bench.generator.prepare()
            yield bench

    @pytest.fixture
    def running(self, bench):
        bench.generator.set_level(2.0)
        bench.generator.set_frequency(1000.0)
        bench.generator.output(True)
        for channel in (1, 2):
            bench.scope.set_volts_per_div(channel, 0.5)
        bench.clock.sleep_s(0.5)
        return bench

    def test_a_known_sine_comes_out_in_volts_at_the_tip(self, running):
        scope = running.scope
        setting = scope.set_time(0.5e-3)
        capture = scope.capture(timeout_s=2.0)
        trace = volts(capture.channel_1)
        assert len(trace) == setting.points == len(capture.channel_2.codes)
        assert capture.sample_interval_s * setting.sample_rate_hz == pytest.approx(1.0, rel=1e-3)
        # The record holds whole cycles of 1 kHz, so that they are one line of its spectrum: 1 V peak, within
        # 5 sigma of a range's 1.5 % gain error and a probe's 3 % compensation error.
        spectrum = np.abs(np.fft.rfft(trace - trace.mean())) * 2 / len(trace)
        line = int(np.argmax(spectrum))
        assert line / (len(trace) * capture.sample_interval_s) == pytest.approx(1000.0, rel=1e-3)
        assert spectrum[line] == pytest.approx(1.0, rel=0.17)

    def test_codes_beyond_the_screen_count_as_clipped(self, running):
        scope = running.scope
        scope.set_time(0.5e-3)
        for per_div, clipped in ((0.5, False), (0.1, True)):
            assert scope.set_volts_per_div(1, per_div) == pytest.approx(per_div)
            trace = scope.capture(timeout_s=2.0).channel_1
            assert trace.volts_per_div == pytest.approx(per_div)
            assert (trace.codes.min() <= trace.lowest_code) is np.bool_(clipped)
            assert (trace.codes.max() >= trace.highest_code) is np.bool_(clipped)

    def test_the_generator_may_move_while_a_record_is_transferred(self, running):
        scope = running.scope
        scope.set_time(0.5e-3)
        scope.arm()
        scope.wait(2.0)
        running.generator.output(False)
        trace = volts(scope.transfer().channel_1)
        assert trace.max() - trace.min() > 1.8

    def test_without_a_signal_there_is_no_trigger_and_the_scope_is_usable_after(self, bench):
        scope = bench.scope
        scope.set_volts_per_div(1, 0.5)
        scope.set_time(0.5e-3)
        before = bench.clock.now_s()
        with pytest.raises(NoTrigger, match="0\\.5 s"):
            scope.capture(timeout_s=0.5)
        assert 0.5 <= bench.clock.now_s() - before < 0.7
        with pytest.raises(RuntimeError, match="no complete record"):
            scope.transfer()
        bench.generator.set_level(2.0)
        bench.generator.set_frequency(1000.0)
        bench.generator.output(True)
        assert scope.capture(timeout_s=2.0).channel_1.codes.size

    def test_without_a_signal_a_free_record_can_be_taken(self, bench):
        scope = bench.scope
        coarsest = scope.volts_per_div_choices(10.0)[-1]
        scope.set_volts_per_div(1, coarsest)
        scope.set_time(5e-3)
        trace = volts(scope.capture(timeout_s=2.0, trigger=TriggerMode.FREE).channel_1)
        assert abs(trace.mean()) < coarsest

    def test_averages_lower_the_noise(self, running):
        scope = running.scope
        scope.set_time(0.5e-3)
        # Both records start at the same phase: what differs between them is noise.
        spread = []
        for wanted in (1, 16):
            assert scope.set_averages(wanted) == wanted
            first, second = (volts(scope.capture(timeout_s=5.0).channel_1)[:1000] for _ in range(2))
            spread.append(np.std(first - second))
        assert spread[1] < spread[0]

    def test_choices_ascend_and_are_taken_as_they_are(self, bench):
        scope = bench.scope
        ranges = scope.volts_per_div_choices(10.0)
        assert list(ranges) == sorted(ranges)
        for per_div in (ranges[0], ranges[len(ranges) // 2], ranges[-1]):
            assert scope.set_volts_per_div(2, per_div) == pytest.approx(per_div)
        times = scope.seconds_per_div_choices
        assert list(times) == sorted(times)
        for per_div in (times[10], times[-1]):
            assert scope.set_time(per_div).seconds_per_div == pytest.approx(per_div)

    def test_the_record_is_at_least_as_long_as_wanted_where_it_can_be(self, bench):
        scope = bench.scope
        for wanted in (None, scope.points_choices[0] - 1, scope.points_choices[-1], 10**8):
            setting = scope.set_time(5e-3, wanted)
            assert setting.points in scope.points_choices
            assert setting.points >= min(wanted or 0, scope.points_choices[-1])
            assert setting.duration_s == pytest.approx(scope.divisions_x * 5e-3, rel=1e-3)

    @pytest.mark.parametrize(
        "act",
        [
            lambda s: s.set_time(60.0),
            lambda s: s.set_time(0.0),
            lambda s: s.set_time(float("nan")),
            lambda s: s.set_volts_per_div(1, -1.0),
            lambda s: s.set_averages(0),
        ],
    )
    def test_what_the_scope_cannot_do_is_refused(self, bench, act):
        with pytest.raises(SettingRefused):
            act(bench.scope)

    def test_a_range_out_of_reach_is_never_taken_for_it(self, bench):
        if bench.scope.profile.errors is not None:
            with pytest.raises(CommandRefused, match="222"):
                bench.scope.set_volts_per_div(1, 1e4)
        else:
            # Without an error queue the read-back alone says what became of it.
            assert bench.scope.set_volts_per_div(1, 1e4) < 1e4


class TestTenField(ScopeContract):
    family = ScopeFamily.TEN_FIELD


class TestVoltOrigin(ScopeContract):
    family = ScopeFamily.VOLT_ORIGIN


class TestScreen600(ScopeContract):
    family = ScopeFamily.SCREEN_600


class TestCurve(ScopeContract):
    family = ScopeFamily.CURVE


class TestSignedCodes(ScopeContract):
    family = ScopeFamily.SIGNED_CODES


class TestWavedesc(ScopeContract):
    family = ScopeFamily.WAVEDESC


class TestMemoryList(ScopeContract):
    family = ScopeFamily.MEMORY_LIST


PROFILE = shipped_profiles()["scope-ten-field"]
PREAMBLE = "0,2,1000,1,1.0E-06,0,0,{yinc},0,127"


@pytest.fixture
def link():
    """A scope in memory with a record of 1000 points at 0.5 V/div."""
    script = ScriptedLink()
    script.settings.update({":CHAN1:SCAL": "0.5", ":CHAN2:SCAL": "0.5"})
    script.replies.update(
        {
            ":ACQ:SRAT?": "1.0E6",
            ":TRIG:STAT?": "STOP",
            ":WAV:PRE?": PREAMBLE.format(yinc="2.0E-2"),
            ":WAV:DATA?": b"#9000001000" + bytes([127]) * 1000 + b"\n",
        }
    )
    return script


@pytest.fixture
def scope(link):
    scope = Scope(link, identity="X", profile=PROFILE, clock=VirtualClock())
    scope.prepare((10.0, 10.0))
    scope.set_time(1e-3)
    return scope


def test_preparing_makes_both_channels_fit_for_measuring(link, scope):
    for channel in (1, 2):
        for text in ("DISP ON", "COUP DC", "BWL OFF", "PROB 10", "OFFS 0", "INV OFF"):
            assert f":CHAN{channel}:{text}" in link.sent
    assert link.settings[":TRIG:EDGE:SOUR"] == "CHAN1"


@pytest.mark.parametrize(
    ("question", "reply", "says"),
    [
        (":CHAN2:COUP?", "AC", "channel 2 DC-coupled"),
        (":CHAN1:BWL?", "20M", "bandwidth"),
        (":CHAN2:PROB?", "1", "probe factor"),
        (":CHAN2:DISP?", "0", "shown"),
        (":TRIG:EDGE:SOUR?", "CHAN2", "trigger on channel 1"),
        (":CHAN1:OFFS?", "0.1", "offset"),
    ],
)
def test_a_setting_left_as_it_was_is_noticed(link, question, reply, says):
    link.replies[question] = reply
    with pytest.raises(SettingNotTaken, match=says):
        Scope(link, identity="X", profile=PROFILE, clock=VirtualClock()).prepare((10.0, 10.0))


def test_long_records_are_fetched_in_parts(link, scope):
    short_reads = msgspec.structs.replace(
        PROFILE, waveform=msgspec.structs.replace(PROFILE.waveform, max_points_per_read=400)
    )
    scope = Scope(link, identity="X", profile=short_reads, clock=VirtualClock())

    def part():
        first, last = int(link.settings[":WAV:STAR"]), int(link.settings[":WAV:STOP"])
        return b"#9%09d" % (last - first + 1) + bytes(i % 200 for i in range(first, last + 1)) + b"\n"

    link.replies[":WAV:DATA?"] = part
    scope.prepare((10.0, 10.0))
    capture = scope.capture(timeout_s=1.0)
    assert capture.channel_2.codes.tolist() == [i % 200 for i in range(1, 1001)]


def test_channels_of_different_records_are_refused(link, scope):
    answers = iter(
        [PREAMBLE.format(yinc="2e-2"), PREAMBLE.format(yinc="2e-2").replace("1.0E-06", "1.01E-06")]
    )
    link.replies[":WAV:PRE?"] = lambda: next(answers)
    with pytest.raises(ReplyError, match="time base"):
        scope.capture(timeout_s=1.0)


@pytest.mark.parametrize(
    "preamble",
    [
        PREAMBLE.format(yinc="4e-2"),
        PREAMBLE.format(yinc="2e-2").replace("1.0E-06", "2.0E-06"),
        "0,2,1000,1,2.0E-02,0,0,1.0E-06,0,127",
        "",
    ],
)
def test_a_preamble_that_does_not_fit_the_settings_is_refused(link, scope, preamble):
    link.replies[":WAV:PRE?"] = preamble
    with pytest.raises(ReplyError):
        scope.capture(timeout_s=1.0)


def test_a_block_of_the_wrong_length_is_refused(link, scope):
    link.replies[":WAV:DATA?"] = b"#9000000999" + bytes(999) + b"\n"
    with pytest.raises(ReplyError, match="999 bytes where 1000"):
        scope.capture(timeout_s=1.0)


def test_a_scope_stuck_waiting_is_given_up_at_the_deadline(link, scope):
    link.replies[":TRIG:STAT?"] = "WAIT"
    with pytest.raises(NoTrigger):
        scope.capture(timeout_s=1.0)
    assert link.sent[-1] == ":STOP"


def test_a_record_must_be_armed_before_it_is_waited_for(scope):
    with pytest.raises(RuntimeError, match="not armed"):
        scope.wait(1.0)
    scope.arm()
    scope.set_volts_per_div(1, 0.5)
    with pytest.raises(RuntimeError, match="not armed"):
        scope.wait(1.0)
