"""Priors of parts and the model of probes, against closed forms and a circuit of a divider."""

from math import exp, log, sqrt

import numpy as np
import pytest

from twonode.analysis.channel import PROBE_1, PROBE_10, compensation, probe_for_factor
from twonode.analysis.network import Network
from twonode.analysis.prior import log_prior, tolerance_prior
from twonode.analysis.quantities import Measured, Tolerance
from twonode.analysis.stage import GROUND, Part, PartKind


def resistor(**more):
    return Part(name="R12", kind=PartKind.RESISTOR, between=("grid", GROUND), value=470e3, **more)


def test_a_symmetric_tolerance_is_a_gaussian_of_t_over_root_three():
    prior = tolerance_prior(470e3, Tolerance(minus=0.2, plus=0.2))
    assert prior.sigma == pytest.approx(0.2 / sqrt(3))
    assert exp(prior.mean) == pytest.approx(470e3)


def test_unequal_limits_are_centred_between_their_logarithms():
    prior = tolerance_prior(25e-6, Tolerance(minus=0.2, plus=1.0))
    assert exp(prior.mean) == pytest.approx(25e-6 * sqrt(0.8 * 2.0))
    assert prior.sigma == pytest.approx(log(2.0 / 0.8) / (2 * sqrt(3)))


def test_a_reading_replaces_the_tolerance():
    prior = log_prior(
        resistor(tolerance=Tolerance(minus=0.2, plus=0.2), measured=Measured(value=482e3, half_width=2.41e3))
    )
    assert exp(prior.mean) == pytest.approx(482e3)
    assert prior.sigma == pytest.approx(0.005 / sqrt(3))


def test_an_aged_resistor_is_expected_higher_and_wider():
    prior = log_prior(resistor(tolerance=Tolerance(minus=0.05, plus=0.05), aged=True))
    assert exp(prior.mean) > 470e3 * 1.05
    assert prior.sigma >= 0.2


def divider(error):
    """A 10:1 probe as a circuit: 9 of 10 parts of its resistance at the tip, its capacitances trimmed off by error."""
    tau = PROBE_10.time_constant_s
    tip, rest = 0.9 * PROBE_10.resistance_ohm, 0.1 * PROBE_10.resistance_ohm

    def part(name, kind, first, second, value):
        return Part(name=name, kind=kind, between=(first, second), value=value)

    return Network(
        [
            part("Rt", PartKind.RESISTOR, "node", "scope", tip),
            part("Ct", PartKind.CAPACITOR, "node", "scope", tau * (1 + error) / tip),
            part("Ri", PartKind.RESISTOR, "scope", GROUND, rest),
            part("Ci", PartKind.CAPACITOR, "scope", GROUND, tau / rest),
        ],
        forced="node",
    )


@pytest.mark.parametrize("error", [-0.05, 0.0, 0.03])
def test_compensation_formula_is_the_circuit_of_a_divider(error):
    frequency_hz = np.geomspace(1.0, 1e6, 25)
    circuit = 10.0 * divider(error).ratio(frequency_hz, "scope")
    formula = np.exp(compensation(2j * np.pi * frequency_hz, PROBE_10.time_constant_s, error)[0])
    assert np.abs(formula / circuit - 1).max() < 1e-9


def test_compensation_slopes_are_its_derivatives():
    s = 2j * np.pi * np.geomspace(10.0, 1e5, 15)
    tau, error, step = PROBE_10.time_constant_s, 0.02, 1e-6
    _, by_error, by_log_tau, mixed = compensation(s, tau, error)
    numeric = (compensation(s, tau, error + step)[0] - compensation(s, tau, error - step)[0]) / (2 * step)
    assert np.abs(numeric - by_error).max() < 1e-8
    numeric = (compensation(s, tau * exp(step), error)[0] - compensation(s, tau * exp(-step), error)[0]) / (
        2 * step
    )
    assert np.abs(numeric - by_log_tau).max() < 1e-8
    up, down = (compensation(s, tau * exp(d), 0.0)[1] for d in (step, -step))
    assert np.abs((up - down) / (2 * step) - mixed).max() < 1e-8


def test_a_probe_two_percent_off_biases_c_by_the_designs_figure():
    # design: 2 % off biases C by 1.7 % at a 1.6 kHz corner and hardly at all at 16 Hz (phase at the corner).
    def bias(corner_hz):
        s = np.array([2j * np.pi * corner_hz])
        phase_error = compensation(s, PROBE_10.time_constant_s, 0.02)[0].imag[0]
        return phase_error / -0.5  # d(phase)/d(ln C) of a high-pass at its corner

    assert abs(bias(1.6e3)) == pytest.approx(0.017, abs=0.001)
    assert abs(bias(16.0)) < 0.0005


def test_only_the_two_stated_probe_classes_exist():
    assert probe_for_factor(1.0) is PROBE_1
    assert PROBE_1.compensation_sigma == 0
    with pytest.raises(ValueError, match="10 or 1"):
        probe_for_factor(100.0)
