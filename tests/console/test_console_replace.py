"""``twonode replace`` as a person types it."""

import math

import pytest
from console_runs import command, json_of, run

from twonode.cautions import SOLDERING_CAUTIONS

COUPLING = ("replace", "--value", ".05uF", "--voltage", "B+ 265V", "--role", "coupling", "--next", "470k")
CHASSIS = (
    "replace",
    "--value",
    ".05uF",
    "--role",
    "line to chassis",
    "--line",
    "120V",
    "--line-frequency",
    "60Hz",
)


def words(result):
    return " ".join(result.stdout.split())


def test_the_coupling_capacitor_is_replaced_as_the_trade_does():
    result = run(*COUPLING)
    assert result.exit_code == 0, result.stderr
    text = words(result)
    assert "In short: 47.0 nF (-6 %), rated 630 V or more, polypropylene film or polyester film." in text
    assert "56.0 nF (next higher)" in text
    assert "47.0 nF (nearest)" in text
    assert "Not known" in text
    assert "does not: high-K ceramic" in text
    for caution in SOLDERING_CAUTIONS:
        assert caution in text


def test_cautions_come_before_the_values():
    text = words(run(*COUPLING))
    assert text.index("CAUTION") < text.index("Value (may move")


def test_the_json_holds_si_numbers_that_a_hand_can_check():
    document = json_of(run(*COUPLING, "--json"))
    assert document["format"] == 1
    assert {"suggestions", "rated_voltage", "dielectrics", "mains", "unknown"} <= set(document)
    assert document["mains"] is None
    (chosen,) = [each for each in document["suggestions"] if each["recommended"]]
    assert chosen["value"] == 47e-9
    assert chosen["deviation"] == pytest.approx(-0.06)
    # By hand: 1/(2 pi 470k 47n) = 7.205 Hz; loss at 50 Hz is 10 log10(1 + (7.205/50)^2) dB.
    assert chosen["change"]["corner_hz"] == pytest.approx(7.205, abs=0.001)
    at = chosen["change"]["at"][0]
    assert at["frequency_hz"] == 50.0
    assert at["loss_db"] == pytest.approx(10 * math.log10(1 + (7.2049 / 50) ** 2), abs=1e-5)
    assert document["rated_voltage"]["value"] == 630.0
    assert document["cautions"] == list(SOLDERING_CAUTIONS)


@pytest.mark.parametrize(
    "arguments",
    [
        COUPLING,
        CHASSIS,
        ("replace", "--value", "25uF", "--voltage", "8V", "--role", "cathode bypass", "--next", "270"),
        ("replace", "--value", "250p", "--voltage", "265V", "--role", "tuned"),
        ("replace", "--value", ".1", "--role", "across the line"),
    ],
)
def test_the_screen_stays_within_a_hundred_columns(arguments, monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")
    result = run(*arguments)
    assert result.exit_code == 0, result.stderr
    assert max(map(len, result.stdout.splitlines())) <= 100
    assert "\x1b" not in result.stdout


def test_line_to_chassis_takes_a_small_class_y_part_with_its_current():
    text = words(run(*CHASSIS))
    assert "In short: 4.70 nF class Y safety part, no other kind." in text
    # Trade notes: .05 2.26 mA, .0047 0.21 mA.
    assert "50.0 nF 2.26 mA" in text
    assert "4.70 nF 213 µA" in text
    assert "Never a class X part here" in text
    assert "Rated voltage" not in text
    document = json_of(run(*CHASSIS, "--json"))
    assert document["rated_voltage"] is None
    assert {each["safety_class"] for each in document["suggestions"]} == {"Y"}


def test_volts_given_for_a_position_at_the_mains_are_not_used_and_never_come_back():
    result = run(*CHASSIS, "--voltage", "B+ 617V", "--rated", "613V")
    assert result.exit_code == 0, result.stderr
    assert "617" not in result.stdout
    assert "613" not in result.stdout
    assert "is not used: no number of DC volts makes a part safe" in words(result)


def test_a_list_of_parts_is_searched(tmp_path):
    parts = tmp_path / "parts.csv"
    parts.write_text(
        "value,voltage,tolerance,dielectric,quantity\n"
        "47n,630V,10%,film,1\n22n,630V,10%,film,1\n27n,630V,10%,film,1\n50n,400V,10%,film,1\n",
        encoding="utf-8",
    )
    document = json_of(run(*COUPLING, "--stock", parts, "--json"))
    found = document["stock"]["found"]
    assert [each["arrangement"] for each in found] == ["single", "parallel"]
    assert found[1]["value"] == pytest.approx(49e-9)
    assert all(each["rated_v"] >= document["rated_voltage"]["needed"] for each in found)
    text = words(run(*COUPLING, "--stock", parts))
    assert "From the parts at hand" in text
    assert "line 5, 50.0 nF: not used: rated 400 V" in text


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--role", "cuopling", "--voltage", "265V"), "did you mean 'coupling'"),
        (("--role", "mains filter", "--voltage", "265V"), "which position at the mains"),
        (("--role", "coupling"), "working voltage is missing"),
        (("--role", "coupling", "--voltage", "265VAC"), "mains, or AC"),
        (("--role", "coupling", "--voltage", "0V"), "working voltage of 0 V"),
        (("--role", "coupling", "--voltage", "-265V"), "working voltage of -265 V"),
        (("--role", "coupling", "--voltage", "265 ohm"), "voltage"),
        (("--role", "coupling", "--voltage", "plate 105V"), "warm valves only"),
        (("--role", "coupling", "--voltage", "265V", "--rated", "200V"), "200 V is refused"),
        (("--role", "coupling", "--voltage", "265V", "--next", "0"), "next resistance"),
        (("--role", "coupling", "--voltage", "265V", "--source", "-1k"), "source resistance"),
        (("--role", "coupling", "--voltage", "265V", "--at", "0Hz"), "frequency"),
        (("--role", "coupling", "--voltage", "265V", "--secondary", "lots"), "no transformer secondary"),
        (("--role", "coupling", "--voltage", "265V", "--line-rise", "90%"), "line 90 %"),
        (("--role", "coupling", "--voltage", "265V", "--tolerance", "10"), "no tolerance"),
        (("--role", "line to chassis", "--line", "0V"), "line of 0 V"),
        (("--role", "line to chassis", "--line-frequency", "60Hz"), "without the line voltage"),
        (("--role", "coupling", "--voltage", "265V", "--stock", "nowhere.csv"), "cannot be read"),
    ],
)
def test_bad_input_ends_with_two_and_three_lines(arguments, said):
    result = run("replace", "--value", ".05uF", *arguments)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert said in result.stderr
    assert len(result.stderr.splitlines()) == 3
    document = json_of(run("replace", "--value", ".05uF", *arguments, "--json"))
    assert said in document["error"]["what"]


@pytest.mark.parametrize("value", ["0uF", "-22n", "5F", "22", "fish"])
def test_an_impossible_value_is_refused(value):
    result = run("replace", f"--value={value}", "--role", "coupling", "--voltage", "265V")
    assert result.exit_code == 2
    assert len(result.stderr.splitlines()) == 3


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"value,voltage\n0,047uF,630V\n", "line 2"),
        (b"value,voltage\n47n,0V\n", "line 2, column 'voltage'"),
        (b"\xff\xfe\x00", "no text in UTF-8"),
        (b"x" * 1_000_001, "longer than 1 MB"),
    ],
)
def test_a_bad_list_of_parts_is_refused(tmp_path, content, said):
    parts = tmp_path / "parts.csv"
    parts.write_bytes(content)
    result = run(*COUPLING, "--stock", parts)
    assert result.exit_code == 2
    assert said in result.stderr
    assert "parts.csv" in result.stderr


def test_the_help_teaches_with_an_example_and_the_process_ends_cleanly(tmp_path):
    shown = command("replace", "--help", cwd=tmp_path)
    assert shown.returncode == 0
    assert 'twonode replace --value .05uF --voltage "B+ 265V" --role coupling --next 470k' in shown.stdout
    assert "unplugged" in shown.stdout
    done = command(*COUPLING, cwd=tmp_path)
    assert done.returncode == 0
    assert done.stderr == ""
