"""Null runs in estimates: what they bring, which one is taken, and which is refused and why."""

import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import msgspec
import numpy as np
import pytest
from nulled import SEED, null_folder, sweep_after, unsynced
from swept import HookUp, fixture_request, stage_request

from twonode.acquire import (
    NullRequest,
    UnfitRequest,
    age_words,
    estimate_recordings,
    newest_null,
    null_for_sweep,
    null_used,
    reestimate,
)
from twonode.acquire.nulls import ChannelsUsed, channels_of, fits
from twonode.drivers.bench import Bench
from twonode.drivers.simulated import ScopeFamily, SimulatedSettings, direct_links
from twonode.recordings import DamagedRecording, Ended, NotARecording, read_header, read_recording

__all__ = ["unsynced"]

CORNER_1K3 = fixture_request(HookUp.SERIES, 100e-9, 1.2e3, points=6)
CURVE = {"scope_family": ScopeFamily.CURVE}


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """A null run and a sweep that names it, in one archive."""
    archive = tmp_path_factory.mktemp("archive")
    null = null_folder(CORNER_1K3.stage, archive, **CURVE)
    sweep = sweep_after(CORNER_1K3, archive, null, true={"C1": 103e-9}, **CURVE)
    return archive, null, sweep


@pytest.fixture
def copied(measured, tmp_path):
    """A copy of that archive, to be spoilt."""
    archive = tmp_path / "archive"
    shutil.copytree(measured[0], archive)
    return archive, archive / measured[1].name, archive / measured[2].name


def relative(estimate):
    return estimate.capacitance.standard_uncertainty / estimate.capacitance.value


@pytest.mark.slow
def test_over_forty_benches_it_is_many_times_better_and_still_true(tmp_path):
    """At the probe's own 1.3 kHz trimming errors of 3 % hide in the value; the null run takes them out."""
    z, inside, with_null, without, promised = [], [], [], [], []
    for seed in range(40):
        archive = tmp_path / str(seed)
        truth = 100e-9 * float(np.exp(0.05 * np.random.default_rng(seed).standard_normal()))
        null = null_folder(CORNER_1K3.stage, archive, seed=seed, **CURVE)
        sweep = sweep_after(CORNER_1K3, archive, null, seed=seed, true={"C1": truth}, **CURVE)
        after = reestimate([sweep])
        assert [each.name for each in after.nulls] == [null.name]
        assert after.notes == ()
        found = after.estimate.capacitance
        z.append((found.value - truth) / found.standard_uncertainty)
        inside.append(found.interval95[0] <= truth <= found.interval95[1])
        with_null.append(relative(after.estimate))
        if seed < 8:
            before = reestimate([sweep], use_nulls=False).estimate
            without.append(relative(before))
            (line,) = {(b.action, b.expected_sigma) for b in before.budget if "null run" in b.action}
            promised.append(line[1])
    assert np.median(with_null) < np.median(without) / 8
    assert np.median(with_null) < 0.0015
    # 40 times 95 %: 35 of 40 and fewer come by chance once in 60.
    assert sum(inside) >= 36
    assert 0.7 < np.sqrt(np.mean(np.square(z))) < 1.3
    # What the budget promised came true to 25 %.
    ratio = np.array(promised) / np.array(with_null[:8])
    assert np.all((ratio > 0.75) & (ratio < 1.25)), ratio


def test_the_budget_books_the_null_runs_noise_and_still_adds_up(measured):
    estimate = reestimate([measured[2]]).estimate
    shares = {line.source: line.share for line in estimate.budget}
    assert sum(shares.values()) == pytest.approx(1.0, abs=1e-6)
    assert 0.01 < shares["null run"] < 0.9
    assert shares["channel gain"] + shares["probe compensation"] < 0.5
    (line,) = (line for line in estimate.budget if line.source == "null run")
    assert relative(estimate) > line.expected_sigma > 0.5 * relative(estimate)
    without = reestimate([measured[2]], use_nulls=False).estimate
    assert "null run" not in {line.source for line in without.budget}
    assert sum(line.share for line in without.budget) == pytest.approx(1.0, abs=1e-6)


def test_given_by_name_or_among_the_recordings_it_says_the_same(measured):
    _, null, sweep = measured
    named = reestimate([sweep])
    assert reestimate([sweep], null=null).estimate.capacitance == named.estimate.capacitance
    among = reestimate([null, sweep])
    assert among.estimate.capacitance == named.estimate.capacitance
    assert [r.name for r in among.recordings] == [sweep.name]
    assert estimate_recordings([sweep])[0].capacitance == named.estimate.capacitance


def test_the_sweep_names_its_null_run_by_folder_and_manifest(measured):
    _, null, sweep = measured
    assert read_header(sweep).null == null_used(null)
    assert read_header(sweep).null.recording == null.name


def test_a_null_run_alone_says_nothing_of_a_part(measured):
    with pytest.raises(UnfitRequest, match="no sweep beside it"):
        reestimate([measured[1]])


def test_a_null_run_that_is_gone_is_said_and_the_estimate_goes_on(copied, caplog):
    _, null, sweep = copied
    shutil.rmtree(null)
    found = reestimate([sweep])
    assert found.nulls == ()
    (note,) = found.notes
    assert sweep.name in note
    assert null.name in note
    assert found.estimate.capacitance == reestimate([sweep], use_nulls=False).estimate.capacitance
    estimate_recordings([sweep])
    assert null.name in caplog.text


def test_a_null_run_elsewhere_is_found_where_one_says(copied, tmp_path):
    _, null, sweep = copied
    (tmp_path / "elsewhere").mkdir()
    null.rename(tmp_path / "elsewhere" / null.name)
    assert reestimate([sweep], places=[tmp_path / "elsewhere"]).nulls


def test_another_null_run_of_the_same_name_is_not_taken_for_it(copied, tmp_path):
    archive, null, sweep = copied
    other = null_folder(CORNER_1K3.stage, tmp_path / "other", **CURVE)
    shutil.rmtree(null)
    other.rename(archive / null.name)
    found = reestimate([sweep])
    assert found.nulls == ()
    assert "another content" in found.notes[0]


def test_a_damaged_null_run_is_said_or_refused_where_it_was_asked_for(copied):
    _, null, sweep = copied
    table = null / "data" / "points.csv"
    table.write_bytes(table.read_bytes().replace(b"used", b"USED", 1))
    found = reestimate([sweep])
    assert found.nulls == ()
    assert "points.csv" in found.notes[0]
    with pytest.raises(DamagedRecording):
        reestimate([sweep], null=null)


@pytest.mark.parametrize(
    ("settings", "asked", "words"),
    [
        ({"scope_idn": "TWONODE,SIM-S2,ANOTHER,1.0"}, {}, "ANOTHER"),
        ({"probe_factor": (10, 1)}, {"probe_factors": (10.0, 1.0)}, "10:1 and 1:1"),
        ({"seed": 9}, {"seed": 9}, "SEED-9"),
        ({}, {"seed": 9}, "seed 9"),
        ({}, {"simulated": False, "seed": None}, "simulated"),
        ({}, {"level_vpp": 0.2}, "channel 1 at 0.5 V/div"),
    ],
    ids=["scope", "probe factors", "another simulated scope", "seed", "not simulated", "ranges"],
)
def test_a_null_run_that_does_not_fit_is_refused_by_name(settings, asked, words, measured, tmp_path):
    request = replace(NullRequest(simulated=True, seed=SEED), **asked)
    null = null_folder(CORNER_1K3.stage, tmp_path, request=request, **(CURVE | settings))
    for paths, by_name in (([measured[2]], null), ([measured[2], null], None)):
        with pytest.raises(UnfitRequest, match="does not fit") as caught:
            reestimate(paths, null=by_name)
        assert words in str(caught.value)
        assert null.name in str(caught.value)


def test_ranges_that_were_not_compared_are_said_where_nobody_asked_for_the_null_run(tmp_path):
    low = NullRequest(simulated=True, seed=SEED, level_vpp=0.2)
    null = null_folder(CORNER_1K3.stage, tmp_path, request=low, **CURVE)
    found = reestimate([sweep_after(CORNER_1K3, tmp_path, null, **CURVE)])
    assert found.nulls == ()
    assert "channel 1 at 0.5 V/div" in found.notes[0]


def test_a_sweep_is_no_null_run(measured):
    with pytest.raises(UnfitRequest, match="not a null run"):
        reestimate([measured[2]], null=measured[2])


def test_two_sweeps_of_one_bench_share_one_null_run(measured, tmp_path):
    archive, null, first = measured
    second = sweep_after(replace(CORNER_1K3, points=8), archive, null, true={"C1": 103e-9}, **CURVE)
    found = reestimate([first, second])
    assert [each.name for each in found.nulls] == [null.name]
    assert relative(found.estimate) <= relative(reestimate([first]).estimate)


def test_the_newest_that_fits_is_taken(tmp_path):
    assert newest_null(tmp_path / "nowhere", ChannelsUsed(scope="", probe_factors=(10.0, 10.0))) is None
    stage = CORNER_1K3.stage
    older = null_folder(stage, tmp_path, **CURVE)
    channels = channels_of(read_header(older))
    older = older.rename(tmp_path / "2001-01-01T00-00-00Z_null")
    assert newest_null(tmp_path, channels) == older
    newer = null_folder(stage, tmp_path, **CURVE)
    assert newest_null(tmp_path, channels) == newer
    null_folder(stage, tmp_path, seed=9, **CURVE)
    assert newest_null(tmp_path, channels) == newer
    assert newest_null(tmp_path, channels, drive_volts_per_div=0.5) == newer
    assert newest_null(tmp_path, channels, drive_volts_per_div=5.0) is None
    assert newest_null(tmp_path, replace(channels, probe_factors=(10.0, 1.0))) is None
    # Others in the archive do not get in the way: a sweep, one that was interrupted, one that cannot be read.
    sweep_after(CORNER_1K3, tmp_path, newer, **CURVE)
    broken = tmp_path / "2099-01-01T00-00-00Z_null"
    (broken / "data").mkdir(parents=True)
    (broken / "data" / "recording.json").write_text("{")
    assert newest_null(tmp_path, channels) == newer


def test_one_that_was_not_finished_does_not_fit(measured):
    header = read_header(measured[1])
    channels = channels_of(header)
    assert fits(header, channels) is None
    assert "not finished" in fits(msgspec.structs.replace(header, ended=Ended.INTERRUPTED), channels)


def on_bench(request, archive, wanted=None, **settings):
    links = direct_links(SimulatedSettings(stage=request.stage, seed=SEED, **(CURVE | settings)))
    with Bench.from_links(generator=links.generator, scope=links.scope, clock=links.clock) as bench:
        return null_for_sweep(bench, replace(request, seed=SEED), archive=archive, wanted=wanted)


def test_before_a_sweep_the_bench_itself_decides(measured, tmp_path):
    archive, null, sweep = measured
    assert on_bench(CORNER_1K3, archive).folder == null
    assert on_bench(CORNER_1K3, tmp_path) is None
    assert on_bench(CORNER_1K3, tmp_path, wanted=null).folder == null
    # 20 V need a range that a null run at 2 V has not compared.
    loud = replace(CORNER_1K3, level_vpp=20.0)
    assert on_bench(loud, archive) is None
    with pytest.raises(UnfitRequest, match="5 V/div"):
        on_bench(loud, archive, wanted=null)
    with pytest.raises(UnfitRequest, match="SEED-5"):
        on_bench(CORNER_1K3, archive, wanted=null, scope_idn="TWONODE,SIM-S2,ANOTHER,1.0")
    with pytest.raises(UnfitRequest, match="not a null run"):
        on_bench(CORNER_1K3, archive, wanted=sweep)
    with pytest.raises(NotARecording):
        on_bench(CORNER_1K3, archive, wanted=tmp_path)


def test_in_circuit_with_a_known_neighbour_it_helps_and_stays_true(tmp_path):
    request = stage_request(points=8)
    null = null_folder(request.stage, tmp_path, request=NullRequest(in_set=True, simulated=True, seed=SEED))
    found = reestimate([sweep_after(request, tmp_path, null, true={"C7": 22.6e-9})])
    assert found.nulls
    assert found.estimate.misfit is None
    capacitance = found.estimate.capacitance
    assert abs(capacitance.value - 22.6e-9) < 4 * capacitance.standard_uncertainty
    assert read_recording(null).header.hookup is HookUp.STAGE


@pytest.mark.parametrize(
    ("age", "words"),
    [
        (timedelta(seconds=-5), "dated in the future"),
        (timedelta(seconds=59), "just now"),
        (timedelta(seconds=60), "1 minute ago"),
        (timedelta(minutes=119), "1 hour ago"),
        (timedelta(hours=47), "1 day ago"),
        (timedelta(days=13), "13 days ago"),
        (timedelta(days=70), "2 months ago"),
        (timedelta(days=800), "2 years ago"),
    ],
)
def test_ages_are_said_in_words(age, words):
    made = datetime(2031, 4, 9, 18, 20, 11, tzinfo=UTC)
    assert age_words(made, made + age) == words
