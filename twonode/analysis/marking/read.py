"""A marking in, every reading of it out, in a stated order.

Owns the choice between letters and colours, the order, and what is said about safety and missing volts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from twonode.analysis.marking.agreement import Agreement, MeterReading, agreement_of
from twonode.analysis.marking.colourwords import looks_like_colours
from twonode.analysis.marking.dots import Arrow, read_colours
from twonode.analysis.marking.encode import marked_today
from twonode.analysis.marking.letters import read_letters
from twonode.analysis.marking.model import MarkingError, Reading

__all__ = ["Arrow", "MarkingRead", "RankedReading", "read_marking"]

_LONGEST = 120
_SAME = str.maketrans(
    {
        "µ": "u",
        "μ": "u",
        "−": "-",
        "–": "-",
        "º": "°",
        "˚": "°",
        "\N{NO-BREAK SPACE}": " ",
        "\N{NARROW NO-BREAK SPACE}": " ",
        "\N{THIN SPACE}": " ",
    }
)

ORDER_BY_SCHEME = (
    "Listed by scheme in a fixed order, written units first; the order is no likelihood. "
    "Give --measured to order them."
)
ORDER_BY_AGREEMENT = (
    "Ordered by agreement: the probability that the true value lies inside the marked limits "
    "(±20 % where none are marked), given the measurement; below 5 % a reading is excluded."
)
DRIFT = "A part that has drifted or failed disagrees with its own marking."
NONE_AGREES = (
    "The measurement excludes every reading: the marking was misread, or the part has drifted or failed, "
    "or it is marked by a scheme not known here."
)
EXACT = "The measured value was taken as exact; give the meter's limits, such as 252p ± 1%."


@dataclass(frozen=True, slots=True, kw_only=True)
class RankedReading:
    """A reading with its agreement. today : how its value and tolerance would be marked now."""

    reading: Reading
    agreement: Agreement | None
    today: str | None

    @property
    def unknown(self) -> tuple[str, ...]:
        """What the marking does not say."""
        reading = self.reading
        stated = {
            "capacitance": reading.capacitance_farad,
            "tolerance": reading.tolerance,
            "working voltage": reading.voltage,
        }
        return tuple(name for name, value in stated.items() if value is None)


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkingRead:
    """All readings of one marking, in order.

    order : the rule of the order, in words. notes : what was left out or assumed. cautions : before acting.
    """

    text: str
    measured: MeterReading | None
    readings: tuple[RankedReading, ...]
    order: str
    notes: tuple[str, ...]
    cautions: tuple[str, ...]


def read_marking(
    text: str, *, measured: MeterReading | None = None, arrow: Arrow = Arrow.RIGHT
) -> MarkingRead:
    """Read what is printed or painted on a capacitor.

    Parameters
    ----------
    text : letters and figures ("473K 400V"), or colours ("white brown red / red blue red").
    measured : orders the readings by agreement.
    arrow : for colours, which way they are read.

    Raises
    ------
    MarkingError : empty or too long, or no scheme known here reads it.
    """
    cleaned = " ".join(text.translate(_SAME).split())
    if not cleaned:
        raise MarkingError(
            "The marking is empty.",
            "There is nothing to read.",
            'Write what is on the part, such as 473K, .05 mfd or "red red orange".',
        )
    if len(cleaned) > _LONGEST:
        raise MarkingError(
            f"The marking has {len(cleaned)} characters.",
            f"No marking known here is longer than {_LONGEST}.",
            "Write only value, tolerance, working voltage and codes.",
        )
    notes: tuple[str, ...] = ()
    if looks_like_colours(cleaned):
        found, notes = read_colours(cleaned, arrow=arrow)
    else:
        found = read_letters(cleaned)
    ranked = [
        RankedReading(
            reading=reading,
            agreement=None if measured is None else agreement_of(reading, measured),
            today=marked_today(reading),
        )
        for reading in found
    ]
    ranked.sort(key=lambda each: each.reading.scheme.rank)
    if measured is not None:
        ranked.sort(key=_by_agreement)
        agreements = [each.agreement for each in ranked if each.agreement is not None]
        if agreements and all(each.excluded for each in agreements):
            notes += (NONE_AGREES,)
        elif any(each.excluded for each in agreements):
            notes += (DRIFT,)
        if measured.half_width_farad is None:
            notes += (EXACT,)
    return MarkingRead(
        text=text,
        measured=measured,
        readings=tuple(ranked),
        order=ORDER_BY_SCHEME if measured is None else ORDER_BY_AGREEMENT,
        notes=notes,
        cautions=_cautions([each.reading for each in ranked]),
    )


def _by_agreement(ranked: RankedReading) -> tuple[float, float]:
    """Most probable first; among equals the smaller ratio of measured and marked value."""
    agreement = ranked.agreement
    if agreement is None:
        return 1.0, math.inf
    return -round(agreement.probability, 9), round(abs(math.log1p(agreement.deviation)), 9)


def _cautions(readings: list[Reading]) -> tuple[str, ...]:
    classes = sorted({each for reading in readings for each in reading.safety})
    cautions: list[str] = []
    if classes:
        cautions.append(
            f"Mains safety class {', '.join(classes)}: replace it only by a certified part of the same safety class. "
            "Local electrical codes and licensed practice come first."
        )
    elif any(reading.voltage is not None and reading.voltage.kind == "AC" for reading in readings):
        cautions.append(
            "Rated in AC volts: where it connects to the mains, only a certified safety-class part replaces it. "
            "Local electrical codes and licensed practice come first."
        )
    if any(reading.voltage is None for reading in readings):
        cautions.append("Working voltage unknown: not for line or B+ until it is known.")
    return tuple(cautions)
