"""ngspice's own branch currents, node voltages and DC volts of a stage: the outside check of `twonode explain`.

Every part gets a zero-volt source in series, whose current is what ngspice says flows through it.
"""

from __future__ import annotations

import subprocess
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from spice import netlist

from twonode.analysis.stage import GROUND, Part, PartKind, Stage

__all__ = ["SpicePaths", "run_dc", "run_paths"]

_OPTIONS = ".options gmin=1e-20 reltol=1e-9 abstol=1e-18 vntol=1e-15"


@dataclass(frozen=True)
class SpicePaths:
    """frequency_hz (n,); currents: part to A per source volt, from between[0] to between[1]; volts: node to V."""

    frequency_hz: NDArray[np.float64]
    currents: Mapping[str, NDArray[np.complex128]]
    volts: Mapping[str, NDArray[np.complex128]]


def run_paths(stage: Stage, folder: Path, *, source_ohm: float | None = None) -> SpicePaths:
    """One `.ac` run, 0.1 Hz to 10 MHz, 4 points a decade; 1 V at the drive node, or behind `source_ohm`."""
    sensed, extra = [], []
    for number, part in enumerate(stage.parts):
        if part.kind is PartKind.SUPPLY:
            sensed.append(part)
            continue
        tap = f"tap {number}"
        sensed.append(replace(part, between=(tap, part.between[1])))
        extra.append((number, part.between[0], tap))
    lines, names = netlist(sensed)
    for _, node, _ in extra:
        names.setdefault(node, f"n{len(names)}")
    lines += [f"VS{number} {names[node]} {names[tap]} 0" for number, node, tap in extra]
    drive = names[stage.drive]
    if source_ohm is None:
        lines.append(f"VIN {drive} 0 DC 0 AC 1")
    else:
        lines += ["VIN emf 0 DC 0 AC 1", f"RSOURCE emf {drive} {source_ohm!r}"]
    held = {n for p in stage.parts if p.kind is PartKind.SUPPLY for n in p.between} | {GROUND}
    nodes = [node for node in stage.nodes if node not in held]
    wanted = [f"i(VS{number})" for number, _, _ in extra] + [f"v({names[node]})" for node in nodes]
    table = _run([*lines, _OPTIONS, ".ac dec 4 0.1 1e7"], f"wrdata out.txt {' '.join(wanted)}", folder)
    values = table[1::2] + 1j * table[2::2]
    parts = [stage.parts[number].name for number, _, _ in extra]
    return SpicePaths(
        frequency_hz=table[0],
        currents=dict(zip(parts, values[: len(parts)], strict=True)),
        volts=dict(zip(nodes, values[len(parts) :], strict=True)),
    )


def run_dc(stage: Stage, folder: Path) -> dict[str, float]:
    """DC volts of every node by `.op`, supplies on; floating nodes are tied down by 1e18 ohm and mean nothing."""
    supplies = [part for part in stage.parts if part.kind is PartKind.SUPPLY]
    others: list[Part] = [part for part in stage.parts if part.kind is not PartKind.SUPPLY]
    lines, names = netlist(others)
    lines += [
        f"RTIE{number} {names[node]} 0 1e18" for number, node in enumerate(stage.nodes) if node in names
    ]
    for number, part in enumerate(supplies):
        node = next(node for node in part.between if node != GROUND)
        lines.append(f"VDC{number} {names[node]} 0 DC {part.value!r}")
    wanted = " ".join(f"v({names[node]})" for node in stage.nodes)
    table = _run([*lines, _OPTIONS, ".op"], f"wrdata out.txt {wanted}", folder)
    return dict(zip(stage.nodes, (float(each) for each in np.atleast_1d(table)[1:]), strict=True))


def _run(lines: list[str], write: str, folder: Path) -> NDArray[np.float64]:
    """The table that ngspice writes, one row a column of its file."""
    control = [".control", "set wr_singlescale", "set numdgt=15", "run", write, "quit 0", ".endc", ".end"]
    (folder / "deck.cir").write_text("\n".join(["* stage", *lines, *control]) + "\n")
    subprocess.run(["ngspice", "-b", "deck.cir"], cwd=folder, check=True, capture_output=True, timeout=60)
    return np.loadtxt(folder / "out.txt", unpack=True)
