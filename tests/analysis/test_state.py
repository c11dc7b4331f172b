"""Natural modes and steady states of a circuit against closed forms."""

import numpy as np
import pytest
from network_stages import FIVE_STAGES

from twonode.analysis.network import Network, StateSpace
from twonode.analysis.stage import GROUND, Part, PartKind


def part(name, kind, first, second, value, **more):
    return Part(name=name, kind=kind, between=(first, second), value=value, **more)


@pytest.mark.parametrize("stage", FIVE_STAGES, ids=lambda s: s.title[:20])
def test_steady_state_of_the_time_domain_form_is_the_nodal_solution(stage):
    # The stages carry no dielectric loss, so both forms describe the same circuit.
    network = Network(stage.parts, forced=stage.drive)
    state = StateSpace(stage.parts, forced=stage.drive)
    for hz in (1.0, 455.0, 1e6):
        s = 2j * np.pi * hz
        nodal = network.voltages(np.array([s]))[0][1:]
        assert state.steady(s)[: nodal.size] == pytest.approx(nodal, rel=1e-8, abs=1e-12)


def test_one_rc_has_one_mode_with_its_time_constant():
    state = StateSpace(
        [
            part("R", PartKind.RESISTOR, "drive", "far", 10e3),
            part("C", PartKind.CAPACITOR, "far", GROUND, 1e-6),
        ],
        forced="drive",
    )
    modes = state.modes()
    assert modes.rates == pytest.approx([-100.0])
    assert modes.slowest_s() == pytest.approx(0.01)


def test_a_resonant_circuit_has_the_textbook_pair_of_modes():
    # Series R-L-C: s = -R/2L +- j sqrt(1/LC - (R/2L)^2).
    r, ell, c = 100.0, 0.5, 47e-9
    state = StateSpace(
        [
            part("R", PartKind.RESISTOR, "drive", "a", r),
            part("L", PartKind.INDUCTOR, "a", "far", ell),
            part("C", PartKind.CAPACITOR, "far", GROUND, c),
        ],
        forced="drive",
    )
    rates = sorted(state.modes().rates, key=lambda z: z.imag)
    root = np.sqrt(1 / (ell * c) - (r / (2 * ell)) ** 2)
    assert rates == pytest.approx([complex(-r / (2 * ell), -root), complex(-r / (2 * ell), root)], rel=1e-9)


@pytest.mark.parametrize("stage", FIVE_STAGES, ids=lambda s: s.title[:20])
def test_every_mode_of_a_passive_circuit_decays_and_solves_its_equation(stage):
    state = StateSpace(stage.parts, forced=stage.drive)
    modes = state.modes()
    assert modes.rates.size == np.linalg.matrix_rank(
        state.storage / np.maximum(np.abs(state.storage).max(axis=1, keepdims=True), 1e-30)
    )
    for rate, shape in zip(modes.rates, modes.shapes.T, strict=True):
        assert rate.real < 0
        flow, storing = state.conduction @ shape, rate * (state.storage @ shape)
        assert np.abs(flow + storing).max() < 1e-6 * np.abs(flow).max()


def test_coefficients_rebuild_the_stored_part_of_any_deviation():
    state = StateSpace(FIVE_STAGES[4].parts, forced="anode")
    modes = state.modes()
    deviation = np.random.default_rng(1).standard_normal(len(state.states))
    rebuilt = (modes.shapes @ modes.coefficients(deviation)).real
    assert state.storage @ rebuilt == pytest.approx(state.storage @ deviation, rel=1e-6, abs=1e-18)
