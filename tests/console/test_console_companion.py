"""The companion on the command line: a second sweep with it, and both estimated together."""

import pytest
from console_runs import FAST, STAGE, json_of, run

from twonode.analysis.companion import companions_of
from twonode.console import confirm
from twonode.recordings import read_recording

SIMULATED = ("--simulated", *FAST, "--seed", "11", "--true", "R12=540k", "--true", "C7=22.5n", "--no-picture")
SWEEP = ("sweep", "--stage", STAGE, "--part", "C7", "--points", "5")


@pytest.fixture(scope="module")
def swept(tmp_path_factory):
    """Archive, and the results of the sweep alone and of the one with a companion."""
    archive = tmp_path_factory.mktemp("companion")
    alone = run(*SWEEP, *SIMULATED, "--archive", archive, "--json")
    helped = run(
        *(*SWEEP, *SIMULATED, "--archive", archive),
        *("--companion", "100k 0.1%", "--across", "far"),
    )
    return archive, alone, helped


def test_both_sweeps_together_know_what_one_alone_does_not(swept):
    archive, alone, _ = swept
    lone = json_of(alone)
    found = lone["capacitance"]
    assert 0.11 <= found["standard_uncertainty"] / found["value"] <= 0.12
    assert lone["finding"]["state"] == "undecided"
    assert "clip a companion of" in lone["finding"]["action"]
    assert lone["budget"][0]["action"] in lone["finding"]["action"]
    both = json_of(run("estimate", *sorted(archive.iterdir()), "--no-save", "--json"))
    found = both["capacitance"]
    assert found["standard_uncertainty"] / found["value"] < 0.003
    assert abs(found["value"] - 22.5e-9) < 4 * found["standard_uncertainty"]
    assert both["finding"]["state"] == "within tolerance"
    assert both["conditions"]["companions"] == ["companion 100 kΩ"]
    assert set(both["others"]) == {"R12", "companion 100 kΩ"}
    assert sum(line["share"] for line in both["budget"]) == pytest.approx(1.0, abs=1e-6)
    assert len(both["recordings"]) == 2


def test_the_joint_result_says_what_it_was_made_from(swept):
    archive, _, _ = swept
    result = run("estimate", *sorted(archive.iterdir()), "--no-save")
    assert result.exit_code == 0
    assert "2 sweeps together" in result.stdout
    assert "with companion 100 kΩ" in result.stdout


def test_the_drawing_shows_the_companion_and_the_recording_keeps_it(swept):
    archive, _, helped = swept
    assert helped.exit_code == 0, helped.stderr
    assert "[R12 470 kohm + companion 100 kohm]" in helped.stderr
    assert "only with the set unplugged" in helped.stderr
    assert "twonode estimate" in helped.stderr
    kept = [companions_of(read_recording(folder).stage) for folder in sorted(archive.iterdir())]
    assert kept[0] == ()
    (companion,) = kept[1]
    assert companion.value == 100e3
    assert companion.tolerance.plus == 0.001
    assert companion.between == ("output grid", "ground")


def test_a_capacitor_across_the_part_works_too(tmp_path):
    result = run(
        *(*SWEEP, *SIMULATED, "--archive", tmp_path, "--json"),
        *("--companion", "10n 1%", "--across", "part"),
    )
    document = json_of(result)
    assert document["conditions"]["companions"] == ["companion 10 nF"]
    assert "companion 10 nF" in document["others"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--companion", "100k"), "--companion"),
        (("--companion", "100 0.1%"), "100R"),
        (("--companion", "10 0.1%"), "10R"),
        (("--companion", "10R 0.1%"), "Clip on about 470k"),
        (("--companion", "1n 0.1%", "--across", "sideways"), "--across"),
        (("--across", "far"), "--companion"),
    ],
)
def test_what_cannot_be_done_is_refused_before_anything_is_written(arguments, words, tmp_path):
    archive = tmp_path / "archive"
    result = run(*SWEEP, *SIMULATED, *arguments, "--archive", archive, "--json")
    assert result.exit_code == 2, result.stdout
    error = json_of(result)["error"]
    assert words in " ".join(error.values())
    assert not archive.exists()


def test_a_fixture_has_its_known_resistor(tmp_path):
    result = run(
        *("sweep", "--hookup", "series", "--expect", "22n", "--resistor", "100k", "--simulated"),
        *("--companion", "100k 0.1%", "--archive", tmp_path / "archive", "--json"),
    )
    assert result.exit_code == 2
    assert "belongs to the stage hook-up" in json_of(result)["error"]["what"]


def test_on_a_real_bench_the_caution_about_the_companion_is_shown(monkeypatch, tmp_path):
    monkeypatch.setattr(confirm, "interactive", lambda: False)
    nowhere = "TCPIP0::127.0.0.1::1::SOCKET"
    result = run(
        *(*SWEEP, "--generator", nowhere, "--scope", nowhere, "--companion", "100k 0.1%", "--quiet"),
        *("--archive", tmp_path / "archive"),
    )
    assert result.exit_code == 2
    assert "Clip the companion on with the set unplugged" in result.stderr


def test_recordings_of_different_stages_are_refused(swept, tmp_path):
    archive, _, _ = swept
    other = tmp_path / "other.toml"
    other.write_text(STAGE.read_text(encoding="utf-8").replace('"470k"', '"1M"'), encoding="utf-8")
    made = run(
        *("sweep", "--stage", other, "--part", "C7", "--points", "4", "--simulated", *FAST),
        *("--no-picture", "--archive", tmp_path / "archive", "--json"),
    )
    first = sorted(archive.iterdir())[0]
    result = run("estimate", first, json_of(made)["recording"], "--json")
    assert result.exit_code == 2
    assert "sweeps of different stages" in json_of(result)["error"]["what"]
