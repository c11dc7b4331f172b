"""Path shares and levels of `twonode explain` against ngspice, over every shipped stage."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np

from tests.benchmarks.table import Row
from twonode.analysis.paths import signal_paths
from twonode.analysis.stage import shipped_stage, shipped_stage_names

# The ngspice runner is shared with the tests.
sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from spice_paths import SpicePaths, run_paths

LIMIT = 1e-6
SOURCES_OHM = (None, 10e3, 1e6)


def differences(name: str, source_ohm: float | None) -> tuple[float, float, float]:
    """Largest relative differences of currents, of shares (leaving each node, reaching ground), and of levels."""
    stage = shipped_stage(name)
    with tempfile.TemporaryDirectory() as folder:
        theirs = run_paths(stage, Path(folder), source_ohm=source_ohm)
    ours = signal_paths(stage, theirs.frequency_hz, source_ohm=source_ohm)
    drive_v = 1.0 if ours.fed is None else ours.fed[0]
    currents = max(
        _off(_sign(stage, branch) * branch.current * drive_v, theirs.currents[branch.part])
        for branch in ours.branches
    )
    shares = max(
        _share_off(group, theirs) for group in (*map(ours.leaving, ours.nodes), ours.ground) if group
    )
    levels = max(_off(ours.ratio[row] * drive_v, theirs.volts[node]) for row, node in enumerate(ours.nodes))
    return currents, shares, levels


def _sign(stage, branch) -> float:
    return 1.0 if stage.part(branch.part).between[0] == branch.start else -1.0


def _off(ours: np.ndarray, theirs: np.ndarray) -> float:
    return float(np.abs(ours / theirs - 1).max())


def _share_off(group, theirs: SpicePaths) -> float:
    whole = sum(np.abs(theirs.currents[branch.part]) for branch in group)
    return max(_off(branch.share, np.abs(theirs.currents[branch.part]) / whole) for branch in group)


def run(*, quick: bool = False) -> list[Row]:
    """Rows of currents, shares and levels."""
    names = shipped_stage_names()
    sources = SOURCES_OHM[:1] if quick else SOURCES_OHM
    found = np.array([differences(name, source_ohm) for name in names for source_ohm in sources])
    what = f"against ngspice, {len(names)} shipped stages, 33 frequencies 0.1 Hz to 10 MHz"
    worst = found.max(axis=0)
    return [
        Row(
            figure=f"{kind} {what}",
            target="<= 1e-6 relative",
            measured=f"{each:.1e}",
            met=bool(each <= LIMIT),
        )
        for kind, each in zip(("path currents", "path shares", "levels"), worst, strict=True)
    ]
