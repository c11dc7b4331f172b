"""What is refused before any instrument is touched, and where frequencies are placed."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from swept import HookUp, fixture_request, stage_request

from twonode.acquire import SafetyRefusal, UnfitRequest, advised_resistor, check_request
from twonode.acquire.levels import Predictor
from twonode.acquire.plan import plan_sweep
from twonode.acquire.ranges import LEAST_DIV, choose_range
from twonode.acquire.timing import place_frequency
from twonode.analysis.ratio import MINIMUM_CYCLES

STEPS_S = tuple(m * 10.0**e for e in range(-8, 1) for m in (1, 2, 5))[:-3]
STEPS_V = tuple(m * 10.0**e for e in range(-2, 2) for m in (1, 2, 5))


class Limits:
    frequency_min_hz = 1e-3
    frequency_max_hz = 20e6
    seconds_per_div = STEPS_S
    divisions = 12


def refused(**more):
    with pytest.raises((UnfitRequest, SafetyRefusal)) as caught:
        check_request(stage_request(simulated=False, **more))
    assert len(str(caught.value).splitlines()) <= 3
    return caught.value


def test_a_stage_sweep_needs_the_confirmation_and_both_nodes_volts():
    assert "unplugged" in str(refused())
    assert "unplugged" in str(refused(unplugged_and_discharged=True))
    assert "unplugged" in str(refused(node_volts=(0.1, 0.1)))
    check_request(stage_request(simulated=False, unplugged_and_discharged=True, node_volts=(0.3, 0.1)))


@pytest.mark.parametrize("volts", [(5.0, 0.1), (0.1, -7.0), (float("nan"), 0.0), (float("inf"), 0.0)])
def test_five_volts_at_a_node_are_refused_whatever_was_confirmed(volts):
    assert isinstance(refused(unplugged_and_discharged=True, node_volts=volts), SafetyRefusal)


@pytest.mark.parametrize(
    ("farad", "ohm", "size", "advice"),
    [(1e-6, 10e6, "large", "1k"), (100e-12, 100.0, "small", "1M")],
)
def test_a_resistor_that_does_not_suit_is_refused_with_one_that_does(farad, ohm, size, advice):
    with pytest.raises(UnfitRequest, match=size) as caught:
        check_request(fixture_request(HookUp.SERIES, farad, ohm))
    assert f"--resistor {advice}" in str(caught.value)


def test_polarised_parts_get_at_most_0_3_v_peak():
    request = fixture_request(HookUp.SERIES, 25e-6, 1e3)
    assert request.generator_vpp == 0.6
    with pytest.raises(UnfitRequest, match="polarised"):
        check_request(fixture_request(HookUp.SERIES, 25e-6, 1e3, level_vpp=2.0))


def test_advised_resistors_put_the_corner_below_200_hz_where_a_megohm_can():
    for farad in np.geomspace(1e-9, 1e-5, 30):
        assert 1 / (2 * np.pi * farad * advised_resistor(farad)) <= 200.0
    assert advised_resistor(100e-12) == 1e6


@settings(max_examples=300, deadline=None)
@given(hz=st.floats(5.0, 1e6), line_hz=st.sampled_from([50.0, 60.0]))
def test_every_frequency_has_its_cycles_and_keeps_clear_of_the_line(hz, line_hz):
    placed = place_frequency(
        hz, seconds_per_div=STEPS_S, divisions=12, line_hz=line_hz, lowest_hz=1.0, highest_hz=20e6
    )
    assert abs(placed.frequency_hz / hz - 1) < 0.23
    cycles = placed.frequency_hz * placed.record_s
    assert cycles >= MINIMUM_CYCLES
    for multiple in (1, 2, 3):
        assert abs(placed.frequency_hz - multiple * line_hz) * placed.record_s > 1.0


def test_no_time_base_slow_enough_is_said():
    with pytest.raises(UnfitRequest, match="time base"):
        place_frequency(
            0.001, seconds_per_div=STEPS_S, divisions=12, line_hz=50.0, lowest_hz=1e-6, highest_hz=1e6
        )


@settings(max_examples=200, deadline=None)
@given(vpp=st.floats(1e-4, 200.0), current=st.one_of(st.none(), st.sampled_from(STEPS_V)))
def test_a_range_holds_the_trace_and_fills_a_fifth_of_the_screen_where_it_can(vpp, current):
    chosen = choose_range(vpp, STEPS_V, current)
    if vpp <= 7.2 * STEPS_V[-1]:
        assert vpp / chosen <= 7.2
    if chosen > STEPS_V[0]:
        assert vpp / chosen >= LEAST_DIV


def test_the_even_plan_spans_the_corner_and_keeps_to_an_explicit_range():
    request = fixture_request(HookUp.SERIES, 22e-9, 100e3, points=None)  # corner 72 Hz
    plan = plan_sweep(request, Limits, per_point_s=0.1)
    hz = [p.frequency_hz for p in plan.placements]
    assert min(hz) < 72 / 4
    assert max(hz) > 72 * 4
    given_range = fixture_request(HookUp.SERIES, 22e-9, 100e3, from_hz=20.0, to_hz=2e3, points=9)
    hz = [p.frequency_hz for p in plan_sweep(given_range, Limits, per_point_s=0.1).placements]
    assert len(hz) == 9
    assert 16 < min(hz) < 25
    assert 1.6e3 < max(hz) < 2.5e3


def test_a_range_out_of_reach_of_the_generator_is_refused():
    with pytest.raises(UnfitRequest, match="--to"):
        plan_sweep(fixture_request(HookUp.SERIES, 1e-9, 100e3, to_hz=50e6), Limits, per_point_s=0.1)


def test_the_wait_covers_the_circuits_own_time_constant():
    # 22 nF into 470 k || 10 M: about 10 ms; a transient falls to 1e-4 in 9.2 time constants.
    request = stage_request()
    tau_s = 22e-9 * 482e3 * 10e6 / (482e3 + 10e6)
    assert 5 * tau_s < Predictor(request).at(16.0).settle_s < 30 * tau_s
