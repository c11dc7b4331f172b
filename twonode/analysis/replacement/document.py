"""The advice on a replacement as a JSON document.

Owns the field names of ``twonode replace --json``. They only ever grow.
"""

from __future__ import annotations

from typing import Any

from twonode.analysis.quantities import Tolerance
from twonode.analysis.replacement.advice import Replacement
from twonode.analysis.replacement.change import Change
from twonode.analysis.replacement.combinations import Combination, StockAdvice
from twonode.analysis.replacement.mains import LineCurrent, MainsAdvice
from twonode.analysis.replacement.rating import RatedVoltage
from twonode.analysis.replacement.role import Preference, facts_of
from twonode.analysis.replacement.values import Suggestion

__all__ = ["replacement_document"]


def replacement_document(advice: Replacement) -> dict[str, Any]:
    """The advice as plain dicts, lists, texts and SI numbers; no NaN."""
    request = advice.request
    facts = facts_of(request.role)
    return {
        "format": 1,
        "asked": {
            "value": request.value_farad,
            "unit": "F",
            "role": request.role.value,
            "working_v": None if request.working is None or advice.mains else request.working.volts,
            "next_ohm": request.surroundings.next_ohm,
            "source_ohm": request.surroundings.source_ohm,
            "tolerance": _tolerance_document(request.tolerance),
        },
        "in_short": advice.in_short,
        "part_type": advice.part_type.value,
        "limits": _tolerance_document(advice.limits),
        "usual": {
            "preference": None if facts.preference is Preference.EXACT else facts.preference.value,
            "because": facts.why,
            "source": facts.source,
        },
        "suggestions": [_suggestion_document(each) for each in advice.suggestions],
        "rated_voltage": None if advice.rated is None else _rated_document(advice.rated),
        "dielectrics": [
            {"name": each.name, "fit": each.fit.value, "because": each.because, "source": each.source}
            for each in advice.dielectrics
        ],
        "mains": None if advice.mains is None else _mains_document(advice.mains),
        "avc_leakage": None
        if advice.avc is None
        else {
            "feed_ohm": advice.avc.feed_ohm,
            "least_ohm": advice.avc.least_ohm,
            "avc_lost": advice.avc.lost,
        },
        "stock": None if advice.stock is None else _stock_document(advice.stock),
        "notes": list(advice.notes),
        "unknown": list(advice.unknown),
    }


def _tolerance_document(tolerance: Tolerance | None) -> dict[str, float] | None:
    return None if tolerance is None else {"minus": tolerance.minus, "plus": tolerance.plus}


def _suggestion_document(each: Suggestion) -> dict[str, Any]:
    return {
        "value": each.value_farad,
        "unit": "F",
        "parts": list(each.parts_farad),
        "series": [series.name for series in each.series],
        "opinions": [opinion.value for opinion in each.opinions],
        "deviation": each.deviation,
        "within": each.within,
        "recommended": each.recommended,
        "because": each.because,
        "safety_class": None if each.safety is None else each.safety.value,
        "change": _change_document(each.change),
    }


def _change_document(change: Change) -> dict[str, Any]:
    return {
        "corner_hz": change.corner_hz,
        "was_corner_hz": change.was_corner_hz,
        "at": [
            {
                "frequency_hz": each.frequency_hz,
                "reactance_ohm": each.reactance_ohm,
                "loss_db": each.loss_db,
                "was_loss_db": each.was_loss_db,
            }
            for each in change.at
        ],
        "time_constant_s": change.time_constant_s,
        "was_time_constant_s": change.was_time_constant_s,
        "ripple_db": change.ripple_db,
        "tuning": change.tuning,
    }


def _rated_document(rated: RatedVoltage) -> dict[str, Any]:
    return {
        "value": rated.suggested_v,
        "unit": "V",
        "needed": rated.needed_v,
        "working": rated.working_v,
        "surge": rated.surge_v,
        "standard": list(rated.standard_v),
        "because": list(rated.because),
        "asked": None
        if rated.asked_v is None
        else {"value": rated.asked_v, "fits": rated.asked_fits, "because": rated.asked_because},
    }


def _mains_document(mains: MainsAdvice) -> dict[str, Any]:
    return {
        "safety_class": mains.safety.value,
        "assumed_line": mains.assumed_line,
        "lines": [{"volts": line.volts, "frequency_hz": line.frequency_hz} for line in mains.lines],
        "currents": [_current_document(each) for each in mains.currents],
        "limits": list(mains.limits),
        "cautions": list(mains.cautions),
    }


def _current_document(each: LineCurrent) -> dict[str, Any]:
    return {
        "value": each.value_farad,
        "line_v": each.line.volts,
        "line_hz": each.line.frequency_hz,
        "current_a": each.current_a,
        "current_20_percent_high_a": each.high_a,
        "old": each.old,
        "suggested": each.suggested,
    }


def _stock_document(stock: StockAdvice) -> dict[str, Any]:
    return {
        "found": [_combination_document(each) for each in stock.found],
        "refused": [
            {"line": each.part.line, "value": each.part.value_farad, "because": each.because}
            for each in stock.refused
        ],
        "because": stock.because,
    }


def _combination_document(each: Combination) -> dict[str, Any]:
    return {
        "arrangement": each.arrangement.value,
        "parts": [
            {
                "line": part.line,
                "value": part.value_farad,
                "rated_v": part.rated_v,
                "dielectric": part.dielectric,
            }
            for part in each.parts
        ],
        "value": each.value_farad,
        "unit": "F",
        "low": each.low_farad,
        "high": each.high_farad,
        "deviation": each.deviation,
        "rated_v": each.rated_v,
        "shares": list(each.shares),
        "equalise": each.equalise,
        "notes": list(each.notes),
    }
