"""Points that a slipped probe or a burst has spoilt, and circuits that are simply wrong."""

from dataclasses import replace

import numpy as np
import pytest
from made_sweeps import made_sweep, wrenfield

from twonode.analysis.estimate import estimate_part
from twonode.analysis.findings import FindingState
from twonode.analysis.outliers import most_foreign
from twonode.analysis.quantities import Tolerance

TEN = Tolerance(minus=0.1, plus=0.1)


def spoilt(sweep, places, factor):
    points = [replace(p, ratio=p.ratio * factor) if k in places else p for k, p in enumerate(sweep.points)]
    return replace(sweep, points=tuple(points))


def estimated(sweep):
    return estimate_part([sweep], "C7", nominal_farad=22e-9, tolerance=TEN)


@pytest.mark.parametrize("place", [0, 4, 9, 15])
@pytest.mark.parametrize("factor", [0.6, 1.02, np.exp(0.1j), 0.1])
def test_one_slipped_point_is_found_and_moves_the_value_by_less_than_its_uncertainty(place, factor):
    clean = made_sweep(wrenfield(), wrenfield(), seed=3)
    before, after = estimated(clean), estimated(spoilt(clean, {place}, factor))
    assert before.left_out == ()
    shift = abs(after.capacitance.value - before.capacitance.value)
    assert shift < before.capacitance.standard_uncertainty
    assert after.finding.state is FindingState.WITHIN_TOLERANCE
    if after.left_out:
        (gone,) = after.left_out
        assert gone.point == place
        assert gone.frequency_hz == clean.points[place].frequency_hz
        assert gone.sigma > 4
        assert after.misfit is None


def test_two_slipped_points_of_sixteen_are_found():
    clean = made_sweep(wrenfield(), wrenfield(), seed=4)
    after = estimated(spoilt(spoilt(clean, {3}, 0.8), {11}, 1.1))
    assert {gone.frequency_hz for gone in after.left_out} == {clean.points[k].frequency_hz for k in (3, 11)}
    expected = estimated(clean).capacitance
    assert after.capacitance.value == pytest.approx(expected.value, abs=expected.standard_uncertainty)


def test_a_wrong_circuit_is_not_papered_over_by_leaving_points_out():
    stage = wrenfield()
    ringing = stage.with_parts(
        replace(stage.part("R9"), name="RX", between=("output grid", "x"), value=20e3),
        replace(stage.part("C6"), name="CX", between=("x", "ground"), value=47e-9),
    )
    estimate = estimated(made_sweep(stage, ringing, noise=3e-4))
    assert estimate.left_out == ()
    assert estimate.misfit is not None


def test_the_fall_that_is_promised_is_the_one_that_comes():
    sweep = spoilt(made_sweep(wrenfield(), wrenfield(), seed=5), {6}, 1.05)
    from twonode.analysis.hypotheses import ordinary_model, scan_starts
    from twonode.analysis.outliers import without
    from twonode.analysis.posterior import maximise

    def fitted(sweeps):
        model = ordinary_model(sweeps, wrenfield().part("C7"), 22e-9)
        return maximise(model, scan_starts(model))

    whole = fitted([sweep])
    gone, promised = most_foreign(whole)
    less = fitted(without([sweep], gone))
    fallen = whole.data_chi_square + whole.prior_chi_square - less.data_chi_square - less.prior_chi_square
    assert gone.point == 6
    # Exact for a linear problem; this one is nearly linear.
    assert fallen == pytest.approx(promised, rel=0.05)
