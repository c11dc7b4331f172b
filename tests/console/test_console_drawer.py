"""``twonode drawer`` on the simulated bench: by itself, with keys, killed, and with wrong options."""

from __future__ import annotations

import csv
import os
import signal
import subprocess
import time
from pathlib import Path

import pytest
from console_runs import FAST, PROGRAM, environment, json_of, run
from nulled import unsynced  # noqa: F401

from twonode.analysis.fixture import fixture_stage
from twonode.analysis.hookup import HookUp
from twonode.drivers.simulated import SimulatedBench, SimulatedSettings
from twonode.drivers.simulated.bag import SimulatedFixture, draw_bag
from twonode.recordings import read_recording
from twonode.recordings.notes import read_notes

SIMULATED = ("--simulated", *FAST, "--seed", "4")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A batch of two parts, gone through without a key."""
    archive = tmp_path_factory.mktemp("drawer")
    result = run(
        *("drawer", *SIMULATED, "--parts", "2", "--batch", "tin", "--tag", "place=shed"),
        *("--archive", archive, "--json"),
    )
    return archive, result, json_of(result)


def rows_of(archive: Path) -> list[dict[str, str]]:
    with (archive / "drawer-tin.csv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def rows_of_any(archive: Path) -> list[dict[str, str]]:
    """Of the one table there, whatever its batch is called."""
    (table,) = archive.glob("drawer-*.csv")
    with table.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_a_bag_goes_through_without_a_key_into_one_json_object(made):
    archive, result, document = made
    assert result.exit_code == 0, result.stderr
    assert result.stderr == ""
    assert document["format"] == 1
    assert document["batch"] == "tin"
    assert document["conditions"]["simulated"] is True
    truth = draw_bag(4, 2)
    assert [part["number"] for part in document["parts"]] == [1, 2]
    for part, true in zip(document["parts"], truth, strict=True):
        assert part["capacitance"]["value"] == pytest.approx(true.farad, rel=0.01)
        assert part["nearest"]["value"] == true.printed_farad
        assert part["label"].endswith("voltage unknown: not for line or B+")
        assert "leakage at working voltage" in part["not_tested"]
        assert read_recording(part["recording"]).header.tags["place"] == "shed"
    assert document["known_part"]["agrees"] is True
    assert document["open_fixture"]["across"]["unit"] == "F"
    assert Path(document["null"]).is_dir()
    assert sorted(n for each in document["bins"] for n in each["numbers"]) == [1, 2]
    assert Path(document["table"]) == archive / "drawer-tin.csv"
    assert document["withdrawn"] == []


def test_keys_come_a_line_each_and_the_batch_goes_on(made, tmp_path):
    archive, _, document = made
    result = run(
        *("drawer", *SIMULATED, "--parts", "3", "--batch", "tin", "--ask", "--null", document["null"]),
        *("--archive", archive),
        input="nonsense\n\nr\nu\nq\n",
    )
    assert result.exit_code == 0, result.stderr
    assert "'nonsense' is none of them" in result.stderr
    assert "Clip in part 3; Enter = measure it, r = repeat part 2, u = undo it, q = finish" in result.stderr
    assert "No part is left" in result.stderr
    assert "Part 3 is taken back; its recording stays" in result.stderr
    assert result.stdout.count("Part 3: ") == 2
    assert "SIMULATED BENCH" in result.stderr
    # Cautions come before anything is asked, and so does where things go.
    assert result.stderr.index("Discharge every part") < result.stderr.index("Clip in part 3")
    assert "unknown part" in result.stderr
    rows = rows_of(archive)
    assert [(r["part"], r["state"], r["because"]) for r in rows] == [
        ("1", "kept", ""),
        ("2", "kept", ""),
        ("3", "withdrawn", "measured again"),
        ("3", "withdrawn", "taken back"),
    ]
    for each, reason in zip(rows[2:], ("measured again", "taken back"), strict=True):
        (note,) = read_notes(archive / each["recording"])
        assert reason in note.text
    # The bins close the session: a table with counts and parts.
    last = result.stdout.splitlines()
    assert last[-1] == f"Table: {archive / 'drawer-tin.csv'}"
    assert "Taken back or measured again: 2" in last[-2]
    assert any(line.split()[-3:-1] and "(" in line for line in last[-4:-2])


def test_every_row_says_that_its_part_is_simulated(made):
    assert {row["simulated"] for row in rows_of(made[0])} == {"1"}


def test_a_full_batch_says_so_and_what_to_do(made):
    archive, _, document = made
    before = sorted(archive.iterdir())
    arguments = ("drawer", *SIMULATED, "--batch", "tin", "--parts", "2", "--archive", archive)
    result = run(*arguments, "--yes", "--json")
    assert result.exit_code == 2
    error = json_of(result)["error"]
    assert error["what"] == f"The batch has its 2 parts already: {archive / 'drawer-tin.csv'}."
    assert "--parts 3 or above" in error["do"]
    assert "another batch" in error["do"]
    assert sorted(archive.iterdir()) == before
    # A person may still repeat the last one or take it back, and is told before anything is measured.
    asked = run(*arguments, "--ask", "--null", document["null"], input="q\n")
    assert asked.exit_code == 0, asked.stderr
    assert asked.stderr.index("has its 2 parts already") < asked.stderr.index("No part is left")
    assert "--parts 3 or above" in asked.stderr


def test_a_batch_that_goes_on_says_with_which_part(made):
    archive, _, document = made
    arguments = ("drawer", *SIMULATED, "--batch", "tin", "--parts", "3", "--archive", archive)
    result = run(*arguments, "--ask", "--null", document["null"], input="q\n")
    assert f"The batch goes on with part 3: {archive / 'drawer-tin.csv'}" in result.stderr


def test_with_debug_every_recording_has_the_exchanges_of_its_own_step(made, tmp_path):
    result = run(
        *("drawer", *SIMULATED, "--parts", "1", "--null", made[2]["null"], "--archive", tmp_path),
        *("--debug", "--yes", "--quiet"),
    )
    assert result.exit_code == 0, result.stderr
    logs = {each.parents[1]: each.read_text(encoding="utf-8") for each in tmp_path.glob("*/results/log.txt")}
    assert set(logs) == {each for each in tmp_path.iterdir() if each.is_dir()}
    for folder, text in logs.items():
        assert ":OUTP1 OFF" in text
        assert f"Every exchange is in {folder / 'results' / 'log.txt'}" in result.stderr
    (open_fixture,) = tmp_path.glob("*stray-across")
    (part,) = (each["recording"] for each in rows_of_any(tmp_path))
    assert logs[open_fixture] != logs[tmp_path / part]


def test_what_goes_wrong_on_purpose_is_said(made, tmp_path):
    dead = run(
        *("drawer", *SIMULATED, "--parts", "1", "--null", made[2]["null"], "--archive", tmp_path),
        *("--yes", "--misbehave", "output-dead@1", "--json"),
    )
    assert dead.exit_code == 3
    assert "No signal at channel 1" in json_of(dead)["error"]["what"]
    assert "no-reply" in run("drawer", "--misbehave", "help").stdout


def test_a_known_part_that_reads_as_something_else_ends_it_where_nobody_can_look(made, tmp_path, monkeypatch):
    def another(self, farad, minus, plus):
        self.hold(1)

    monkeypatch.setattr(SimulatedFixture, "hold_known", another)
    document = made[2]
    result = run(
        *("drawer", *SIMULATED, "--parts", "1", "--null", document["null"], "--archive", tmp_path, "--json")
    )
    assert result.exit_code == 3
    assert "known part" in json_of(result)["error"]["what"]
    assert not list(tmp_path.glob("*part-1*"))


def test_interrupted_it_says_what_is_kept(made, tmp_path, monkeypatch):
    hold = SimulatedFixture.hold

    def hold_one(self, number):
        if number > 1:
            raise KeyboardInterrupt
        hold(self, number)

    monkeypatch.setattr(SimulatedFixture, "hold", hold_one)
    result = run(
        *("drawer", *SIMULATED, "--batch", "tin", "--null", made[2]["null"], "--archive", tmp_path),
    )
    assert result.exit_code == 130
    assert f"Parts measured and kept: 1, in {tmp_path / 'drawer-tin.csv'}" in result.stderr
    assert [row["part"] for row in rows_of(tmp_path)] == ["1"]


@pytest.mark.skipif(os.name == "nt", reason="a process is killed the POSIX way here")
def test_killed_in_the_middle_everything_finished_is_whole(made, tmp_path):
    process = subprocess.Popen(
        [
            *(*PROGRAM, "drawer", *SIMULATED, "--batch", "tin", "--null", made[2]["null"]),
            *("--yes", "--archive", str(tmp_path)),
        ],
        cwd=tmp_path,
        env=environment(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    )
    try:
        table = tmp_path / "drawer-tin.csv"
        end_s = time.monotonic() + 60
        while not table.exists() and time.monotonic() < end_s and process.poll() is None:
            time.sleep(0.02)
        time.sleep(0.1)
        process.send_signal(signal.SIGKILL)
        process.communicate(timeout=20)
    finally:
        if process.poll() is None:
            process.kill()
            process.communicate()
    rows = rows_of(tmp_path)
    assert process.returncode == -signal.SIGKILL
    assert 1 <= len(rows) < 24
    assert [row["part"] for row in rows] == [str(n) for n in range(1, len(rows) + 1)]
    for row in rows:
        assert row["recording"]
        assert read_recording(tmp_path / row["recording"]).header.tags["number"] == row["part"]


def test_a_person_is_told_what_to_clip_on_and_may_leave(tmp_path):
    stage = fixture_stage(HookUp.SERIES, part=None, resistor_ohm=1e6)
    with SimulatedBench(SimulatedSettings(stage=stage, seed=4)) as served:
        result = run(
            *("drawer", "--generator", served.generator_resource, "--scope", served.scope_resource),
            *("--visa", "python", "--archive", tmp_path, "--quiet"),
        )
    assert result.exit_code == 0, result.stderr
    assert result.stderr.index("Discharge every part") < result.stderr.index("Clip both probes")
    assert result.stdout == "Nothing was measured.\n"
    assert not list(tmp_path.iterdir())


def test_instruments_that_do_not_answer_end_it(tmp_path):
    nowhere = ("--generator", "TCPIP0::127.0.0.1::1::SOCKET", "--scope", "TCPIP0::127.0.0.1::1::SOCKET")
    result = run("drawer", *nowhere, "--visa", "python", "--archive", tmp_path, "--json")
    assert result.exit_code == 3
    assert json_of(result)["error"]["do"]
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("options", "word"),
    [
        (("--generator", "a", "--scope", "b", "--yes"), "--yes needs --simulated"),
        (("--simulated", "--known", "100k 1%"), "--known: '100k' is no capacitance"),
        (("--simulated", "--known", "1n"), "--known: '1n' does not say how well"),
        (("--simulated", "--known", "1F 1%"), "does not check this fixture"),
        (("--simulated", "--resistors", "4k7"), "not used"),
        (("--simulated", "--resistors", "ten"), "--resistors"),
        (("--simulated", "--batch", " "), "no name"),
        ((), "--generator is missing"),
        (("--simulated", "--null", "nowhere"), "nowhere"),
        (("--simulated", "--tag", "step=one"), "'step'"),
        (("--generator", "a", "--scope", "b", "--misbehave", "no-reply"), "--misbehave needs --simulated"),
        (("--simulated", "--csv", "no-such-folder/parts.csv"), "there is no folder no-such-folder"),
    ],
)
def test_wrong_options_are_refused_with_words(tmp_path, options, word):
    result = run("drawer", *options, "--archive", tmp_path, "--json")
    assert result.exit_code == 2
    assert word in json_of(result)["error"]["what"]
    assert not list(tmp_path.iterdir())


def test_a_batch_whose_table_is_something_else_is_left_alone(tmp_path):
    table = tmp_path / "drawer-tin.csv"
    table.write_text("a,b\n1,2\n")
    result = run("drawer", *SIMULATED, "--batch", "tin", "--archive", tmp_path)
    assert result.exit_code == 4
    assert "no table of a batch" in result.stderr
    assert table.read_text() == "a,b\n1,2\n"


def test_the_help_page_has_the_keys_and_the_cautions():
    text = " ".join(run("drawer", "--help").stdout.split())
    for words in (
        "Enter measure the next part",
        "discharge every part",
        "not for line or B+",
        "Untested on hardware",
    ):
        assert words in text
