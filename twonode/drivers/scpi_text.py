"""Numbers, words and error entries as instruments write them.

Owns the reading of single replies; knows no command and no instrument.

Sources: IEEE Std 488.2 (NR1, NR2, NR3 numbers), SCPI-1999 (9.9E37 for infinity, 9.91E37 for not-a-number,
error queue entries), programming guides for what instruments add to them: headers, units, k/M/G.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from twonode.drivers.block import shortened
from twonode.drivers.errors import ReplyError

__all__ = [
    "Identity",
    "QueuedError",
    "bare_identity",
    "parse_error_entry",
    "parse_identity",
    "parse_integer",
    "parse_number",
    "parse_number_or_infinity",
]

_NUMBER = re.compile(
    r"""(?:[:*A-Za-z][\w:*]*\s+)?                      # a header repeated by the instrument
        (?P<number>[+-]?(?:\d+\.?\d*|\.\d+)(?:[Ee][+-]?\d+)?)
        \s*(?P<prefix>[kKMGmuµμnp]?)
        (?P<unit>|V|Vpp|VPP|Hz|HZ|s|S|Sa|Sa/s|SA/S|pts|PTS|OHM|Ohm|ohm|Ω|%)""",
    re.VERBOSE,
)
_PREFIX = {
    "": 1.0,
    "k": 1e3,
    "K": 1e3,
    "M": 1e6,
    "G": 1e9,
    "m": 1e-3,
    "u": 1e-6,
    "µ": 1e-6,
    "μ": 1e-6,
    "n": 1e-9,
    "p": 1e-12,
}
# "MV" and "MS" may be meant as milli or as mega: nobody measures megavolts, and SCPI itself reads M as milli.
_AMBIGUOUS = {("M", unit) for unit in ("V", "Vpp", "VPP", "s", "S")}
# A reply longer than this is no number; it also bounds the work done on garbage.
_LONGEST_NUMBER = 64
# SCPI-1999 volume 1: 9.9E37 is infinity and 9.91E37 not-a-number; anything as large is one of the two.
_SENTINEL = 9.8e37


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """The reply to ``*IDN?`` in parts; a part that is missing is empty."""

    maker: str
    model: str
    serial: str
    firmware: str


@dataclass(frozen=True, slots=True, kw_only=True)
class QueuedError:
    """One entry of an error queue; number 0 means that the queue is empty."""

    number: int
    text: str


def parse_number(reply: str, *, what: str) -> float:
    """A finite number; an optional repeated header and an optional unit are allowed.

    what : names the quantity in the error, such as "the scope's sample rate".
    Raises ReplyError for anything else, and for the values that stand for infinity and not-a-number.
    """
    value = parse_number_or_infinity(reply, what=what)
    if value == float("inf") or value == float("-inf"):
        raise _no_number(reply, what, "That stands for infinity.")
    return value


def parse_number_or_infinity(reply: str, *, what: str) -> float:
    """As `parse_number`, with 9.9E37 and INF given back as infinity."""
    text = reply.strip()
    if text.upper() in ("INF", "+INF", "INFINITY", "INFINITE"):
        return float("inf")
    found = _NUMBER.fullmatch(text) if len(text) <= _LONGEST_NUMBER else None
    if found is None:
        raise _no_number(reply, what, "That is no number.")
    if (found["prefix"], found["unit"]) in _AMBIGUOUS:
        raise _no_number(reply, what, "M may mean milli or mega there.")
    value = float(found["number"]) * _PREFIX[found["prefix"]]
    if abs(value) >= _SENTINEL:
        if abs(value) < 9.905e37:
            return float("inf") if value > 0 else float("-inf")
        raise _no_number(reply, what, "That stands for 'not a number'.")
    return value


def parse_integer(reply: str, *, what: str) -> int:
    """A whole number, however it is written (``4``, ``+4``, ``4.0E0``). Raises ReplyError."""
    value = parse_number(reply, what=what)
    if value != round(value):
        raise _no_number(reply, what, "That is no whole number.")
    return round(value)


def parse_error_entry(reply: str) -> QueuedError:
    """One reply to an error queue question: ``-113,"Undefined header"``. Raises ReplyError."""
    found = re.fullmatch(r"(?:[:*A-Za-z][\w:*]*\s+)?([+-]?\d{1,7})(?:\s*,\s*(.*))?", reply.strip(), re.DOTALL)
    if found is None:
        raise _no_number(reply, "an error queue entry", "It should be a number and a text.")
    return QueuedError(number=int(found[1]), text=(found[2] or "").strip().strip("\"'"))


def bare_identity(reply: str) -> str:
    """A reply to ``*IDN?`` without the header some put before it, and leave out once they are told to."""
    text = reply.strip()
    head, _, rest = text.partition(" ")
    return rest.strip() if head.upper() == "*IDN" else text


def parse_identity(reply: str) -> Identity:
    """The parts of a reply to ``*IDN?``, trimmed; parts may be missing, and more than four may come."""
    parts = [part.strip() for part in bare_identity(reply).split(",")]
    parts += [""] * (4 - len(parts))
    return Identity(maker=parts[0], model=parts[1], serial=parts[2], firmware=",".join(parts[3:]).strip(","))


def _no_number(reply: str, what: str, why: str) -> ReplyError:
    return ReplyError(
        f"For {what} the instrument answered {shortened(reply)}.",
        why,
        "Repeat the measurement; if it stays, the command profile does not suit this instrument.",
    )
