import importlib
import inspect
import json

import click
import pytest
from console_runs import run

from twonode.console.archive import SUBCOMMANDS
from twonode.console.exits import EXIT_CODES, Exit, exit_code, report_error
from twonode.console.main import COMMANDS, cli
from twonode.errors import TwonodeError

WORDS = ("It happened.", "It matters.", "Do this.")


@pytest.mark.parametrize("path", EXIT_CODES)
def test_every_class_in_the_table_exists(path):
    module, _, name = path.rpartition(".")
    assert issubclass(getattr(importlib.import_module(module), name), TwonodeError)


@pytest.mark.parametrize("room", ["analysis", "acquire", "drivers", "recordings"])
def test_every_error_of_every_room_has_an_exit_code(room):
    module = importlib.import_module(f"twonode.{room}.errors")
    kinds = [k for _, k in inspect.getmembers(module, inspect.isclass) if issubclass(k, TwonodeError)]
    assert len(kinds) >= 2
    for kind in kinds:
        assert exit_code(kind(*WORDS)) in (Exit.USAGE, Exit.INSTRUMENT, Exit.DAMAGED)


def test_the_codes_are_those_of_the_contract():
    from twonode.acquire.errors import SafetyRefusal, UnfitRequest
    from twonode.analysis.errors import StageError
    from twonode.drivers.errors import LinkError, ProfileError
    from twonode.recordings.errors import ArchiveNotWritable, DamagedRecording, NotARecording

    wanted = {
        StageError: 2,
        UnfitRequest: 2,
        ProfileError: 2,
        NotARecording: 2,
        ArchiveNotWritable: 2,
        LinkError: 3,
        SafetyRefusal: 3,
        DamagedRecording: 4,
    }
    assert {kind: int(exit_code(kind(*WORDS))) for kind in wanted} == wanted
    assert exit_code(KeyboardInterrupt()) == 130
    assert exit_code(ZeroDivisionError()) == 70


def test_an_error_is_three_lines_without_a_traceback(capsys):
    error = TwonodeError(*WORDS)
    error.add_note("The output's state is unknown.")
    assert report_error(error, as_json=False, debug=False) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.splitlines() == [*WORDS, "The output's state is unknown."]


def test_debug_adds_the_traceback(capsys):
    try:
        raise TwonodeError(*WORDS)
    except TwonodeError as exc:
        report_error(exc, as_json=False, debug=True)
    assert "Traceback" in capsys.readouterr().err


def test_under_json_an_error_is_one_object_on_standard_output(capsys):
    report_error(TwonodeError(*WORDS), as_json=True, debug=False)
    assert json.loads(capsys.readouterr().out) == {
        "format": 1,
        "error": {"what": WORDS[0], "why": WORDS[1], "do": WORDS[2]},
    }


def test_a_mistake_in_the_program_gets_words_too(monkeypatch, tmp_path):
    def broken(*_, **__):
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr("twonode.console.filing.conclude", broken)
    result = run("estimate", tmp_path, "--json")
    assert result.exit_code == 70
    assert "ZeroDivisionError" in json.loads(result.stdout)["error"]["what"]
    assert "Traceback" not in result.stderr


@pytest.mark.parametrize(
    "name",
    [*(name for name in COMMANDS if name != "archive"), *(f"archive {name}" for name in SUBCOMMANDS)],
)
def test_every_command_teaches_by_an_example_and_takes_json_and_debug(name):
    result = run(*name.split(), "--help")
    assert result.exit_code == 0
    assert f"twonode {name}" in result.stdout.split("\n", 1)[1]
    assert "--json" in result.stdout
    assert "--debug" in result.stdout


def test_the_list_of_commands_is_true():
    context = click.Context(cli)
    for name in cli.list_commands(context):
        command = cli.get_command(context, name)
        assert command is not None
        assert command.name == name


def test_help_shows_every_command_and_the_first_thing_to_type():
    result = run("--help")
    assert result.exit_code == 0
    for name in COMMANDS:
        assert f"  {name} " in result.stdout
    assert "twonode demo" in result.stdout
    assert "untested on hardware" in result.stdout
    assert "Never sweep a powered set" in " ".join(result.stdout.split())
    assert run().stdout == result.stdout


def test_a_misspelt_command_gets_the_nearest_one():
    result = run("swep")
    assert result.exit_code == 2
    assert "did you mean 'sweep'" in result.stderr
