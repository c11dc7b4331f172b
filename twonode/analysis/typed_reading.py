"""What a person types off a meter: the volts, what the last digit stands for, and the meter's own words.

Owns the spelling of readings and of a meter's accuracy and display. The limits that follow belong to
`leakage_readings`.
"""

from __future__ import annotations

import math
import re

from twonode.analysis.errors import QuantityError
from twonode.analysis.leakage_readings import LeakageError, Meter
from twonode.analysis.quantities import parse_quantity
from twonode.analysis.resistor_words import parse_resistor

__all__ = [
    "accuracy_of",
    "display_steps",
    "last_digit",
    "last_digit_v",
    "meter_of",
    "parse_node_reading",
    "parse_volts",
]

_HIGHEST_VOLTS = 1e5
# The digits of a number, its point or the letter that stands for it, and nothing of an exponent.
_MANTISSA = re.compile(r"[+-]?\d*[.A-Za-z]?\d*")
_ACCURACY = re.compile(
    r"(?P<share>[\d.]+)\s*%\s*(?:(?:rdg|of reading)\s*)?(?:[+,&]|and)?\s*"
    r"(?:(?P<counts>[\d.]+)\s*(?:counts?|dgts?|digits?|cts?)?)?",
    re.IGNORECASE,
)
# No such text is longer; it also bounds the work done on garbage.
_LONGEST = 120
# As a display has it: "OL", ".OL", "0.L", "OL V".
_OVERLOAD = re.compile(r"[-.]*[0O]\.?L\.?\s*V?|over(load|flow|range)?", re.IGNORECASE)
_LARGEST_DISPLAY = 10_000_000


def parse_volts(text: str) -> float:
    """Volts as typed. Raises QuantityError for anything else, and for more than 100 kV."""
    if _OVERLOAD.fullmatch(text.strip()):
        raise QuantityError(
            f"{text!r} is no reading: the meter was overloaded.",
            "More volts stood at its tip than the range shows.",
            "Switch to a higher range, with probes rated for the voltage, and read again.",
        )
    volts = parse_quantity(text, "V")
    if abs(volts) > _HIGHEST_VOLTS:
        raise QuantityError(
            f"{text!r} is no reading: {volts:g} V is far above what any meter shows.",
            "A slipped prefix makes a leak a thousand times too large.",
            "Write it like 118V or 420mV.",
        )
    return volts


def last_digit(text: str, unit: str) -> float:
    """What the last digit of a typed reading stands for, in SI: 1e-4 for "0.6mA".

    text : one that `parse_quantity` takes for the unit; else QuantityError.
    """
    parse_quantity(text, unit)
    cleaned = text.strip().replace("−", "-")
    mantissa = _MANTISSA.match(cleaned)
    assert mantissa is not None, "every character of it may be missing"
    head = mantissa.group()
    last = max((at for at, letter in enumerate(head) if letter.isdigit()), default=0)
    one = "".join(
        ("1" if at == last else "0") if letter.isdigit() else letter for at, letter in enumerate(head)
    )
    return abs(parse_quantity(one + cleaned[len(head) :], unit))


def last_digit_v(text: str) -> float:
    """What the last digit of typed volts stands for, V: 0.01 for "0.42V", 1 for "118V", 0.001 for "420mV".

    Raises QuantityError for what is no volts.
    """
    parse_volts(text)
    return last_digit(text, "V")


def parse_node_reading(text: str) -> tuple[str, str]:
    """Node and volts as typed: "driver anode=121V" or "driver anode 121V".

    Raises QuantityError where either is missing or the volts are none.
    """
    node, sign, volts = text.rpartition("=")
    if not sign:
        node, _, volts = text.strip().rpartition(" ")
    node, volts = " ".join(node.split()), volts.strip()
    if not node or not volts:
        raise QuantityError(
            f"{text!r} is no reading of a node.",
            "A reading belongs to a node of the chart.",
            'Write the node and its volts, such as "driver anode=121V".',
        )
    parse_volts(volts)
    return node, volts


def accuracy_of(text: str) -> tuple[float, float]:
    """A meter's accuracy from its data sheet as a share of the reading and counts: "0.5% + 3", "0.8% 2 counts".

    Raises QuantityError.
    """
    found = _ACCURACY.fullmatch(" ".join(text.split())) if len(text) <= _LONGEST else None
    try:
        if found is None:
            raise ValueError
        share, counts = float(found["share"]) / 100.0, float(found["counts"] or 0)
    except ValueError:
        raise QuantityError(
            f"{text!r} is no accuracy of a meter.",
            "It decides how small a leak can be seen.",
            'Write it as the data sheet does: "0.5% + 3" is half a per cent and 3 counts.',
        ) from None
    if not (0 <= share < 1 and 0 <= counts <= 1e6):
        raise QuantityError(
            f"{text!r} is no accuracy of a meter.",
            "It must lie below the reading itself.",
            'Write it like "0.5% + 3".',
        )
    return share, counts


def display_steps(counts: int) -> tuple[tuple[float, float], ...]:
    """Full scale and step of each range of a meter that counts up to ``counts``, V.

    A 4000-count meter has 0.4 V in steps of 0.1 mV, then tens of that up to 1000 V (common practice, no source).

    Raises LeakageError.
    """
    if not 100 <= counts <= _LARGEST_DISPLAY:
        raise LeakageError(
            f"A display of {counts} counts is not possible here.",
            "It says how many steps each range has.",
            "Give it from the data sheet, such as 4000.",
        )
    step = 10.0 ** (-math.floor(math.log10(counts)) - 1)
    steps = []
    while counts * step < 1000.0:
        steps.append((counts * step, step))
        step *= 10.0
    return (*steps, (1000.0, step))


def meter_of(text: str, *, accuracy: str, display: int) -> Meter:
    """The meter from its input resistance as typed ("10M", "10M 1%", "11M ± 0.2M"), accuracy and display.

    Without limits the resistance is taken within 1 % (common practice, no source).

    Raises QuantityError, LeakageError.
    """
    if text.replace(" ", "").lower().endswith("/v"):
        raise QuantityError(
            f"{text!r} are ohms per volt.",
            "What the meter draws from the node follows from the range it stands on.",
            "Multiply them by the volts of the range: 20k/V on the 10 V range are 200k.",
        )
    try:
        resistor = parse_resistor(text)
    except LeakageError as exc:
        raise LeakageError(
            f"A meter of {text!r} is not possible.",
            "What the meter draws from the node is part of the calculation.",
            "Give its input resistance from the data sheet, 10M for most digital meters.",
        ) from exc
    relative, counts = accuracy_of(accuracy)
    tolerance = 0.01
    if resistor.measured is not None:
        tolerance = resistor.measured.half_width / resistor.measured.value
    elif resistor.tolerance is not None:
        tolerance = max(resistor.tolerance.minus, resistor.tolerance.plus)
    return Meter(
        resistance_ohm=resistor.ohm,
        tolerance=tolerance,
        relative=relative,
        counts=counts,
        steps_v=display_steps(display),
    )
