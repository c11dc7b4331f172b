"""The network solver against ngspice, scikit-rf, closed forms and 40-digit differences."""

from dataclasses import replace

import mpmath
import numpy as np
import pytest
from network_stages import FIVE_STAGES
from spice import needs_ngspice, run_ac

from twonode.analysis.network import Network, NetworkError, part_admittance
from twonode.analysis.stage import GROUND, Part, PartKind

WIDE_HZ = np.logspace(0, 7, 211)


def part(name, kind, first, second, value, **more):
    return Part(name=name, kind=kind, between=(first, second), value=value, **more)


def high_pass(farad, ohm):
    return Network(
        [
            part("C", PartKind.CAPACITOR, "drive", "far", farad),
            part("R", PartKind.RESISTOR, "far", GROUND, ohm),
        ],
        forced="drive",
    )


@needs_ngspice
@pytest.mark.parametrize("stage", FIVE_STAGES, ids=lambda s: s.title[:20])
def test_every_node_agrees_with_ngspice(stage, tmp_path):
    network = Network(stage.parts, forced=stage.drive)
    ours = network.voltages(2j * np.pi * WIDE_HZ).T
    theirs = run_ac(
        stage.parts, forced=stage.drive, watch=network.nodes, frequency_hz=WIDE_HZ, folder=tmp_path
    )
    assert np.abs(ours / theirs - 1).max() < 1e-6


# references section 2: H = jr/(1+jr), r = f/fc, checked there in four programs.
@pytest.mark.parametrize(
    ("r", "magnitude", "phase_deg"),
    [
        (0.1, 0.099504, 84.2894),
        (0.5, 0.447214, 63.4349),
        (1, 0.707107, 45.0),
        (2, 0.894427, 26.5651),
        (10, 0.995037, 5.7106),
    ],
)
def test_high_pass_follows_the_closed_form(r, magnitude, phase_deg):
    corner_hz = 15.3922  # 22 nF and 470 kohm, references section 2
    ratio = high_pass(22e-9, 470e3).ratio(np.array([r * corner_hz]), "far")[0]
    assert abs(ratio) == pytest.approx(magnitude, abs=2e-6)
    assert np.degrees(np.angle(ratio)) == pytest.approx(phase_deg, abs=2e-4)


def test_cascade_of_series_and_shunt_element_agrees_with_scikit_rf():
    # scikit-rf: ABCD of a series C and a shunt R in cascade; open-circuit ratio is 1/A.
    import skrf

    frequency = skrf.Frequency.from_f(np.geomspace(1.0, 1e5, 25), unit="Hz")
    line = skrf.media.DefinedGammaZ0(frequency, z0=50.0)
    cascade = line.capacitor(22e-9) ** line.shunt_resistor(470e3)
    theirs = 1.0 / cascade.a[:, 0, 0]
    ours = high_pass(22e-9, 470e3).ratio(frequency.f, "far")
    assert np.abs(ours / theirs - 1).max() < 1e-9


def test_loading_by_a_probe_gives_the_worked_netlist_of_the_references():
    # references section 2, whole netlist: 22 nF || 100 Mohm into 470 k || 10 M || 12 pF at 16 Hz.
    network = Network(
        [
            part("C", PartKind.CAPACITOR, "drive", "far", 22e-9, leak_ohm=100e6),
            part("R", PartKind.RESISTOR, "far", GROUND, 470e3),
            part("Rp", PartKind.RESISTOR, "far", GROUND, 10e6),
            part("Cp", PartKind.CAPACITOR, "far", GROUND, 12e-12),
        ],
        forced="drive",
    )
    ratio = network.ratio(np.array([16.0]), "far")[0]
    assert abs(ratio) == pytest.approx(0.702784, abs=1e-6)
    assert np.degrees(np.angle(ratio)) == pytest.approx(45.0598, abs=1e-4)


@pytest.mark.parametrize("stage", FIVE_STAGES, ids=lambda s: s.title[:20])
def test_adjoint_sensitivities_agree_with_central_differences_in_forty_digits(stage):
    # mpmath: in double precision the differences themselves lose the digits that are compared.
    network = Network(stage.parts, forced=stage.drive)
    for hz in (1.0, 60.0, 3.3e3, 150e3, 1e6):
        y = network.admittances(np.array([2j * np.pi * hz]))
        _, exact = network.transfer_with_sensitivity(y, stage.far)
        for row, by_y in enumerate(exact[:, 0]):
            numeric = central_difference(network, y[:, 0], row, network.free_nodes.index(stage.far))
            assert abs(by_y - numeric) <= 1e-6 * abs(numeric) + 1e-12 / abs(y[row, 0])


def central_difference(network, y, row, far):
    """d transfer / d y by mpmath with 40 digits."""
    with mpmath.workdps(40):
        step = mpmath.mpc(complex(y[row])) * mpmath.mpf("1e-12")
        found = []
        for sign in (1, -1):
            shifted = [mpmath.mpc(complex(value)) for value in y]
            shifted[row] += sign * step
            size = len(network.free_nodes)
            matrix, right = mpmath.matrix(size, size), mpmath.matrix(size, 1)
            for value, ends, forced in zip(shifted, network.incidence, network.to_forced, strict=True):
                for i in map(int, np.flatnonzero(ends)):
                    right[i] -= value * float(ends[i] * forced)
                    for j in map(int, np.flatnonzero(ends)):
                        matrix[i, j] += value * float(ends[i] * ends[j])
            found.append(mpmath.lu_solve(matrix, right)[far])
        return complex((found[0] - found[1]) / (2 * step))


def test_derivatives_of_the_four_element_capacitor_agree_with_differences():
    s = 2j * np.pi * np.geomspace(1.0, 1e6, 20)
    base = part("C", PartKind.CAPACITOR, "a", "b", 22e-9, loss=0.02, esr_ohm=30.0, leak_ohm=4e6)
    found = part_admittance(base, s)

    def numeric(field, step):
        value = getattr(base, field)
        up = part_admittance(replace(base, **{field: value + step}), s).y
        down = part_admittance(replace(base, **{field: value - step}), s).y
        return (up - down) / (2 * step)

    assert np.abs(numeric("value", 1e-13) * base.value / found.by_log_value - 1).max() < 1e-6
    assert np.abs(numeric("loss", 1e-5) / found.by_loss - 1).max() < 1e-6
    assert np.abs(numeric("esr_ohm", 1e-3) / found.by_esr - 1).max() < 1e-6


def test_loss_factor_is_that_of_the_worked_figure():
    # references section 2: 0.1 uF, 1 kHz, tan delta 0.008: series R 12.7324 ohm.
    lossy = part("C", PartKind.CAPACITOR, "a", "b", 0.1e-6, loss=0.008)
    y = part_admittance(lossy, np.array([2j * np.pi * 1e3])).y[0]
    assert (1 / y).real == pytest.approx(12.7324, rel=1e-4)
    assert y.real / y.imag == pytest.approx(0.008, rel=1e-12)


def test_a_practitioners_facts_about_a_coupling_capacitor_come_out():
    # Common practice, no source: tens of nanofarads into some hundred kilohms pass speech almost without loss; 200 pF
    # loses most of the bass and yet passes hundreds of kilohertz as if it were not there. Figures derived, no probe.
    speech_hz, bass_hz, radio_hz = 300.0, 100.0, 455e3
    full, small = high_pass(22e-9, 470e3), high_pass(200e-12, 470e3)

    def db(network, hz):
        return 20 * np.log10(abs(network.ratio(np.array([hz]), "far")[0]))

    assert db(full, speech_hz) > -0.02
    assert db(small, bass_hz) < -24.0
    assert db(small, radio_hz) > -0.01


def test_a_supply_is_a_short_for_signals_and_cannot_be_driven():
    load = part("R", PartKind.RESISTOR, "far", "ht", 220e3)
    supply = part("HT", PartKind.SUPPLY, "ht", GROUND, 250.0)
    coupling = part("C", PartKind.CAPACITOR, "drive", "far", 22e-9)
    ratio = Network([load, supply, coupling], forced="drive").ratio(np.array([32.88]), "far")[0]
    assert abs(ratio) == pytest.approx(0.7071, abs=1e-3)
    with pytest.raises(NetworkError, match="ground for AC"):
        Network([load, supply, coupling], forced="ht")


def test_a_node_that_is_not_there_is_named():
    with pytest.raises(NetworkError, match="grid"):
        high_pass(1e-9, 1e6).ratio(np.array([1.0]), "grid")
