"""Before and after: what two estimates share cancels from their difference."""

import io
import warnings
from dataclasses import replace
from math import hypot

import matplotlib as mpl
import numpy as np
import pytest
from made_sweeps import made_estimate, made_sweep, true_stage, wrenfield

from twonode.analysis.comparison import Change, compare, comparison_document, comparison_lines
from twonode.analysis.comparison_picture import comparison_picture_png, draw_comparison
from twonode.analysis.errors import AnalysisError
from twonode.analysis.estimate import estimate_part
from twonode.analysis.estimated import Quantity
from twonode.analysis.look import SMALLEST_POINTS
from twonode.analysis.quantities import Tolerance

TEN_PERCENT = Tolerance(minus=0.1, plus=0.1)


def _estimate(seed, stage=None, **c7):
    believed = wrenfield(read_beforehand=False) if stage is None else stage
    sweep = made_sweep(believed, true_stage(**c7), seed=seed)
    return estimate_part([sweep], "C7", nominal_farad=22e-9, tolerance=TEN_PERCENT)


def test_with_the_grid_leak_known_to_20_percent_a_change_of_1_percent_is_still_seen():
    found = compare(_estimate(1, value=22e-9), _estimate(2, value=22.22e-9))
    assert found.change is Change.CHANGED_IF_ALONE
    low, high = found.together.relative.interval95
    assert low < 0.01 < high
    assert found.together.relative.standard_uncertainty < 0.002
    # Either value alone is known to some 12 %, so nothing could be said without what both share.
    assert found.independent.relative.standard_uncertainty > 0.1
    assert not found.independent.significant


@pytest.mark.slow
def test_the_shared_difference_covers_the_true_one_as_often_as_it_says():
    inside = 0
    for seed in range(10):
        found = compare(_estimate(2 * seed, value=22e-9), _estimate(2 * seed + 1, value=23e-9))
        low, high = found.together.relative.interval95
        inside += low < 1 / 22 < high
    # Of ten at 95 % fewer than seven would happen once in a thousand (binomial distribution).
    assert inside >= 7


def test_without_anything_in_common_the_uncertainties_add_in_quadrature():
    # Source: JCGM 100:2008, 5.1.2.
    one, two = made_estimate(true_stage()), made_estimate(true_stage(value=30e-9))
    found = compare(one, two).independent
    u = hypot(one.capacitance.standard_uncertainty, two.capacitance.standard_uncertainty)
    assert found.farad.standard_uncertainty == pytest.approx(u, rel=1e-12)
    assert found.farad.value == pytest.approx(two.capacitance.value - one.capacitance.value, rel=1e-12)


def test_a_part_that_has_drifted_by_12_6_percent_is_looked_at_again():
    # Trade note (calculated): last year 0.0500 uF, now 0.0563 uF: +12.6 %, over 10 %, recheck.
    first, second = made_estimate(true_stage()), made_estimate(true_stage())
    values = [
        replace(
            e,
            capacitance=Quantity(
                unit="F", value=farad, standard_uncertainty=1e-10, interval95=(farad - 2e-10, farad + 2e-10)
            ),
        )
        for e, farad in ((first, 0.0500e-6), (second, 0.0563e-6))
    ]
    found = compare(*values).independent
    assert round(100 * found.relative.value, 1) == 12.6
    assert found.beyond_limit > 0.999


def test_the_same_part_measured_twice_has_not_changed():
    found = compare(_estimate(3), _estimate(4))
    assert found.change is Change.NOT_SEEN
    assert comparison_lines(found)[0] == "C7: NO CHANGE SEEN"


def test_two_names_are_never_called_one_part_that_changed():
    first, second = made_estimate(true_stage()), made_estimate(true_stage(value=30e-9))
    lines = comparison_lines(compare(first, replace(second, part="C8")))
    assert lines[0].startswith("C7, then C8: ")
    assert "is it the same part?" in lines[1]
    assert not any("same part?" in line for line in comparison_lines(compare(first, second)))


def test_a_part_that_has_gone_leaky_is_another_finding():
    found = compare(made_estimate(true_stage()), made_estimate(true_stage(leak_ohm=2e6)))
    assert found.change is Change.FINDING
    assert "within tolerance, now leaky" in comparison_lines(found)[0]


def test_stages_that_differ_are_compared_without_what_they_share():
    other = wrenfield(read_beforehand=False)
    other = other.replace_part(replace(other.part("R12"), value=1e6))
    found = compare(_estimate(1), _estimate(2, stage=other))
    assert found.together is None
    assert found.independent is not None


def test_the_document_holds_numbers_that_json_knows():
    document = comparison_document(compare(_estimate(1), _estimate(2, value=25e-9)))
    assert document["change"] == "changed, if its neighbours have not"
    assert document["neighbours_unchanged"]["significant"] is True
    assert np.isfinite(document["independent"]["difference"]["value"])


@pytest.mark.parametrize("limit", [0.0, -0.1, float("inf"), float("nan")])
def test_a_limit_that_is_none_is_refused(limit):
    with pytest.raises(AnalysisError, match="limit"):
        compare(_estimate(1), _estimate(2), limit=limit)


def test_the_picture_is_legible_and_says_the_same():
    found = compare(_estimate(1), _estimate(2, value=25e-9))
    names = ("before, 2031-04-09", "after, 2031-04-10")
    figure = draw_comparison(found, names=names, methods=("level: 1 V p-p, then 2 V p-p",))
    texts = [t for t in figure.findobj(mpl.text.Text) if t.get_text().strip() and t.get_visible()]
    assert min(t.get_fontsize() for t in texts) >= SMALLEST_POINTS
    words = " ".join(t.get_text() for t in texts)
    assert "CHANGED" in words
    assert "level: 1 V p-p, then 2 V p-p" in words
    png = comparison_picture_png(found, names=names)
    assert mpl.image.imread(io.BytesIO(png)).shape[:2] == (1100, 1300)


def test_names_that_would_be_a_formula_or_have_no_sign_in_the_type_are_drawn_without_a_word():
    found = compare(_estimate(1), _estimate(2))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        png = comparison_picture_png(
            found, names=("a$\\foo$ \N{RADIO}", "after"), methods=("set: $x, then $\\y",)
        )
    assert png.startswith(b"\x89PNG")
