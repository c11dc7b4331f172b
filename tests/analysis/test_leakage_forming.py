"""An electrolytic's current after forming, against the worked figure of the trade."""

from dataclasses import replace

import pytest

from twonode.analysis.findings import FindingState
from twonode.analysis.leakage import LeakageError
from twonode.analysis.leakage_forming import FormedReadings, estimate_formed
from twonode.analysis.leakage_limits import LimitsError, parse_limits
from twonode.analysis.leakage_report import leakage_document, leakage_lines

# trade notes section 11, 10: re-formed 40 uF 450 V: limit 1.9 mA, read 0.6, pass.
FORMED = FormedReadings(
    current_a=0.6e-3,
    half_width_a=0.02e-3,
    capacitance_farad=40e-6,
    rated_v=450.0,
    applied_v=450.0,
    forming_s=300.0,
    part="C30",
)


def test_a_formed_electrolytic_as_worked_by_the_trade():
    found = estimate_formed(FORMED)
    assert found.allowed_current.value == pytest.approx(1.9e-3)
    assert found.finding.state is FindingState.WITHIN_TOLERANCE
    assert found.leakage_resistance.value == pytest.approx(450 / 0.6e-3)
    # Rectangular: u = half-width / sqrt(3) (JCGM 100, 4.3.7), 95 % inside 0.95 of it.
    assert found.leakage_current.standard_uncertainty == pytest.approx(0.02e-3 / 3**0.5)
    assert found.leakage_current.interval95 == pytest.approx((0.581e-3, 0.619e-3))
    assert "JAN-C-62" in found.limits[0]
    assert leakage_document(found)["allowed_current"] == {"value": pytest.approx(1.9e-3), "unit": "A"}
    assert "allowed 1.9 mA" in "\n".join(leakage_lines(found))


def test_too_much_counts_only_after_the_forming_time():
    late = estimate_formed(replace(FORMED, current_a=4.5e-3))
    assert late.finding.state is FindingState.LEAKY
    early = estimate_formed(replace(FORMED, current_a=4.5e-3, forming_s=60.0))
    assert early.finding.state is FindingState.UNDECIDED
    assert "after 5 min" in early.finding.action
    # Little enough is little enough at any time.
    assert estimate_formed(replace(FORMED, forming_s=60.0)).finding.state is FindingState.WITHIN_TOLERANCE


def test_a_reading_across_the_limit_is_undecided_by_its_share():
    # JCGM 106 with a rectangular quantity: 1.85 to 1.95 mA against 1.9 is one half.
    found = estimate_formed(replace(FORMED, current_a=1.9e-3, half_width_a=0.05e-3)).finding
    assert found.state is FindingState.UNDECIDED
    assert found.probability == pytest.approx(0.5)


def test_less_than_the_rated_volts_leaves_them_untested():
    found = estimate_formed(replace(FORMED, applied_v=270.0))
    assert found.finding.not_tested[0] == "leakage at the rated 450 V"
    assert not estimate_formed(FORMED).finding.not_tested[0].startswith("leakage at the rated")


def test_a_small_current_at_a_few_volts_clears_nothing_and_a_large_one_still_condemns():
    with pytest.raises(LeakageError, match="too little for a part rated 450 V"):
        estimate_formed(replace(FORMED, applied_v=9.0))
    assert estimate_formed(replace(FORMED, applied_v=9.0, current_a=5e-3)).finding.state is FindingState.LEAKY


def test_a_short_forming_time_is_said_in_seconds():
    assert "after 5 s" in estimate_formed(replace(FORMED, forming_s=5.0)).finding.because


def test_no_current_is_a_bound():
    found = estimate_formed(replace(FORMED, current_a=0.0))
    assert found.leakage_resistance.value is None
    assert found.leakage_resistance.at_least == pytest.approx(450 / (0.95 * 0.02e-3))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"current_a": -1e-3}, "negative leak"),
        ({"applied_v": 500.0}, "rated 450 V"),
        ({"capacitance_farad": 0.0}, "capacitance is 0"),
        ({"rated_v": 0.0}, "rated voltage is 0"),
        ({"half_width_a": 0.0}, "half-width"),
        ({"forming_s": -1.0}, "forming time"),
        ({"current_a": float("nan")}, "current of nan A"),
    ],
)
def test_what_cannot_be_is_refused(change, says):
    with pytest.raises(LeakageError, match=says):
        replace(FORMED, **change)


def test_ratings_beyond_the_table_are_not_guessed():
    with pytest.raises(LimitsError, match="ends at 450 V"):
        estimate_formed(replace(FORMED, rated_v=500.0))
    bare = parse_limits(
        'format = 1\ntitle = "t"\n[[limit]]\nrole = "filter"\nmeasure = "leakage resistance"\n'
        'leaky_below = "1M"\nsource = "x"\n',
        where="bare.toml",
    )
    with pytest.raises(LimitsError, match="no \\[rated_leakage\\]"):
        estimate_formed(FORMED, bare)
