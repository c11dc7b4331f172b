"""What a loose part is to a reader: its JSON object, its row in a table, its label and its bin.

Owns the keys, the columns and the words. Works nothing out.
"""

from __future__ import annotations

from math import ceil, floor, log10
from typing import Any

from twonode.analysis.estimated import Quantity
from twonode.analysis.families import Dielectric
from twonode.analysis.fixture import AUDIO_HZ, HIGH_HZ, MAINS_HZ, RADIO_HZ
from twonode.analysis.loose_model import Equivalent
from twonode.analysis.loose_part import AtFrequency, LoosePart
from twonode.analysis.quantities import format_plus_minus, format_quantity
from twonode.analysis.scout import LooseState

__all__ = [
    "NOT_TESTED",
    "ROW_COLUMNS",
    "VOLTAGE_UNKNOWN",
    "bin_of",
    "family_words",
    "label_text",
    "loose_part_document",
    "loose_part_row",
    "loss_words",
    "resistance_words",
    "value_words",
]

VOLTAGE_UNKNOWN = "voltage unknown: not for line or B+"
NOT_TESTED = ("working voltage", "leakage at working voltage")

NAMED_UNTIL = 0.9
"""Families are named until they hold this much of the probability together."""
MOST_NAMED = 3
OHMS_FROM_LOSS = 0.2
"""Tan delta from which on an ohm figure says more than a percentage."""
UNEVEN = 1.5
"""Upper over lower half of an interval from which on its ends say more than a half-width."""
LEAK_FALLS = 3.0
"""How much less tan delta at 100 kHz than at 1 kHz makes the loss a leak."""
_TAGS = {MAINS_HZ: "120hz", AUDIO_HZ: "1khz", HIGH_HZ: "100khz", RADIO_HZ: "1mhz"}

_GROUPS = {
    Dielectric.MICA: "low loss",
    Dielectric.LOW_LOSS_FILM: "low loss",
    Dielectric.POLYESTER: "polyester",
    Dielectric.HIGH_K: "high-K or paper",
    Dielectric.PAPER: "high-K or paper",
    Dielectric.ELECTROLYTIC: "electrolytic",
}
"""What a loss cannot tell apart goes into one bin."""
_UNSURE = "loss unsure"


def loose_part_document(loose: LoosePart) -> dict[str, Any]:
    """The JSON object of one part: SI units, null for what is not stated with the reason beside it, no NaN."""
    near = loose.nearest
    audio = loose.at(AUDIO_HZ)
    return {
        "part": loose.part,
        "state": loose.state.value,
        "because": loose.because,
        "capacitance": _document(loose.value),
        "capacitance_hz": loose.value_hz,
        "equivalent": loose.equivalent.value,
        "tan_delta": None if audio is None else _document(audio.tan_delta),
        "esr": None if audio is None else _document(audio.esr),
        "parallel_resistance": None if audio is None else _document(audio.parallel_resistance),
        "at": [_reading_document(reading) for reading in loose.readings],
        "change_1khz_to_100khz": None
        if loose.change is None
        else {"value": loose.change[0], "standard_uncertainty": loose.change[1], "unit": ""},
        "nearest": None
        if near is None
        else {
            "value": near.farad,
            "series": near.series.name,
            "deviation": near.deviation,
            "e12": {"value": near.e12_farad, "deviation": near.e12_deviation},
            "e24": {"value": near.e24_farad, "deviation": near.e24_deviation},
            "unit": "F",
        },
        "families": [
            {"family": share.dielectric.value, "probability": share.probability} for share in loose.families
        ],
        "label": label_text(loose),
        "bin": bin_of(loose),
        "not_tested": list(NOT_TESTED),
        "fit": {
            "points": loose.points,
            "reduced_chi_square": loose.reduced_chi_square,
            "misfit": loose.misfit,
        },
        "resistors_ohm": list(loose.resistors_ohm),
    }


def _document(found: Quantity | None) -> dict[str, Any] | None:
    return None if found is None else found.document()


def _reading_document(reading: AtFrequency) -> dict[str, Any]:
    return {
        "frequency_hz": reading.frequency_hz,
        "points": reading.points,
        "capacitance": _document(reading.capacitance),
        "why_not": reading.why_not,
        "tan_delta": _document(reading.tan_delta),
        "esr": _document(reading.esr),
        "parallel_resistance": _document(reading.parallel_resistance),
    }


def _columns() -> tuple[str, ...]:
    columns = ["found", "found_because", "c_farad", "c_u_farad", "c_hz"]
    for tag in _TAGS.values():
        columns += [f"c_{tag}_farad", f"c_{tag}_u_farad", f"c_{tag}_why_not"]
    columns += [
        "tan_delta_1khz",
        "tan_delta_1khz_u",
        "tan_delta_1khz_at_most",
        "esr_1khz_ohm",
        "esr_1khz_u_ohm",
        "esr_1khz_at_most_ohm",
        "parallel_1khz_ohm",
        "parallel_1khz_u_ohm",
        "parallel_1khz_at_least_ohm",
        "nearest_farad",
        "nearest_series",
        "deviation_percent",
        "family",
        "family_probability",
        "points",
        "misfit",
    ]
    return tuple(columns)


ROW_COLUMNS = _columns()
"""Of the table of a batch; units in the names."""


def loose_part_row(loose: LoosePart) -> dict[str, str | float | int | None]:
    """One part as cells by column; None for an empty one."""
    row: dict[str, str | float | int | None] = dict.fromkeys(ROW_COLUMNS)
    row["found"], row["found_because"] = loose.state.value, loose.because
    row["points"], row["misfit"] = loose.points, loose.misfit
    if loose.value is not None:
        row["c_farad"], row["c_u_farad"] = loose.value.value, loose.value.standard_uncertainty
        row["c_hz"] = loose.value_hz
    for hz, tag in _TAGS.items():
        found = loose.capacitance_at(hz)
        if found is not None:
            row[f"c_{tag}_farad"], row[f"c_{tag}_u_farad"] = found.value, found.standard_uncertainty
        row[f"c_{tag}_why_not"] = loose.why_not(hz)
    audio = loose.at(AUDIO_HZ)
    if audio is not None:
        for name, unit, quantity in (
            ("tan_delta_1khz", "", audio.tan_delta),
            ("esr_1khz", "_ohm", audio.esr),
            ("parallel_1khz", "_ohm", audio.parallel_resistance),
        ):
            if quantity is None:
                continue
            row[f"{name}{unit}"], row[f"{name}_u{unit}"] = quantity.value, quantity.standard_uncertainty
            if quantity.at_most is not None:
                row[f"{name}_at_most{unit}"] = quantity.at_most
            if quantity.at_least is not None:
                row[f"{name}_at_least{unit}"] = quantity.at_least
    if loose.nearest is not None:
        row["nearest_farad"] = loose.nearest.farad
        row["nearest_series"] = loose.nearest.series.name
        row["deviation_percent"] = 100.0 * loose.nearest.deviation
    if loose.families:
        row["family"] = loose.families[0].dielectric.value
        row["family_probability"] = round(loose.families[0].probability, 4)
    return row


_VALUE_UNITS = ((1e-6, "µF", 0.0999), (1e-9, "nF", 1.0999), (1e-12, "pF", 0.0))


def _unit_of(farad: float) -> tuple[float, str]:
    """Unit and symbol in which a value is written on a part."""
    for factor, symbol, least in _VALUE_UNITS:
        if farad / factor >= least:
            return factor, symbol
    raise ValueError(f"farad: need > 0, got {farad}")


def value_words(farad: float) -> str:
    """As on a part: "1000 pF", "4.7 nF", "0.1 µF"; picofarads up to a thousand, microfarads from a tenth.

    >>> [value_words(f) for f in (10e-12, 1e-9, 4.7e-9, 22e-9, 1e-7, 10e-6)]
    ['10 pF', '1000 pF', '4.7 nF', '22 nF', '0.1 µF', '10 µF']
    """
    factor, symbol = _unit_of(farad)
    return f"{farad / factor:.4g} {symbol}"


def label_text(loose: LoosePart) -> str:
    """What to write on the part or its envelope: value, loss, likely dielectric, and what nobody knows of it."""
    if loose.state is not LooseState.MEASURED or loose.value is None or loose.nearest is None:
        return f"{loose.state.value}: do not use"
    near = loose.nearest
    factor, symbol = _unit_of(near.farad)
    measured = format_quantity((loose.value.value or 0.0) / factor, "", _figures(near.deviation))
    pieces = [f"{value_words(near.farad)} ({100 * near.deviation:+.1f} %: {measured} {symbol})"]
    audio = loose.at(AUDIO_HZ)
    if audio is not None and audio.tan_delta is not None:
        pieces.append(_loss_words(loose, audio, audio.tan_delta))
    words = family_words(loose)
    if words is not None:
        pieces.append(words)
    return "; ".join([*pieces, VOLTAGE_UNKNOWN])


def _figures(deviation: float) -> int:
    return 4 if abs(deviation) < 0.01 else 3


def _loss_words(loose: LoosePart, reading: AtFrequency, loss: Quantity) -> str:
    """In per cent, to the digit that its uncertainty leaves; a heavy loss as the resistance it comes from."""
    if loss.value is None or loss.standard_uncertainty is None:
        most = 100.0 * (loss.at_most or 0.0)
        step = 10.0 ** (floor(log10(most)) - 1)
        return f"loss below {ceil(most / step) * step:.2g} % at 1 kHz"
    if loss.value > OHMS_FROM_LOSS:
        if loose.equivalent is Equivalent.SERIES and reading.esr is not None:
            return f"ESR {_ohms(reading.esr)} at 1 kHz"
        higher = loose.tan_delta_at(HIGH_HZ)
        most = 1.0 if higher is None else higher.value or higher.at_most or 0.0
        if most < loss.value / LEAK_FALLS and reading.parallel_resistance is not None:
            return f"leaks: {_ohms(reading.parallel_resistance)} across it"
    decimals = min(4, max(0, round(-log10(100.0 * loss.standard_uncertainty) + 0.3)))
    return f"loss {100 * loss.value:.{decimals}f} % at 1 kHz"


def _ohms(found: Quantity) -> str:
    return str(found) if found.value is None else format_quantity(found.value, "ohm", 2)


def loss_words(found: Quantity) -> str:
    """Tan delta in per cent with its 95 % half-width, or its bound."""
    if found.value is None or found.interval95 is None:
        return f"at most {format_quantity(found.at_most or 0.0, '%', 2)}"
    half = (found.interval95[1] - found.interval95[0]) / 2.0
    return f"{format_plus_minus(100.0 * found.value, 100.0 * half, '')} %"


def resistance_words(found: Quantity) -> str:
    """A resistance with its 95 % half-width; the interval itself where its ends lie unevenly about the value."""
    if found.value is None or found.interval95 is None:
        return str(found)
    low, high = found.interval95
    if high - found.value < UNEVEN * (found.value - low):
        return str(found)
    return f"{format_quantity(low, 'ohm', 2)} to {format_quantity(high, 'ohm', 2)}"


def family_words(loose: LoosePart) -> str | None:
    """The likely dielectrics in words: "mica or low-loss film"; None where nothing is likely."""
    named: list[str] = []
    total = 0.0
    for share in loose.families[:MOST_NAMED]:
        named.append(share.dielectric.value)
        total += share.probability
        if total >= NAMED_UNTIL:
            return " or ".join(named)
    return None


def bin_of(loose: LoosePart) -> str:
    """Where the part belongs: nearest preferred value and what its loss says, or what is wrong with it."""
    if loose.state is not LooseState.MEASURED or loose.nearest is None:
        return loose.state.value
    groups: dict[str, float] = {}
    for share in loose.families:
        group = _GROUPS[share.dielectric]
        groups[group] = groups.get(group, 0.0) + share.probability
    likeliest = max(groups, key=lambda name: groups[name]) if groups else _UNSURE
    if groups and groups[likeliest] < 0.5:
        likeliest = _UNSURE
    return f"{value_words(loose.nearest.farad)}, {likeliest}"
