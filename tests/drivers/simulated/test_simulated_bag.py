"""The bag of unmarked parts, and exchanging what the simulated bench is clipped to."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from twonode.analysis.fixture import STRAY_ACROSS, STRAY_TO_GROUND, fixture_stage
from twonode.analysis.hookup import HookUp
from twonode.analysis.stage import Stage
from twonode.drivers.clock import VirtualClock
from twonode.drivers.simulated import SimulatedSettings
from twonode.drivers.simulated.bag import BagPart, Held, SimulatedFixture, draw_bag
from twonode.drivers.simulated.world import World

# tan delta by family: trade notes, section 7 (mica and polypropylene below 0.1 %, polyester about 0.5 %, high-K
# ceramic 1 to 2.5 %, old paper above 1 %, from memory and one film maker's table).
LOSSES = {
    "mica": (0.0, 1e-3),
    "polypropylene": (0.0, 1e-3),
    "polyester": (3e-3, 8e-3),
    "ceramic, high-K": (0.01, 0.025),
    "paper": (0.01, 0.1),
}
HZ = 1000.0


def part(farad: float = 2.2e-9, **more) -> BagPart:
    return BagPart(**({"family": "mica", "farad": farad, "printed_farad": farad, "loss": 1e-9} | more))


def series(part: str | None = "C7") -> Stage:
    return fixture_stage(HookUp.SERIES, part=part, resistor_ohm=1e4)


def shunt() -> Stage:
    return fixture_stage(HookUp.SHUNT, part="C7", resistor_ohm=1e4)


def world_of(stage: Stage, **settings) -> World:
    return World(
        SimulatedSettings(stage=stage, seed=3, hum_scale=0.0, imperfection=0.0, loss=0.0, **settings),
        VirtualClock(),
    )


def ratio(world: World) -> complex:
    """Far over drive in the steady state, from samples over whole cycles."""
    world.set_source(frequency_hz=HZ, amplitude_v=1.0)
    world.clock.sleep_s(2.0)
    start_s, count = world.now_s() - 1.0, 1000
    window = world.window(start_s, world.now_s())
    turn = np.exp(-2j * np.pi * np.arange(count) / 100)
    drive, far = (
        turn @ world.sample(channel, window, start_s=start_s, step_s=1e-2 / HZ, count=count)
        for channel in (0, 1)
    )
    world.set_source(frequency_hz=HZ, amplitude_v=0.0)
    return complex(far / drive)


def loads(world: World) -> tuple[complex, complex]:
    """Admittances from drive to far and from far to ground of all but the part and the resistor."""
    omega, probe, value = 2 * np.pi * HZ, world.truth.probes[1], world.truth.value
    return (
        1j * omega * value[STRAY_ACROSS],
        1 / probe.ohm + 1j * omega * (probe.farad + value[STRAY_TO_GROUND]),
    )


def expected(world: World, farad: float) -> complex:
    """In series: H = Y / (Y + Yg), the nodal equation of the far node. farad : 0.0 is an empty fixture."""
    across, ground = loads(world)
    through = 2j * np.pi * HZ * farad + across
    return through / (through + ground + 1 / world.truth.value["R 10.0 kΩ"])


def test_equal_seeds_give_equal_bags_and_others_do_not():
    assert draw_bag(7) == draw_bag(7)
    assert len(draw_bag(7)) == 24
    assert draw_bag(7, 30)[:24] == draw_bag(7)
    assert draw_bag(7)[0] != draw_bag(8)[0]


def test_a_bag_holds_what_a_drawer_holds():
    parts = [each for seed in range(20) for each in draw_bag(seed)]
    assert {each.family for each in parts} >= set(LOSSES)
    for each in parts:
        assert 5e-12 < each.farad < 2e-5
        assert abs(each.farad / each.printed_farad - 1) < 0.5
        low, high = LOSSES.get(each.family, (0.0, 0.1))
        assert low <= each.loss <= high
    # All decades from 10 pF to 1 uF are there.
    assert {int(np.floor(np.log10(each.farad))) for each in parts} >= set(range(-11, -6))


def test_the_hand_puts_one_part_after_the_other_between_the_clips():
    world = world_of(series())
    fixture = SimulatedFixture(world, [part(2.2e-9), part(390e-12), part(held=Held.WIRE)])
    fixture.wire(series())
    assert ratio(world) == pytest.approx(expected(world, 0.0), rel=1e-3)
    for number, farad in ((1, 2.2e-9), (2, 390e-12), (1, 2.2e-9)):
        fixture.hold(number)
        assert ratio(world) == pytest.approx(expected(world, farad), rel=1e-4)
    fixture.hold(3)
    assert abs(ratio(world)) == pytest.approx(1.0, abs=1e-4)
    fixture.take_out()
    assert ratio(world) == pytest.approx(expected(world, 0.0), rel=1e-3)


def test_the_part_goes_with_its_clips_when_the_hook_up_changes():
    world = world_of(series())
    fixture = SimulatedFixture(world, [part(1e-9)])
    fixture.hold(1)
    fixture.wire(shunt())
    across, ground = loads(world)
    through = 1 / world.truth.value["R 10.0 kΩ"] + across
    assert ratio(world) == pytest.approx(through / (through + ground + 2j * np.pi * HZ * 1e-9), rel=1e-4)


def test_losses_and_leaks_of_a_part_show():
    world = world_of(series())
    fixture = SimulatedFixture(world, [part(loss=0.02, leak_ohm=20e6)])
    fixture.wire(series())
    fixture.hold(1)
    real = next(each for each in world.truth.parts if each.name == "C7")
    assert (real.loss, real.leak_ohm) == (0.02, 20e6)
    assert ratio(world) != pytest.approx(expected(world, 2.2e-9), rel=1e-3)


def test_an_open_fixture_holds_nothing_whatever_was_taken_from_the_bag():
    world = world_of(series())
    fixture = SimulatedFixture(world, [part(held=Held.NOTHING), part()])
    fixture.wire(series(part=None))
    for number in (1, 2):
        fixture.hold(number)
        names = {each.name for each in world.truth.parts}
        assert names == {"R 10.0 kΩ", STRAY_ACROSS, STRAY_TO_GROUND}


def test_both_probes_go_to_one_node_for_a_null_run():
    world = world_of(series())
    fixture = SimulatedFixture(world, [part()])
    fixture.hold(1)
    fixture.probes_together()
    assert world.probe_nodes == ("drive", "drive")
    # What is left are the probes' own dividers, which nothing trims apart here.
    assert ratio(world) == pytest.approx(1.0, abs=1e-9)
    fixture.wire(series())
    assert world.probe_nodes == ("drive", "far")


def test_a_known_part_is_within_its_limits_and_stays_the_same_one():
    found = set()
    for seed in range(6):
        stage = series()
        world = World(SimulatedSettings(stage=stage, seed=seed), VirtualClock())
        fixture = SimulatedFixture(world, [])
        fixture.wire(stage)
        values = []
        for _ in range(2):
            fixture.hold_known(1e-9, 0.01, 0.02)
            values.append(world.truth.value["C7"])
        assert values[0] == values[1]
        assert 0.99e-9 <= values[0] <= 1.02e-9
        found.add(values[0])
    assert len(found) == 6


def test_the_instruments_stay_as_they_are_when_a_part_is_exchanged():
    world = World(SimulatedSettings(stage=series(), seed=9), VirtualClock())
    before = world.truth
    fixture = SimulatedFixture(world, [part()])
    fixture.wire(series())
    fixture.hold(1)
    after = world.truth
    assert after is not before
    assert np.array_equal(after.gain_error, before.gain_error)
    assert (after.probes, after.skew_s, after.time_base_error) == (
        before.probes,
        before.skew_s,
        before.time_base_error,
    )
    # The very same resistor is clipped in again.
    assert after.value["R 10.0 kΩ"] == before.value["R 10.0 kΩ"]


def test_nothing_is_exchanged_while_the_output_is_on():
    world = world_of(series())
    world.set_source(frequency_hz=HZ, amplitude_v=1.0)
    with pytest.raises(RuntimeError, match="output is on"):
        SimulatedFixture(world, [part()]).hold(1)


def test_another_bench_is_not_clipped_to():
    world = world_of(series())
    with pytest.raises(ValueError, match="another bench"):
        world.clip(replace(world.settings, seed=4))


def test_an_empty_bag_says_so():
    fixture = SimulatedFixture(world_of(series()), [part()])
    for number in (0, 2):
        with pytest.raises(IndexError, match="1 parts"):
            fixture.hold(number)
