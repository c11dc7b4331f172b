import os
import stat

import pytest
from console_runs import FAST, STAGE, json_of, run

from twonode.console import confirm
from twonode.recordings import read_recording, read_results

SERIES = (
    *("--hookup", "series", "--part", "C7", "--expect", "22n", "--tolerance", "10%"),
    *("--resistor", "100k", "--resistor-tolerance", "0.1%"),
)
SHORT = ("--points", "5", "--from", "40", "--to", "1k")
SIMULATED = ("--simulated", *FAST)
# Nothing listens there, and it is this computer.
NOWHERE = ("--generator", "TCPIP0::127.0.0.1::1::SOCKET", "--scope", "TCPIP0::127.0.0.1::1::SOCKET")


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    archive = tmp_path_factory.mktemp("sweep")
    result = run(
        *("sweep", *SERIES, *SHORT, *SIMULATED, "--true", "C7=21.5n", "--seed", "4", "--json"),
        *("--tag", "set=wrenfield-46", "--tag", "serial=17", "--archive", archive),
    )
    return archive, result, json_of(result)


def test_a_simulated_sweep_finds_the_value_within_its_interval(measured):
    _, result, document = measured
    assert result.exit_code == 0
    assert result.stderr == ""
    found = document["capacitance"]
    assert found["standard_uncertainty"] / found["value"] < 0.01
    assert abs(found["value"] - 21.5e-9) < 4 * found["standard_uncertainty"]
    assert document["fit"]["points"] + document["fit"]["refused"] == 5
    assert document["conditions"]["hookup"] == "series"
    assert set(document["others"]) == {"R"}


def test_the_recording_keeps_what_was_asked(measured):
    archive, _, document = measured
    recording = read_recording(document["recording"])
    assert recording.folder.parent == archive
    assert recording.header.tags == {"set": "wrenfield-46", "serial": "17"}
    assert recording.header.part == "C7"
    assert recording.header.conditions.simulated
    frequencies = [row.frequency_set_hz for row in recording.points]
    assert 35 < min(frequencies) < 45
    assert 900 < max(frequencies) < 1100


def test_estimating_again_gives_the_same_to_the_last_digit(measured):
    _, _, document = measured
    again = json_of(run("estimate", document["recording"], "--json", "--no-save"))
    for key in ("capacitance", "others", "budget", "fit", "finding", "conditions"):
        assert again[key] == document[key]
    assert again["picture"] is None


def test_a_new_estimate_is_added_and_nothing_overwritten(measured):
    _, _, document = measured
    before = [each.path.read_bytes() for each in read_results(document["recording"])]
    assert run("estimate", document["recording"]).exit_code == 0
    after = read_results(document["recording"])
    assert len(after) == len(before) + 1
    assert {each.path.read_bytes() for each in after} >= set(before)
    read_recording(document["recording"])


def test_shunt_and_stage_hookups_work_too(tmp_path):
    shunt = run(
        *("sweep", "--hookup", "shunt", "--part", "C6", "--expect", "10n", "--tolerance", "20%"),
        *("--resistor", "100k", "--resistor-tolerance", "0.1%", *SIMULATED, *SHORT, "--no-picture"),
        *("--true", "C6=9n", "--archive", tmp_path, "--json"),
    )
    found = json_of(shunt)["capacitance"]
    assert abs(found["value"] - 9e-9) < 4 * found["standard_uncertainty"]
    assert json_of(shunt)["picture"] is None
    stage = run("sweep", "--stage", STAGE, *SIMULATED, "--points", "5", "--archive", tmp_path)
    assert stage.exit_code == 0, stage.stderr
    assert "CHANNEL 1" in stage.stderr
    assert "BEFORE THE CLIPS" not in stage.stderr
    assert stage.stdout.startswith("C7: ")


def test_a_part_of_which_nothing_is_known_is_found_by_a_look_over_the_whole_range(tmp_path):
    result = run(
        *("sweep", "--hookup", "series", "--part", "C6", "--resistor", "10k", "--resistor-tolerance", "0.1%"),
        *(*SIMULATED, "--no-picture", "--true", "C6=3n3", "--archive", tmp_path, "--json"),
    )
    document = json_of(result)
    found = document["capacitance"]
    assert abs(found["value"] - 3.3e-9) < 4 * found["standard_uncertainty"]
    assert found["standard_uncertainty"] < 0.004 * found["value"]
    assert document["finding"]["state"] == "undecided"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--hookup", "series", "--simulated"), "--resistor"),
        (("--hookup", "series", "--simulated", "--expect", "22n"), "--resistor"),
        (("--simulated",), "--hookup"),
        (("--hookup", "stage", "--simulated"), "--stage"),
        ((*SERIES, "--stage", STAGE, "--simulated"), "--stage"),
        (("--stage", STAGE, "--resistor", "100k", "--simulated"), "--resistor"),
        (SERIES, "--generator"),
        ((*SERIES, "--generator", "X"), "--scope"),
        ((*SERIES, "--generator", "X", "--simulated"), "exclude"),
        ((*SERIES, *NOWHERE, "--fault", "C7=open"), "--simulated"),
        ((*SERIES, "--simulated", "--fault", "C8=open"), "C8"),
        ((*SERIES, "--simulated", "--tag", "a=1", "--tag", "a=2"), "twice"),
        ((*SERIES, "--simulated", "--points", "1"), "points"),
        ((*SERIES, "--simulated", "--from", "2k", "--to", "1k"), "--from"),
        ((*SERIES, "--simulated", "--level", "100V"), "100 V"),
        (("--stage", STAGE, "--part", "C70", "--simulated"), "C7"),
        (("--stage", STAGE, "--part", "R12", "--simulated"), "resistor"),
        (("--stage", "nowhere.toml", "--simulated"), "nowhere.toml"),
        ((*SERIES, *NOWHERE, "--profile", "no-such"), "no-such"),
        ((*SERIES, *NOWHERE, "--profile", "scope-curve", "--profile", "scope-ten-field"), "both"),
        (
            ("--hookup", "series", "--expect", "22n", "--resistor", "10", "--simulated"),
            "--resistor 100k",
        ),
    ],
)
def test_what_cannot_be_done_is_refused_before_anything_is_written(arguments, words, tmp_path):
    archive = tmp_path / "archive"
    result = run("sweep", *arguments, "--archive", archive, "--json")
    assert result.exit_code == 2, result.stdout
    error = json_of(result)["error"]
    assert words in " ".join(error.values())
    assert all(error.values())
    assert not archive.exists()


def test_a_generator_out_of_reach_is_told_with_its_limits(tmp_path):
    result = run("sweep", *SERIES, "--to", "10GHz", *SIMULATED, "--archive", tmp_path / "a", "--json")
    assert result.exit_code == 2
    assert "MHz" in json_of(result)["error"]["why"]
    assert not list((tmp_path / "a").iterdir() if (tmp_path / "a").exists() else [])


def test_nothing_listening_is_an_instrument_error(tmp_path):
    result = run("sweep", *SERIES, *NOWHERE, "--archive", tmp_path / "a", "--json")
    assert result.exit_code == 3
    assert "127.0.0.1" in json_of(result)["error"]["what"]
    assert not (tmp_path / "a").exists()


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="rights to folders do not bind here")
def test_an_archive_that_cannot_be_written_is_said(tmp_path):
    closed = tmp_path / "closed"
    closed.mkdir()
    closed.chmod(stat.S_IRUSR | stat.S_IXUSR)
    result = run("sweep", *SERIES, *SHORT, *SIMULATED, "--archive", closed / "a", "--json")
    assert result.exit_code == 2
    assert "cannot be written" in json_of(result)["error"]["what"]


def test_a_file_in_the_archives_place_is_said(tmp_path):
    (tmp_path / "file").write_text("")
    result = run("sweep", *SERIES, *SHORT, *SIMULATED, "--archive", tmp_path / "file" / "a", "--json")
    assert result.exit_code == 2
    assert "cannot be written" in json_of(result)["error"]["what"]


def test_a_stage_on_a_real_bench_is_refused_without_confirmation(tmp_path):
    result = run("sweep", "--stage", STAGE, *NOWHERE, "--archive", tmp_path / "a", "--json")
    assert result.exit_code == 2
    assert "--unplugged-and-discharged" in json_of(result)["error"]["do"]
    assert "Never sweep a powered set" in result.stderr


def test_half_a_confirmation_is_none(tmp_path):
    for half in (("--unplugged-and-discharged",), ("--node-volts", "0.1,0.1")):
        result = run("sweep", "--stage", STAGE, *NOWHERE, *half, "--archive", tmp_path / "a", "--json")
        assert result.exit_code == 2


def test_more_than_five_volts_are_refused_even_with_the_flag(tmp_path):
    confirmed = ("--unplugged-and-discharged", "--node-volts", "0.2,7")
    result = run("sweep", "--stage", STAGE, *NOWHERE, *confirmed, "--archive", tmp_path / "a", "--json")
    assert result.exit_code == 3
    assert "output grid" in json_of(result)["error"]["what"]


@pytest.mark.parametrize("typed", ["\n", "y\n", "yes\n", "unplug\n"])
def test_only_the_whole_word_confirms(typed, monkeypatch, tmp_path):
    monkeypatch.setattr(confirm, "interactive", lambda: True)
    result = run("sweep", "--stage", STAGE, *NOWHERE, "--archive", tmp_path / "a", input=typed)
    assert result.exit_code == 2
    assert "nothing was switched on" in result.stderr


def test_the_word_and_both_readings_let_the_sweep_go_on(monkeypatch, tmp_path):
    monkeypatch.setattr(confirm, "interactive", lambda: True)
    answers = "unplugged\nabout nothing\n0.3\n50mV\n"
    result = run("sweep", "--stage", STAGE, *NOWHERE, "--archive", tmp_path / "a", input=answers)
    # It went on to the instruments, where nothing listens.
    assert result.exit_code == 3
    assert "Nothing listens" in result.stderr
    assert "driver anode" in result.stderr
    assert "is no voltage" in result.stderr


def test_typed_readings_of_five_volts_and_more_are_refused(monkeypatch, tmp_path):
    monkeypatch.setattr(confirm, "interactive", lambda: True)
    result = run(
        "sweep", "--stage", STAGE, *NOWHERE, "--archive", tmp_path / "a", input="unplugged\n0.3\n40\n"
    )
    assert result.exit_code == 3
    assert "40.0 V" in result.stderr


def test_estimate_refuses_what_is_no_recording_and_what_is_damaged(measured, tmp_path):
    import shutil

    assert run("estimate", tmp_path, "--json").exit_code == 2
    copy = tmp_path / "copy"
    shutil.copytree(measured[2]["recording"], copy)
    table = copy / "data" / "points.csv"
    table.write_bytes(table.read_bytes().replace(b"1", b"2", 1))
    result = run("estimate", copy, "--json")
    assert result.exit_code == 4
    assert "points.csv" in json_of(result)["error"]["what"]


def test_two_sweeps_are_estimated_jointly(measured, tmp_path):
    second = json_of(
        run(
            *("sweep", *SERIES, *SHORT, *SIMULATED, "--true", "C7=21.5n", "--seed", "4", "--json"),
            *("--no-picture", "--archive", tmp_path),
        )
    )
    first = measured[2]
    result = run("estimate", first["recording"], second["recording"], "--json", "--no-save")
    joint = json_of(result)
    assert joint["recordings"] == [first["recording"], second["recording"]]
    assert joint["fit"]["points"] == first["fit"]["points"] + second["fit"]["points"]
    assert joint["capacitance"]["standard_uncertainty"] < first["capacitance"]["standard_uncertainty"]


def test_a_read_only_recording_is_estimated_all_the_same(measured, monkeypatch):
    def refuse(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("twonode.recordings.results.placing_new", refuse)
    result = run("estimate", measured[2]["recording"], "--no-picture", "--json")
    assert result.exit_code == 0
    assert json_of(result)["finding"]["state"]
    assert "not kept" in result.stderr
