import shutil

import pytest
from console_runs import FAST, STAGE, json_of, run

from twonode.console import confirm
from twonode.recordings import RecordingKind, read_recording

SERIES = (
    *("--hookup", "series", "--part", "C7", "--expect", "100n", "--tolerance", "10%"),
    *("--resistor", "1.2k", "--resistor-tolerance", "0.1%", "--points", "5", "--no-picture"),
)
SIMULATED = ("--simulated", *FAST, "--seed", "4")
NOWHERE = ("--generator", "TCPIP0::127.0.0.1::1::SOCKET", "--scope", "TCPIP0::127.0.0.1::1::SOCKET")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """An archive with one null run, and what the command said of it."""
    archive = tmp_path_factory.mktemp("null")
    result = run("null", *SIMULATED, "--tag", "bench=left", "--archive", archive, "--json")
    return archive, result, json_of(result)


@pytest.fixture(scope="module")
def swept(made):
    """A sweep after it."""
    archive, _, _ = made
    result = run("sweep", *SERIES, *SIMULATED, "--true", "C7=103n", "--archive", archive, "--json")
    return result, json_of(result)


def test_the_null_run_is_filed_and_its_figures_are_given(made):
    archive, result, document = made
    assert result.exit_code == 0
    assert result.stderr == ""
    recording = read_recording(document["recording"])
    assert recording.folder.parent == archive
    assert recording.header.kind is RecordingKind.NULL
    assert recording.header.tags == {"bench": "left"}
    assert recording.header.conditions.seed == 4
    assert recording.header.hookup is None
    assert document["fit"]["points"] == len(recording.used)
    for name, limit in (("gain", 0.1), ("trimming", 0.15), ("skew", 5e-9)):
        found = document["channels"][name]
        assert 0 < found["standard_uncertainty"] < abs(limit) / 5
        assert abs(found["value"]) < limit
    assert 0.5 in document["ranges_volts_per_div"]["channel_2"]


def test_the_newest_null_run_that_fits_is_used_and_named(made, swept):
    _, result, document = swept[0], *swept
    assert result.stderr == ""
    assert document["conditions"]["null"] == made[2]["recording"]
    found = document["capacitance"]
    assert found["standard_uncertainty"] < 0.002 * found["value"]
    assert abs(found["value"] - 103e-9) < 4 * found["standard_uncertainty"]
    assert "null run" in {line["source"] for line in document["budget"]}
    assert abs(sum(line["share"] for line in document["budget"]) - 1) < 1e-6


def test_which_null_run_it_goes_by_and_how_old_it_is_stands_on_the_screen(made):
    archive, _, document = made
    result = run("sweep", *SERIES, *SIMULATED, "--archive", archive)
    assert result.exit_code == 0, result.stderr
    assert f"Going by the null run made just now: {document['recording']}" in result.stderr
    assert "null run made just before" in result.stdout


def test_without_one_that_fits_it_says_so_and_goes_on(made, tmp_path):
    for archive, seed in ((tmp_path, "4"), (made[0], "5")):
        result = run("sweep", *SERIES, "--simulated", *FAST, "--seed", seed, "--archive", archive)
        assert result.exit_code == 0, result.stderr
        assert "No null run in the archive fits" in result.stderr
        assert "no null run" in result.stdout


def test_none_means_none(made, swept):
    result = run("sweep", *SERIES, *SIMULATED, "--null", "none", "--archive", made[0], "--json")
    assert json_of(result)["conditions"]["null"] is None
    again = json_of(run("estimate", swept[1]["recording"], "--null", "none", "--no-save", "--json"))
    assert again["conditions"]["null"] is None
    assert again["capacitance"]["standard_uncertainty"] > 5 * swept[1]["capacitance"]["standard_uncertainty"]


def test_a_null_run_from_another_folder_is_used_where_it_is_named(made, tmp_path):
    null = made[2]["recording"]
    result = run("sweep", *SERIES, *SIMULATED, "--null", null, "--archive", tmp_path, "--json")
    document = json_of(result)
    assert result.stderr == ""
    assert document["conditions"]["null"] == null
    # Later it is not beside the sweep: said, and estimated without, unless it is named again.
    later = run("estimate", document["recording"], "--no-save", "--json")
    assert "left out of the estimate" in later.stderr
    assert json_of(later)["conditions"]["null"] is None
    named = json_of(run("estimate", document["recording"], "--null", null, "--no-save", "--json"))
    assert named["capacitance"] == document["capacitance"]


def test_estimating_again_gives_the_same(swept):
    again = json_of(run("estimate", swept[1]["recording"], "--no-save", "--json"))
    for key in ("capacitance", "budget", "conditions", "fit"):
        assert again[key] == swept[1][key]


def test_a_null_run_that_does_not_fit_is_refused(made, swept, tmp_path):
    null = made[2]["recording"]
    other = run("sweep", *SERIES, "--simulated", *FAST, "--seed", "5", "--null", null, "--archive", tmp_path)
    assert other.exit_code == 2
    assert "does not fit" in other.stderr
    assert not list(tmp_path.iterdir())
    loud = run("sweep", *SERIES, *SIMULATED, "--level", "20V", "--null", null, "--archive", tmp_path)
    assert loud.exit_code == 2
    assert "V/div" in loud.stderr
    result = run("estimate", swept[1]["recording"], "--null", swept[1]["recording"], "--json")
    assert result.exit_code == 2
    assert "not a null run" in json_of(result)["error"]["what"]
    assert run("estimate", null, "--json").exit_code == 2


def test_a_damaged_null_run_that_was_asked_for_is_an_error_of_its_own(made, swept, tmp_path):
    copy = tmp_path / "copy_null"
    shutil.copytree(made[2]["recording"], copy)
    table = copy / "data" / "points.csv"
    table.write_bytes(table.read_bytes().replace(b"1", b"2", 1))
    result = run("estimate", swept[1]["recording"], "--null", copy, "--no-save", "--json")
    assert result.exit_code == 4


def test_on_the_screen_it_draws_the_hook_up_and_says_what_was_found(tmp_path):
    result = run("null", *SIMULATED, "--stage", STAGE, "--archive", tmp_path)
    assert result.exit_code == 0, result.stderr
    assert "CHANNEL 1   CHANNEL 2" in result.stderr
    assert "<driver anode>" in result.stderr
    assert "Channels compared" in result.stdout
    assert "SIMULATED BENCH" in result.stdout
    (folder,) = (each for each in tmp_path.iterdir() if each.is_dir())
    assert f"Recording: {folder}" in result.stdout
    assert run("null", *SIMULATED, "--quiet", "--archive", tmp_path).stderr == ""


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "--generator"),
        (("--simulated", "--scope", "X"), "exclude"),
        (("--simulated", "--level", "100V"), "100 V"),
        (("--simulated", "--stage", "nowhere.toml"), "nowhere.toml"),
        (("--simulated", "--tag", "a=1", "--tag", "a=2"), "twice"),
        (("--stage", str(STAGE), *NOWHERE), "Nobody has confirmed"),
        (("--stage", str(STAGE), *NOWHERE, "--unplugged-and-discharged"), "Nobody has confirmed"),
    ],
)
def test_what_cannot_be_done_is_refused_before_anything_is_written(arguments, words, tmp_path):
    result = run("null", *arguments, "--archive", tmp_path / "archive", "--json")
    assert result.exit_code == 2, result.stdout
    assert words in " ".join(json_of(result)["error"].values())
    assert not (tmp_path / "archive").exists()


def test_inside_a_set_the_word_and_the_volts_are_asked_for(monkeypatch, tmp_path):
    monkeypatch.setattr(confirm, "interactive", lambda: True)
    arguments = ("null", "--stage", STAGE, *NOWHERE, "--archive", tmp_path / "a")
    assert "nothing was switched on" in run(*arguments, input="yes\n").stderr
    live = run(*arguments, input="unplugged\n40\n")
    assert live.exit_code == 3
    assert "40.0 V" in live.stderr
    went_on = run(*arguments, input="unplugged\n0.2\n")
    assert went_on.exit_code == 3
    assert "Nothing listens" in went_on.stderr
    assert "Never sweep a powered set" in went_on.stderr


def test_on_the_lead_alone_nothing_is_asked(tmp_path):
    result = run("null", *NOWHERE, "--archive", tmp_path / "a", "--json")
    assert result.exit_code == 3
    assert "BEFORE THE CLIPS" not in result.stderr


def test_the_help_teaches_with_an_example():
    words = run("null", "--help").stdout
    assert "twonode null --simulated --seed 7" in words
    assert "SAFETY" in words
    assert "Untested on hardware" in " ".join(words.split())
