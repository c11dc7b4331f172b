"""A resistor as a person writes it beside a measurement: "470k 10%", "482k ± 2k", "470k 20% aged".

Owns the spelling only.
"""

from __future__ import annotations

import re

from twonode.analysis.errors import QuantityError
from twonode.analysis.leakage_readings import KnownResistor
from twonode.analysis.quantities import parse_measured, parse_quantity, parse_tolerance

__all__ = ["parse_resistor"]

_VALUE_THEN_LIMITS = re.compile(
    r"(?P<value>[^\s±+%-]+(?:\s+[A-Za-zΩ]+)?)(?:\s*(?=[±+-])(?P<signed>.*)|\s+(?P<plain>[\d.].*%))?"
)
_AGED = re.compile(r"\s+aged\s*$", re.IGNORECASE)


def parse_resistor(text: str) -> KnownResistor:
    """Read a resistor with what is known of it.

    text : value alone ("470k"), with a tolerance ("470k 10%", "470k ±5%", "470k -5/+20%"), as an ohmmeter read it
        ("482k ± 2k"), each with "aged" behind it for old carbon composition.

    Raises QuantityError where it cannot be read, LeakageError for a resistance of nothing.
    """
    cleaned = " ".join(text.split())
    aged = _AGED.search(cleaned) is not None
    rest = _AGED.sub("", cleaned)
    found = _VALUE_THEN_LIMITS.fullmatch(rest)
    if found is None:
        raise QuantityError(
            f"{text!r} is no resistor.",
            "Its value and how well that is known go into the result.",
            'Write it like "470k 10%", or "482k ± 2k" as an ohmmeter read it.',
        )
    limits = found["signed"] or found["plain"]
    ohm = parse_quantity(found["value"], "ohm")
    if limits is None:
        return KnownResistor(ohm=ohm, aged=aged)
    if "%" in limits:
        return KnownResistor(ohm=ohm, tolerance=parse_tolerance(limits), aged=aged)
    return KnownResistor(ohm=ohm, measured=parse_measured(rest, "ohm"), aged=aged)
