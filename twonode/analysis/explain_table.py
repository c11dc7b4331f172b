"""The tables of an explained stage: which levels stand in them, and how each cell is written.

Owns the rounding of the cells. Prints nothing.
"""

from __future__ import annotations

from math import inf

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.paths import SignalPaths, decibels

__all__ = ["dc_share_words", "hertz_cell", "level_cell", "node_levels", "share_cell"]


def node_levels(paths: SignalPaths) -> dict[str, NDArray[np.float64]]:
    """Every node against the drive node, the far node last, and that one against the source, in dB, shape (n,)."""
    far = paths.nodes.index(paths.far)
    others = [row for row in range(1, len(paths.nodes)) if row != far]
    levels = {
        f"{paths.nodes[row]} against {paths.drive}": decibels(paths.ratio[row]) for row in (*others, far)
    }
    if paths.fed is not None:
        levels[f"{paths.far} against the source"] = decibels(paths.fed[far])
    return levels


def share_cell(share: float) -> str:
    """A share of 0 to 1: "98.7 %", "<0.1 %"."""
    percent = share * 100.0
    if percent >= 99.95:
        return "100 %"
    return f"{percent:.1f} %" if percent >= 0.1 else "<0.1 %"


def level_cell(level_db: float) -> str:
    """A level or its change: "-3.0", "0.0", "nothing" where nothing arrives."""
    return "nothing" if level_db == -inf else f"{round(level_db, 1) + 0.0:+.1f}".replace("+0.0", "0.0")


def hertz_cell(hz: float) -> str:
    """A frequency as the head of a column, as it was asked for: "455 kHz", "62.35 Hz"."""
    for limit, unit in ((1e6, "MHz"), (1e3, "kHz")):
        if hz >= limit:
            return f"{hz / limit:.4g} {unit}"
    return f"{hz:.4g} Hz"


def dc_share_words(share: float | None, drive: str) -> str:
    """What the far node gets of the drive node's DC. share : of it; None where it has no DC path."""
    return "has no DC path" if share is None else f"gets {share * 100:.0f} % of the {drive}'s"
