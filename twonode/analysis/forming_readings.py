"""An electrolytic's leakage current as a person reads it after forming: on a milliammeter, or across a resistor.

Owns turning either into a current with limits. Whether it is too much belongs to `leakage_forming`.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from twonode.analysis.errors import QuantityError
from twonode.analysis.leakage_readings import KnownResistor, LeakageError, Meter, MeterReading
from twonode.analysis.quantities import parse_quantity
from twonode.analysis.typed_reading import last_digit

__all__ = ["ReadCurrent", "current_across", "parse_duration_s", "typed_current"]

_SECONDS = {"s": 1.0, "sec": 1.0, "min": 60.0, "m": 60.0, "h": 3600.0, "hours": 3600.0, "hour": 3600.0}
_DURATION = re.compile(r"(?P<number>\d+\.?\d*|\.\d+)\s*(?P<unit>[A-Za-z]+)")
# No such text is longer; it also bounds the work done on garbage.
_LONGEST = 60
_LONGEST_S = 30 * 86400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadCurrent:
    """A current and the farthest that the true one can lie from it, A."""

    ampere: float
    half_width_a: float


def typed_current(text: str, *, relative: float, counts: float) -> ReadCurrent:
    """A current typed off a meter, such as "0.6mA", with its accuracy: a share and counts of the digit shown.

    Raises QuantityError.
    """
    ampere = parse_quantity(text, "A")
    digit = last_digit(text, "A")
    return ReadCurrent(ampere=ampere, half_width_a=relative * abs(ampere) + (counts + 0.5) * digit)


def current_across(across: MeterReading, resistor: KnownResistor, meter: Meter) -> ReadCurrent:
    """The current through a resistor from the volts across it, the meter beside it; limits added.

    Raises LeakageError for volts the wrong way round.
    """
    if across.volts < -across.half_width_v:
        raise LeakageError(
            f"The series resistor reads {across.volts:g} V: the current flows backwards.",
            "No leak does that; the leads are reversed, or the part is.",
            "Switch off, discharge, check the polarity of the part first, then that of the meter.",
        )
    ohm = resistor.measured.value if resistor.measured is not None else math.exp(resistor.prior.mean)
    # sigma = t / sqrt(3), back to limits.
    limits = resistor.prior.sigma * math.sqrt(3.0)
    beside = 1.0 / (1.0 / ohm + 1.0 / meter.resistance_ohm)
    ampere = across.volts / beside
    return ReadCurrent(
        ampere=ampere, half_width_a=across.half_width_v / beside + abs(ampere) * min(limits, 0.99)
    )


def parse_duration_s(text: str) -> float:
    """A time such as "5min", "3h" or "90s". Raises QuantityError."""
    found = _DURATION.fullmatch(text.strip()) if len(text) <= _LONGEST else None
    seconds = None if found is None else _SECONDS.get(found["unit"].lower())
    if found is None or seconds is None or not float(found["number"]) * seconds <= _LONGEST_S:
        raise QuantityError(
            f"{text!r} is no time.",
            "A part under its volts leaks less and less while it forms.",
            "Write it like 5min, 3h or 90s.",
        )
    return float(found["number"]) * seconds
