"""How well a measured value agrees with a reading of the marking.

Owns the measure: the probability that the true value lies inside the reading's limits, given the measurement, after
JCGM 106:2012. It answers whether the part is what the reading says, as long as the part has not drifted.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from twonode.analysis.errors import QuantityError
from twonode.analysis.marking.model import Reading
from twonode.analysis.marking.tolerances import plus_minus
from twonode.analysis.quantities import parse_measured, parse_quantity

__all__ = [
    "EXCLUDED_BELOW",
    "UNSTATED_TOLERANCE",
    "Agreement",
    "MeterReading",
    "agreement_of",
    "parse_meter_reading",
]

EXCLUDED_BELOW = 0.05
"""A reading with less than this probability is excluded by the measurement (rejection as for findings)."""

UNSTATED_TOLERANCE = plus_minus(0.2)
"""Limits where the marking states none (common practice, no source)."""


# Outside half to double the marked value it is no deviation but another value.
_NEAR = (-0.5, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterReading:
    """A measured capacitance. half_width_farad : the meter's limits; None where they were not given."""

    farad: float
    half_width_farad: float | None = None

    @property
    def standard_uncertainty(self) -> float:
        """half_width / sqrt(3) (JCGM 100:2008, 4.3.7); 0 where the reading is taken as exact."""
        return 0.0 if self.half_width_farad is None else self.half_width_farad / math.sqrt(3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """A reading beside the measurement.

    deviation : measured / marked - 1. limits_farad : lowest and highest value that the reading allows.
    assumed : the marking states no tolerance, so `UNSTATED_TOLERANCE` was used.
    probability : that the true value lies inside the limits.
    """

    deviation: float
    limits_farad: tuple[float, float]
    assumed: bool
    probability: float

    @property
    def excluded(self) -> bool:
        """Whether the measurement excludes the reading."""
        return self.probability < EXCLUDED_BELOW

    @property
    def words(self) -> str:
        """Agrees from 95 % up, excluded below 5 %, else the probability; then the deviation."""
        word = f"{self.probability * 100:.0f} % sure"
        if self.excluded:
            word = "excluded"
        elif self.probability >= 1 - EXCLUDED_BELOW:
            word = "agrees"
        if not _NEAR[0] < self.deviation < _NEAR[1]:
            return f"{word}, far off"
        return f"{word}, {self.deviation * 100:+.2g} %"


def parse_meter_reading(text: str) -> MeterReading:
    """Read "252p", "252p ± 1%", "252p 1%" or "252p +- 3p".

    Raises QuantityError for anything else and for zero or less.
    """
    text = re.sub(r"(?<=[\dA-Za-zµ])\s+([\d.]+\s*%)\s*$", r" ± \1", text)
    if re.search(r"±|\+/?-", text):
        measured = parse_measured(text, "F")
        return MeterReading(farad=measured.value, half_width_farad=measured.half_width)
    farad = parse_quantity(text, "F")
    if not farad > 0:
        raise QuantityError(
            f"A measured capacitance of {text!r} is not possible.",
            "It must be above zero to be compared with a marking.",
            "Write it like 252p or 252p ± 1%.",
        )
    return MeterReading(farad=farad)


def _below(limit: float, measured: MeterReading) -> float:
    """Probability that the true value lies below ``limit``."""
    if measured.standard_uncertainty == 0:
        # A hair of room, so that a value on its limit is not excluded by the last bit of a float.
        return 1.0 if measured.farad < limit else 0.0
    return 0.5 * math.erfc((measured.farad - limit) / (measured.standard_uncertainty * math.sqrt(2)))


def agreement_of(reading: Reading, measured: MeterReading) -> Agreement | None:
    """The agreement of one reading; None where it states no capacitance.

    Source: JCGM 106:2012, conformance probability for a Gaussian.
    """
    nominal = reading.capacitance_farad
    if nominal is None:
        return None
    tolerance = UNSTATED_TOLERANCE if reading.tolerance is None else reading.tolerance.limits
    low, high = tolerance.limits(nominal)
    hair = 1e-9
    probability = _below(high * (1 + hair), measured) - _below(low * (1 - hair), measured)
    return Agreement(
        deviation=measured.farad / nominal - 1,
        limits_farad=(low, high),
        assumed=reading.tolerance is None,
        probability=min(1.0, max(0.0, probability)),
    )
