"""An estimated quantity: the value with its interval, or the bound where only that exists.

Owns how one is written in words and in JSON. Estimates nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp
from typing import Any

from twonode.analysis.quantities import format_plus_minus, format_quantity

__all__ = ["NORMAL_95", "Quantity", "log_quantity"]

NORMAL_95 = 1.959963984540054
"""Half-width of a central 95 % interval of a Gaussian, in standard deviations."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """An estimated quantity, or a bound where only that exists.

    value, standard_uncertainty, interval95 : in `unit`; None where not determined.
    at_least, at_most : 95 % bounds, in `unit`.
    """

    unit: str
    value: float | None = None
    standard_uncertainty: float | None = None
    interval95: tuple[float, float] | None = None
    at_least: float | None = None
    at_most: float | None = None

    def __str__(self) -> str:
        if self.value is not None and self.interval95 is not None:
            half = (self.interval95[1] - self.interval95[0]) / 2.0
            return format_plus_minus(self.value, half, self.unit)
        if self.at_most is not None:
            return f"at most {format_quantity(self.at_most, self.unit, 2)}"
        if self.at_least is not None:
            return f"at least {format_quantity(self.at_least, self.unit, 2)}"
        return "not determined"

    def document(self) -> dict[str, Any]:
        """As JSON: null for what was not determined, with the bound where there is one."""
        document: dict[str, Any] = {
            "value": self.value,
            "standard_uncertainty": self.standard_uncertainty,
            "interval95": list(self.interval95) if self.interval95 is not None else None,
            "unit": self.unit,
        }
        for key in ("at_least", "at_most"):
            bound = getattr(self, key)
            if bound is not None:
                document[key] = bound
        return document


def log_quantity(value: float, sigma: float, unit: str) -> Quantity:
    """A quantity whose logarithm is Gaussian. value : > 0, in `unit`; sigma : standard deviation of its logarithm."""
    return Quantity(
        unit=unit,
        value=value,
        standard_uncertainty=value * sigma,
        interval95=(value * exp(-NORMAL_95 * sigma), value * exp(NORMAL_95 * sigma)),
    )
