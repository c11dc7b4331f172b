"""Which recordings may be estimated together, and what a companion sweep brings on the simulated bench."""

from dataclasses import replace

import pytest
from swept import run, stage_request, ten_percent

from twonode.acquire import UnfitRequest, estimate_recordings
from twonode.acquire.jointly import NamedStage, joint_stages
from twonode.analysis.companion import Across, companion_part, companions_of, with_companion
from twonode.analysis.findings import FindingState
from twonode.analysis.quantities import Measured, Tolerance
from twonode.analysis.stage import Part, PartKind, shipped_stage

STAGE = shipped_stage("wrenfield-46-driver-output")
TENTH = Tolerance(minus=0.001, plus=0.001)
LOOSE = {"stage": STAGE, "nominal_farad": 22e-9, "tolerance": ten_percent}


def clipped(ohm=100e3, tolerance=TENTH, across=Across.FAR, stage=STAGE):
    part = companion_part(stage, "C7", kind=PartKind.RESISTOR, value=ohm, tolerance=tolerance, across=across)
    return with_companion(stage, part)


def changed(part, stage=STAGE, **fields):
    parts = tuple(replace(p, **fields) if p.name == part else p for p in stage.parts)
    return replace(stage, parts=parts)


def joined(*stages):
    named = [NamedStage(recording=f"r{i}", stage=stage) for i, stage in enumerate(stages)]
    return joint_stages(named, "C7")


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """Recordings of one bench: alone, with 100 kohm, with 22 kohm; and its true values."""
    archive = tmp_path_factory.mktemp("companions")
    found, truth = {}, {}
    for name, stage in (("alone", STAGE), ("100k", clipped()), ("22k", clipped(22e3))):
        swept = run(
            stage_request(**(LOOSE | {"stage": stage, "points": 8})),
            archive,
            seed=11,
            true={"R12": 540e3, "C7": 22.7e-9},
        )
        assert swept.error is None
        found[name] = swept.recording
        truth[name] = swept.links.world.truth
    return found, truth


def test_the_companion_leaves_every_other_true_value_as_it_was(measured):
    _, truth = measured
    alone, helped = truth["alone"], truth["100k"]
    assert {name: helped.value[name] for name in alone.value} == alone.value
    assert helped.probes == alone.probes
    assert helped.skew_s == alone.skew_s
    assert (helped.gain_error == alone.gain_error).all()
    companion = helped.value["companion 100 kΩ"]
    assert companion != 100e3
    assert companion == pytest.approx(100e3, rel=3e-3)


def test_alone_the_value_is_known_to_11_percent_and_with_the_companion_to_a_tenth(measured):
    found, _ = measured
    alone, _ = estimate_recordings([found["alone"]])
    assert 0.11 <= alone.capacitance.standard_uncertainty / alone.capacitance.value <= 0.12
    assert alone.finding.state is FindingState.UNDECIDED
    assert "clip a companion of" in alone.finding.action
    both, recordings = estimate_recordings([found["alone"], found["100k"]])
    assert len(recordings) == 2
    value = both.capacitance
    assert value.standard_uncertainty / value.value < 0.0025
    assert abs(value.value - 22.7e-9) < 3.5 * value.standard_uncertainty
    assert both.finding.state is FindingState.WITHIN_TOLERANCE
    r12 = both.others["R12"]
    assert abs(r12.value - 540e3) < 3.5 * r12.standard_uncertainty
    assert r12.standard_uncertainty / r12.value < 0.01


def test_two_sweeps_with_different_companions_do_not_share_one(measured):
    found, truth = measured
    both, _ = estimate_recordings([found["100k"], found["22k"]])
    assert abs(both.capacitance.value - 22.7e-9) < 3.5 * both.capacitance.standard_uncertainty
    for name in ("companion 100 kΩ", "companion 22 kΩ"):
        known = next(t.value[name] for t in truth.values() if name in t.value)
        assert both.others[name].value == pytest.approx(known, rel=3e-3)


def test_the_order_of_the_recordings_does_not_matter(measured):
    found, _ = measured
    one, _ = estimate_recordings([found["alone"], found["22k"]])
    other, _ = estimate_recordings([found["22k"], found["alone"]])
    assert one.capacitance.value == pytest.approx(other.capacitance.value, rel=1e-6)


def test_a_recording_of_another_stage_is_refused(measured, tmp_path):
    found, _ = measured
    swept = run(stage_request(**(LOOSE | {"stage": changed("R12", value=1e6), "points": 4})), tmp_path)
    with pytest.raises(UnfitRequest, match=r"sweeps of different stages: R12 is 470 kΩ in one and 1\.00 MΩ"):
        estimate_recordings([found["alone"], swept.recording])


@pytest.mark.parametrize(
    ("other", "words"),
    [
        (changed("R12", value=1e6), "R12 is 470 kΩ in one and 1.00 MΩ in the other"),
        (changed("R12", tolerance=TENTH), "R12 is not the same in both"),
        (changed("C6", between=("output grid", "ground")), "C6 is tied to other nodes"),
        (changed("C6", name="C60"), "only one of them has C6 and C60"),
        (
            STAGE.with_parts(
                Part(
                    name="R99",
                    kind=PartKind.RESISTOR,
                    between=("output grid", "ground"),
                    value=1e5,
                    tolerance=TENTH,
                )
            ),
            "only one of them has R99",
        ),
        (replace(STAGE, drive=STAGE.far, far=STAGE.drive), "from 'driver anode' to 'output grid'"),
    ],
)
def test_stages_that_differ_in_more_than_companions_are_refused(other, words):
    with pytest.raises(UnfitRequest) as caught:
        joined(STAGE, other)
    assert "r0 and r1 are sweeps of different stages" in caught.value.what
    assert words in caught.value.what
    assert "--companion" in caught.value.do


def test_companions_order_and_the_expected_value_of_the_asked_part_may_differ():
    other = clipped(stage=changed("C7", value=18e-9, tolerance=None))
    shuffled = replace(other, parts=other.parts[::-1])
    first, second, none = joined(STAGE, shuffled, None)
    assert first == STAGE
    assert [p.name for p in companions_of(second)] == ["companion 100 kΩ"]
    assert none is None


def test_a_companion_of_the_same_value_is_the_same_part_and_of_another_tolerance_another():
    loose = Tolerance(minus=0.01, plus=0.01)
    first, second, third = joined(clipped(), clipped(across=Across.PART), clipped(tolerance=loose))
    names = [companions_of(stage)[0].name for stage in (first, second, third)]
    assert names[0] == names[1] == "companion 100 kΩ"
    assert names[2] == "companion 100 kΩ (2)"


def test_a_meter_reading_counts_for_all_sweeps_of_the_stage():
    reading = Measured(value=482e3, half_width=2.4e3)
    for stages in ((STAGE, changed("R12", measured=reading)), (changed("R12", measured=reading), STAGE)):
        assert [s.part("R12").measured for s in joined(*stages)] == [reading, reading]
    other = Measured(value=490e3, half_width=2.4e3)
    with pytest.raises(UnfitRequest, match="R12 was read with a meter twice"):
        joined(changed("R12", measured=reading), changed("R12", measured=other))


def test_a_recording_given_twice_does_not_count_twice(measured):
    found, _ = measured
    with pytest.raises(UnfitRequest, match="given 2 times"):
        estimate_recordings([found["alone"], found["100k"], found["alone"]])
