"""``twonode archive export``: from the archive to files that other programs read."""

import csv
import json
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from console_runs import STAGE, json_of, run
from scipy.io import loadmat
from spice import needs_ngspice

from twonode import recordings
from twonode.acquire import reestimate
from twonode.analysis.channel import PROBE_10, probe_parts
from twonode.analysis.network import Network
from twonode.analysis.stage import GROUND, Part, PartKind, load_stage
from twonode.recordings import read_recording

EXAMPLES = Path(recordings.__file__).parent / "examples"
HERTZ = np.geomspace(4.0, 1500.0, 7)
COMPANION = Part(name="wire", kind=PartKind.RESISTOR, between=("output grid", GROUND), value=100e3)


def _notebook(path, *more):
    """Readings of the stage, rounded to what a notebook holds, with an exact size as the only flaw."""
    stage = load_stage(STAGE)
    network = Network(
        [*stage.parts, *more, *probe_parts(PROBE_10, stage.far, "far probe")], forced=stage.drive
    )
    rows = ["f (Hz),gain dB,phase deg"]
    for hz, ratio in zip(HERTZ, network.ratio(HERTZ, stage.far), strict=True):
        rows.append(f"{hz:.6g},{20 * np.log10(abs(ratio)):.3f},{np.degrees(np.angle(ratio)):.2f}")
    path.write_text("\n".join(rows) + "\n")
    return path


@pytest.fixture(scope="module")
def filed(tmp_path_factory):
    """Readings of a part and such with a companion, estimated."""
    place = tmp_path_factory.mktemp("readings")
    archive = place / "archive"
    wired = ("--stage", STAGE, "--part", "C7", "--archive", archive, "--no-picture", "--json")
    folders = []
    for path, more in (
        (_notebook(place / "plain.csv"), ("--tag", "set=wrenfield-46")),
        (_notebook(place / "companion.csv", COMPANION), ("--companion", "100k 0.1%")),
    ):
        folders.append(json_of(run("archive", "import", path, *wired, *more))["recording"])
    return archive, [Path(each) for each in folders]


@pytest.fixture
def archive(filed, tmp_path):
    shutil.copytree(filed[0], tmp_path / "archive")
    return tmp_path / "archive"


def _export(archive, *arguments):
    return run("archive", "export", *arguments, "--archive", archive)


def test_parts_are_written_by_the_file_s_ending(archive, tmp_path):
    result = _export(archive, "--to", tmp_path / "parts.csv")
    assert result.exit_code == 0, result.output
    assert "2 parts of 2 recordings" in result.stdout
    rows = list(csv.DictReader((tmp_path / "parts.csv").open(encoding="utf-8")))
    assert all(row["finding"] for row in rows)
    for row in rows:
        assert float(row["capacitance_low95_farad"]) < 22e-9 < float(row["capacitance_high95_farad"])
        assert (row["imported"], row["simulated"], row["kind"]) == ("1", "0", "points")


def test_each_form_can_be_asked_for(archive, tmp_path):
    for form, name in (("points", "points.csv"), ("json", "all.txt"), ("matlab", "archive.mat")):
        document = json_of(_export(archive, "--to", tmp_path / name, "--as", form, "--json"))
        assert (document["as"], document["recordings"], document["left_out"]) == (form, 2, [])
    used = sum(len(read_recording(each).points) for each in archive.iterdir() if (each / "data").is_dir())
    assert len(list(csv.DictReader((tmp_path / "points.csv").open()))) == used
    assert len(json.loads((tmp_path / "all.txt").read_text())["recordings"]) == 2
    assert loadmat(tmp_path / "archive.mat", simplify_cells=True)["points"]["frequency_hz"].size == used


def test_conditions_choose_among_the_archive_s_recordings(archive, tmp_path):
    document = json_of(_export(archive, "--to", tmp_path / "a.csv", "--set", "Wrenfield-46", "--json"))
    assert document["rows"] == 1


@pytest.mark.parametrize(
    ("conditions", "said"),
    [
        (("--until", "2001"), "fits --until 2001"),
        (("--set", "wrenfeld"), "the nearest is 'wrenfield-46'"),
        (("--part", "C7", "--finding", "shorted"), "finding 'shorted' none"),
    ],
)
def test_conditions_that_fit_nothing_are_named_and_nothing_is_written(archive, tmp_path, conditions, said):
    result = _export(archive, "--to", tmp_path / "b.csv", *conditions)
    assert result.exit_code == 2
    assert said in result.stderr
    assert len(result.stderr.strip().splitlines()) == 3
    assert not (tmp_path / "b.csv").exists()


def test_an_empty_archive_or_one_without_points_writes_no_empty_file(tmp_path):
    (tmp_path / "archive").mkdir()
    result = _export(tmp_path / "archive", "--to", tmp_path / "b.csv")
    assert (result.exit_code, "There is no recording in" in result.stderr) == (2, True)
    shutil.copytree(EXAMPLES / "format-1-dc", tmp_path / "archive" / "2031-04-09T18-20-11Z_C7")
    result = _export(tmp_path / "archive", "--to", tmp_path / "b.csv", "--as", "points")
    assert (result.exit_code, "no points in 1 recording;" in result.stderr) == (2, True)
    assert not (tmp_path / "b.csv").exists()


def test_nothing_is_written_over_unasked(archive, tmp_path):
    target = tmp_path / "parts.csv"
    target.write_text("mine")
    result = _export(archive, "--to", target, "--json")
    assert result.exit_code == 2
    assert "--replace" in json_of(result)["error"]["do"]
    assert target.read_text() == "mine"
    assert _export(archive, "--to", target, "--replace").exit_code == 0
    assert target.read_text() != "mine"


def test_a_damaged_recording_is_left_out_said_and_ends_with_4(archive, tmp_path):
    folder = next(each for each in sorted(archive.iterdir()) if (each / "data").is_dir())
    path = folder / "data" / "points.csv"
    path.write_bytes(path.read_bytes().replace(b"used", b"Used", 1))
    result = _export(archive, "--to", tmp_path / "parts.csv", "--json")
    document = json_of(result)
    assert result.exit_code == 4
    assert (document["recordings"], document["rows"], len(document["left_out"])) == (1, 1, 1)
    assert "points.csv" in document["left_out"][0]["what"]
    assert _export(archive, folder.name, "--to", tmp_path / "one.csv").exit_code == 4
    assert not (tmp_path / "one.csv").exists()


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--to", "x.txt"), "--as"),
        (("--to", "none/x.csv"), "no folder"),
        (("--to", ".", "--as", "json"), "is a folder"),
        (("--to", "x.cir"), "name them"),
        (("--to", "x.csv", "--null", "none"), "--null"),
        (("--to", "x.csv", "--part", "C7", "20"), "RECORDING"),
        (("--to", "x.csv", "nowhere"), "nowhere"),
        (("--to", "x.cir", "--set", "a", "2"), "deck"),
        (("--to", "x.mat", "--as", "parts"), "--to x.mat and --as parts contradict each other"),
        (("--to", "x.CSV", "--as", "json"), "json goes into .json"),
    ],
)
def test_what_makes_no_sense_is_refused(archive, tmp_path, monkeypatch, more, said):
    monkeypatch.chdir(tmp_path)
    result = _export(archive, *more)
    assert result.exit_code == 2, result.output
    assert said in result.output
    assert not list(tmp_path.glob("x.*"))


def test_nothing_is_written_into_a_recording(archive):
    folder = next(each for each in sorted(archive.iterdir()) if (each / "data").is_dir())
    result = _export(archive, "--to", folder / "results" / "parts.csv")
    assert result.exit_code == 2
    assert "inside the recording" in result.output


@needs_ngspice
@pytest.mark.parametrize("joint", [False, True])
def test_ngspice_runs_the_deck_to_the_fitted_ratio(filed, tmp_path, joint):
    # Outside reference: ngspice; the promise is 1e-6 relative.
    archive, folders = filed
    named = folders if joint else folders[:1]
    target = tmp_path / "stage.cir"
    result = run("archive", "export", *named, "--to", target, "--archive", archive)
    assert result.exit_code == 0, result.output
    assert "together with" in target.read_text() or not joint
    assert target.read_text().isascii()
    subprocess.run(["ngspice", "-b", target.name], cwd=tmp_path, check=True, capture_output=True, timeout=60)
    frequency_hz, re, im = np.loadtxt(tmp_path / "ratio.txt", unpack=True)
    posterior = reestimate(named).estimate.posterior
    fitted = posterior.model.curve(posterior.theta, 0, frequency_hz)
    assert np.abs((re + 1j * im) / fitted - 1).max() < 1e-6
    points = read_recording(folders[0]).used
    assert frequency_hz[0] < min(p.frequency_hz for p in points)
    assert frequency_hz[-1] > max(p.frequency_hz for p in points)
