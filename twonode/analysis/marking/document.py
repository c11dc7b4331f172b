"""The JSON form of a marking's readings.

Owns the names of the keys. Numbers are SI; what is not known is null.
"""

from __future__ import annotations

from typing import Any

from twonode.analysis.marking.agreement import Agreement
from twonode.analysis.marking.model import MarkedTolerance, Reading, TemperatureCharacteristic, Voltage
from twonode.analysis.marking.read import MarkingRead, RankedReading
from twonode.analysis.quantities import Tolerance

__all__ = ["marking_document"]


def marking_document(found: MarkingRead) -> dict[str, Any]:
    """One JSON object, format 1: the marking, its readings in order, notes and cautions."""
    measured = found.measured
    return {
        "format": 1,
        "marking": found.text,
        "measured": None
        if measured is None
        else {"value": measured.farad, "half_width": measured.half_width_farad, "unit": "F"},
        "order": found.order,
        "readings": [_ranked(each) for each in found.readings],
        "notes": list(found.notes),
        "cautions": list(found.cautions),
    }


def _ranked(ranked: RankedReading) -> dict[str, Any]:
    reading = ranked.reading
    return {
        "capacitance": None
        if reading.capacitance_farad is None
        else {"value": reading.capacitance_farad, "unit": "F"},
        "tolerance": _tolerance(reading),
        "voltage": None if reading.voltage is None else _voltage(reading.voltage),
        "temperature": None if reading.temperature is None else _temperature(reading.temperature),
        "safety": list(reading.safety),
        "scheme": reading.scheme.value,
        "source": str(reading.source),
        "remarks": list(reading.remarks),
        "unknown": list(ranked.unknown),
        "today": ranked.today,
        "agreement": None if ranked.agreement is None else _agreement(ranked.agreement),
    }


def _tolerance(reading: Reading) -> dict[str, Any] | None:
    tolerance: MarkedTolerance | None = reading.tolerance
    if tolerance is None:
        return None
    limits = tolerance.limits
    said: dict[str, Any]
    if isinstance(limits, Tolerance):
        said = {"minus": limits.minus, "plus": limits.plus}
    else:
        said = {"absolute": limits.half_width_farad, "unit": "F"}
    return {**said, "marked": tolerance.marked, "source": str(tolerance.source)}


def _voltage(voltage: Voltage) -> dict[str, Any]:
    source = None if voltage.source is None else str(voltage.source)
    return {"value": voltage.volts, "unit": "V", "kind": voltage.kind, "source": source}


def _temperature(temperature: TemperatureCharacteristic) -> dict[str, Any]:
    return {
        "code": temperature.code,
        "words": temperature.words,
        "slope_ppm_per_k": temperature.slope_ppm,
        "spread_ppm_per_k": None if temperature.spread_ppm is None else list(temperature.spread_ppm),
        "range_c": None if temperature.range_c is None else list(temperature.range_c),
        "change": None if temperature.change is None else list(temperature.change),
        "source": str(temperature.source),
    }


def _agreement(agreement: Agreement) -> dict[str, Any]:
    return {
        "probability": agreement.probability,
        "deviation": agreement.deviation,
        "limits": list(agreement.limits_farad),
        "limits_assumed": agreement.assumed,
        "excluded": agreement.excluded,
        "unit": "F",
    }
