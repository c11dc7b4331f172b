"""README and DEVELOPERS say what is true: their commands exist, their drawings are the program's own."""

import re
import shlex

import click
import pytest
from console_runs import ROOT

from twonode.analysis.hookup import HookUp, hookup_drawing, series_stage, shunt_stage
from twonode.analysis.stage import parse_stage, shipped_stage
from twonode.console.main import COMMANDS, cli

README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def _blocks(kind):
    return re.findall(rf"^```{kind}\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)


def test_the_first_paragraph_is_followed_by_two_commands_for_a_fresh_machine():
    demo, tests = (block.strip() for block in _blocks("sh")[:2])
    for line in (demo, tests):
        assert "\n" not in line
        assert line.startswith("python3 -m venv .venv && .venv/bin/pip install -e ")
    assert demo.endswith(".venv/bin/twonode demo")
    assert tests.endswith(".venv/bin/pytest")
    windows = _blocks("bat")[0].splitlines()
    assert windows[0].endswith(r".venv\Scripts\twonode demo")
    assert windows[1].endswith(r".venv\Scripts\pytest")


def test_the_check_on_a_clean_machine_runs_that_very_line():
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    pattern = re.search(r"grep -m1 -E '(\^python3[^']*pytest)' README.md", script)
    assert pattern is not None
    found = [line for line in README.splitlines() if re.match(pattern[1], line)]
    assert found == [_blocks("sh")[1].strip()]


def test_the_table_of_commands_is_the_programs():
    assert re.findall(r"^\| `twonode (\w+)", README, re.MULTILINE) == [
        name
        for name in (
            *(
                "demo",
                "sweep",
                "null",
                "estimate",
                "explain",
                "diagnose",
                "dc",
                "marking",
                "replace",
                "drawer",
            ),
            *("archive", "sheet", "page", "instruments", "bench", "simulate"),
        )
        if name in COMMANDS
    ]


@pytest.mark.parametrize(
    "line",
    [line for block in _blocks("sh") for line in block.splitlines() if line.startswith("twonode ")],
)
def test_every_command_line_shown_can_be_parsed(line):
    _, name, *arguments = shlex.split(line)
    command = cli.get_command(click.Context(cli), name)
    assert command is not None
    command.make_context(name, arguments)


def test_the_drawings_are_those_the_program_shows():
    known = {"tolerance": None, "resistor_tolerance": None, "resistor_ohm": 100e3}
    drawings = {
        HookUp.SERIES: series_stage(part="C7", value_farad=22e-9, **known),
        HookUp.SHUNT: shunt_stage(part="C6", value_farad=220e-12, **known),
        HookUp.STAGE: shipped_stage("wrenfield-46-driver-output"),
    }
    for hookup, stage in drawings.items():
        circuit = hookup_drawing(hookup, stage).split("\n\n")[0]
        assert circuit in README, f"{hookup.value}:\n{circuit}"


def test_the_stage_file_shown_is_one():
    stage = parse_stage(_blocks("toml")[0])
    assert stage.part("R12").measured is not None


def test_the_cautions_are_on_the_page():
    for words in (
        "Never sweep a powered set",
        "DC-blocking capacitor",
        "ground clip is earth",
        "untested on hardware",
    ):
        assert words in README
    assert "no permission" in " ".join(README.split())


def test_the_developers_page_names_files_that_exist():
    for path in re.findall(r"`((?:twonode|tests)/[\w/.-]+)`", DEVELOPERS):
        assert "NAME" in path or (ROOT / path).exists(), path
