import math

import pytest
from console_runs import FAST, json_of, run

from twonode.recordings import read_recording, read_results


@pytest.fixture(scope="module")
def healthy(tmp_path_factory):
    archive = tmp_path_factory.mktemp("demo")
    return archive, run("demo", *FAST, "--archive", archive)


def test_the_demo_ends_well_in_a_few_lines(healthy):
    _, result = healthy
    assert result.exit_code == 0, result.stderr
    assert len(result.stdout.splitlines()) <= 15
    assert "SIMULATED BENCH" in result.stdout
    assert "C7: WITHIN TOLERANCE" in result.stdout
    assert "leakage at working voltage is not tested" in result.stdout


def test_the_demo_leaves_a_sound_recording_with_result_and_picture(healthy):
    archive, result = healthy
    folders = list(archive.iterdir())
    assert len(folders) == 1
    recording = read_recording(folders[0])
    assert recording.header.conditions.simulated
    assert recording.header.conditions.seed == 1
    assert recording.header.tags["set"] == "wrenfield-46"
    pictures = list((folders[0] / "results").glob("*.png"))
    assert len(pictures) == 1
    assert pictures[0].read_bytes().startswith(b"\x89PNG")
    assert str(pictures[0]) in result.stdout
    stored = read_results(folders[0])
    assert stored[0].document["finding"]["state"] == "within tolerance"
    assert stored[0].document["program"].startswith("twonode ")
    assert stored[0].document["picture"] == pictures[0].name


@pytest.mark.parametrize(
    ("fault", "state"),
    [
        ("C7=open", "open"),
        ("C7=shorted", "shorted"),
        ("C7=leaky:2M", "leaky"),
        ("C7=off:15n", "off value"),
    ],
)
def test_each_fault_is_found_and_fails_the_check(fault, state, tmp_path):
    result = run("demo", *FAST, "--fault", fault, "--archive", tmp_path, "--json", "--check")
    document = json_of(result)
    assert document["finding"]["state"] == state
    assert document["finding"]["probability"] >= 0.95
    assert result.exit_code == 1
    assert document["conditions"]["simulated"] is True
    if state == "off value":
        low, high = document["capacitance"]["interval95"]
        # A 99.99 % band of the stated interval must hold the value that was put in.
        reach = 2.0 * (high - low)
        assert abs(document["capacitance"]["value"] - 15e-9) < reach
        assert math.isclose(high + low, 2 * document["capacitance"]["value"], rel_tol=0.01)
    if state == "open":
        assert document["capacitance"]["value"] is None
        assert document["capacitance"]["at_most"] < 100e-12


def test_a_fault_of_a_part_that_is_not_there_is_refused(tmp_path):
    result = run("demo", "--fault", "C9=open", "--archive", tmp_path / "a", "--json")
    assert result.exit_code == 2
    assert "C9" in json_of(result)["error"]["what"]
    assert not (tmp_path / "a").exists()
