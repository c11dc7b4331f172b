"""Replies that are lists of keys and values: ``C1:BSWV WVTP,SINE,FRQ,1000HZ`` and ``Format,2;Label,;``.

Owns the reading of both shapes. What a key means stands in the profiles; keys nobody asks for are ignored, since
newer firmware adds some.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from twonode.drivers.block import shortened
from twonode.drivers.errors import ReplyError

__all__ = ["Pairs", "parse_listed", "parse_pairs"]

_KEY = re.compile(r"[A-Za-z][\w/+-]*")
# No reply of this kind is longer; it also bounds the work done on garbage.
_LONGEST = 4096


@dataclass(frozen=True, slots=True)
class Pairs:
    """The word ahead of all pairs ("" where there is none), and the values by key in upper case."""

    word: str
    values: Mapping[str, str]

    def get(self, key: str, *, what: str, reply: str) -> str:
        """The value of a key, or with "" the word. Raises ReplyError where there is none."""
        value = self.values.get(key.upper()) if key else self.word
        if not value:
            raise ReplyError(
                f"For {what} the instrument answered {shortened(reply)}.",
                f"Nothing stands under {key!r} there." if key else "No state stands ahead of the list.",
                "Repeat the measurement; if it stays, the command profile does not suit this instrument.",
            )
        return value


def parse_pairs(reply: str, *, what: str) -> Pairs:
    """``HEADER WORD,KEY,VALUE,KEY,VALUE``: header and word may be missing.

    An odd number of fields begins with a word. Raises ReplyError for a key that is none, such as after a field
    that was lost, and for a key that comes twice.
    """
    text = reply.strip()
    if len(text) > _LONGEST:
        raise _no_list(reply, what, "That is longer than any such list.")
    head, blank, rest = text.partition(" ")
    if blank and "," not in head:
        text = rest.strip()
    fields = [field.strip() for field in text.split(",")]
    word = fields.pop(0) if len(fields) % 2 else ""
    values: dict[str, str] = {}
    for key, value in zip(fields[::2], fields[1::2], strict=True):
        if not _KEY.fullmatch(key):
            raise _no_list(reply, what, f"{shortened(key)} stands where a key belongs.")
        if key.upper() in values:
            raise _no_list(reply, what, f"{key!r} stands there twice.")
        values[key.upper()] = value
    return Pairs(word, values)


def parse_listed(text: str, *, what: str) -> Pairs:
    """``Key,Value;Key,Value;``: keys may hold blanks, a value may be missing.

    Raises ReplyError for a key that comes twice.
    """
    values: dict[str, str] = {}
    for entry in text[:_LONGEST].split(";"):
        key, comma, value = (part.strip() for part in entry.partition(","))
        if not comma:
            continue
        if key.upper() in values:
            raise _no_list(text, what, f"{key!r} stands there twice.")
        values[key.upper()] = value
    return Pairs("", values)


def _no_list(reply: str, what: str, why: str) -> ReplyError:
    return ReplyError(
        f"For {what} the instrument answered {shortened(reply)}.",
        why,
        "Repeat the measurement; if it stays, the command profile does not suit this instrument.",
    )
