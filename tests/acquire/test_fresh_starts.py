"""After a fault a point is begun again, from the basic settings on; what stays broken ends the run in words."""

import pytest
from swept import fixture_request, run, stage_request

from twonode.acquire import NullRequest, PointDone, estimate_recordings, run_null
from twonode.acquire.point import FRESH_STARTS
from twonode.analysis.hookup import HookUp
from twonode.drivers.bench import Bench
from twonode.drivers.errors import CommandRefused, LinkError, SettingNotTaken
from twonode.drivers.simulated import SimulatedSettings, direct_links
from twonode.drivers.simulated.misbehave import parse_misbehaviour
from twonode.recordings.reader import read_recording


def swept(tmp_path, *texts, **more):
    faults = tuple(parse_misbehaviour(text) for text in texts)
    return run(fixture_request(HookUp.SERIES, 22e-9, 470e3), tmp_path, misbehave=faults, **more)


def test_the_reason_for_a_fresh_start_is_kept_with_the_point(tmp_path):
    rows = read_recording(swept(tmp_path, "reset@4").recording).points
    repeated = [row for row in rows if row.repeats]
    assert len(rows) == 7
    assert len(repeated) == 1
    assert "closed the connection" in repeated[0].repeat_reason


@pytest.mark.parametrize("instrument", ["generator", "scope"])
def test_an_instrument_that_was_switched_off_and_on_is_set_up_from_the_beginning(instrument, tmp_path):
    # Power-on settings are AC coupling, probe 1:1, 50 ohm load, output off: none of them may reach the value.
    truth = 20.6e-9
    found = swept(tmp_path, f"{instrument}:power-cycle@3", true={"C1": truth})
    assert found.error is None
    estimate, (recording,) = estimate_recordings([found.recording])
    assert abs(estimate.capacitance.value - truth) < 4 * estimate.capacitance.standard_uncertainty
    assert sum(row.repeats for row in recording.points) == 1
    assert all(row.level_vpp == 2.0 for row in recording.points)


def test_two_fresh_starts_help_against_two_faults_and_not_against_three(tmp_path):
    assert FRESH_STARTS == 2
    twice = swept(tmp_path, "sentinels@3", "closed-before-block@3")
    assert twice.error is None
    assert max(row.repeats for row in read_recording(twice.recording).points) == 2
    thrice = swept(tmp_path, "sentinels@3", "closed-before-block@3", "wrong-length@3", "reset@3")
    assert thrice.error is not None
    assert not thrice.output_on


@pytest.mark.parametrize(
    ("fault", "error"),
    [
        ("closed-before-block@3,always", LinkError),
        ("error-queue@3,always", CommandRefused),
        ("ac-coupling@3,always", SettingNotTaken),
        ("generator:no-reply@3,always", LinkError),
    ],
)
def test_what_stays_broken_ends_the_sweep_with_its_points_on_disk(fault, error, tmp_path):
    found = swept(tmp_path, fault)
    assert isinstance(found.error, error)
    reported = [event for event in found.events if isinstance(event, PointDone)]
    (folder,) = (each for each in tmp_path.iterdir() if each.is_dir())
    assert len(read_recording(folder).points) == len(reported) >= 1
    assert not found.output_on


def test_a_fault_while_the_nodes_are_looked_at_does_not_skip_the_look(tmp_path):
    found = run(
        stage_request(),
        tmp_path,
        residual_dc_v={"output grid": 40.0},
        misbehave=(parse_misbehaviour("closed-before-block@connect"),),
    )
    assert "of DC" in str(found.error)
    assert not found.output_on


def test_a_null_run_begins_a_point_again_as_well(tmp_path):
    request = NullRequest(node="generator lead", simulated=True)
    stage = fixture_request(HookUp.SERIES, 1e-9, 1e6).stage
    faults = tuple(parse_misbehaviour(text) for text in ("power-cycle@3", "generator:power-cycle@6"))
    links = direct_links(
        SimulatedSettings(stage=stage, seed=5, probe_nodes=(stage.drive, stage.drive), misbehave=faults)
    )
    with Bench.from_links(generator=links.generator, scope=links.scope, clock=links.clock) as bench:
        *_, closed = run_null(bench, request, archive=tmp_path)
    rows = read_recording(closed.recording).points
    assert closed.refused == 0
    assert sum("closed the connection" in (row.repeat_reason or "") for row in rows) == 2
    assert not links.world.output_on
