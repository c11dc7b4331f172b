"""Many independent cases on two processes, with progress on standard error.

Owns the pool. A case's outcome depends on the case alone, so the figures do not depend on the number of processes.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Sequence
from multiprocessing import get_context
from typing import TypeVar

__all__ = ["map_cases"]

Case = TypeVar("Case")
Outcome = TypeVar("Outcome")

PROCESSES = 2
_PROGRESS_S = 15.0
_ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


def map_cases(work: Callable[[Case], Outcome], cases: Sequence[Case], *, name: str) -> list[Outcome]:
    """Outcomes in the order of the cases.

    work : a function at the top of a module. name : for the progress.
    """
    before = {variable: os.environ.get(variable) for variable in _ONE_THREAD}
    # Fresh processes, so that numpy starts with one thread each: two pools of threads on two cores fight.
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    outcomes: list[Outcome] = []
    started_s = shown_s = time.monotonic()
    try:
        with get_context("spawn").Pool(PROCESSES) as pool:
            for outcome in pool.imap(work, cases, chunksize=4):
                outcomes.append(outcome)
                now_s = time.monotonic()
                if now_s - shown_s > _PROGRESS_S:
                    shown_s = now_s
                    print(f"   {name}: {len(outcomes)} of {len(cases)}", file=sys.stderr, flush=True)
    finally:
        for variable, value in before.items():
            if value is None:
                os.environ.pop(variable, None)
            else:
                os.environ[variable] = value
    spent_s = time.monotonic() - started_s
    print(f"   {name}: {len(outcomes)} in {spent_s:.0f} s", file=sys.stderr, flush=True)
    return outcomes
