"""Which dielectric a loss and a value speak for."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from twonode.analysis.families import FAMILIES, Dielectric, weigh_families

MICA, FILM, POLYESTER, HIGH_K, PAPER, ELECTROLYTIC = Dielectric


def shares(**known):
    return {share.dielectric: share.probability for share in weigh_families(**known)}


# Losses at 1 kHz by trade notes, section 7: mica and polypropylene below 0.1 %, polyester about 0.5 %, high-K 1 to
# 2.5 %, old paper above 1 % (from memory, and a film maker's table).
@pytest.mark.parametrize(
    ("farad", "tan_delta", "expected"),
    [
        (220e-12, 0.0005, {MICA, FILM}),
        (1e-9, 0.0009, {MICA, FILM}),
        (470e-9, 0.0004, {FILM}),
        (100e-9, 0.005, {POLYESTER}),
        (10e-9, 0.018, {HIGH_K, PAPER}),
        (50e-9, 0.04, {HIGH_K, PAPER}),
        (2e-6, 0.03, {PAPER, ELECTROLYTIC}),
        (10e-6, 0.1, {ELECTROLYTIC}),
    ],
)
def test_a_loss_known_well_speaks_for_the_families_that_have_it(farad, tan_delta, expected):
    found = shares(farad=farad, tan_delta=tan_delta, tan_delta_u=1e-4)
    assert sum(found[each] for each in expected) > 0.9


def test_a_loss_known_badly_leaves_it_open():
    found = shares(farad=10e-9, tan_delta=0.004, tan_delta_u=0.02)
    assert max(found.values()) < 0.6


def test_without_a_loss_the_value_alone_speaks():
    assert shares(farad=100e-6, tan_delta=None)[ELECTROLYTIC] > 0.9
    assert shares(farad=22e-12, tan_delta=None)[MICA] > 0.6


def test_the_change_over_frequency_is_evidence_beside_the_loss():
    """Between polyester and high-K by loss; only a high-K ceramic or paper loses 4 % from 1 to 100 kHz."""
    between = {"farad": 22e-9, "tan_delta": 0.0095, "tan_delta_u": 2e-4}
    steady = shares(**between, change=-0.01, change_u=0.001)
    falling = shares(**between, change=-0.045, change_u=0.001)
    assert falling[POLYESTER] < 0.05 < steady[POLYESTER]


def test_a_change_known_badly_changes_nothing():
    known = {"farad": 22e-9, "tan_delta": 0.0095, "tan_delta_u": 2e-4}
    assert shares(**known, change=-0.2, change_u=10.0)[POLYESTER] == pytest.approx(
        shares(**known)[POLYESTER], abs=0.02
    )


@given(
    farad=st.floats(1e-13, 1e-1),
    tan_delta=st.one_of(st.none(), st.floats(-1.0, 50.0)),
    sigma=st.floats(1e-7, 10.0),
    change=st.one_of(st.none(), st.floats(-1.0, 1.0)),
)
def test_probabilities_add_up_whatever_is_measured(farad, tan_delta, sigma, change):
    found = weigh_families(
        farad=farad, tan_delta=tan_delta, tan_delta_u=sigma, change=change, change_u=abs(sigma)
    )
    assert {share.dielectric for share in found} == set(Dielectric)
    assert sum(share.probability for share in found) == pytest.approx(1.0)
    assert [s.probability for s in found] == sorted((s.probability for s in found), reverse=True)


def test_a_more_precise_loss_crosses_from_the_grid_to_the_density_without_a_jump():
    """The weight of a loss against the others must not depend on how finely it happens to be integrated."""
    ratios = [
        (found := shares(farad=10e-9, tan_delta=0.008, tan_delta_u=sigma))[POLYESTER] / found[PAPER]
        for sigma in (4e-4, 2e-4, 1e-4, 5e-5, 1e-5)
    ]
    assert max(ratios) / min(ratios) < 1.3


def test_shares_of_unmarked_parts_add_up_and_every_family_is_there():
    assert sum(family.prior for family in FAMILIES) == pytest.approx(1.0)
    assert {family.dielectric for family in FAMILIES} == set(Dielectric)


@pytest.mark.parametrize(
    "wrong",
    [
        {"farad": 0.0, "tan_delta": None},
        {"farad": float("nan"), "tan_delta": None},
        {"farad": 1e-9, "tan_delta": 0.01},
        {"farad": 1e-9, "tan_delta": 0.01, "tan_delta_u": 0.0},
        {"farad": 1e-9, "tan_delta": None, "change": 0.01},
    ],
)
def test_an_estimate_without_its_uncertainty_is_refused(wrong):
    with pytest.raises(ValueError, match="need"):
        weigh_families(**wrong)
