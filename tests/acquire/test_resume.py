"""Going on with a sweep that was interrupted: nothing of the old recording changes, nothing counts twice."""

from dataclasses import replace

import msgspec
import pytest
from swept import fixture_request, stage_request

from twonode.acquire import (
    PlanKind,
    PointDone,
    SweepClosed,
    UnfitRequest,
    check_request,
    estimate_recordings,
    run_sweep,
)
from twonode.acquire.rediagnose import swept_stage
from twonode.acquire.reestimate import points_of
from twonode.acquire.resume import Resumed, incomplete_sweep, request_of
from twonode.analysis.hookup import HookUp
from twonode.drivers.bench import Bench
from twonode.drivers.errors import LinkError
from twonode.drivers.simulated import SimulatedSettings, direct_links
from twonode.drivers.simulated.misbehave import parse_misbehaviour
from twonode.recordings.model import Ended
from twonode.recordings.naming import UNFINISHED
from twonode.recordings.reader import read_recording
from twonode.recordings.verify import VerifiedState, verify_recording
from twonode.recordings.writer import RecordingWriter

TRUTH = 20.6e-9
SERIES = fixture_request(HookUp.SERIES, 22e-9, 470e3, seed=5)
EVEN = replace(SERIES, plan=PlanKind.EVEN)
GIVEN = replace(SERIES, points=None, frequencies_hz=(2000.0, 300.0, 60.0, 20.0, 9.0, 5.0))
CHOSEN = replace(SERIES, points=None)
IN_SET = stage_request(seed=5, level_vpp=1.5, tags={"set": "wrenfield-46"}, operator="somebody")


def sweep(request, archive, *, stop_after=None, resumed=None, seed=5, kill=False, **settings):
    """Events of a sweep; after ``stop_after`` points the iteration is given up, as by Ctrl-C."""
    true = {request.part: TRUTH}
    links = direct_links(SimulatedSettings(stage=request.stage, seed=seed, true=true, **settings))
    events = []
    with Bench.from_links(generator=links.generator, scope=links.scope, clock=links.clock) as bench:
        running = run_sweep(bench, request, archive=archive, resumed=resumed)
        for event in running:
            events.append(event)
            if isinstance(event, PointDone) and event.index == stop_after:
                running.close()
                break
    assert not links.world.output_on
    return events


def folder_in(archive):
    return max(
        (each for each in archive.iterdir() if each.is_dir()), key=lambda each: each.stat().st_ctime_ns
    )


def interrupted(request, archive, points=3):
    sweep(request, archive, stop_after=points)
    return folder_in(archive)


def gone_on(folder, archive, **settings):
    old = incomplete_sweep(folder)
    request = request_of(old)
    check_request(request)
    events = sweep(request, archive, resumed=Resumed(recording=old), noise_stream=1, **settings)
    assert isinstance(events[-1], SweepClosed)
    return events, read_recording(events[-1].recording)


def content(folder):
    return {each: each.read_bytes() for each in sorted(folder.rglob("*")) if each.is_file()}


@pytest.mark.parametrize(
    "request_", [EVEN, GIVEN, SERIES, CHOSEN, IN_SET], ids=["even", "given", "seven", "chosen", "in a set"]
)
def test_the_continued_recording_holds_old_and_new_points_and_all_of_them_count(request_, tmp_path):
    old_folder = interrupted(request_, tmp_path)
    before = content(old_folder)
    events, recording = gone_on(old_folder, tmp_path)
    old = read_recording(old_folder)
    assert content(old_folder) == before
    assert recording.points[:3] == old.points
    for row, traces in old.all_traces():
        again = recording.traces(row.point)
        assert (again.drive.codes == traces.drive.codes).all()
        assert (again.far.codes == traces.far.codes).all()
    assert [e.index for e in events if isinstance(e, PointDone)] == [r.point for r in recording.points[3:]]
    assert recording.header.ended is Ended.FINISHED
    assert recording.header.continues.recording == old_folder.name
    assert recording.header.continues.points == 3
    for name in (
        "stage",
        "part",
        "hookup",
        "tags",
        "operator",
        "expected_farad",
        "expected_tolerance",
        "plan",
    ):
        assert getattr(recording.header, name) == getattr(old.header, name), name
    assert recording.header.conditions.level_vpp == old.header.conditions.level_vpp
    estimate, _ = estimate_recordings([recording.folder])
    assert len(points_of(recording)) == len(recording.used) > 3
    alone, _ = estimate_recordings([old_folder])
    assert estimate.capacitance.standard_uncertainty < alone.capacitance.standard_uncertainty
    assert abs(estimate.capacitance.value - TRUTH) < 4 * estimate.capacitance.standard_uncertainty
    assert verify_recording(recording.folder).state is VerifiedState.SOUND


def test_points_of_an_older_way_of_reading_keep_its_number(tmp_path):
    old = read_recording(interrupted(EVEN, tmp_path))
    now = msgspec.structs.replace(old.header, ratio_reading=old.header.ratio_reading + 1)
    assert Resumed(recording=old).header(now).ratio_reading == old.header.ratio_reading


@pytest.mark.parametrize("request_", [EVEN, GIVEN], ids=["even", "given"])
def test_exactly_the_missing_frequencies_are_taken(request_, tmp_path):
    whole = sweep(request_, tmp_path / "whole")[-1].recording
    _, recording = gone_on(interrupted(request_, tmp_path / "parts", 4), tmp_path / "parts")
    wanted = [row.frequency_set_hz for row in read_recording(whole).points]
    assert [row.frequency_set_hz for row in recording.points] == pytest.approx(wanted, rel=1e-12)


def test_time_goes_on_where_it_was(tmp_path):
    _, recording = gone_on(interrupted(EVEN, tmp_path), tmp_path)
    times = [row.time_s for row in recording.points]
    assert times == sorted(times)
    assert times[3] > times[2]


def test_a_killed_run_is_closed_with_its_points_and_gone_on_with(tmp_path):
    source = read_recording(interrupted(EVEN, tmp_path / "source"))
    try:
        with RecordingWriter(tmp_path, source.header) as writer:
            for row, traces in source.all_traces():
                writer.add_point(row, traces)
            raise KeyboardInterrupt
    except KeyboardInterrupt:
        pass
    left = writer.folder
    assert left.name.endswith(UNFINISHED)
    _, recording = gone_on(left, tmp_path)
    assert not left.exists()
    assert len(recording.points) == 7
    assert read_recording(tmp_path / recording.header.continues.recording).header.ended is not None


def test_a_continued_sweep_can_itself_be_interrupted_and_gone_on_with(tmp_path):
    first = interrupted(EVEN, tmp_path, 2)
    old = incomplete_sweep(first)
    sweep(request_of(old), tmp_path, stop_after=4, resumed=Resumed(recording=old))
    second = folder_in(tmp_path)
    assert read_recording(second).header.ended is Ended.INTERRUPTED
    _, third = gone_on(second, tmp_path)
    assert len(third.points) == 7
    assert third.header.continues.before == (first.name,)
    for earlier in (first, second):
        with pytest.raises(UnfitRequest, match="as well"):
            estimate_recordings([earlier, third.folder])


def test_points_never_count_twice(tmp_path):
    old_folder = interrupted(IN_SET, tmp_path)
    _, recording = gone_on(old_folder, tmp_path)
    for paths in ([old_folder, recording.folder], [recording.folder, old_folder]):
        with pytest.raises(UnfitRequest, match="as well"):
            estimate_recordings(paths)
        with pytest.raises(UnfitRequest, match="as well"):
            swept_stage(paths)


def test_a_fault_of_a_link_ends_in_a_recording_that_is_gone_on_with(tmp_path):
    with pytest.raises(LinkError):
        sweep(EVEN, tmp_path, misbehave=(parse_misbehaviour("no-reply@4,always"),))
    folder = folder_in(tmp_path)
    assert read_recording(folder).header.ended is Ended.INTERRUPTED
    _, recording = gone_on(folder, tmp_path)
    assert len(recording.points) == 7


def test_nothing_is_written_where_no_new_point_came(tmp_path):
    folder = interrupted(EVEN, tmp_path)
    old = incomplete_sweep(folder)
    with pytest.raises(LinkError):
        sweep(
            request_of(old),
            tmp_path,
            resumed=Resumed(recording=old),
            misbehave=(parse_misbehaviour("no-reply@1,always"),),
        )
    assert [each.name for each in tmp_path.iterdir() if each.is_dir()] == [folder.name]


def test_another_bench_is_refused(tmp_path):
    old = incomplete_sweep(interrupted(EVEN, tmp_path))
    with pytest.raises(UnfitRequest, match="SEED-6"):
        sweep(request_of(old), tmp_path, resumed=Resumed(recording=old), seed=6)


def test_what_is_complete_or_no_sweep_is_refused(tmp_path):
    whole = sweep(EVEN, tmp_path)[-1].recording
    with pytest.raises(UnfitRequest, match="is complete"):
        incomplete_sweep(whole)
    all_taken = interrupted(EVEN, tmp_path / "all", 7)
    old = incomplete_sweep(all_taken)
    with pytest.raises(UnfitRequest, match="Nothing is missing"):
        sweep(request_of(old), tmp_path, resumed=Resumed(recording=old))
    empty = tmp_path / f"2031-04-09T18-20-11Z_C7{UNFINISHED}"
    (empty / "data").mkdir(parents=True)
    with pytest.raises(UnfitRequest, match="no point yet"):
        incomplete_sweep(empty)
    assert not empty.exists()


def test_a_null_run_is_not_gone_on_with(tmp_path):
    from nulled import null_folder

    with pytest.raises(UnfitRequest, match="no sweep"):
        incomplete_sweep(null_folder(EVEN.stage, tmp_path))
