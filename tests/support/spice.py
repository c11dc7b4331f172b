"""A stage as an ngspice netlist, and ngspice's own AC analysis of it: the outside check of our network solver."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from twonode.analysis.stage import GROUND, Part, PartKind

__all__ = ["needs_ngspice", "netlist", "run_ac"]


def needs_ngspice(test):
    """Mark a test that needs ngspice; continuous integration refuses to skip it."""
    skip = pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
    return pytest.mark.ngspice(skip(test))


def netlist(parts: Iterable[Part]) -> tuple[list[str], dict[str, str]]:
    """Element lines (supplies as shorts, no dielectric loss) and the node names ngspice knows."""
    parts = tuple(parts)
    grounded = {GROUND} | {n for p in parts if p.kind is PartKind.SUPPLY for n in p.between}
    names: dict[str, str] = dict.fromkeys(grounded, "0")
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


def run_ac(
    parts: Iterable[Part],
    *,
    forced: str,
    watch: Sequence[str],
    frequency_hz: NDArray[np.float64],
    folder: Path,
) -> NDArray[np.complex128]:
    """Voltages of the watched nodes per volt at the forced node, shape (nodes, n), by ngspice `.ac`.

    The frequencies must be evenly spaced in the logarithm, as ngspice sweeps them.
    """
    lines, names = netlist(parts)
    decades = np.log10(frequency_hz[-1] / frequency_hz[0])
    per_decade = (frequency_hz.size - 1) / decades
    assert per_decade == pytest.approx(round(per_decade), abs=1e-9)
    out = " ".join(f"v({names[node]})" for node in watch)
    deck = [
        "* stage",
        *lines,
        f"V1 {names[forced]} 0 DC 0 AC 1",
        ".options gmin=1e-20 reltol=1e-9",
        f".ac dec {round(per_decade)} {float(frequency_hz[0])!r} {float(frequency_hz[-1])!r}",
        ".control",
        "set wr_singlescale",
        "set numdgt=15",
        "run",
        f"wrdata out.txt {out}",
        "quit 0",
        ".endc",
        ".end",
    ]
    (folder / "deck.cir").write_text("\n".join(deck) + "\n")
    subprocess.run(["ngspice", "-b", "deck.cir"], cwd=folder, check=True, capture_output=True, timeout=60)
    table = np.loadtxt(folder / "out.txt", unpack=True)
    assert table[0] == pytest.approx(frequency_hz, rel=1e-9)
    return table[1::2] + 1j * table[2::2]
