"""The decision rule against JCGM 106 and by its own words."""

from math import log

import pytest

from twonode.analysis.findings import FindingState, conformity_probability, judge
from twonode.analysis.hypotheses import RATES
from twonode.analysis.part_faults import PartFault
from twonode.analysis.quantities import Tolerance

FIGURES = {
    PartFault.NONE: "22.0 nF ± 0.1 nF",
    PartFault.OPEN: "stray only",
    PartFault.SHORTED: "like 1 ohm",
    PartFault.LEAKY: "about 2 MΩ across",
    PartFault.LOSSY: "8 % loss",
}


def judged(*, mean_farad=22e-9, sigma=0.005, faults=None, nominal=22e-9, tolerance=0.1):
    weights = {fault: 0.0 for fault in RATES} | {PartFault.NONE: 1.0} | (faults or {})
    return judge(
        part="C7",
        faults=weights,
        log_mean=log(mean_farad),
        log_sigma=sigma,
        nominal_farad=nominal,
        tolerance=None if tolerance is None else Tolerance(minus=tolerance, plus=tolerance),
        figures=FIGURES,
        action="measure R12 with a meter",
    )


def test_probability_of_conformity_of_the_zener_example():
    # JCGM 106:2012 (from memory, recomputed in references): -5.47 V, u 0.05 V, upper limit -5.40 V: 0.92.
    assert conformity_probability(-5.47, 0.05, -1e9, -5.40) == pytest.approx(0.91924, abs=1e-5)


def test_probability_of_conformity_of_a_two_sided_example():
    # references section 4, derived for this tool: 22 nF +-10 %, found 20.5 nF, u 0.4 nF: 0.95994.
    assert conformity_probability(20.5, 0.4, 19.8, 24.2) == pytest.approx(0.95994, abs=1e-5)


def test_a_guard_band_of_twice_u_accepts_with_at_least_97_7_percent():
    # JCGM 106: w = U with k = 2 leaves p >= 0.97725 for one-sided limits.
    assert conformity_probability(24.2 - 2 * 0.4, 0.4, -1e9, 24.2) == pytest.approx(0.97725, abs=1e-5)


def test_a_value_well_inside_is_within_tolerance_and_leakage_stays_untested():
    finding = judged()
    assert finding.state is FindingState.WITHIN_TOLERANCE
    assert finding.probability > 0.999
    assert "leakage at working voltage" in finding.not_tested


def test_a_value_well_outside_is_off_value():
    assert judged(mean_farad=15e-9).state is FindingState.OFF_VALUE


def test_a_value_on_the_limit_is_undecided_and_says_what_would_decide():
    finding = judged(mean_farad=24.2e-9)
    assert finding.state is FindingState.UNDECIDED
    assert "measure R12 with a meter" in finding.action
    assert "within tolerance" in finding.because
    assert "off value" in finding.because


@pytest.mark.parametrize("offset", [-0.3, -0.08, 0.0, 0.05, 0.2])
@pytest.mark.parametrize("leaky", [0.0, 0.03, 0.5, 0.99])
def test_probabilities_of_all_states_add_up_to_one(offset, leaky):
    finding = judged(
        mean_farad=22e-9 * (1 + offset), faults={PartFault.NONE: 1 - leaky, PartFault.LEAKY: leaky}
    )
    assert sum(finding.probabilities.values()) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("fault", "state"),
    [
        (PartFault.OPEN, FindingState.OPEN),
        (PartFault.SHORTED, FindingState.SHORTED),
        (PartFault.LEAKY, FindingState.LEAKY),
        (PartFault.LOSSY, FindingState.LOSSY),
    ],
)
def test_a_fault_that_holds_95_percent_is_stated(fault, state):
    assert judged(faults={PartFault.NONE: 0.04, fault: 0.96}).state is state
    assert judged(faults={PartFault.NONE: 0.06, fault: 0.94}).state is FindingState.UNDECIDED


def test_without_an_expected_value_a_sound_part_stays_undecided():
    finding = judged(nominal=None, tolerance=None)
    assert finding.state is FindingState.UNDECIDED
    assert "--expect" in finding.action
    assert (
        judged(nominal=None, tolerance=None, faults={PartFault.NONE: 0.0, PartFault.OPEN: 1.0}).state
        is FindingState.OPEN
    )
