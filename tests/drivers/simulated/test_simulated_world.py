"""The world against ngspice: steady state, steps, several changes, the probe's compensation."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from simulated_stages import (
    STAGES,
    capture_ten_field,
    fit_phasors,
    prepare_ten_field,
    read_ten_field,
    series,
    start_generator,
)
from spice_transient import GENERATOR_NODE, needs_ngspice, netlist, run_transient

from twonode.drivers.clock import VirtualClock
from twonode.drivers.simulated import SimulatedSettings, direct_links
from twonode.drivers.simulated.world import World

FIRST_HZ, SECOND_HZ = 300.0, 1100.0
CHANGE_S, END_S = 11e-3, 22e-3
STEP_S = 1e-6


def spice_source(world: World, changes: list[tuple[float, float]], amplitude_v: float = 1.0) -> str:
    """ngspice expression of the generator: (start, hertz) of each stretch; phase runs on, amplitude settles."""
    amplitude_v *= world.truth.source_gain
    tau_s = world.settings.generator_settle_s / 7
    text, phase, envelope = "0", 0.0, -1.0
    for number, (start_s, frequency_hz) in enumerate(changes):
        angular = 2 * np.pi * frequency_hz * (1 + world.truth.source_frequency_error)
        if number:
            last_s, last_hz = changes[number - 1]
            phase += 2 * np.pi * last_hz * (1 + world.truth.source_frequency_error) * (start_s - last_s)
            decayed = envelope * np.exp(-(start_s - last_s) / tau_s) if tau_s else 0.0
            envelope = decayed + float(world.truth.kicks[number])
        settling = f"(1+({float(envelope)!r})*exp(-(time-{start_s!r})/{tau_s!r}))" if tau_s else "1"
        wave = f"{amplitude_v!r}*{settling}*cos({float(angular)!r}*(time-{start_s!r})+({float(phase)!r}))"
        text = f"(time>={start_s!r} ? {wave} : {text})"
    return text


def perform(world: World, clock: VirtualClock, changes: list[tuple[float, float]]) -> None:
    for start_s, frequency_hz in changes:
        clock.sleep_s(start_s - clock.now_s())
        world.set_source(frequency_hz=frequency_hz, amplitude_v=1.0)


def our_trace(world: World, channel: int, grid_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """The world's volts at any moments, one sample at a time."""
    window = world.window(0.0, grid_s[-1])
    samples = [world.sample(channel, window, start_s=t, step_s=1.0, count=1)[0] for t in grid_s]
    return np.array(samples)


def moments_s() -> NDArray[np.float64]:
    grid_s = np.arange(0.1e-3, END_S - 0.1e-3, 61e-6)
    # The step itself takes ngspice a few of its own steps.
    return grid_s[np.abs(grid_s - CHANGE_S) > 20 * STEP_S]


@pytest.mark.ngspice
@needs_ngspice
@pytest.mark.parametrize("name", STAGES)
def test_traces_after_switching_on_and_after_a_step_follow_ngspice(name: str, tmp_path: Path) -> None:
    settings = SimulatedSettings(stage=STAGES[name], seed=5, loss=0.0, imperfection=0.0, hum_scale=0.0)
    clock = VirtualClock()
    world = World(settings, clock)
    changes = [(0.0, FIRST_HZ), (CHANGE_S, SECOND_HZ)]
    perform(world, clock, changes)
    lines, names = netlist(world.truth.circuit(settings.stage.drive, world.probe_nodes, None))
    time_s, *nodes = run_transient(
        lines,
        source=spice_source(world, changes),
        source_node=names[GENERATOR_NODE],
        watch=[names[settings.stage.drive], names[settings.stage.far]],
        stop_s=END_S,
        step_s=STEP_S,
        folder=tmp_path,
    )
    grid_s = moments_s()
    for channel, spice_v in enumerate(nodes):
        theirs = np.interp(grid_s, time_s, spice_v)
        assert np.abs(theirs).max() > 0.5
        # Second-order integration at 1 us: (w dt)^2 / 3 is 2e-5.
        assert np.abs(our_trace(world, channel, grid_s) - theirs).max() < 5e-5


@pytest.mark.ngspice
@needs_ngspice
def test_changes_in_quick_succession_superpose_as_in_ngspice(tmp_path: Path) -> None:
    settings = SimulatedSettings(
        stage=STAGES["resonant"], seed=8, loss=0.0, imperfection=0.0, hum_scale=0.0, blocking_farad=0.22e-6
    )
    clock = VirtualClock()
    world = World(settings, clock)
    # The choke rings at about 1 kHz and decays within some milliseconds: all of these overlap.
    changes = [(0.0, 700.0), (1.1e-3, 1500.0), (1.7e-3, 400.0), (2.9e-3, 1000.0)]
    perform(world, clock, changes)
    lines, names = netlist(world.truth.circuit("anode", world.probe_nodes, 0.22e-6))
    time_s, far_v = run_transient(
        lines,
        source=spice_source(world, changes),
        source_node=names[GENERATOR_NODE],
        watch=[names["grid"]],
        stop_s=8e-3,
        step_s=0.5e-6,
        folder=tmp_path,
    )
    grid_s = np.arange(0.1e-3, 7.9e-3, 23e-6)
    grid_s = grid_s[[np.abs(t - np.array([c[0] for c in changes])).min() > 10e-6 for t in grid_s]]
    theirs = np.interp(grid_s, time_s, far_v)
    assert np.abs(theirs).max() > 0.2
    assert np.abs(our_trace(world, 1, grid_s) - theirs).max() < 5e-5


@pytest.mark.ngspice
@needs_ngspice
def test_a_misadjusted_probe_follows_its_own_ladder_in_ngspice_through_a_step(tmp_path: Path) -> None:
    """The probe as parts: 9/10 of its resistance with the tip capacitor, 1/10 with the input's."""
    settings = SimulatedSettings(stage=series(), seed=11, loss=0.0, imperfection=4.0, hum_scale=0.0)
    clock = VirtualClock()
    world = World(settings, clock)
    changes = [(0.0, FIRST_HZ), (CHANGE_S, SECOND_HZ)]
    perform(world, clock, changes)
    probe = world.truth.probes[0]
    assert abs(probe.compensation) > 0.02
    lines, names = netlist(world.truth.circuit("drive", world.probe_nodes, None))
    tau_s = probe.ohm * probe.farad
    tip_ohm, input_ohm = 0.9 * probe.ohm, 0.1 * probe.ohm
    ladder = [
        f"EBUF tip 0 {names['drive']} 0 1",
        f"RT tip in {tip_ohm!r}",
        f"CT tip in {tau_s / tip_ohm * (1 + probe.compensation)!r}",
        f"RI in 0 {input_ohm!r}",
        f"CI in 0 {tau_s / input_ohm!r}",
    ]
    time_s, drive_v, input_v = run_transient(
        [*lines, *ladder],
        source=spice_source(world, changes),
        source_node=names[GENERATOR_NODE],
        watch=[names["drive"], "in"],
        stop_s=END_S,
        step_s=STEP_S,
        folder=tmp_path,
    )
    grid_s = moments_s()
    theirs = 10 * np.interp(grid_s, time_s, input_v)
    assert np.abs(our_trace(world, 0, grid_s) - theirs).max() < 1e-4
    assert np.abs(np.interp(grid_s, time_s, drive_v) - theirs).max() > 3e-3


@pytest.mark.ngspice
@needs_ngspice
@pytest.mark.parametrize("settled", [True, False], ids=["settled", "after a step"])
def test_a_scope_record_gives_the_ratio_of_ngspice_within_the_noise(settled: bool, tmp_path: Path) -> None:
    """Eight bits and noise between the world and the reader; gain and skew left out."""
    settings = SimulatedSettings(
        stage=STAGES["leaky ladder"], seed=21, loss=0.0, imperfection=0.0, hum_scale=0.0, noise_lsb=0.7
    )
    bench = direct_links(settings)
    prepare_ten_field(bench, volts_per_div=0.5, seconds_per_div=1e-3)
    start_generator(bench, 300.0, 3.0)
    bench.clock.sleep_s(0.4)
    change_s = bench.clock.now_s()
    bench.generator.write("FREQ 1100")
    if settled:
        bench.clock.sleep_s(0.4)
    volts, interval_s = capture_ten_field(bench)
    record = bench.scope._instrument.core.record  # where in time the record lies is not on the wire
    changes = [(0.0, 300.0), (change_s, 1100.0)]
    lines, names = netlist(bench.world.truth.circuit("anode", bench.world.probe_nodes, None))
    time_s, *spice_v = run_transient(
        lines,
        source=spice_source(bench.world, changes, amplitude_v=1.5),
        source_node=names[GENERATOR_NODE],
        watch=[names["anode"], names["grid"]],
        stop_s=record.starts_s[0] + record.points * record.step_s + 1e-3,
        step_s=5e-6,
        folder=tmp_path,
    )
    grid_s = record.starts_s[0] + np.arange(record.points) * interval_s
    theirs = np.array([np.interp(grid_s, time_s, v) for v in spice_v])
    ours, wanted = (fit_phasors(v, interval_s, 1100.0) for v in (volts, theirs))
    lsb_v = 0.5 / 25
    noise_v = lsb_v * np.sqrt(0.7**2 + 1 / 12)
    spread = noise_v * np.sqrt(2 / volts.shape[1]) / np.abs(wanted)
    ratio, expected = ours[1] / ours[0], wanted[1] / wanted[0]
    assert abs(ratio / expected - 1) < 4 * np.hypot(*spread)
    assert np.std(volts - theirs) == pytest.approx(noise_v, rel=0.05)


def test_reading_too_early_gives_a_wrong_ratio_and_waiting_the_right_one() -> None:
    settings = SimulatedSettings(stage=series(), seed=2, imperfection=0.0, hum_scale=0.0, noise_lsb=0.3)
    ratios = {}
    for wait_s in (0.0, 0.3):
        bench = direct_links(settings)
        prepare_ten_field(bench, volts_per_div=0.5, seconds_per_div=1e-3)
        start_generator(bench, 50.0, 3.0)
        bench.clock.sleep_s(0.5)
        bench.generator.write("FREQ 600")
        bench.clock.sleep_s(wait_s)
        volts, interval_s = capture_ten_field(bench)
        first, second = fit_phasors(volts, interval_s, 600.0)
        ratios[wait_s] = second / first
    part = bench.world.truth.value
    # RC high-pass with the probe across the resistor.
    probe = bench.world.truth.probes[1]
    s = 2j * np.pi * 600.0
    across = 1 / (1 / part["R"] + 1 / probe.ohm + s * probe.farad)
    loss = next(p.loss for p in bench.world.truth.parts if p.name == "C7")
    expected = across / (across + 1 / (part["C7"] * (s + abs(s) * loss)))
    assert abs(ratios[0.3] / expected - 1) < 1e-3
    assert abs(ratios[0.0] / expected - 1) > 5e-3


def test_compensation_formula_equals_the_divider_it_stands_for() -> None:
    world = World(SimulatedSettings(stage=series(), seed=3, imperfection=3.0), VirtualClock())
    s = 2j * np.pi * np.logspace(0, 6, 25)
    for channel, probe in enumerate(world.truth.probes):
        tau_s = probe.ohm * probe.farad
        tip = 1 / (1 / (0.9 * probe.ohm) + s * tau_s / (0.9 * probe.ohm) * (1 + probe.compensation))
        below = 1 / (1 / (0.1 * probe.ohm) + s * tau_s / (0.1 * probe.ohm))
        np.testing.assert_allclose(world._compensation(channel, s), 10 * below / (tip + below), rtol=1e-12)


def test_a_record_is_not_altered_by_what_the_generator_does_after_its_end() -> None:
    traces = []
    for disturb in (False, True):
        bench = direct_links(SimulatedSettings(stage=series(), seed=4))
        prepare_ten_field(bench, volts_per_div=0.5, seconds_per_div=1e-3)
        start_generator(bench, 250.0, 2.0)
        bench.clock.sleep_s(0.3)
        bench.scope.write(":SING")
        bench.clock.sleep_s(0.1)
        if disturb:
            for frequency in range(300, 500):
                bench.generator.write(f"FREQ {frequency}")
                bench.clock.sleep_s(0.01)
        traces.append(read_ten_field(bench)[0])
    np.testing.assert_array_equal(traces[0], traces[1])


def test_the_phase_runs_on_through_a_frequency_change() -> None:
    settings = SimulatedSettings(
        stage=series(), seed=6, imperfection=0.0, hum_scale=0.0, generator_settle_s=0.0
    )
    clock = VirtualClock()
    world = World(settings, clock)
    perform(world, clock, [(0.0, 100.0), (0.50312, 200.0)])
    window = world.window(0.4, 0.6)
    volts = world.sample(0, window, start_s=0.50212, step_s=1e-6, count=2000)
    # A jump of the phase would show as a step; a sine of 200 Hz and 1 V moves 1.3 mV a microsecond at most.
    assert np.abs(np.diff(volts)).max() < 1.4e-3
