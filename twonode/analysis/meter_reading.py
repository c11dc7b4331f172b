"""A meter's readings as observations: DC volts at a node, ohms of a part.

Owns a meter's accuracy and the little circuit that an ohmmeter amounts to, so that a reading of ohms enters the same
likelihood as volts do. A resistor's reading is evidence of that part, not a replacement of what it is marked: only so
can it tell a healthy resistor from one that has drifted.
"""

from __future__ import annotations

from dataclasses import replace
from math import isfinite, sqrt

from twonode.analysis.dc_reading import DcReading, DcReadingError
from twonode.analysis.quantities import Tolerance
from twonode.analysis.stage import GROUND, Part, PartKind, Stage

__all__ = [
    "METER_FLOOR_V",
    "METER_RELATIVE",
    "dc_reading",
    "dc_sigma_v",
    "ohm_reading",
    "without_readings",
]

METER_RELATIVE = 0.005
METER_FLOOR_V = 3e-3
"""An ordinary digital meter: 0.5 % and 3 mV (common practice, no source)."""
OHMS_RELATIVE = 0.005
OVER_RANGE_OHM = 10e6
OVER_RANGE_SIGMA_V = 0.1
"""Over range: at least some 20 megohms. Of 1 V behind 10 megohms all but a tenth is left from 90 megohms on."""

_EXACT = Tolerance(minus=1e-4, plus=1e-4)


def dc_sigma_v(volts: float, *, relative: float = METER_RELATIVE, floor_v: float = METER_FLOOR_V) -> float:
    """Standard uncertainty of a reading whose limits are a share of it and a floor, V.

    Source: limits with nothing known in between, JCGM 100:2008, 4.3.7.
    """
    return (relative * abs(volts) + floor_v) / sqrt(3.0)


def dc_reading(
    stage: Stage,
    node: str,
    volts: float,
    *,
    half_width_v: float | None = None,
    meter_ohm: float | None = 10e6,
) -> DcReading:
    """A reading of DC volts from a node to ground.

    half_width_v : limits of the reading; None takes the ordinary meter's.

    Raises DcReadingError where the stage does not say what feeds the node.
    """
    sigma = dc_sigma_v(volts) if half_width_v is None else half_width_v / sqrt(3.0)
    if any(node in p.between for p in stage.parts if p.kind is PartKind.SUPPLY):
        raise DcReadingError(
            f"Node {node!r} is the supply itself.",
            "Its volts are what the stage says; a reading there tells of no part.",
            "Read a node behind a resistor, and write the rail's own volts into the stage file.",
        )
    return DcReading(stage=stage, node=node, volts=volts, sigma_v=sigma, meter_ohm=meter_ohm)


def ohm_reading(part: Part, ohm: float, *, half_width_ohm: float | None = None) -> DcReading:
    """A reading of ohms across a part, one end of it lifted or nothing else across it.

    Parameters
    ----------
    part : a resistor, or a capacitor whose leak or short is what the meter shows.
    ohm : reading; inf where the meter shows over range.
    half_width_ohm : its limits; None is 0.5 %.

    Raises DcReadingError for another kind of part.
    """
    if part.kind not in (PartKind.RESISTOR, PartKind.CAPACITOR):
        raise DcReadingError(
            f"Part {part.name} is a {part.kind.value}: no ohms of it are expected.",
            "Only resistors, and capacitors that leak or are shorted, have ohms the program can weigh.",
            "Read the ohms of a resistor or across a capacitor.",
        )
    if not ohm >= 0 or (half_width_ohm is not None and not half_width_ohm > 0):
        raise DcReadingError(
            f"{part.name}: {ohm:g} ohm is no reading.",
            "An ohmmeter shows zero ohms or more, with limits above zero.",
            "Correct the reading; write OL where the meter shows over range.",
        )
    if not isfinite(ohm):
        return _ohmmeter(part, OVER_RANGE_OHM, 1.0, OVER_RANGE_SIGMA_V)
    shown = max(ohm, 0.1)
    half = max(OHMS_RELATIVE * shown if half_width_ohm is None else half_width_ohm, 0.05)
    # Behind a resistance like its own, half the volts are left, and d V = V/4 for d R = R.
    return _ohmmeter(part, shown, 0.5, 0.25 * half / shown / sqrt(3.0))


def _ohmmeter(part: Part, source_ohm: float, volts: float, sigma_v: float) -> DcReading:
    source, lead, tip = "ohmmeter source", "ohmmeter lead", "ohmmeter tip"
    names = [f"ohmmeter at {part.name} {what}" for what in ("volts", "ohms", "lead")]
    stage = Stage(
        title=f"ohmmeter across {part.name}",
        drive=lead,
        far=tip,
        parts=(
            Part(name=names[0], kind=PartKind.SUPPLY, between=(source, GROUND), value=1.0, tolerance=_EXACT),
            _resistor(f"{names[1]} {source_ohm:.9g}", (source, lead), source_ohm),
            _resistor(names[2], (lead, tip), 1e-2),
            replace(part, between=(tip, GROUND), measured=None),
        ),
    )
    return DcReading(stage=stage, node=tip, volts=volts, sigma_v=sigma_v, meter_ohm=None)


def _resistor(name: str, between: tuple[str, str], ohm: float) -> Part:
    return Part(name=name, kind=PartKind.RESISTOR, between=between, value=ohm, tolerance=_EXACT)


def without_readings(stage: Stage) -> tuple[Stage, tuple[DcReading, ...]]:
    """The stage with its parts as marked, and the meter readings that its file states as observations."""
    readings = []
    parts = []
    for part in stage.parts:
        read = part.measured
        if read is None or part.kind is not PartKind.RESISTOR:
            parts.append(part)
            continue
        readings.append(ohm_reading(part, read.value, half_width_ohm=read.half_width))
        parts.append(replace(part, measured=None))
    return replace(stage, parts=tuple(parts)), tuple(readings)
