"""``twonode demo`` as a person runs it: seconds, lines of output, exit status."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time

from tests.benchmarks.table import Row

SECONDS = 30.0
LINES = 15

_DEMO = "import sys; sys.argv = ['twonode', 'demo', '--archive', {!r}]; from twonode.console.main import main; main()"


def run(*, quick: bool = False) -> list[Row]:
    """Rows for one demo."""
    del quick  # once is all it takes
    with tempfile.TemporaryDirectory() as folder:
        started_s = time.monotonic()
        done = subprocess.run(
            [sys.executable, "-c", _DEMO.format(folder)], capture_output=True, text=True, encoding="utf-8"
        )
        took_s = time.monotonic() - started_s
    lines = len(done.stdout.splitlines())
    return [
        Row(
            figure="twonode demo",
            target=f"<= {SECONDS:.0f} s",
            measured=f"{took_s:.1f} s",
            met=took_s <= SECONDS,
        ),
        Row(
            figure="its output besides progress",
            target=f"<= {LINES} lines",
            measured=f"{lines} lines",
            met=lines <= LINES,
        ),
        Row(figure="its exit status", target="0", measured=str(done.returncode), met=done.returncode == 0),
    ]
