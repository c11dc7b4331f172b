"""A guided check of instruments nobody has tried yet: what they are told, what they say, and one known sine.

Owns the order of the steps and what passes. Each step says what was asked and what came back, so that a report of them
tells an honest profile from a wrong one. A step that fails does not end the trial, unless no signal may follow it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from math import degrees

import numpy as np

from twonode.acquire.attempt import trace_pair
from twonode.analysis.quantities import format_quantity
from twonode.analysis.ratio import Refusal, read_point
from twonode.drivers.bench import Bench
from twonode.drivers.capture import Capture
from twonode.drivers.clock import Clock
from twonode.drivers.errors import BenchError
from twonode.drivers.generator import Generator
from twonode.drivers.scope import CHANNELS, Scope, TriggerMode

__all__ = ["TrialStep", "passed", "try_bench", "try_generator", "try_scope"]

LEVEL_VPP = 2.0
"""Of the known sine, open circuit: harmless for whatever is connected, large on every scope."""
FREQUENCY_HZ = 1000.0
CYCLES = 10.0

AMPLITUDE_LIMIT = 0.10
"""Generator, scope and probe together: 2 % + 3 % + 2 % typical, and a factor of two or ten is what is looked for."""
FREQUENCY_LIMIT = 0.01
"""Time bases and generators are good to 100 ppm (typical), a spectrum's peak over ten cycles to tenths of 1 %."""
PHASE_LIMIT_DEG = 10.0
"""Two probes on one node: their trimming shifts a 1 kHz sine by a degree or two; a swapped polarity by 180."""
QUIET_SHARE = 0.05

# What a wrong answer would mean, for the advice of each step.
_HALF_OR_DOUBLE = (
    "A factor of two: the generator's load setting or the profile's amplitude_means is wrong. A factor of ten: a "
    "probe's switch and the scope's probe factor differ."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialStep:
    """One step and what came of it.

    asked, got : in words and figures. advice : what to look at where it did not pass.
    """

    name: str
    ok: bool
    asked: str
    got: str
    advice: str | None = None


def passed(steps: list[TrialStep]) -> bool:
    """Whether every step passed, and there was one."""
    return bool(steps) and all(step.ok for step in steps)


def try_generator(generator: Generator) -> Iterator[TrialStep]:
    """Settings of a generator, read back; its output stays off."""
    prepared = _step(
        "basic settings",
        "output off, high impedance, volts peak-to-peak, sine, no offset, low amplitude",
        generator.prepare,
        "The profile's prepare steps do not suit this generator.",
    )
    yield prepared
    if not prepared.ok:
        return
    if generator.unconfirmed:
        yield TrialStep(
            name="what cannot be asked",
            ok=True,
            asked="which settings can be read back",
            got=f"not these: {', '.join(generator.unconfirmed)}; the sine on the scope has to show them",
        )
    lowest, highest = generator.frequency_min_hz, generator.frequency_max_hz
    for hz in (10.0, FREQUENCY_HZ, 100e3, 1e6):
        if lowest <= hz <= highest:
            yield _setting("frequency", hz, "Hz", generator.set_frequency)
    # What cannot be asked back would only repeat what was sent.
    for vpp in (0.1, 1.0, LEVEL_VPP, 5.0) if generator.profile.amplitude.ask is not None else ():
        if generator.vpp_min <= vpp <= generator.vpp_max:
            yield _setting("amplitude", vpp, "V", generator.set_level)
    yield _step(
        "output off",
        "output off",
        lambda: {True: "off", False: "still on", None: "it cannot be asked"}[generator.output_is_off()],
        "Switch it off at the generator.",
        failing=("still on",),
    )


def try_scope(scope: Scope, clock: Clock) -> Iterator[TrialStep]:
    """Settings of a scope, read back, and a record of whatever is at its inputs, taken without a trigger."""
    prepared = _step(
        "basic settings",
        "both channels on, DC, full bandwidth, no offset, 1:1, trigger on channel 1",
        lambda: scope.prepare((1.0, 1.0)),
        "The profile's prepare or channel_prepare steps do not suit this scope.",
    )
    yield prepared
    if not prepared.ok:
        return
    ladder = scope.volts_per_div_choices(1.0)
    for channel in CHANNELS:
        for volts in (ladder[0], ladder[len(ladder) // 2], ladder[-1]):
            yield _setting(f"channel {channel} range", volts, "V", partial(scope.set_volts_per_div, channel))
    times = scope.seconds_per_div_choices
    for seconds in (times[len(times) // 2], times[-1]):
        yield _setting("time base", seconds, "s", lambda s: scope.set_time(s).seconds_per_div)
    yield _step(
        "record without a trigger",
        "both channels, one time base",
        lambda: _record(scope, clock),
        "The profile's free_run, stop or waveform section does not suit this scope.",
    )


def _record(scope: Scope, clock: Clock) -> str:
    for channel in CHANNELS:
        scope.set_volts_per_div(channel, 1.0)
    scope.set_time(_nearest(scope.seconds_per_div_choices, 1e-3))
    began_s = clock.now_s()
    capture = scope.capture(timeout_s=10.0, trigger=TriggerMode.FREE)
    took_s = clock.now_s() - began_s
    return (
        f"{capture.channel_1.codes.size} points of {format_quantity(capture.sample_interval_s, 's')} each, "
        f"in {took_s:.2g} s"
    )


def try_bench(bench: Bench) -> Iterator[TrialStep]:
    """Both instruments together: a known sine on both channels, both probes on the generator's output.

    Nothing else may be connected to it. The output is off before and afterwards.
    """
    generator, scope = bench.generator, bench.scope
    yield from try_generator(generator)
    steps = list(try_scope(scope, bench.clock))
    yield from steps
    if not passed(steps):
        return
    try:
        scope.prepare((1.0, 1.0))
        level = generator.set_level(min(LEVEL_VPP, generator.vpp_max))
        hz = generator.set_frequency(FREQUENCY_HZ)
        generator.output(True)
        bench.clock.sleep_s(0.5)
        yield from _sine(scope, level, hz)
        yield _step(
            "record with a trigger",
            "channel 1 rising through 0 V starts a record",
            lambda: _triggered(scope),
            "The profile's edge_trigger, single or done section does not suit this scope.",
        )
        yield _clipped(scope, level, hz)
    except BenchError as exc:
        yield TrialStep(
            name="known sine",
            ok=False,
            asked=f"{LEVEL_VPP:g} V p-p at {FREQUENCY_HZ:g} Hz on both channels",
            got=exc.what,
            advice=exc.do,
        )
        return
    finally:
        generator.output(False)
    bench.clock.sleep_s(0.2)
    yield _quiet(scope, level)


def _captured(scope: Scope, volts_per_div: float, hz: float) -> Capture:
    for channel in CHANNELS:
        scope.set_volts_per_div(channel, volts_per_div)
    scope.set_time(_nearest(scope.seconds_per_div_choices, CYCLES / hz / scope.divisions_x))
    # Without a trigger: a signal ten times too small for it is one of the things that are looked for.
    return scope.capture(timeout_s=10.0, trigger=TriggerMode.FREE)


def _sine(scope: Scope, level_vpp: float, hz: float) -> Iterator[TrialStep]:
    ladder = np.array(scope.volts_per_div_choices(1.0))
    fits = ladder[ladder >= level_vpp / 6.0]
    volts = float(fits[0]) if fits.size else float(ladder[-1])
    capture = _captured(scope, volts, hz)
    reading = read_point(trace_pair(capture), hz)
    for channel, vpp in zip(CHANNELS, (reading.drive_vpp, reading.far_vpp), strict=True):
        yield TrialStep(
            name=f"amplitude on channel {channel}",
            ok=abs(vpp / level_vpp - 1.0) <= AMPLITUDE_LIMIT,
            asked=f"{level_vpp:.3g} V p-p, both probes at 1:1",
            got=f"{vpp:.3g} V p-p ({vpp / level_vpp:.3g} of it)",
            advice=_HALF_OR_DOUBLE,
        )
    refusals = "; ".join(words for _, words in reading.refusals)
    found_hz = _peak_hz(capture)
    yield TrialStep(
        name="frequency",
        ok=abs(found_hz / hz - 1.0) <= FREQUENCY_LIMIT and not refusals,
        asked=f"{hz:g} Hz by the scope's time base",
        got=f"{found_hz:.4g} Hz" + (f"; {refusals}" if refusals else ""),
        advice="The profile's sample interval or the generator's frequency form is wrong.",
    )
    if reading.point is None:
        return
    turn = degrees(float(np.angle(reading.point.ratio)))
    yield TrialStep(
        name="polarity and phase",
        ok=abs(turn) <= PHASE_LIMIT_DEG,
        asked="both channels on one node: 0 degrees between them",
        got=f"{turn:+.2f} degrees",
        advice="180 degrees: one channel is inverted, or its scaling has the wrong sign. Others: not one record.",
    )
    size = abs(reading.point.ratio)
    yield TrialStep(
        name="channels alike",
        ok=abs(size - 1.0) <= AMPLITUDE_LIMIT,
        asked="channel 2 over channel 1: 1",
        got=f"{size:.4f}",
        advice="The probes' switches differ, or one range is scaled wrongly.",
    )
    for name, volts_dc in (("channel 1", reading.drive_dc_v), ("channel 2", reading.far_dc_v)):
        yield TrialStep(
            name=f"zero of {name}",
            ok=abs(volts_dc) <= 0.5 * volts,
            asked="0 V DC, within half a division",
            got=f"{volts_dc:+.3g} V at {volts:g} V/div",
            advice="The profile's vertical origin (codes or volts) or its centre code is wrong.",
        )


def _triggered(scope: Scope) -> str:
    return f"{scope.capture(timeout_s=10.0).channel_1.codes.size} points"


def _peak_hz(capture: Capture) -> float:
    """Where the spectrum of channel 1 is highest: a frequency that owes nothing to the one that was set."""
    codes = capture.channel_1.codes.astype(float)
    spectrum = np.abs(np.fft.rfft((codes - codes.mean()) * np.hanning(codes.size)))
    top = int(np.argmax(spectrum[1:-1])) + 1
    left, middle, right = np.log(np.maximum(spectrum[top - 1 : top + 2], 1e-12))
    shift = 0.5 * (left - right) / (left - 2.0 * middle + right) if left + right < 2.0 * middle else 0.0
    return float((top + shift) / (codes.size * capture.sample_interval_s))


def _clipped(scope: Scope, level_vpp: float, hz: float) -> TrialStep:
    ladder = scope.volts_per_div_choices(1.0)
    small = [v for v in ladder if v * scope.divisions_y < level_vpp / 2.0]
    if not small:
        return TrialStep(
            name="overdriven channel",
            ok=True,
            asked="a range that is too fine",
            got="there is none; not tried",
        )
    reading = read_point(trace_pair(_captured(scope, small[-1], hz)), hz)
    found = any(kind is Refusal.CLIPPED for kind, _ in reading.refusals)
    return TrialStep(
        name="overdriven channel",
        ok=found,
        asked=f"a record at {small[-1]:g} V/div is refused as clipped",
        got="refused" if found else "taken for good",
        advice="The profile's rails, centre code or codes per division are wrong.",
    )


def _quiet(scope: Scope, level_vpp: float) -> TrialStep:
    for channel in CHANNELS:
        scope.set_volts_per_div(channel, level_vpp / 4.0)
    capture = scope.capture(timeout_s=10.0, trigger=TriggerMode.FREE)
    swing = max(
        float(np.percentile(t.codes, 95) - np.percentile(t.codes, 5)) * t.volts_per_code
        for t in (capture.channel_1, capture.channel_2)
    )
    return TrialStep(
        name="output off at the end",
        ok=swing <= QUIET_SHARE * level_vpp,
        asked="no signal on either channel",
        got=f"{swing:.3g} V of swing",
        advice="The output did not go off: switch it off at the generator, and do not use this profile.",
    )


def _nearest(choices: tuple[float, ...], wanted: float) -> float:
    return min(choices, key=lambda each: abs(np.log(each / wanted)))


def _setting(name: str, value: float, unit: str, send: Callable[[float], float]) -> TrialStep:
    asked = format_quantity(value, unit)
    try:
        taken = send(value)
    except BenchError as exc:
        return TrialStep(name=name, ok=False, asked=asked, got=exc.what, advice=exc.do)
    return TrialStep(
        name=name,
        ok=abs(taken / value - 1.0) <= 0.01,
        asked=asked,
        got=format_quantity(taken, unit),
        advice="It answers another value than it was told: the profile's ladder, unit or form is wrong.",
    )


def _step(
    name: str,
    asked: str,
    act: Callable[[], object],
    advice: str,
    *,
    failing: tuple[str, ...] = (),
) -> TrialStep:
    try:
        answer = act()
    except BenchError as exc:
        return TrialStep(name=name, ok=False, asked=asked, got=exc.what, advice=f"{exc.do} {advice}")
    got = answer if isinstance(answer, str) else "taken"
    return TrialStep(name=name, ok=got not in failing, asked=asked, got=got, advice=advice)
