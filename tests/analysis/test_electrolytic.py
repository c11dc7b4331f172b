"""Figures of an electrolytic: those put in come out, and what the data do not carry is not stated."""

from math import pi

import numpy as np
import pytest
from made_sweeps import made_sweep

from twonode.analysis.electrolytic import electrolytic_figures, electrolytic_words
from twonode.analysis.estimate import estimate_part
from twonode.analysis.hookup import HookUp
from twonode.analysis.model import Model
from twonode.analysis.posterior import maximise
from twonode.analysis.quantities import Tolerance
from twonode.analysis.report import Circumstances, estimate_document, report_lines
from twonode.analysis.stage import GROUND, Part, PartKind, Stage

ONE_PERCENT = Tolerance(minus=0.01, plus=0.01)


def made_electrolytic(esr_ohm):
    parts = (
        Part(
            name="C1",
            kind=PartKind.CAPACITOR,
            between=("drive", "far"),
            value=10e-6,
            tolerance=Tolerance(minus=0.2, plus=0.5),
            esr_ohm=esr_ohm,
            dielectric="electrolytic",
            asked=True,
        ),
        Part(name="R", kind=PartKind.RESISTOR, between=("far", GROUND), value=100.0, tolerance=ONE_PERCENT),
    )
    return Stage(title="electrolytic", drive="drive", far="far", parts=parts)


def test_esr_capacitance_and_tan_delta_at_twice_the_mains_are_those_put_in():
    truth = made_electrolytic(8.0)
    believed = made_electrolytic(4.0)
    frequencies_hz = np.geomspace(10.0, 20e3, 14)
    sweep = made_sweep(believed, truth, frequencies_hz=frequencies_hz, noise=3e-4)
    model = Model([sweep])
    posterior = maximise(model, [model.mean])
    for line_hz in (50.0, 60.0):
        found = electrolytic_figures(posterior, believed.part("C1"), line_hz=line_hz)
        assert found.at_hz == 2 * line_hz
        # tan delta = 2 pi f C ESR (IEC 60384-1, from memory).
        expected = 2 * pi * found.at_hz * 10e-6 * 8.0
        assert found.tan_delta.value == pytest.approx(expected, abs=4 * found.tan_delta.standard_uncertainty)
        assert found.tan_delta.standard_uncertainty < 0.3 * expected
        assert found.capacitance.value == pytest.approx(10e-6, rel=0.03)
    low, high = found.esr_low, found.esr_high
    assert low[0] < high[0]
    for hz, esr in (low, high):
        assert esr.interval95[0] < 8.0 < esr.interval95[1], hz
    words = electrolytic_words(found)
    assert "at 120 Hz" in words
    assert "ESR" in words


def test_the_estimate_of_an_electrolytic_says_them_too():
    truth, believed = made_electrolytic(8.0), made_electrolytic(4.0)
    sweep = made_sweep(believed, truth, frequencies_hz=np.geomspace(10.0, 20e3, 14), noise=3e-4)
    estimate = estimate_part([sweep], "C1", nominal_farad=10e-6, tolerance=Tolerance(minus=0.2, plus=0.5))
    circumstances = Circumstances(title="made", hookup=HookUp.SERIES, level_vpp=0.6, line_hz=60.0)
    assert any("at 120 Hz" in line and "ESR" in line for line in report_lines(estimate, circumstances))
    document = estimate_document(estimate, circumstances, recordings=["a"])["electrolytic"]
    assert document["at_hz"] == 120.0
    low, high = document["tan_delta"]["interval95"]
    assert low < 2 * pi * 120 * 10e-6 * 8.0 < high
    assert [each["unit"] for each in document["esr"]] == ["ohm", "ohm"]


def test_an_esr_that_the_data_do_not_carry_is_not_stated():
    truth = made_electrolytic(0.05)
    sweep = made_sweep(truth, truth, frequencies_hz=np.geomspace(5.0, 40.0, 6), noise=1e-2)
    model = Model([sweep])
    found = electrolytic_figures(maximise(model, [model.mean]), truth.part("C1"))
    assert found.esr_high is None
