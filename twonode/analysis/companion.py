"""The companion: a known resistor or capacitor clipped on for a second sweep, so that R and C come apart.

Owns its spelling ("100k 0.1%"), its place in the stage, and the check that it is of a size that can tell anything.
Which value would tell most is worked out in `companion_advice`; estimating both sweeps together is the model's work.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum
from functools import cache
from math import log10, pi

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.channel import PROBE_10, probe_parts
from twonode.analysis.errors import AnalysisError, QuantityError
from twonode.analysis.hookup import COMPANION_ROLE
from twonode.analysis.model import UnseenPart
from twonode.analysis.network import Network
from twonode.analysis.quantities import Tolerance, format_quantity, parse_quantity, parse_tolerance
from twonode.analysis.stage import GROUND, Part, PartKind, Stage

__all__ = [
    "COMPANION_ROLE",
    "CORNER_GRID_HZ",
    "CORNER_GRID_RATES",
    "E12",
    "LARGEST_SHARE",
    "LEAST_SHARE",
    "Across",
    "CompanionError",
    "CompanionValue",
    "companion_name",
    "companion_part",
    "companions_of",
    "corners_hz",
    "is_companion",
    "nearest_e12",
    "parse_companion",
    "schematic_value",
    "shifted_ohm",
    "with_companion",
    "without_companions",
]

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
"""Source: IEC 60063."""

LEAST_SHARE, LARGEST_SHARE = 0.01, 100.0
"""Companion over the impedance it is meant to shift (issue): outside, the sweeps are the same or all is short."""

CORNER_GRID_HZ: Real = np.geomspace(0.05, 5e6, 161)
CORNER_GRID_RATES: Complex = np.asarray(2j * np.pi * CORNER_GRID_HZ, dtype=np.complex128)
"""Where corners are looked for: 20 points a decade, Hz and 1/s."""


class CompanionError(AnalysisError):
    """A companion that cannot be read, or that could not tell anything here."""


class Across(Enum):
    """Where the companion is clipped on; the value is the word on the command line."""

    FAR = "far"
    PART = "part"

    def words(self, part: str) -> str:
        """The place in plain words."""
        return "the far node" if self is Across.FAR else part


@dataclass(frozen=True, slots=True, kw_only=True)
class CompanionValue:
    """What a companion is: its kind, value (ohm or F) and how well that is known."""

    kind: PartKind
    value: float
    tolerance: Tolerance


_WITH_TOLERANCE = re.compile(
    r"(?P<value>.*?)(?:[\s,]+|(?=[±+-]))(?P<tolerance>(?:±|\+/-|\+-)?\s*[\d.]+\s*%|[+-][\d.]+\s*%?\s*/\s*[+-][\d.]+\s*%)"
)
# No such text is longer; it also bounds the work done on garbage.
_LONGEST = 120
_BARE_NUMBER = re.compile(r"[\d.]+(?:[eE][+-]?\d+)?")


def parse_companion(text: str) -> CompanionValue:
    """Read a companion as written on a schematic, with its tolerance: "100k 0.1%", "10n 1%", "4k7 ±1%".

    Resistor or capacitor is told by the unit.

    Raises
    ------
    CompanionError : value or tolerance cannot be read, the tolerance is missing, or the value could be either.
    """
    cleaned = text.strip()
    split = _WITH_TOLERANCE.fullmatch(cleaned) if len(cleaned) <= _LONGEST else None
    if split is None or not split["value"]:
        raise CompanionError(
            f"{cleaned!r} is no companion: value and tolerance are needed.",
            "The companion is worth what is known of it: the tolerance goes straight into the result.",
            'Write it like "100k 0.1%" or "10n 1%".',
        )
    value = split["value"]
    if _BARE_NUMBER.fullmatch(value):
        raise CompanionError(
            f"{cleaned!r} could be a resistor or a capacitor.",
            f"{value} has no unit, and the two act in opposite ways.",
            f"Write {value}R for ohms, {value}p, {value}n or {value}u for a capacitor.",
        )
    found = {kind: _value(value, kind) for kind in (PartKind.RESISTOR, PartKind.CAPACITOR)}
    fitting = {kind: number for kind, number in found.items() if number is not None}
    if len(fitting) != 1:
        raise CompanionError(
            f"{cleaned!r}: {value!r} is {'both a resistor and' if fitting else 'neither a resistor nor'} a capacitor.",
            "The companion has to be known, so its value is not guessed.",
            'Write it like "100k 0.1%" or "1M 1%" for a resistor, "10n 1%" or "100pF 5%" for a capacitor.',
        )
    ((kind, number),) = fitting.items()
    if not number > 0:
        raise CompanionError(
            f"{cleaned!r}: a companion is above zero.",
            "Otherwise it is a short or nothing.",
            "Correct the value.",
        )
    try:
        tolerance = parse_tolerance(split["tolerance"])
    except QuantityError as exc:
        raise CompanionError(f"{cleaned!r}: {exc.what}", exc.why, exc.do) from exc
    return CompanionValue(kind=kind, value=number, tolerance=tolerance)


def _value(text: str, kind: PartKind) -> float | None:
    try:
        return parse_quantity(text, kind.unit)
    except QuantityError:
        return None


def companion_part(
    stage: Stage, part_name: str, *, kind: PartKind, value: float, tolerance: Tolerance, across: Across
) -> Part:
    """The companion as a part of the stage, named by its value: "companion 100 kΩ".

    Two companions of different sweeps are two parts to a joint estimate because their names differ.

    Parameters
    ----------
    stage : without it. part_name : the asked capacitor.
    value : ohm or F. tolerance : limits of the value; they are its prior.
    across : FAR is far node to ground, PART is across the asked part.

    Raises
    ------
    CompanionError : below 0.01 or above 100 times the impedance it is meant to shift, or neither R nor C.
    StageError : no such part. UnseenPart : the part does not change the ratio.
    """
    if kind not in (PartKind.RESISTOR, PartKind.CAPACITOR):
        raise CompanionError(
            f"A companion cannot be a {kind.value}.",
            "It has to be known well, which resistors and capacitors are.",
            "Take a resistor or a capacitor.",
        )
    asked = stage.asked_part(part_name)
    companion = Part(
        name=companion_name(value, kind),
        kind=kind,
        between=(stage.far, GROUND) if across is Across.FAR else asked.between,
        value=value,
        tolerance=tolerance,
        role=COMPANION_ROLE,
    )
    _check_size(stage, asked, companion, across)
    return companion


def with_companion(stage: Stage, companion: Part) -> Stage:
    """The stage with the companion in it; StageError where a part has its name."""
    return stage.with_parts(companion)


def is_companion(part: Part) -> bool:
    """Whether a part was clipped on for a sweep."""
    return part.role == COMPANION_ROLE


def companions_of(stage: Stage) -> tuple[Part, ...]:
    """The companions in a stage."""
    return tuple(part for part in stage.parts if is_companion(part))


def without_companions(stage: Stage) -> Stage:
    """The stage as it is with nothing clipped on."""
    own = tuple(part for part in stage.parts if not is_companion(part))
    return (
        stage
        if len(own) == len(stage.parts)
        else Stage(title=stage.title, drive=stage.drive, far=stage.far, parts=own)
    )


def schematic_value(value: float, kind: PartKind) -> str:
    """A value as on a schematic: "100k", "4k7", "1M", "470R", "10n", "2n2" (IEC 60062 letters, two figures or more)."""
    letters = {12: "T", 9: "G", 6: "M", 3: "k", 0: "R"} if kind is PartKind.RESISTOR else {}
    letters = letters or {-6: "u", -9: "n", -12: "p"}
    power = next((p for p in sorted(letters, reverse=True) if value >= 10.0**p * (1 - 1e-9)), min(letters))
    whole, _, rest = f"{value / 10.0**power:.6g}".partition(".")
    return f"{whole}{letters[power]}{rest}"


@cache
def companion_name(value: float, kind: PartKind) -> str:
    """ "companion 100 kΩ": six figures and no needless zeros, so that companions of different value differ in name."""
    number, _, symbol = format_quantity(value, kind.unit, 6).rpartition(" ")
    return f"companion {number.rstrip('0').rstrip('.') if '.' in number else number} {symbol}"


def nearest_e12(value: float) -> float:
    """The E12 value nearest in the logarithm."""
    decade = np.floor(log10(value))
    choices = np.array([step * 10.0**power for power in (decade - 1, decade, decade + 1) for step in E12])
    return float(f"{choices[np.argmin(np.abs(np.log(choices / value)))]:.2g}")


def corners_hz(network: Network, y: Complex, row: int, far: str, grid_hz: Real) -> Real:
    """Where the phase of the ratio turns most with the value of one part, Hz: the frequencies that tell about it.

    Parameters
    ----------
    y : shape (parts, circuits, grid), S: several circuits that differ in values only.
    row : the part's place in the network.

    Returns
    -------
    shape (circuits,), Hz.

    Raises
    ------
    UnseenPart : in one of them the part does not change the ratio at all.
    """
    parts, circuits, points = y.shape
    ratio, by_y = network.transfer_with_sensitivity(y.reshape(parts, circuits * points), far)
    slope = (by_y[row] * y[row].ravel() / np.where(ratio == 0, 1.0, ratio)).reshape(circuits, points)
    # As in planning: where next to nothing arrives, nothing can be read.
    seen = np.abs(slope.imag) * np.minimum(1.0, np.abs(ratio).reshape(circuits, points) / 0.02)
    if not np.all(seen.max(axis=1) > 1e-9):
        raise UnseenPart(
            f"{network.parts[row].name} cannot be seen at {far!r}.",
            "The ratio of the two nodes does not change with its value, with or without a companion.",
            "Clip channel 1 to the generator's side of a known resistor that feeds that node.",
        )
    corners: Real = grid_hz[np.argmax(seen, axis=1)]
    return corners


def shifted_ohm(stage: Stage, part_name: str, across: Across) -> tuple[float, float]:
    """Size of the impedance a companion is meant to shift, and the corner it is taken at: ohm, Hz.

    Across the far node: of all else at that node (the probe too), the drive node held and the asked part out of
    the way. Across the part: its reactance.

    Raises StageError, UnseenPart.
    """
    bare = without_companions(stage)
    asked = bare.asked_part(part_name)
    network = Network([*bare.parts, *probe_parts(PROBE_10, bare.far, "far probe")], forced=bare.drive)
    row = next(place for place, part in enumerate(network.parts) if part.name == asked.name)
    y = network.admittances(CORNER_GRID_RATES)
    corner_hz = float(corners_hz(network, y[:, None, :], row, bare.far, CORNER_GRID_HZ)[0])
    if across is Across.PART:
        return 1.0 / (2 * pi * corner_hz * asked.value), corner_hz
    far = network.node_index(bare.far)
    assert far is not None, "a stage's far node is never at AC ground"
    y = network.admittances(np.array([2j * np.pi * corner_hz], dtype=np.complex128))
    # Next to nothing instead of nothing, so that a node the part alone ties down stays solvable.
    y[row] *= 1e-9
    return float(abs(network.solve(y, (far,))[0, far, 1])), corner_hz


def _check_size(stage: Stage, asked: Part, companion: Part, across: Across) -> None:
    ohm, corner_hz = shifted_ohm(stage, asked.name, across)
    own = companion.value
    if companion.kind is PartKind.CAPACITOR:
        own = 1.0 / (2 * pi * corner_hz * companion.value)
    share = own / ohm
    if LEAST_SHARE <= share <= LARGEST_SHARE:
        return
    suits = ohm if companion.kind is PartKind.RESISTOR else 1.0 / (2 * pi * corner_hz * ohm)
    low = share < LEAST_SHARE
    shown = format_quantity(companion.value, companion.kind.unit)
    raise CompanionError(
        f"A companion of {shown} is far too {'low' if low else 'high'} in impedance across "
        f"{across.words(asked.name)}, {format_quantity(share, '', 2)} times the {format_quantity(ohm, 'ohm', 2)} "
        f"that are there at {format_quantity(corner_hz, 'Hz', 2)}.",
        "It would short out what is to be measured."
        if low
        else "The second sweep would be the first one again.",
        f"Clip on about {schematic_value(nearest_e12(suits), companion.kind)}.",
    )
