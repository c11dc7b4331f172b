"""ngspice's transient analysis of the simulated bench's circuit: what the tests compare the world with."""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from spice import needs_ngspice, netlist

from twonode.drivers.simulated.truth import GENERATOR_NODE


def run_transient(
    lines: Sequence[str],
    *,
    source: str,
    source_node: str,
    watch: Sequence[str],
    stop_s: float,
    step_s: float,
    folder: Path,
) -> NDArray[np.float64]:
    """Time and the watched nodes, shape (1 + nodes, points). Starts from rest."""
    deck = [
        "* simulated bench",
        *lines,
        f"BSRC {source_node} 0 V={source}",
        ".options method=gear maxord=2 reltol=1e-7 abstol=1e-15 vntol=1e-9 gmin=1e-15",
        f".tran {step_s} {stop_s} 0 {step_s}",
        ".control",
        "set wr_singlescale",
        "run",
        "wrdata out.txt " + " ".join(f"v({node})" for node in watch),
        "quit 0",
        ".endc",
        ".end",
    ]
    (folder / "deck.cir").write_text("\n".join(deck) + "\n")
    subprocess.run(["ngspice", "-b", "deck.cir"], cwd=folder, check=True, capture_output=True, timeout=60)
    return np.loadtxt(folder / "out.txt", unpack=True)


__all__ = ["GENERATOR_NODE", "needs_ngspice", "netlist", "run_transient"]
