"""The simulated bench's circuit as an ngspice netlist: what the tests compare the world with."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from twonode.analysis.stage import GROUND, Part, PartKind
from twonode.drivers.simulated.truth import GENERATOR_NODE

needs_ngspice = pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")


def netlist(parts: Sequence[Part]) -> tuple[list[str], dict[str, str]]:
    """Element lines, supplies as shorts, and the node numbers."""
    grounded = {GROUND} | {n for p in parts if p.kind is PartKind.SUPPLY for n in p.between}
    names: dict[str, str] = {node: "0" for node in grounded}
    for part in parts:
        for node in part.between:
            names.setdefault(node, f"n{len(names)}")
    lines = []
    for number, part in enumerate(parts):
        first, second = (names[node] for node in part.between)
        match part.kind:
            case PartKind.RESISTOR:
                lines.append(f"R{number} {first} {second} {part.value!r}")
            case PartKind.INDUCTOR:
                lines.append(f"L{number} {first} {second} {part.value!r}")
            case PartKind.CAPACITOR:
                end = second
                if part.esr_ohm > 0:
                    end = f"inner{number}"
                    lines.append(f"RS{number} {end} {second} {part.esr_ohm!r}")
                lines.append(f"C{number} {first} {end} {part.value!r}")
                if part.leak_ohm is not None:
                    lines.append(f"RP{number} {first} {second} {part.leak_ohm!r}")
            case PartKind.SUPPLY:
                pass
    return lines, names


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
