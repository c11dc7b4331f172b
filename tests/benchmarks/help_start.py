"""How long ``twonode --help`` takes to start, against bare Python with numpy, in the same run."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

from tests.benchmarks.table import Row

LIMIT = 2.5

_HELP = "import sys; sys.argv = ['twonode', '--help']; from twonode.console.main import main; main()"
_NUMPY = "import numpy"


def _seconds(code: str) -> float:
    started_s = time.perf_counter()
    subprocess.run([sys.executable, "-c", code], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - started_s


def ratio(pairs: int) -> tuple[float, float, float]:
    """Median seconds of help, of numpy, and their ratio; the two take turns, so that a busy machine hits both."""
    for code in (_HELP, _NUMPY):
        _seconds(code)  # the first start compiles and fills the file cache
    timed = [(_seconds(_HELP), _seconds(_NUMPY)) for _ in range(pairs)]
    help_s, numpy_s = (statistics.median(side) for side in zip(*timed, strict=True))
    return help_s, numpy_s, help_s / numpy_s


def run(*, quick: bool = False) -> list[Row]:
    """Rows for the two starts."""
    help_s, numpy_s, found = ratio(3 if quick else 15)
    return [
        Row(figure="python -c 'import numpy'", target="-", measured=f"{numpy_s * 1e3:.0f} ms", met=None),
        Row(figure="twonode --help", target="-", measured=f"{help_s * 1e3:.0f} ms", met=None),
        Row(
            figure="twonode --help / numpy start",
            target=f"<= {LIMIT}",
            measured=f"{found:.2f}",
            met=found <= LIMIT,
        ),
    ]
