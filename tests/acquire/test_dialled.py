"""A generator without remote control: a hand dials it some per cent off, and the traces say where it stands."""

import numpy as np
import pytest
from swept import fixture_request

from twonode.acquire import PointDone, run_sweep
from twonode.acquire.dialled import dialled_hz
from twonode.acquire.errors import DialledOff, NoSignal
from twonode.acquire.reestimate import reestimate
from twonode.acquire.request import PlanKind
from twonode.analysis.hookup import HookUp
from twonode.analysis.traces import ChannelCodes, TracePair
from twonode.drivers.bench import Bench
from twonode.drivers.manual import MANUAL_PROFILE, ManualLink
from twonode.drivers.simulated import SimulatedSettings, direct_links
from twonode.recordings import read_recording


class DialHand:
    """Turns the simulated generator by its own commands, never exactly to where it is asked."""

    def __init__(self, link, *, off=0.03, level=0.8, seed=1):
        self._link, self._off, self._factor = link, off, level
        self._chance = np.random.default_rng(seed)
        self.asked = []

    def prepare(self):
        for text in (":OUTP1:LOAD INF", ":SOUR1:VOLT:UNIT VPP", ":SOUR1:FUNC SIN", ":SOUR1:VOLT:OFFS 0"):
            self._link.write(text)
        self.asked.append("prepare")

    def dial(self, frequency_hz):
        self._link.write(f":SOUR1:FREQ {frequency_hz * (1 + self._off * self._chance.uniform(-1, 1)):.6g}")
        self.asked.append(frequency_hz)

    def level(self, vpp):
        self._link.write(f":SOUR1:VOLT {vpp * self._factor:.4g}")
        self.asked.append("level")

    def switch(self, on):
        self._link.write(f":OUTP1 {'ON' if on else 'OFF'}")
        self.asked.append(on)


def _dialled(tmp_path, **hand):
    request = fixture_request(HookUp.SERIES, 22e-9, 100e3, points=6, plan=PlanKind.EVEN)
    links = direct_links(SimulatedSettings(stage=request.stage, seed=7))
    by_hand = DialHand(links.generator, **hand)
    with Bench.from_links(generator=ManualLink(by_hand), scope=links.scope, clock=links.clock) as bench:
        events = list(run_sweep(bench, request, archive=tmp_path))
    return links, by_hand, events


def test_a_value_is_found_though_no_frequency_is_where_it_was_asked(tmp_path):
    links, hand, events = _dialled(tmp_path)
    recording = read_recording(events[-1].recording)
    true = links.world.truth.value["C1"]
    found = reestimate([recording.folder]).estimate.capacitance
    assert abs(found.value - true) < 3 * found.standard_uncertainty
    assert found.standard_uncertainty < 0.01 * true
    offs = [abs(row.frequency_hz / row.frequency_set_hz - 1) for row in recording.used]
    assert max(offs) > 0.005
    for row in recording.used:
        # Time base and generator of the simulated bench are good to some 50 ppm.
        set_hz = next(h for h in hand.asked if h == pytest.approx(row.frequency_set_hz, rel=1e-9))
        assert abs(row.frequency_hz / set_hz - 1) < 0.03 + 1e-3
    assert not links.world.output_on


def test_an_output_that_was_never_switched_on_is_no_signal(tmp_path):
    class Forgetful(DialHand):
        def switch(self, on):
            self.asked.append(on)

    request = fixture_request(HookUp.SERIES, 22e-9, 100e3, points=6, plan=PlanKind.EVEN)
    links = direct_links(SimulatedSettings(stage=request.stage, seed=7))
    with (
        Bench.from_links(
            generator=ManualLink(Forgetful(links.generator)), scope=links.scope, clock=links.clock
        ) as bench,
        pytest.raises(NoSignal, match="channel 1"),
    ):
        list(run_sweep(bench, request, archive=tmp_path))


def test_the_recording_says_that_nothing_was_read_back(tmp_path):
    _, hand, events = _dialled(tmp_path)
    generator = read_recording(events[-1].recording).header.instruments[0]
    assert generator.profile == MANUAL_PROFILE
    assert "output on and off" in generator.settings["not_read_back"]
    assert hand.asked[0] is False, "whether it is on is not known at the start"
    assert hand.asked[-1] is False
    assert sum(isinstance(event, PointDone) for event in events) >= 4


def test_a_knob_on_the_wrong_range_is_said_and_the_output_is_switched_off(tmp_path):
    class Tenfold(DialHand):
        def dial(self, frequency_hz):
            super().dial(frequency_hz * (2 if len(self.asked) > 6 else 1))

    request = fixture_request(HookUp.SERIES, 22e-9, 100e3, points=6, plan=PlanKind.EVEN)
    links = direct_links(SimulatedSettings(stage=request.stage, seed=7))
    hand = Tenfold(links.generator)
    with (
        pytest.raises(DialledOff, match="traces show"),
        Bench.from_links(generator=ManualLink(hand), scope=links.scope, clock=links.clock) as bench,
    ):
        list(run_sweep(bench, request, archive=tmp_path))
    assert not links.world.output_on
    [folder] = [each for each in tmp_path.iterdir() if not each.name.startswith(".")]
    assert read_recording(folder).used


def _shown(volts, volts_per_div=0.5):
    """Both channels showing the same, 25 codes a division, 2 us a sample."""
    channel = ChannelCodes(
        codes=np.round(volts / volts_per_div * 25).astype(np.int16),
        volts_per_code=volts_per_div / 25,
        volts_at_code_zero=0.0,
        lowest_code=-128,
        highest_code=127,
        volts_per_div=volts_per_div,
    )
    return TracePair(drive=channel, far=channel, sample_interval_s=2e-6)


def test_an_output_that_was_never_switched_on_is_no_knob_on_the_wrong_range():
    seconds = 2e-6 * np.arange(6000)
    noise = np.random.default_rng(3).normal(0.0, 0.02, 6000)
    hum = 0.1 * np.sin(2 * np.pi * 50 * seconds)
    assert dialled_hz(_shown(noise + hum), 1000.0) == 1000.0
    # The same knob with something behind it is said to be wrong.
    with pytest.raises(DialledOff, match=r"traces show 5\.00 kHz"):
        dialled_hz(_shown(noise + np.sin(2 * np.pi * 5000 * seconds)), 1000.0)
    assert dialled_hz(_shown(noise + np.sin(2 * np.pi * 1030 * seconds)), 1000.0) == pytest.approx(
        1030.0, rel=1e-3
    )
