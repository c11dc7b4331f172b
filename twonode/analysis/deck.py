"""A stage as the deck of a circuit simulator: the fitted circuit, handed on in a language others run.

Owns element lines, node names and the analysis lines of a SPICE deck. The deck's own ratio, far over drive node, is
the fitted one: the probe at the far node is in it, the channels' errors are not.

A dielectric's loss is constant over frequency here (`network.admittance`), which no plain element is. It is written as
a resistor whose ohms hold the frequency, ``hertz``; ngspice runs that, other simulators may need another form.

Source: ngspice manual, chapters on resistors given by expressions, ``.ac`` and ``wrdata``.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

from twonode.analysis.errors import AnalysisError
from twonode.analysis.stage import GROUND, Part, PartKind

__all__ = ["OUTPUT_FILE", "spice_deck"]

OUTPUT_FILE = "ratio.txt"
"""Where the deck leaves frequency, real and imaginary part."""

_LETTER = {PartKind.RESISTOR: "R", PartKind.CAPACITOR: "C", PartKind.INDUCTOR: "L", PartKind.SUPPLY: "V"}
_FLOOR_HZ = 1e-9
"""Keeps the loss resistor finite at DC, where it is 1/(2 pi 1e-9 Hz C tan delta)."""
_TWO_PI = 6.283185307179586


def spice_deck(
    parts: Sequence[Part],
    *,
    drive: str,
    far: str,
    title: str,
    from_hz: float,
    to_hz: float,
    points_per_decade: int = 20,
    losses: Mapping[str, float] | None = None,
    remarks: Iterable[str] = (),
) -> str:
    """The deck; run it by ``ngspice -b FILE``, which leaves the ratio in `OUTPUT_FILE`.

    Parameters
    ----------
    parts : the circuit, the far probe's loading included.
    from_hz, to_hz : ends of the analysis, Hz.
    losses : tan delta by part name, instead of the parts' own; a fit may put one a little below zero.
    remarks : lines of comment below the title.

    Raises AnalysisError where the frequencies are none or a node is not in the circuit.
    """
    if not 0 < from_hz < to_hz:
        raise AnalysisError(
            f"A deck from {from_hz:g} Hz to {to_hz:g} Hz cannot be made.",
            "The lower end has to be above zero and below the upper one.",
            "Give both ends in hertz, the lower first.",
        )
    nodes = _node_names(parts)
    for node in (drive, far):
        if node not in nodes:
            raise AnalysisError(
                f"There is no node {node!r} in the circuit.",
                "The ratio is that of two of its nodes.",
                f"Name one of {', '.join(sorted(nodes))}.",
            )
    names = _element_names(parts)
    lines = [f"* {_plain(title)}"]
    lines += [f"* {_plain(remark)}" for remark in remarks]
    lines += [f"* node {name}: {_plain(node)}" for node, name in nodes.items() if node != GROUND]
    for part, name in zip(parts, names, strict=True):
        lines += _elements(part, name, nodes, part.loss if losses is None else losses.get(part.name, 0.0))
    lines += [
        f"VDRIVE {nodes[drive]} 0 DC 0 AC 1",
        ".options gmin=1e-20 reltol=1e-9",
        f".ac dec {points_per_decade} {from_hz!r} {to_hz!r}",
        ".control",
        "set wr_singlescale",
        "set numdgt=15",
        "run",
        f"wrdata {OUTPUT_FILE} v({nodes[far]})",
        "quit 0",
        ".endc",
        ".end",
    ]
    return "\n".join(lines) + "\n"


def _plain(text: str) -> str:
    """One line of ASCII: a simulator may read nothing else, and a line feed would end the comment."""
    return " ".join(text.encode("ascii", "replace").decode("ascii").split())


def _node_names(parts: Sequence[Part]) -> dict[str, str]:
    names = {GROUND: "0"}
    for part in parts:
        for node in part.between:
            if node not in names:
                slug = re.sub(r"[^a-z0-9]+", "_", node.lower()).strip("_") or "node"
                # A bare number is a node of its own in SPICE, and 0 is ground.
                name = f"n_{slug}" if slug[0].isdigit() else slug
                taken = set(names.values())
                names[node] = next(
                    tried for tried in (name, *(f"{name}_{k}" for k in range(2, 999))) if tried not in taken
                )
    return names


def _element_names(parts: Sequence[Part]) -> list[str]:
    names: list[str] = []
    for part in parts:
        letter = _LETTER[part.kind]
        slug = re.sub(r"[^A-Za-z0-9]+", "_", part.name).strip("_").upper() or "PART"
        name = slug if slug.startswith(letter) and len(slug) > 1 else f"{letter}_{slug}"
        name = next(t for t in (name, *(f"{name}_{k}" for k in range(2, 999))) if t not in names)
        names.append(name)
    return names


def _elements(part: Part, name: str, nodes: dict[str, str], loss: float) -> list[str]:
    first, second = (nodes[node] for node in part.between)
    inner = f"{name.lower()}_inside"
    match part.kind:
        case PartKind.RESISTOR:
            return [f"{name} {first} {second} {part.value!r}"]
        case PartKind.SUPPLY:
            return [f"{name} {first} {second} DC {part.value!r} AC 0"]
        case PartKind.INDUCTOR:
            return [f"{name} {first} {second} {part.value!r}"]
        case PartKind.CAPACITOR:
            end = inner if part.esr_ohm > 0 else second
            lines = [f"{name} {first} {end} {part.value!r}"]
            if loss != 0:
                ohms = f"1/({_TWO_PI!r}*(hertz+{_FLOOR_HZ!r})*{part.value!r}*({loss!r}))"
                lines.append(f"R{name}_LOSS {first} {end} R='{ohms}'")
            if part.esr_ohm > 0:
                lines.append(f"R{name}_ESR {end} {second} {part.esr_ohm!r}")
            if part.leak_ohm is not None:
                lines.append(f"R{name}_LEAK {first} {second} {part.leak_ohm!r}")
            return lines
