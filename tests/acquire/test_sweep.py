"""Whole sweeps on the in-process simulated bench: what is found, refused, repeated and filed."""

from dataclasses import replace

import numpy as np
import pytest
from swept import HookUp, fixture_request, run, stage_request

from twonode.acquire import (
    ChannelsSwapped,
    LevelMismatch,
    NoSignal,
    Note,
    PointDone,
    SafetyRefusal,
    SweepClosed,
    SweepStarted,
    estimate_recordings,
    run_sweep,
)
from twonode.acquire.reestimate import points_of
from twonode.analysis.findings import FindingState
from twonode.drivers.bench import Bench
from twonode.drivers.simulated import Fault, FaultKind, ScopeFamily, SimulatedSettings, direct_links
from twonode.recordings.model import Ended
from twonode.recordings.reader import read_recording


def found(request, archive, **settings):
    swept = run(request, archive, **settings)
    if swept.error is not None:
        raise swept.error
    estimate, _ = estimate_recordings([swept.recording])
    return estimate, swept


def test_events_come_in_order_and_end_with_a_closed_recording(tmp_path):
    swept = run(stage_request(), tmp_path)
    kinds = [type(e) for e in swept.events if not isinstance(e, Note)]
    assert kinds == [SweepStarted, *[PointDone] * 7, SweepClosed]
    assert [e.index for e in swept.events if isinstance(e, PointDone)] == [1, 2, 3, 4, 5, 6, 7]
    assert swept.events[-1].used == 7
    assert not swept.output_on
    assert read_recording(swept.recording).header.ended is Ended.FINISHED


def test_every_point_is_on_disk_before_it_is_reported(tmp_path):
    request = stage_request()
    links = direct_links(SimulatedSettings(stage=request.stage, seed=5))
    with Bench.from_links(generator=links.generator, scope=links.scope, clock=links.clock) as bench:
        for event in run_sweep(bench, request, archive=tmp_path):
            if isinstance(event, PointDone):
                (table,) = tmp_path.glob("*/data/points.csv")
                assert len(table.read_text().splitlines()) == event.index + 1


def test_leaving_half_way_switches_off_and_keeps_what_was_measured(tmp_path):
    request = stage_request()
    links = direct_links(SimulatedSettings(stage=request.stage, seed=5))
    with Bench.from_links(generator=links.generator, scope=links.scope, clock=links.clock) as bench:
        sweep = run_sweep(bench, request, archive=tmp_path)
        for event in sweep:
            if isinstance(event, PointDone) and event.index == 3:
                break
        sweep.close()
        assert bench.generator.output_is_off()
    (folder,) = (f for f in tmp_path.iterdir() if f.is_dir())
    recording = read_recording(folder)
    assert len(recording.points) == 3
    assert recording.header.ended is Ended.INTERRUPTED


def test_reading_a_recording_back_gives_the_same_estimate_to_the_last_digit(tmp_path):
    swept = run(stage_request(), tmp_path)
    first, _ = estimate_recordings([swept.recording])
    second, (recording,) = estimate_recordings([swept.recording])
    assert first.capacitance == second.capacitance
    from_codes = [p.ratio for p in points_of(recording)]
    assert from_codes == [row.ratio for row in recording.used]


@pytest.mark.parametrize("family", [ScopeFamily.TEN_FIELD, ScopeFamily.CURVE])
@pytest.mark.parametrize(
    ("request_", "truth"),
    [
        (fixture_request(HookUp.SERIES, 22e-9, 470e3, points=None), 20.6e-9),
        (fixture_request(HookUp.SERIES, 100e-9, 10e3, points=None), 109e-9),
        (fixture_request(HookUp.SHUNT, 10e-9, 100e3, points=None), 9.4e-9),
    ],
    ids=["22n into 470k", "100n into 10k", "10n after 100k"],
)
def test_the_true_value_lies_within_four_standard_uncertainties(request_, truth, family, tmp_path):
    estimate, _ = found(request_, tmp_path, true={"C1": truth}, scope_family=family)
    value, u = estimate.capacitance.value, estimate.capacitance.standard_uncertainty
    assert abs(value - truth) < 4 * u
    assert u < 0.003 * value


@pytest.mark.parametrize(
    ("fault", "state"),
    [
        (None, FindingState.WITHIN_TOLERANCE),
        (Fault(kind=FaultKind.OFF_VALUE, amount=15e-9), FindingState.OFF_VALUE),
        (Fault(kind=FaultKind.OPEN), FindingState.OPEN),
        (Fault(kind=FaultKind.SHORTED), FindingState.SHORTED),
        (Fault(kind=FaultKind.LEAKY, amount=2e6), FindingState.LEAKY),
        (Fault(kind=FaultKind.LOSSY, amount=0.08), FindingState.LOSSY),
    ],
    ids=lambda v: getattr(getattr(v, "kind", v), "value", "healthy"),
)
def test_the_fault_of_a_part_in_its_stage_is_named(fault, state, tmp_path):
    estimate, _ = found(
        stage_request(), tmp_path, faults={"C7": fault} if fault else {}, true={"C7": 22.6e-9}
    )
    assert estimate.finding.state is state
    assert estimate.finding.probability >= 0.95
    assert estimate.misfit is None
    if state in (FindingState.OPEN, FindingState.SHORTED):
        assert estimate.capacitance.value is None
        assert estimate.capacitance.at_most is not None
    if state is FindingState.LEAKY:
        assert estimate.leak.value == pytest.approx(2e6, rel=0.05)


@pytest.mark.parametrize("kind", [FaultKind.OPEN, FaultKind.SHORTED])
@pytest.mark.parametrize("hookup", [HookUp.SERIES, HookUp.SHUNT])
def test_an_open_or_shorted_part_in_a_fixture_is_a_finding_and_no_dead_channel(kind, hookup, tmp_path):
    estimate, _ = found(fixture_request(hookup, 10e-9, 100e3), tmp_path, faults={"C1": Fault(kind=kind)})
    assert estimate.finding.state.value == kind.value


@pytest.mark.parametrize(
    ("settings", "error", "words"),
    [
        ({"residual_dc_v": {"output grid": 40.0}}, SafetyRefusal, "of DC"),
        ({"residual_dc_v": {"driver anode": 6.5}}, SafetyRefusal, "of DC"),
        ({"line_rms_v": {"output grid": 8.0}}, SafetyRefusal, "of 50 Hz"),
        ({"probe_factor": (1, 10)}, LevelMismatch, "probe switch"),
        ({"probe_nodes": ("ground", "output grid")}, NoSignal, "channel 1"),
        ({"probe_nodes": ("driver anode", "ground")}, NoSignal, "channel 2"),
        (
            {"probe_nodes": ("output grid", "driver anode")},
            ChannelsSwapped,
            "Clip channel 1 to 'driver anode'",
        ),
    ],
    ids=["40 V DC", "6.5 V DC", "mains", "probe at 1x", "channel 1 dead", "channel 2 dead", "swapped"],
)
def test_a_bench_that_is_not_right_is_refused_with_the_output_off(settings, error, words, tmp_path):
    swept = run(stage_request(), tmp_path, **settings)
    assert isinstance(swept.error, error)
    assert words in str(swept.error)
    assert len(str(swept.error).splitlines()) <= 3
    assert not swept.output_on


def test_nothing_is_left_in_the_archive_by_a_sweep_that_measured_nothing(tmp_path):
    run(stage_request(), tmp_path, residual_dc_v={"output grid": 40.0})
    assert list(tmp_path.iterdir()) == []


def test_the_output_never_goes_on_at_a_charged_node(tmp_path):
    request = stage_request()
    links = direct_links(SimulatedSettings(stage=request.stage, seed=5, residual_dc_v={"output grid": 40.0}))
    sent = []
    plain = links.generator.write
    links.generator.write = lambda text: (sent.append(text), plain(text))[1]
    bench = Bench.from_links(generator=links.generator, scope=links.scope, clock=links.clock)
    with bench, pytest.raises(SafetyRefusal):
        list(run_sweep(bench, request, archive=tmp_path))
    assert any("OFF" in text for text in sent)
    assert not any("ON" in text.upper().split() for text in sent)


def test_a_few_volts_of_dc_are_measured_through(tmp_path):
    estimate, _ = found(stage_request(), tmp_path, residual_dc_v={"driver anode": 3.0}, true={"C7": 22e-9})
    assert estimate.capacitance.value == pytest.approx(22e-9, rel=0.02)


def test_a_part_far_from_its_marking_is_still_measured(tmp_path):
    request = fixture_request(HookUp.SERIES, 100e-9, 10e3)
    for truth in (3e-9, 1e-6):
        estimate, _ = found(request, tmp_path, true={"C1": truth})
        assert abs(estimate.capacitance.value - truth) < 4 * estimate.capacitance.standard_uncertainty
        assert estimate.finding.state is FindingState.OFF_VALUE


def test_reading_too_early_would_give_a_wrong_answer_and_is_noticed(tmp_path, monkeypatch):
    # The simulated circuit's own transients: without the wait, points are refused, repeated or clearly off.
    from twonode.acquire.levels import Predictor

    patient, _ = found(stage_request(), tmp_path, true={"C7": 22e-9})
    settle = Predictor.at
    monkeypatch.setattr(Predictor, "at", lambda self, hz: replace(settle(self, hz), settle_s=-0.05))
    hasty = run(stage_request(), tmp_path, true={"C7": 22e-9})
    repeats = [e for e in hasty.events if isinstance(e, Note)]
    refused = [e for e in hasty.events if isinstance(e, PointDone) and not e.used]
    assert patient.misfit is None
    assert repeats or refused


def test_recorded_ranges_and_frequencies_are_those_read_back(tmp_path):
    recording = read_recording(run(stage_request(), tmp_path).recording)
    ladder = {round(m * 10.0**e, 9) for m in (1, 2, 5) for e in range(-3, 4)}
    for row in recording.points:
        assert round(row.far_volts_per_div, 9) in ladder
        assert row.frequency_hz == pytest.approx(row.frequency_set_hz, rel=1e-6)
        assert row.samples * row.sample_interval_s * row.frequency_hz >= 4
        assert 1 / (row.sample_interval_s * row.frequency_hz) >= 10
    assert np.all(np.diff([row.time_s for row in recording.points]) > 0)
