import json
import math

import pytest
from console_runs import ROOT, STAGE, command, json_of, run

from twonode.analysis.stage import shipped_stage, shipped_stage_names
from twonode.cautions import DC_CAUTIONS


def test_the_list_names_every_shipped_stage_with_its_title():
    result = run("explain", "--list")
    assert result.exit_code == 0
    for name in shipped_stage_names():
        assert f"{name} " in result.stdout
        assert shipped_stage(name).title in result.stdout
    document = json_of(run("explain", "--list", "--json"))
    assert [stage["name"] for stage in document["stages"]] == list(shipped_stage_names())


@pytest.mark.parametrize("name", shipped_stage_names())
def test_every_shipped_stage_is_explained_within_a_hundred_columns(name, monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")
    result = run("explain", name)
    assert result.exit_code == 0, result.stderr
    lines = result.stdout.splitlines()
    assert max(map(len, lines)) <= 100
    assert "\x1b" not in result.stdout  # readable without colour
    assert lines[0] == shipped_stage(name).title
    assert lines[1].startswith("Audio")
    assert "nothing was measured" in result.stdout
    for hz in ("100 Hz", "400 Hz", "1 kHz", "5 kHz", "455 kHz", "1 MHz"):
        assert hz in result.stdout
    assert "in words" in result.stdout


def test_a_stage_file_is_explained_like_the_shipped_one():
    assert run("explain", STAGE).stdout == run("explain", "wrenfield-46-driver-output").stdout


def test_the_words_and_the_volts_are_on_the_screen():
    text = " ".join(run("explain", "wrenfield-46-driver-output").stdout.split())
    assert "a little more treble; RF reaches the output grid" in text
    assert "from 15.4 Hz up" in text
    assert "floats" in text
    assert "143 V" in text


def test_dc_volts_come_with_the_cautions_and_only_they():
    fed = " ".join(run("explain", "screen-bypass").stdout.split())
    for caution in DC_CAUTIONS:
        assert caution in fed
    assert "no valve draws current" in fed
    unfed = " ".join(run("explain", "cathode-bypass").stdout.split())
    assert "names no supply" in unfed
    assert DC_CAUTIONS[0] not in unfed
    assert json_of(run("explain", "screen-bypass", "--json"))["cautions"] == list(DC_CAUTIONS)
    assert json_of(run("explain", "cathode-bypass", "--json"))["cautions"] == []


def test_json_holds_shares_that_add_to_one_at_the_frequencies_asked_for():
    document = json_of(
        run("explain", "coupling-with-bypass", "--json", "--at", "60Hz", "--at", "455k", "--source", "60k")
    )
    assert document["frequencies_hz"] == [60.0, 455e3]
    assert document["source_ohm"] == 60e3
    assert document["measured"] is False
    leaving = [each for each in document["currents"] if each["from"] == "first anode"]
    for place in range(2):
        assert sum(each["share"][place] for each in leaving) == pytest.approx(1.0)
    assert document["levels"][0] == {
        "node": "first anode",
        "db_to_drive": [0.0, 0.0],
        "db_to_source": document["levels"][0]["db_to_source"],
    }
    # 60 k source, 100 k load, 270 pF: the anode at 455 kHz, the grid circuit's 10 k and 15 pF beside it.
    jw = 2j * math.pi * 455e3
    grid = 1 / 470e3 + 1 / (10e3 + 1 / (jw * 15e-12))
    anode = (1 / 60e3) / (1 / 60e3 + 1 / 100e3 + jw * 270e-12 + 1 / (1 / (jw * 47e-9) + 1 / grid))
    assert document["levels"][0]["db_to_source"][1] == pytest.approx(20 * math.log10(abs(anode)), abs=1e-6)


def test_what_if_sets_before_and_after_beside_each_other():
    result = run("explain", "coupling-with-bypass", "--what-if", "C2=open")
    assert result.exit_code == 0
    assert "What if: C2 open? RF reaches the second grid." in result.stdout
    assert result.stdout.count("with the fault") >= 6
    document = json_of(run("explain", "coupling-with-bypass", "--what-if", "C2=open", "--json"))
    before, after = document["levels"][-1], document["what_if"]["levels"][-1]
    assert after["node"] == before["node"] == "second grid"
    assert after["db_to_source"][4] > before["db_to_source"][4] + 20
    assert "RF reaches the second grid" in document["what_if"]["words"]
    assert document["what_if"]["change_db"]["RF at 455 kHz"] == pytest.approx(
        after["db_to_source"][4] - before["db_to_source"][4], abs=1e-9
    )


def test_many_frequencies_go_into_several_tables():
    wanted = [word for hz in (20, 50, 100, 200, 500, 1000, 2000, 5000) for word in ("--at", f"{hz}Hz")]
    result = run("explain", "avc-filter", *wanted)
    assert result.stdout.count("Signal current leaving the detector output") == 2
    assert max(map(len, result.stdout.splitlines())) <= 100


def test_the_picture_is_drawn_where_it_is_asked_for(tmp_path):
    target = tmp_path / "stage.png"
    result = run("explain", "avc-filter", "--picture", target)
    assert result.exit_code == 0
    assert target.read_bytes().startswith(b"\x89PNG")
    assert f"Picture: {target}" in result.stdout
    other = tmp_path / "other.png"
    document = json_of(run("explain", "avc-filter", "--what-if", "C2=open", "--picture", other, "--json"))
    assert document["picture"] == str(other)
    assert other.read_bytes() != target.read_bytes()


def test_nothing_is_drawn_unasked(tmp_path):
    done = command("explain", "avc-filter", "--no-picture", cwd=tmp_path)
    assert done.returncode == 0
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("explain",), "STAGE is missing"),
        (("explain", "avc-filtre"), "did you mean 'avc-filter'"),
        (("explain", "nowhere.toml"), "cannot be read"),
        (("explain", "avc-filter", "--what-if", "R1=leaky"), "a resistor has no such fault"),
        (("explain", "avc-filter", "--what-if", "C9=open"), "no part 'C9'"),
        (("explain", "avc-filter", "--what-if", "C1=broken"), "Faults of a capacitor"),
        (("explain", "screen-bypass", "--what-if", "HT=open"), "is a supply"),
        (("explain", "avc-filter", "--at", "0Hz"), "0 Hz"),
        (("explain", "avc-filter", "--at", "5V"), "--at"),
        (("explain", "avc-filter", "--source", "0"), "source resistance"),
        (("explain", "avc-filter", "--picture", "p.jpg"), ".png"),
        (("explain", "avc-filter", "--picture", "p.png", "--no-picture"), "exclude"),
        (("explain", "avc-filter", "--picture", "no/such/folder/p.png"), "cannot be written"),
        (("explain", "avc-filter", *("--at", "1k") * 201), "too many"),
    ],
)
def test_bad_input_is_refused_in_three_lines(arguments, says, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = run(*arguments)
    assert result.exit_code == 2
    assert says in result.stderr
    assert len(result.stderr.strip().splitlines()) == 3
    assert result.stdout == ""
    assert "what" in json.loads(run(*arguments, "--json").stdout)["error"]
    assert list(tmp_path.iterdir()) == []


def test_the_readme_shows_the_programs_own_words(monkeypatch):
    monkeypatch.setenv("COLUMNS", "100")
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    shown = run("explain", "wrenfield-46-driver-output").stdout
    block = readme.split("## Where each frequency goes", 1)[1].split("```\n", 3)[2]
    lines = [line for line in block.splitlines() if line.strip() and line != "..."]
    assert len(lines) >= 12
    printed = [line.rstrip() for line in shown.splitlines()]
    for line in lines:
        assert line.rstrip() in printed, line
