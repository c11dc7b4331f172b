"""Running the command line in tests: in the process, or as a process of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

from click.testing import CliRunner, Result

from twonode.console.main import cli

__all__ = ["FAST", "PROGRAM", "ROOT", "STAGE", "command", "environment", "json_of", "run"]

ROOT = Path(__file__).parents[2]
STAGE = ROOT / "twonode" / "analysis" / "stages" / "wrenfield-46-driver-output.toml"
# Bench seconds in a real one. Much faster, and a pause of a busy machine would look like a scope that hangs.
FAST = ("--speed", "8")

PROGRAM = [sys.executable, "-c", "from twonode.console.main import main; main()"]


def run(*arguments: str | Path, input: str | None = None) -> Result:
    """A command inside this process."""
    return CliRunner().invoke(cli, [str(each) for each in arguments], input=input)


def json_of(result: Result) -> dict:
    """The one JSON object on standard output; anything else there is an error."""
    lines = result.stdout.splitlines()
    assert len(lines) == 1, result.stdout
    document = json.loads(lines[0], parse_constant=lambda word: (_ for _ in ()).throw(ValueError(word)))
    assert isinstance(document, dict)
    return document


def environment() -> dict[str, str]:
    """Surroundings in which the program is found wherever a process starts."""
    return {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"}


def command(*arguments: str | Path, cwd: Path, timeout_s: float = 60.0) -> subprocess.CompletedProcess[str]:
    """A command as a process of its own, standard input closed."""
    return subprocess.run(
        [*PROGRAM, *(str(each) for each in arguments)],
        cwd=cwd,
        env=environment(),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=timeout_s,
    )
