"""The words of a sheet: what a part is for and what is wrong with it, said to the set's owner; values as the trade
writes them.

Owns wording only.
"""

from __future__ import annotations

from datetime import datetime

from twonode.analysis import findings
from twonode.analysis.estimated import Quantity
from twonode.analysis.findings import FindingState
from twonode.analysis.quantities import format_plus_minus, format_quantity, prefix_of
from twonode.analysis.sheet import Mark
from twonode.recordings.entry import Entry, Worth

__all__ = [
    "UNTESTED_STAMP",
    "also_in_microfarad",
    "certainty_words",
    "day_words",
    "entry_words",
    "instrument_words",
    "mark_of",
    "moment_words",
    "plain_finding",
    "plain_role",
    "quantity_words",
    "span_words",
]

UNTESTED_STAMP = "Program untested on hardware"

_LOPSIDED = 0.25

_ROLES = {
    "coupling": "It hands the sound on from one valve to the next and keeps the high voltage of the first from the "
    "second.",
    "bypass": "It leads radio frequency to ground, so that only sound goes on.",
    "anode bypass": "It leads radio frequency to ground, so that only sound goes on.",
    "plate bypass": "It leads radio frequency to ground, so that only sound goes on.",
    "screen bypass": "It keeps the voltage of a valve's screen grid steady.",
    "cathode bypass": "It keeps a valve's bias steady, which gives the stage its full gain.",
    "avc filter": "It smooths the voltage that keeps strong and weak stations equally loud.",
    "tone": "It takes the highest notes away and shapes the tone.",
    "tone control": "It takes the highest notes away and shapes the tone.",
    "filter": "It smooths the high voltage, so that the set does not hum.",
    "feedback": "It feeds a part of the output back, which steadies the stage.",
}

_FINDINGS = {
    FindingState.WITHIN_TOLERANCE: "Its value is what it should be.",
    FindingState.OFF_VALUE: "Its value has moved outside the limits it should keep.",
    FindingState.OPEN: "It has come apart inside or lost its connection: nothing passes through it any more.",
    FindingState.SHORTED: "It lets current straight through, as a wire would; it has failed.",
    FindingState.LEAKY: "It lets direct current through that it should hold back.",
    FindingState.LOSSY: "It wastes a part of what it should pass on.",
    FindingState.UNDECIDED: "This measurement cannot say yet whether it is sound.",
}
_LEAK_FINDINGS = {
    **_FINDINGS,
    FindingState.WITHIN_TOLERANCE: "At the voltage it was read at, it holds direct current back as it should.",
}


def plain_role(role: str | None) -> str:
    """What a part of this role is for; "" where the role is not known."""
    return _ROLES.get(" ".join((role or "").lower().split()), "")


def plain_finding(state: str, *, leak: bool) -> str:
    """A finding for somebody who does not repair sets. leak : of a DC check, which says nothing of the value."""
    known = _state(state)
    return "" if known is None else (_LEAK_FINDINGS if leak else _FINDINGS)[known]


def mark_of(state: str | None) -> Mark:
    """The sign beside a finding's word."""
    known = _state(state)
    if known is None:
        return Mark.NOT_TESTED
    return {FindingState.WITHIN_TOLERANCE: Mark.SOUND, FindingState.UNDECIDED: Mark.UNDECIDED}.get(
        known, Mark.TROUBLE
    )


def _state(word: str | None) -> FindingState | None:
    try:
        return FindingState(word)
    except ValueError:
        return None


def quantity_words(found: Quantity) -> str:
    """Value and 95 % half-width in one prefix, the interval where that is lopsided, or a bound."""
    if found.value is None or found.interval95 is None:
        return str(found)
    low, high = found.interval95
    if abs((high - found.value) - (found.value - low)) > _LOPSIDED * (high - low):
        return span_words(low, high, found.unit)
    return format_plus_minus(found.value, (high - low) / 2.0, found.unit)


def span_words(low: float, high: float, unit: str) -> str:
    """ "19.8 to 24.2 nF": both ends in one prefix."""
    factor, symbol = prefix_of(high, unit)
    digits = 2 if high - low > 0.2 * high else 3 if high - low > 0.02 * high else 4
    digits = max(digits, 3) if low > 0.1 * high else digits
    lowest, highest = (format_quantity(value / factor, "", digits) for value in (low, high))
    return f"{lowest} to {highest} {symbol}".rstrip()


def entry_words(entry: Entry) -> str:
    """The value a recording found; "" where it has none to speak of."""
    if entry.worth is None or (entry.worth.unit == "F" and entry.finding == FindingState.SHORTED.value):
        return ""
    return _worth_words(entry.worth)


def _worth_words(worth: Worth) -> str:
    interval = None if worth.low is None or worth.high is None else (worth.low, worth.high)
    return quantity_words(
        Quantity(
            unit=worth.unit,
            value=worth.value,
            interval95=interval,
            standard_uncertainty=worth.standard_uncertainty,
            at_least=worth.at_least,
            at_most=worth.at_most,
        )
    )


def certainty_words(state: str, probability: float | None) -> str:
    """How sure a finding is, never rounded up to certainty; "" where that was not stated."""
    if probability is None:
        return ""
    if state == FindingState.UNDECIDED.value:
        return findings.certainty_words(FindingState.UNDECIDED, probability)
    return f"{findings.probability_words(probability)} sure"  # also where a later program filed another word


def also_in_microfarad(low: float, high: float) -> str:
    """The same in microfarads, as old schematics have it; "" below a nanofarad and from a microfarad on.

    >>> also_in_microfarad(19.8e-9, 24.2e-9)
    '0.0198 to 0.0242 µF'
    """
    if not 0.99e-9 < high < 0.99e-6:
        return ""
    digits = 4 if high - low < 0.02 * high else 3
    return " to ".join(format_quantity(end * 1e6, "", digits) for end in (low, high)) + " µF"


def moment_words(moment: datetime) -> str:
    """ "2031-04-09 18:20"; times on a sheet are UTC."""
    return f"{moment:%Y-%m-%d %H:%M}"


def day_words(stamp: str | None) -> str:
    """The day of "2031-04-09T18:20:11Z"."""
    return (stamp or "no date")[:10]


def instrument_words(identity: str) -> str:
    """A reply to *IDN? (IEEE 488.2: maker, model, serial number, firmware) as words."""
    pieces = [piece.strip() for piece in identity.split(",")]
    if len(pieces) != 4:
        return identity
    maker, model, serial, firmware = pieces
    words = f"{maker} {model}".strip()
    if serial and serial != "0":
        words += f", serial {serial}"
    return words + (f", firmware {firmware}" if firmware and firmware != "0" else "")
