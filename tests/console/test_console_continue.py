"""``twonode sweep --continue``, ``--misbehave`` and the log of ``--debug``, by the real commands."""

import pytest
from console_runs import FAST, STAGE, json_of, run

from twonode.recordings import read_recording
from twonode.recordings.verify import VerifiedState, verify_recording

SERIES = (
    *("--hookup", "series", "--part", "C7", "--expect", "22n", "--tolerance", "10%"),
    *("--resistor", "100k", "--resistor-tolerance", "0.1%", "--points", "5", "--from", "40", "--to", "1k"),
)
BENCH = ("--simulated", *FAST, "--true", "C7=21.5n")


@pytest.fixture(scope="module")
def broken(tmp_path_factory):
    archive = tmp_path_factory.mktemp("continued")
    result = run(
        *("sweep", *SERIES, *BENCH, "--seed", "4", "--scope-family", "S2", "--tag", "set=wrenfield-46"),
        *("--misbehave", "closed-before-block@3,always", "--archive", archive, "--debug"),
    )
    (folder,) = (each for each in archive.iterdir() if each.is_dir())
    return archive, result, folder


def test_a_sweep_that_broke_says_what_is_kept_and_how_to_go_on(broken):
    _, result, folder = broken
    assert result.exit_code == 3
    assert "The scope (TCPIP0::127.0.0.1::" in result.stderr
    assert "closed the connection" in result.stderr
    assert f"twonode sweep --continue {folder}" in result.stderr


def test_a_sweep_of_which_too_little_is_usable_names_what_is_kept(tmp_path):
    result = run(
        "sweep", *SERIES, *BENCH, "--archive", tmp_path, "--misbehave", "clipped-channel@2,always", "--json"
    )
    assert result.exit_code == 3
    (folder,) = (each for each in tmp_path.iterdir() if each.is_dir())
    error = json_of(result)["error"]
    assert "Too few usable points" in error["what"]
    assert str(folder) in error["do"]


def test_the_log_of_every_exchange_lies_beside_the_points(broken):
    _, _, folder = broken
    log = (folder / "results" / "log.txt").read_text(encoding="utf-8")
    assert "> CURV?" in log
    assert "SHA-256" in log
    # The whole of it, also after closing: the output is switched off last.
    assert log.rindex(":OUTP1 OFF") > log.rindex("> CURV?")
    assert verify_recording(folder).state is VerifiedState.SOUND


def test_going_on_gives_one_recording_with_all_points_and_their_estimate(broken):
    archive, _, folder = broken
    points = len(read_recording(folder).points)
    result = run("sweep", "--continue", folder, *BENCH, "--json", "--no-picture")
    assert result.exit_code == 0, result.stderr
    document = json_of(result)
    recording = read_recording(document["recording"])
    assert recording.folder.parent == archive
    assert recording.header.continues.recording == folder.name
    assert recording.header.tags == {"set": "wrenfield-46"}
    assert len(recording.points) == document["fit"]["points"] + document["fit"]["refused"] == 5 > points
    found = document["capacitance"]
    assert abs(found["value"] - 21.5e-9) < 4 * found["standard_uncertainty"]
    both = run("estimate", folder, recording.folder, "--json")
    assert both.exit_code == 2
    assert "as well" in json_of(both)["error"]["what"]
    again = run("sweep", "--continue", recording.folder, *BENCH, "--json")
    assert again.exit_code == 2
    assert "is complete" in json_of(again)["error"]["what"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--simulated", "--part", "C7"), "--part and --continue"),
        (("--simulated", "--points", "9"), "--points and --continue"),
        (("--simulated", "--seed", "4"), "--seed and --continue"),
        (("--simulated", "--stage", STAGE), "--stage and --continue"),
        ((), "add --simulated"),
    ],
)
def test_what_the_recording_says_itself_cannot_be_said_again(broken, arguments, words):
    _, _, folder = broken
    result = run("sweep", "--continue", folder, *arguments, "--json")
    assert result.exit_code == 2
    assert words in json_of(result)["error"]["what"]


def test_a_recording_is_found_by_its_name_in_the_archive(broken, tmp_path):
    archive, _, folder = broken
    result = run("sweep", "--continue", tmp_path / "nothing", "--archive", archive, "--simulated", "--json")
    assert result.exit_code == 2
    found = run("sweep", "--continue", folder.name, "--archive", archive, "--json")
    assert "add --simulated" in json_of(found)["error"]["what"]


def test_misbehaviour_is_listed_and_belongs_to_the_simulated_bench(tmp_path):
    listed = run("simulate", "--misbehave", "help")
    assert listed.exit_code == 0
    assert "closed-inside-block" in listed.stdout
    assert "@closing" in listed.stdout
    wrong = run("simulate", "--misbehave", "nonsense", "--json")
    assert wrong.exit_code == 2
    assert "`--misbehave help` lists" in json_of(wrong)["error"]["what"]
    real = ("--generator", "TCPIP0::127.0.0.1::1::SOCKET", "--scope", "TCPIP0::127.0.0.1::1::SOCKET")
    refused = run("sweep", *SERIES, *real, "--misbehave", "hum", "--archive", tmp_path / "a", "--json")
    assert refused.exit_code == 2
    assert "--misbehave needs --simulated" in json_of(refused)["error"]["what"]


def test_an_output_that_cannot_be_confirmed_off_is_an_error_that_names_the_complete_recording(tmp_path):
    result = run(
        *("sweep", *SERIES, *BENCH, "--archive", tmp_path, "--misbehave", "generator:reset@closing,always"),
    )
    (folder,) = (each for each in tmp_path.iterdir() if each.is_dir())
    assert result.exit_code == 3
    assert "unknown" in result.stderr
    assert f"All points are measured and kept; twonode estimate {folder}" in result.stderr
    assert len(read_recording(folder).points) == 5
