"""A measurement that could be made next: a sweep of a changed circuit, or a reading of a meter.

Owns what it takes to carry one out, and the frequencies over which a sweep tells of a part.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.channel import PROBE_10, probe_parts
from twonode.analysis.feeding import own_parts
from twonode.analysis.network import Network
from twonode.analysis.stage import PartKind, Stage

__all__ = [
    "Action",
    "Candidate",
    "DcAction",
    "MeasurementKind",
    "OhmsAction",
    "SweepAction",
    "informative_hz",
    "probed",
    "telling_sweep",
]

Real = NDArray[np.float64]

FREQUENCIES = 8
LOWEST_HZ, HIGHEST_HZ = 4.0, 1e6
"""What scopes of this class reach with four periods in a record; above, leads and scope bandwidth decide."""
_GRID_HZ: Real = np.geomspace(LOWEST_HZ, HIGHEST_HZ, 58)
SEEN_SHARE = 0.3
QUIET_RATIO = 0.02


class MeasurementKind(Enum):
    """Kinds of next measurement; the value is the word in JSON."""

    COMPANION = "companion"
    CHANNEL_1 = "channel 1"
    CHANNEL_2 = "channel 2"
    THROUGH = "through a resistor"
    OHMS = "ohms"
    LIFT = "lift"
    DC = "dc volts"


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepAction:
    """A sweep of this circuit, everything that is clipped on included, over this range."""

    stage: Stage
    part: str
    from_hz: float
    to_hz: float
    frequencies_hz: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DcAction:
    """A reading of DC volts from a node to ground, on the live set."""

    stage: Stage
    node: str
    meter_ohm: float = 10e6


@dataclass(frozen=True, slots=True, kw_only=True)
class OhmsAction:
    """A reading of ohms across a part, one end of it lifted."""

    part: str


Action = SweepAction | DcAction | OhmsAction


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One measurement that could be made next, with what it takes to carry it out.

    options : options of `twonode sweep` beside --stage and --part; empty for a meter.
    """

    kind: MeasurementKind
    words: str
    action: Action
    options: tuple[str, ...] = ()


def telling_sweep(stage: Stage, suspects: Sequence[str]) -> SweepAction | None:
    """The sweep of a circuit over the frequencies that tell about the suspects; None where none of them shows."""
    hz = informative_hz(stage, suspects)
    if hz is None:
        return None
    capacitors = [p.name for p in own_parts(stage) if p.kind is PartKind.CAPACITOR and p.role != "stray"]
    asked = next((n for n in suspects if n in capacitors), capacitors[0] if capacitors else None)
    if asked is None:
        return None
    return SweepAction(
        stage=_asking(stage, asked),
        part=asked,
        from_hz=float(hz[0]),
        to_hz=float(hz[-1]),
        frequencies_hz=tuple(float(f) for f in hz),
    )


def _asking(stage: Stage, name: str) -> Stage:
    parts = tuple(
        replace(p, asked=p.name == name) if p.kind is PartKind.CAPACITOR else p for p in stage.parts
    )
    return replace(stage, parts=parts)


def probed(stage: Stage) -> Network:
    """The circuit of a stage with an ordinary 10:1 probe at the far node."""
    return Network([*stage.parts, *probe_parts(PROBE_10, stage.far, "far probe")], forced=stage.drive)


def informative_hz(stage: Stage, suspects: Sequence[str], *, count: int = FREQUENCIES) -> Real | None:
    """Frequencies, evenly spaced in the logarithm, over which the suspects change the ratio; None where none does."""
    network = probed(stage)
    y = network.admittances(np.asarray(2j * np.pi * _GRID_HZ, dtype=np.complex128))
    ratio, by_y = network.transfer_with_sensitivity(y, stage.far)
    size = np.abs(ratio)
    informative = np.zeros(_GRID_HZ.size, dtype=bool)
    for row, part in enumerate(network.parts):
        if part.name not in suspects:
            continue
        slope = (
            np.abs(by_y[row] * y[row]) / np.where(size > 0, size, 1.0) * np.minimum(1.0, size / QUIET_RATIO)
        )
        if slope.max() > 1e-3:
            informative |= slope >= SEEN_SHARE * slope.max()
    if not informative.any():
        return None
    places = np.flatnonzero(informative)
    low, high = _GRID_HZ[places[0]], _GRID_HZ[places[-1]]
    middle = np.sqrt(low * high)
    # Two decades at least, so that plateaus and slopes are both there.
    low, high = min(low, middle / 10.0), max(high, middle * 10.0)
    if low < LOWEST_HZ:
        low, high = LOWEST_HZ, max(high, 100.0 * LOWEST_HZ)
    if high > HIGHEST_HZ:
        low, high = min(low, HIGHEST_HZ / 100.0), HIGHEST_HZ
    return np.geomspace(low, high, count)
