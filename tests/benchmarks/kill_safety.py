"""kill -9 at 200 random moments of a running sweep, 200 of a closing recording, and some of adding and indexing.

Each case is a process on the simulated bench, killed at a moment drawn from its seed; then the archive is looked at,
recovered and looked at again (`tests/support/killed.py`).
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from killed import Found, Moment, kill_once

from tests.benchmarks.table import Row

KILLS = {Moment.SWEEPING: 200, Moment.CLOSING: 200, Moment.ADDING: 100, Moment.INDEXING: 60}


def _killed(moment: Moment, seed: int) -> Found:
    with tempfile.TemporaryDirectory() as folder:
        return kill_once(moment, seed, Path(folder))


def run(*, quick: bool = False) -> list[Row]:
    """A row a moment."""
    rows = []
    for moment, kills in KILLS.items():
        found = [_killed(moment, seed) for seed in range(4 if quick else kills)]
        wrong = Counter(word for each in found for word in each.wrong)
        for word, count in wrong.items():
            print(f"   {moment.value}: {count} x {word}", file=sys.stderr)
        left, half = sum(each.left for each in found), sum(each.half for each in found)
        rows.append(
            Row(
                figure=f"killed while {moment.value}: points or results lost, not recovered, falsely verified, index",
                target="0",
                measured=f"{sum(wrong.values())} in {len(found)} kills ({left} left unfinished, {half} half added, "
                f"{sum(each.reported for each in found)} points or results had been reported)",
                met=not wrong,
            )
        )
    return rows
