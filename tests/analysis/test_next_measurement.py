"""What to measure next and where to clip on: the proposals against what a repairer would expect, and their promises."""

from dataclasses import replace
from itertools import pairwise
from math import log2

import numpy as np
import pytest
from made_sweeps import fault, made_sweep, with_part

from twonode.analysis.diagnose import Hypothesis, diagnose
from twonode.analysis.feeding import GENERATOR_SIDE, own_parts
from twonode.analysis.measurement_action import (
    DcAction,
    MeasurementKind,
    OhmsAction,
    SweepAction,
)
from twonode.analysis.measurement_candidates import candidates_of
from twonode.analysis.next_measurement import propose_next, suspects_of
from twonode.analysis.part_faults import PartFault
from twonode.analysis.stage import PartKind, shipped_stage, shipped_stage_names

LOW_HZ = np.geomspace(5.0, 2000.0, 10)


def wrenfield():
    return shipped_stage("wrenfield-46-driver-output")


@pytest.fixture(scope="module")
def unsettled():
    """A healthy stage whose bypass the first sweep cannot see."""
    stage = wrenfield()
    sweep = made_sweep(stage, stage, frequencies_hz=LOW_HZ)
    found = diagnose([sweep], stage)
    return stage, sweep, found, propose_next(found, [sweep])


# Candidates


@pytest.mark.parametrize("name", shipped_stage_names())
def test_every_candidate_can_be_carried_out(name):
    stage = shipped_stage(name)
    suspects = [p.name for p in stage.parts if p.kind is not PartKind.SUPPLY]
    found = candidates_of(stage, suspects)
    assert {MeasurementKind.COMPANION, MeasurementKind.THROUGH, MeasurementKind.LIFT} <= {
        c.kind for c in found
    }
    for candidate in found:
        match candidate.action:
            case SweepAction():
                action = candidate.action
                assert action.stage.part(action.part).kind is PartKind.CAPACITOR
                assert 4.0 <= action.from_hz < action.to_hz <= 1e6 * (1 + 1e-9)
                assert candidate.options
                if candidate.kind is MeasurementKind.THROUGH:
                    assert action.stage.drive == GENERATOR_SIDE
                    assert [p.name for p in own_parts(action.stage)] == [p.name for p in stage.parts]
            case DcAction():
                # A node that a valve feeds has DC volts of its own; only quiet ones tell of a leak.
                assert "live" in candidate.words
                assert any(p.kind is PartKind.SUPPLY for p in stage.parts)
            case OhmsAction():
                assert "unplugged and discharged" in candidate.words


def test_dc_volts_are_proposed_at_grids_only():
    kinds = {c.action.node for c in candidates_of(wrenfield(), ["C7"]) if isinstance(c.action, DcAction)}
    assert kinds == {"output grid"}
    # No supply, no DC.
    found = candidates_of(shipped_stage("avc-filter"), ["C2"])
    assert not any(c.kind is MeasurementKind.DC for c in found)


# Information


def test_proposals_come_by_information_and_keep_within_what_there_is_to_know(unsettled):
    _, _, found, proposals = unsettled
    entropy = -sum(w.probability * log2(w.probability) for w in found.ranking if w.probability > 0)
    bits = [p.expected_entropy_drop_bits for p in proposals]
    assert all(b <= entropy + 1e-9 for b in bits)
    assert all(later <= earlier + 0.02 + 1e-9 for earlier, later in pairwise(bits))
    assert all(0 <= p.settles <= 1 and 0 < p.expected_top <= 1 for p in proposals)
    # The sweep has cleared the coupling capacitor, so nothing is proposed for its sake.
    assert "C7" not in suspects_of(found)
    assert OhmsAction(part="C7") not in [p.action for p in proposals]


def test_a_hidden_bypass_is_looked_for_by_clipping_elsewhere(unsettled):
    _, _, found, proposals = unsettled
    assert set(suspects_of(found)) >= {"R9", "C6"}
    best = proposals[0]
    assert best.kind in (MeasurementKind.THROUGH, MeasurementKind.CHANNEL_1)
    assert best.settles > 0.9
    fed = next(
        p
        for p in proposals
        if p.kind is MeasurementKind.THROUGH and "feeds 'driver anode'" in p.words and "10 kΩ" in p.words
    )
    assert "generator's side" in fed.words
    assert fed.settles > 0.5


@pytest.mark.parametrize(
    ("name", "changes"),
    [("C6", {"value": 1.5e-12}), ("C6", {"leak_ohm": 0.5}), ("C6", {})],
)
def test_the_proposed_sweep_settles_it(unsettled, name, changes):
    stage, _, _, _ = unsettled
    truth = with_part(stage, name, **changes)
    sweep = made_sweep(stage, truth, frequencies_hz=LOW_HZ)
    found = diagnose([sweep], stage)
    best = propose_next(found, [sweep])[0].action
    assert isinstance(best, SweepAction)
    swept = made_sweep(
        best.stage,
        best.stage.replace_part(replace(best.stage.part(name), **changes)),
        frequencies_hz=np.geomspace(best.from_hz, best.to_hz, 12),
        seed=3,
    )
    after = diagnose([sweep, swept], stage)
    kind = PartFault.OPEN if "value" in changes else PartFault.SHORTED
    expected = fault(name, kind) if changes else Hypothesis(faults=())
    assert after.ranking[0].hypothesis == expected
    together = 0.0
    for weighed in after.ranking:
        # R9 goes from the anode to the HT rail, which is ground for the signal: shorted, it looks the same as C6.
        same = kind is PartFault.SHORTED and weighed.hypothesis == fault("R9", PartFault.SHORTED)
        together += weighed.probability if weighed.hypothesis == expected or same else 0.0
    assert together > 0.9


def test_dc_volts_are_worth_reading_only_while_a_leak_is_open(unsettled):
    """A leak of 15 Mohm in a short noisy sweep stays open; a long quiet sweep of a sound part has cleared it."""
    stage, _, _, cleared = unsettled
    truth = with_part(stage, "C7", leak_ohm=15e6)
    sweep = made_sweep(stage, truth, frequencies_hz=np.geomspace(30.0, 2000.0, 6), noise=5e-3)
    found = diagnose([sweep], stage)
    assert found.probability_of(fault("C7", PartFault.LEAKY)) > 0.01
    dc, no_dc = (
        next(p for p in each if p.kind is MeasurementKind.DC)
        for each in (propose_next(found, [sweep]), cleared)
    )
    assert dc.expected_entropy_drop_bits > 0.05
    assert abs(no_dc.expected_entropy_drop_bits) < 0.01
    assert "meter work only" in dc.words


def test_the_same_seed_proposes_the_same(unsettled):
    _, sweep, found, proposals = unsettled
    again = propose_next(found, [sweep])
    assert [(p.words, p.expected_top) for p in again] == [(p.words, p.expected_top) for p in proposals]
