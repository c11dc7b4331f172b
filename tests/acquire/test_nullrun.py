"""Null runs on the in-process simulated bench: what is measured, refused and filed, and how true it is."""

import numpy as np
import pytest
from nulled import null_folder, run_nulled, unsynced
from swept import HookUp, fixture_request, stage_request

from twonode.acquire import (
    LevelMismatch,
    NoSignal,
    Note,
    NullRequest,
    PointDone,
    ProbesApart,
    SafetyRefusal,
    SweepClosed,
    SweepFailed,
    SweepStarted,
    UnfitRequest,
    check_null_request,
    run_null,
    sweep_of,
)
from twonode.analysis.channels_compared import compare_channels
from twonode.analysis.model import Aspect, Model
from twonode.analysis.posterior import maximise
from twonode.drivers.bench import Bench
from twonode.drivers.simulated import ScopeFamily, SimulatedSettings, direct_links
from twonode.drivers.simulated.truth import RANGE_STEPS_V
from twonode.recordings import Ended, RecordingKind, read_recording

__all__ = ["unsynced"]

FIXTURE = fixture_request(HookUp.SERIES, 100e-9, 1.2e3).stage
STAGE = stage_request().stage
LONGEST_S = 6.0


@pytest.mark.parametrize("family", [ScopeFamily.TEN_FIELD, ScopeFamily.CURVE])
def test_a_null_run_is_short_ends_with_a_closed_recording_and_the_output_off(family, tmp_path):
    done = run_nulled(FIXTURE, tmp_path, scope_family=family)
    kinds = [type(event) for event in done.events if not isinstance(event, Note)]
    assert kinds[0] is SweepStarted
    assert kinds[-1] is SweepClosed
    assert set(kinds[1:-1]) == {PointDone}
    assert [e.index for e in done.events if isinstance(e, PointDone)] == list(range(1, len(kinds) - 1))
    assert done.events[0].total == len(kinds) - 2
    assert not done.output_on
    assert done.links.clock.now_s() < LONGEST_S
    assert done.events[0].expected_s < 1.5 * LONGEST_S
    recording = read_recording(done.recording)
    assert recording.header.kind is RecordingKind.NULL
    assert recording.header.ended is Ended.FINISHED
    assert recording.stage is None
    assert recording.name.endswith("_null")
    assert all(abs(row.ratio - 1) < 0.15 for row in recording.used)


def test_every_range_down_to_the_finest_is_compared_on_both_channels(tmp_path):
    recording = read_recording(null_folder(FIXTURE, tmp_path))
    everything = {10e-3, 20e-3, 50e-3, 0.1, 0.2, 0.5, 1.0}
    assert {row.drive_volts_per_div for row in recording.used} == everything
    assert {row.far_volts_per_div for row in recording.used} == everything
    for row in recording.used:
        for vpp, volts in ((row.drive_vpp, row.drive_volts_per_div), (row.far_vpp, row.far_volts_per_div)):
            assert 1.6 < vpp / volts < 7.2
        assert max(row.drive_volts_per_div, row.far_volts_per_div) <= 2.5 * min(
            row.drive_volts_per_div, row.far_volts_per_div
        ) * (1 + 1e-9)


def test_the_level_never_goes_above_what_was_asked(tmp_path):
    asked = NullRequest(polarised=True, simulated=True, seed=5)
    recording = read_recording(null_folder(FIXTURE, tmp_path, request=asked))
    assert recording.header.conditions.level_vpp == 0.6
    assert max(row.level_vpp for row in recording.points) == 0.6


def test_leaving_half_way_switches_off_and_keeps_what_was_measured(tmp_path):
    links = direct_links(SimulatedSettings(stage=FIXTURE, seed=5, probe_nodes=("drive", "drive")))
    with Bench.from_links(generator=links.generator, scope=links.scope, clock=links.clock) as bench:
        going = run_null(bench, NullRequest(simulated=True, seed=5), archive=tmp_path)
        for event in going:
            if isinstance(event, PointDone) and event.index == 3:
                (table,) = tmp_path.glob("*/data/points.csv")
                assert len(table.read_text().splitlines()) == 4
                break
        going.close()
        assert bench.generator.output_is_off()
    (folder,) = (each for each in tmp_path.iterdir() if each.is_dir())
    assert read_recording(folder).header.ended is Ended.INTERRUPTED


@pytest.mark.parametrize(
    ("stage", "settings", "error", "words"),
    [
        (STAGE, {"residual_dc_v": {"driver anode": 40.0}}, SafetyRefusal, "of DC"),
        (STAGE, {"line_rms_v": {"driver anode": 8.0}}, SafetyRefusal, "of 50 Hz"),
        (STAGE, {"residual_dc_v": {"driver anode": 3.0}}, SweepFailed, "of DC"),
        (STAGE, {"probe_nodes": ("driver anode", "output grid")}, ProbesApart, "0.771 at 38°"),
        (STAGE, {"probe_nodes": ("ground", "ground")}, NoSignal, "channel 1"),
        (STAGE, {"probe_nodes": ("driver anode", "ground")}, NoSignal, "channel 2"),
        (STAGE, {"probe_factor": (10, 1)}, ProbesApart, "switch"),
        (STAGE, {"probe_factor": (1, 1)}, LevelMismatch, "switch"),
        # 1.6 Hz corner: at 20 Hz and above nearly everything passes, and only the course gives it away.
        (
            fixture_request(HookUp.SERIES, 100e-9, 1e6).stage,
            {"probe_nodes": ("drive", "far")},
            ProbesApart,
            "two nodes",
        ),
        (
            fixture_request(HookUp.SHUNT, 100e-12, 10e3).stage,
            {"probe_nodes": ("drive", "far")},
            ProbesApart,
            "two nodes",
        ),
        (fixture_request(HookUp.SERIES, 10e-6, 20.0).stage, {}, LevelMismatch, "off the set"),
    ],
    ids=[
        "40 V DC",
        "mains",
        "3 V DC",
        "two nodes",
        "channel 1 dead",
        "channel 2 dead",
        "one probe at 1x",
        "both probes at 1x",
        "two nodes that look like one",
        "two nodes that differ high up",
        "heavy load",
    ],
)
def test_a_bench_that_is_not_right_is_refused_with_the_output_off(stage, settings, error, words, tmp_path):
    asked = NullRequest(node=stage.drive, in_set=True, simulated=True, seed=5)
    done = run_nulled(stage, tmp_path, request=asked, **settings)
    assert isinstance(done.error, error)
    assert words in str(done.error)
    assert len(str(done.error).splitlines()) <= 3
    assert not done.output_on
    for folder in tmp_path.iterdir():
        if folder.is_dir():
            assert read_recording(folder).header.ended is Ended.INTERRUPTED


def test_the_output_never_goes_on_at_a_charged_node(tmp_path):
    links = direct_links(
        SimulatedSettings(
            stage=STAGE, seed=5, probe_nodes=(STAGE.drive,) * 2, residual_dc_v={STAGE.drive: 40.0}
        )
    )
    sent = []
    plain = links.generator.write
    links.generator.write = lambda text: (sent.append(text), plain(text))[1]
    bench = Bench.from_links(generator=links.generator, scope=links.scope, clock=links.clock)
    with bench, pytest.raises(SafetyRefusal):
        list(run_null(bench, NullRequest(simulated=True), archive=tmp_path))
    assert any("OFF" in text for text in sent)
    assert not any("ON" in text.upper().split() for text in sent)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("asked", "error"),
    [
        (NullRequest(in_set=True), UnfitRequest),
        (NullRequest(in_set=True, unplugged_and_discharged=True), UnfitRequest),
        (NullRequest(in_set=True, node_volts=0.1), UnfitRequest),
        (NullRequest(node_volts=7.0), SafetyRefusal),
        (NullRequest(node_volts=float("nan")), SafetyRefusal),
        (NullRequest(level_vpp=30.0), UnfitRequest),
        (NullRequest(polarised=True, level_vpp=2.0), UnfitRequest),
    ],
)
def test_what_must_not_be_done_is_refused_before_any_instrument(asked, error):
    with pytest.raises(error):
        check_null_request(asked)


def test_what_may_be_done_is_not_refused():
    check_null_request(NullRequest())
    check_null_request(NullRequest(in_set=True, unplugged_and_discharged=True, node_volts=0.1))
    check_null_request(NullRequest(in_set=True, simulated=True))


def test_gains_of_all_ranges_trimming_and_skew_are_as_sure_as_stated(tmp_path):
    """Against the simulator's truth: the root mean square of error over stated uncertainty is about 1."""
    deviations = {"gain": [], "trimming": [], "skew": []}
    for seed in range(12):
        done = run_nulled(FIXTURE, tmp_path, seed=seed, scope_family=ScopeFamily.CURVE)
        assert done.error is None
        truth = done.links.world.truth
        null = sweep_of(read_recording(done.recording))
        found = maximise(Model([null]), [Model([null]).mean])
        first = found.model.index(f"{null.bench} channel 1 at 0.5 V/div", Aspect.GAIN)
        exact_first = np.log1p(truth.gain_error[0, RANGE_STEPS_V.index(0.05)])
        for place, parameter in enumerate(found.model.parameters):
            if parameter.aspect is not Aspect.GAIN or place == first:
                continue
            channel, _, volts = parameter.owner.removeprefix(f"{null.bench} channel ").partition(" at ")
            step = int(np.argmin(np.abs(np.array(RANGE_STEPS_V) - float(volts.split()[0]) / 10)))
            exact = np.log1p(truth.gain_error[int(channel) - 1, step]) - exact_first
            weight = np.zeros(found.theta.size)
            weight[place], weight[first] = 1.0, -1.0
            sigma = np.sqrt(weight @ found.covariance @ weight)
            deviations["gain"].append((found.theta[place] - found.theta[first] - exact) / sigma)
            # The class of scope alone says 0.021.
            assert sigma < 4e-3
        compared = compare_channels(null)
        trimming = truth.probes[1].compensation - truth.probes[0].compensation
        for name, difference, exact in (
            ("trimming", compared.trimming, trimming),
            # The model's delay of channel 2 is the simulator's advance.
            ("skew", compared.skew_s, -truth.skew_s),
        ):
            deviations[name].append((difference.value - exact) / difference.standard_uncertainty)
    for name, all_of_them in deviations.items():
        rms = np.sqrt(np.mean(np.square(all_of_them)))
        assert 0.6 < rms < 1.5, f"{name}: {rms}"
        assert np.max(np.abs(all_of_them)) < 4.5
