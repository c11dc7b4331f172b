import json
import math
from dataclasses import replace

import pytest
from made_sweeps import made_estimate, shorted_stage, true_stage, wrenfield

from twonode.analysis.estimated import Quantity
from twonode.analysis.findings import FindingState
from twonode.analysis.hookup import HookUp
from twonode.analysis.report import (
    Circumstances,
    RefusedReading,
    budget_words,
    certainty_words,
    conditions_words,
    estimate_document,
    ratio_words,
    report_lines,
    value_words,
)

CIRCUMSTANCES = Circumstances(
    title="Wrenfield 46", hookup=HookUp.STAGE, level_vpp=2.0, simulated=True, refused=()
)


@pytest.fixture(scope="module")
def healthy():
    return made_estimate(true_stage(value=22.5e-9, loss=0.004))


@pytest.fixture(scope="module")
def opened():
    return made_estimate(true_stage(value=1.5e-12))


def test_the_document_has_the_keys_of_the_contract_in_si_units(healthy):
    refused = (RefusedReading(frequency_hz=50.0, ratio=None, reason="hum"),)
    document = estimate_document(
        healthy, replace(CIRCUMSTANCES, refused=refused), recordings=["a", "b"], picture="p.png"
    )
    assert document["format"] == 1
    assert document["recording"] == "a"
    assert document["recordings"] == ["a", "b"]
    assert document["part"] == "C7"
    assert document["conditions"]["hookup"] == "stage"
    assert document["conditions"]["level_vpp"] == 2.0
    assert document["conditions"]["bias_v"] == 0.0
    assert document["conditions"]["null"] is None
    found = document["capacitance"]
    assert found["unit"] == "F"
    assert found["value"] == pytest.approx(22.5e-9, rel=0.02)
    assert found["interval95"][0] < found["value"] < found["interval95"][1]
    assert document["others"]["R12"]["unit"] == "ohm"
    assert sum(line["share"] for line in document["budget"]) == pytest.approx(1.0, abs=1e-6)
    assert set(document["budget"][0]) == {"source", "share", "action"}
    assert document["fit"]["points"] == 16
    assert document["fit"]["refused"] == 1
    assert document["finding"]["state"] == "within tolerance"
    assert document["finding"]["not_tested"] == ["leakage at working voltage"]
    assert document["loss"]["unit"] == ""


def test_an_open_part_has_null_and_a_bound(opened):
    found = estimate_document(opened, CIRCUMSTANCES, recordings=["a"])["capacitance"]
    assert found["value"] is None
    assert found["interval95"] is None
    assert found["at_most"] < 10e-12


def test_the_document_is_json_without_nan_or_infinity(healthy):
    broken = replace(
        healthy,
        reduced_chi_square=math.inf,
        leak=Quantity(unit="ohm", value=math.nan, interval95=(1.0, math.inf)),
    )
    text = json.dumps(estimate_document(broken, CIRCUMSTANCES, recordings=["a"]), allow_nan=False)
    document = json.loads(text)
    assert document["fit"]["reduced_chi_square"] is None
    assert document["leak"]["interval95"] == [1.0, None]


@pytest.mark.parametrize(
    ("value", "half", "unit", "wanted"),
    [
        # Figures by the Particle Data Group's rule, three at least for the value.
        (22.5634e-9, 0.128e-9, "F", "22.56 ± 0.13 nF (95 %)"),
        (22.5634e-9, 5.0e-9, "F", "22.6 ± 5.0 nF (95 %)"),
        (22.0e-9, 0.04512e-9, "F", "22.00 ± 0.05 nF (95 %)"),
        (4.8123e5, 900.0, "ohm", "481.2 ± 0.9 kΩ (95 %)"),
        (0.0521, 0.0021, "", "0.0521 ± 0.0021 (95 %)"),
        (249.6e-12, 5.2e-12, "F", "250 ± 5 pF (95 %)"),
    ],
)
def test_value_and_half_width_are_rounded_together(healthy, value, half, unit, wanted):
    quantity = Quantity(
        unit=unit, value=value, standard_uncertainty=half / 2, interval95=(value - half, value + half)
    )
    assert value_words(healthy, quantity=quantity) == wanted


def test_a_lopsided_interval_is_given_by_its_ends(healthy):
    quantity = Quantity(unit="F", value=20e-12, standard_uncertainty=5e-12, interval95=(18e-12, 32e-12))
    assert value_words(healthy, quantity=quantity) == "18 to 32 pF (95 %)"


def test_no_probability_is_rounded_up_to_certainty(healthy):
    nearly = replace(healthy.finding, probability=0.99999999)
    assert certainty_words(replace(healthy, finding=nearly)) == "more than 99.9 % sure"
    assert certainty_words(replace(healthy, finding=replace(nearly, probability=0.9514))) == "95.1 % sure"


def test_the_lines_lead_with_the_part_and_end_with_what_was_not_tested(healthy):
    lines = report_lines(healthy, CIRCUMSTANCES)
    assert lines[0].startswith("C7: WITHIN TOLERANCE")
    assert "expected 22.0 nF ±10 %, 19.8 to 24.2 nF" in lines[1]
    assert any("leakage at working voltage is not tested" in line for line in lines)
    assert any("bias 0 V" in line and "level 2.00 V" in line for line in lines)


def test_a_shorted_part_is_not_given_a_capacitance():
    estimate = made_estimate(shorted_stage())
    assert estimate.finding.state is FindingState.SHORTED
    text = "\n".join(report_lines(estimate, CIRCUMSTANCES))
    assert "no capacitance to be seen" in text
    assert "It behaves like" in text
    assert "F in the circuit" not in text


def test_the_action_that_helps_is_said_once():
    estimate = made_estimate(true_stage(value=22.5e-9), stage=wrenfield(read_beforehand=False))
    assert estimate.finding.state is FindingState.UNDECIDED
    text = "\n".join(report_lines(estimate, CIRCUMSTANCES))
    assert text.count("clip a companion of") == 1


def test_the_budget_names_the_sources_with_their_shares(healthy):
    words = budget_words(healthy)
    assert words is not None
    leading = healthy.budget[0]
    assert f"{leading.source} {100 * leading.share:.0f} %" in words


def test_a_misfit_is_said_aloud(healthy):
    text = "\n".join(report_lines(replace(healthy, misfit="It does not fit."), CIRCUMSTANCES))
    assert "DO NOT TRUST THIS YET: It does not fit." in text


def test_real_benches_are_called_untested():
    assert "untested on hardware" in conditions_words(replace(CIRCUMSTANCES, simulated=False))
    assert "untested" not in conditions_words(CIRCUMSTANCES)


def test_a_ratio_in_words():
    # |1/(1+j)| is 3.01 dB down at -45 degrees.
    assert ratio_words(1540.0, 1 / (1 + 1j)) == "1.54 kHz: -3.0 dB, -45°"
    assert ratio_words(50.0, None) == "50.0 Hz: no ratio"
