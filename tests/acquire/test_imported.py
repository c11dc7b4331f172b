"""Imported readings on their way to an estimate: what comes out is what was put in, with its uncertainty."""

from datetime import UTC, datetime
from math import degrees

import numpy as np
import pytest

from twonode.acquire import UnfitRequest, reestimate
from twonode.acquire.compare import compare_recordings
from twonode.acquire.imported import ImportRequest, import_table, import_traces, points_of_table
from twonode.acquire.reestimate import sweep_of
from twonode.analysis.channel import PROBE_10, probe_parts
from twonode.analysis.hookup import HookUp, series_stage
from twonode.analysis.network import Network
from twonode.analysis.quantities import Tolerance
from twonode.recordings import PointState, RecordingKind, read_recording
from twonode.recordings.errors import UnfitImport
from twonode.recordings.import_points import read_points_table
from twonode.recordings.verify import VerifiedState, verify_recording

NOW = datetime(2031, 4, 9, 18, 20, 11, tzinfo=UTC)
TEN_PERCENT = Tolerance(minus=0.1, plus=0.1)
FARAD = 20.3e-9


def _stage(farad=22e-9, **more):
    return series_stage(
        part="C7",
        value_farad=farad,
        tolerance=TEN_PERCENT,
        resistor_ohm=100e3,
        resistor_tolerance=Tolerance(minus=0.002, plus=0.002),
    )


def _request(**more):
    fields = {
        "hookup": HookUp.SERIES,
        "stage": _stage(),
        "part": "C7",
        "nominal_farad": 22e-9,
        "tolerance": TEN_PERCENT,
    }
    return ImportRequest(**(fields | more))


def _ratio(frequencies_hz, farad=FARAD):
    stage = _stage(farad)
    parts = [*stage.parts, *probe_parts(PROBE_10, stage.far, "far probe")]
    return Network(parts, forced=stage.drive).ratio(np.asarray(frequencies_hz, dtype=float), stage.far)


HERTZ = [10.0, 20.0, 50.0, 80.0, 120.0, 200.0, 500.0, 1000.0]


def _table(tmp_path, *, phase=True, noise=0.01, name="notebook.csv", seed=4):
    rng = np.random.default_rng(seed)
    lines = ["f (Hz),gain dB" + (",phase deg" if phase else "")]
    for hz, ratio in zip(HERTZ, _ratio(HERTZ), strict=True):
        line = f"{hz:g},{20 * np.log10(abs(ratio) * (1 + noise * rng.normal())):.3f}"
        lines.append(line + (f",{degrees(np.angle(ratio)) + rng.normal():.2f}" if phase else ""))
    path = tmp_path / name
    path.write_text("\n".join(lines) + "\n")
    return path


def _import_table(tmp_path, *, request=None, **more):
    table = read_points_table(_table(tmp_path, **more), size_uncertainty=0.01, phase_uncertainty_deg=1.0)
    return import_table(request or _request(), table, archive=tmp_path / "archive", now_utc=NOW).recording


@pytest.mark.parametrize("phase", [True, False])
def test_a_notebook_s_readings_lead_to_the_part(tmp_path, phase):
    found = reestimate([_import_table(tmp_path, phase=phase)])
    low, high = found.estimate.capacitance.interval95
    assert low < FARAD < high
    assert (high - low) / 2 < 0.05 * FARAD
    assert found.estimate.misfit is None
    assert found.recordings[0].header.kind is RecordingKind.POINTS


def test_covariance_of_a_row_turns_with_its_phase(tmp_path):
    folder = _import_table(tmp_path)
    points = points_of_table(read_recording(folder).used)
    rng = np.random.default_rng(8)
    for point in (points[0], points[3]):
        size, phase = abs(point.ratio), np.angle(point.ratio)
        drawn = size * (1 + 0.01 * rng.normal(size=200_000))
        drawn = drawn * np.exp(1j * (phase + np.radians(1.0) * rng.normal(size=200_000)))
        # Outside reference: Monte Carlo propagation, JCGM 101.
        cov = np.cov(drawn.real, drawn.imag)
        scale = np.sqrt(cov[0, 0] * cov[1, 1])
        assert point.ratio_cov == pytest.approx((cov[0, 0], cov[0, 1], cov[1, 1]), abs=0.02 * scale)


def test_a_row_without_a_phase_reaches_the_estimate_without_one(tmp_path):
    points = sweep_of(read_recording(_import_table(tmp_path, phase=False))).points
    assert all(point.magnitude_only for point in points)
    assert [point.frequency_hz for point in points] == HERTZ


def test_imported_readings_share_no_bench_with_anybody(tmp_path):
    first = read_recording(_import_table(tmp_path))
    second = read_recording(_import_table(tmp_path, name="other.csv", seed=5))
    assert sweep_of(first).bench != sweep_of(second).bench
    together = reestimate([first.folder, second.folder]).estimate
    alone = reestimate([first.folder]).estimate
    assert together.capacitance.standard_uncertainty < alone.capacitance.standard_uncertainty


def test_stated_uncertainties_go_into_the_estimate(tmp_path):
    request = _request(frequency_uncertainty=0.05, gain_uncertainty=0.001, level_vpp=2.0)
    loose = reestimate([_import_table(tmp_path, request=request)])
    assert loose.recordings[0].header.conditions.level_vpp == 2.0
    shares = {line.source: line.share for line in loose.estimate.budget}
    assert shares["frequency"] > 0.8


def test_a_comparison_says_what_was_imported(tmp_path):
    first = _import_table(tmp_path)
    second = _import_table(tmp_path, name="other.csv", seed=5, request=_request(level_vpp=1.0))
    found = compare_recordings(first, second)
    assert any("level" in words and "not known" in words for words in found.methods)


def _traces(
    tmp_path,
    frequencies_hz=HERTZ,
    *,
    bits=8,
    noise=0.4,
    digits=5,
    skew=0.0,
    seed=3,
    samples=2500,
    far=1.0,
    cycles=9.3,
):
    """Files of two channels as an 8-bit scope writes them: codes in volts, rounded to some digits."""
    rng = np.random.default_rng(seed)
    paths = []
    for number, (hz, ratio) in enumerate(zip(frequencies_hz, _ratio(frequencies_hz), strict=True), start=1):
        interval_s = cycles / hz / samples
        t = np.arange(samples) * interval_s
        columns = [t]
        for phasor in (1.0, far * ratio):
            step = 2.0 * abs(phasor) / (0.8 * 2**bits)
            volts = abs(phasor) * np.cos(2 * np.pi * hz * t + np.angle(phasor) + 0.4)
            columns.append(np.round(volts / step + noise * rng.normal(size=samples)) * step)
        path = tmp_path / f"trace{number}.csv"
        rows = (f"{a:.9g},{b:.{digits}g},{c:.{digits}g}" for a, b, c in zip(*columns, strict=True))
        path.write_text("time (s),CH1 (V),CH2 (V)\n" + "\n".join(rows) + "\n")
        paths.append(path)
    return paths


def test_traces_from_a_stick_become_an_ordinary_sweep(tmp_path):
    paths = _traces(tmp_path)
    found = import_traces(_request(), paths, archive=tmp_path / "archive", now_utc=NOW)
    recording = read_recording(found.recording)
    assert recording.header.kind is RecordingKind.SWEEP
    assert recording.header.plan["kind"] == "imported"
    assert recording.header.conditions.imported
    for row, hz, ratio in zip(recording.points, HERTZ, _ratio(HERTZ), strict=True):
        assert row.state is PointState.USED, row.reason
        assert row.frequency_hz == pytest.approx(hz, rel=1e-4)
        sigma = np.sqrt(row.var_re + row.var_im)
        assert abs(row.ratio - ratio) < 6 * sigma
        assert sigma < 2e-3 * abs(ratio)
    for number, path in enumerate(paths, start=1):
        assert (found.recording / "data" / f"source_{number:04d}.csv").read_bytes() == path.read_bytes()
    verdict = verify_recording(found.recording)
    assert verdict.state is VerifiedState.SOUND
    assert verdict.ratios == len(paths)
    estimate = reestimate([found.recording]).estimate
    assert estimate.capacitance.interval95[0] < FARAD < estimate.capacitance.interval95[1]
    assert estimate.misfit is None


def test_traces_without_steps_are_taken_too(tmp_path):
    paths = _traces(tmp_path, bits=15, noise=30.0, digits=12)
    found = import_traces(_request(), paths, archive=tmp_path / "archive", now_utc=NOW)
    estimate = reestimate([found.recording]).estimate
    assert estimate.capacitance.interval95[0] < FARAD < estimate.capacitance.interval95[1]


def test_a_trace_of_just_four_cycles_is_used_although_its_frequency_is_not_found_exactly(tmp_path):
    for seed in range(3):
        paths = _traces(tmp_path, cycles=4.0, seed=seed)
        found = import_traces(_request(), paths, archive=tmp_path / f"archive{seed}", now_utc=NOW)
        assert [row.reason for row in read_recording(found.recording).points] == [None] * len(paths)


def test_a_trace_of_too_few_cycles_is_kept_and_not_used(tmp_path):
    paths = _traces(tmp_path)
    text = paths[0].read_text().splitlines()
    paths[0].write_text("\n".join(text[:700]) + "\n")  # some two and a half cycles
    found = import_traces(_request(), paths, archive=tmp_path / "archive", now_utc=NOW)
    first = read_recording(found.recording).points[0]
    assert first.state is PointState.REFUSED
    assert "cycles" in first.reason
    assert any("trace1.csv is not used" in note for note in found.notes)


def test_traces_are_refused_where_they_are_none(tmp_path):
    paths = _traces(tmp_path, HERTZ[:4])
    archive = tmp_path / "archive"
    with pytest.raises(UnfitRequest, match="2 of 2 trace files"):
        import_traces(_request(), paths[:2], archive=archive)
    with pytest.raises(UnfitRequest, match="holds what"):
        import_traces(_request(), [*paths, paths[0]], archive=archive)
    with pytest.raises(UnfitRequest, match="more than 500"):
        import_traces(_request(), paths * 200, archive=archive)
    short = paths[0].read_text().splitlines()
    paths[0].write_text("\n".join(short[:200]) + "\n")
    with pytest.raises(UnfitImport, match=r"trace1\.csv: The record holds") as caught:
        import_traces(_request(), paths, archive=archive)
    assert "period" in caught.value.what
    assert not archive.exists() or not any(archive.iterdir())
