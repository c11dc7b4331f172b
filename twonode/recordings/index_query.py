"""What a search asks for: words and conditions, read from text and turned into one SQL statement.

Owns the forms in which ranges, days and findings are written, with the nearest word for a slip of the pen.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from twonode.analysis.errors import QuantityError
from twonode.analysis.findings import FindingState
from twonode.analysis.quantities import parse_quantity
from twonode.recordings.entry import DRAWER_BY_WORK, EntryState
from twonode.recordings.errors import UnfitSearch
from twonode.recordings.foldedtext import folded, folded_key
from twonode.recordings.identity import IdentityField
from twonode.recordings.index_schema import SHOWN, key_column
from twonode.recordings.model import RecordingKind

__all__ = [
    "Search",
    "ValueRange",
    "finding_named",
    "kind_named",
    "nearest_text",
    "parse_day",
    "parse_value_range",
]


_LONGEST_SEARCH = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class ValueRange:
    """From low to high, both ends included; None leaves an end open. unit : "F" or "ohm"."""

    unit: str
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """All of it has to hold.

    words : each is looked for at the beginning of a word, without regard to case and accents.
    identity : fields that must be these, likewise.
    kind, finding : as `kind_named` and `finding_named` return them.
    since, until : "2031", "2031-04" or "2031-04-09" (UTC), as `parse_day` returns them; both are included.
    drawer_by_work : False leaves out what `Entry.drawer_by_work` says of.
    """

    words: tuple[str, ...] = ()
    identity: Mapping[IdentityField, str] = field(default_factory=dict)
    kind: str | None = None
    finding: str | None = None
    since: str | None = None
    until: str | None = None
    value: ValueRange | None = None
    drawer_by_work: bool = True

    def __post_init__(self) -> None:
        if self.since is not None and self.until is not None:
            shorter = min(len(self.since), len(self.until))
            if self.since[:shorter] > self.until[:shorter]:
                raise UnfitSearch(
                    f"The search is from {self.since} until {self.until}, which runs backwards.",
                    "Nothing can be found in it.",
                    f"Write since {self.until} and until {self.since}.",
                )

    def statement(self, *, full_text: bool, count: bool = False) -> tuple[str, list[Any]]:
        """SQL with its parameters, newest first; ``count`` asks for the number only.

        Raises UnfitSearch where the words hold nothing that can be looked for.
        """
        where = [f"state <> '{EntryState.NO_RECORDING.value}'"]
        values: list[Any] = []

        def need(condition: str, *parameters: Any) -> None:
            where.append(condition)
            values.extend(parameters)

        words = self._folded_words()
        if words and full_text:
            match = " ".join(f'"{word}"*' for word in words)
            need("id IN (SELECT rowid FROM words WHERE words MATCH ?)", match)
        for word in () if full_text else words:
            # Folded words hold no percent sign and no underline.
            need("id IN (SELECT rowid FROM words WHERE text LIKE ?)", f"% {word}%")
        for name, text in self.identity.items():
            need(f"{key_column(name)} = ?", folded_key(text))
        if self.kind is not None:
            need("kind = ?", self.kind)
        if self.finding is not None:
            need("finding = ?", self.finding)
        if self.since is not None:
            need("created_utc >= ?", self.since)
        if self.until is not None:
            need("substr(created_utc, 1, ?) <= ?", len(self.until), self.until)
        if self.value is not None:
            need("unit = ? AND value IS NOT NULL", self.value.unit)
            if self.value.low is not None:
                need("value >= ?", self.value.low)
            if self.value.high is not None:
                need("value <= ?", self.value.high)
        if not self.drawer_by_work:
            marks = ", ".join("?" * len(DRAWER_BY_WORK))
            need(f"(step IS NULL OR step NOT IN ({marks}) OR result IS NOT NULL)", *DRAWER_BY_WORK)
        selected = "count(*)" if count else ", ".join(SHOWN)
        order = "" if count else " ORDER BY created_utc DESC, name DESC"
        return f"SELECT {selected} FROM recording WHERE {' AND '.join(where)}{order}", values

    def _folded_words(self) -> list[str]:
        if (length := sum(map(len, self.words))) > _LONGEST_SEARCH:
            raise UnfitSearch(
                f"The words to look for have {length} characters; {_LONGEST_SEARCH} are the most.",
                "Each word is looked for in every recording.",
                "Give the few words that matter.",
            )
        found = [word for word in map(folded, self.words) if word]
        if self.words and not found:
            raise UnfitSearch(
                f"There is nothing to look for in {' '.join(self.words)!r}.",
                "Words are made of letters, digits and signs such as emoji.",
                "Write the beginning of a word, such as coupling or 46.",
            )
        return found


def parse_value_range(text: str) -> ValueRange:
    """ "20n..25n", "..25n" or "20n..", in farads or, written as a resistance ("1M..10M"), in ohms.

    Raises UnfitSearch.
    """
    low, dots, high = (piece.strip() for piece in text.partition(".."))
    if not dots or not (low or high) or ".." in high:
        raise UnfitSearch(
            f"{text!r} is no range of values.",
            "A measured value is hardly ever exactly a round one.",
            "Write 20n..25n, ..25n or 20n.., both ends included.",
        )
    try:
        unit, first, last = _in_one_unit(low, high)
    except QuantityError as exc:
        raise UnfitSearch(f"{text!r} is no range of values: {exc.what}", exc.why, exc.do) from exc
    if first is not None and last is not None and first > last:
        raise UnfitSearch(
            f"The range {text!r} runs backwards.",
            "Nothing can lie in it.",
            f"Write {high}..{low}.",
        )
    return ValueRange(unit=unit, low=first, high=last)


def _in_one_unit(low: str, high: str) -> tuple[str, float | None, float | None]:
    """Both ends as capacitances, else both as resistances; the error is that of the capacitance."""
    try:
        return "F", *_ends(low, high, "F")
    except QuantityError:
        try:
            return "ohm", *_ends(low, high, "ohm")
        except QuantityError:
            pass
        raise


def _ends(low: str, high: str, unit: str) -> tuple[float | None, float | None]:
    first, last = (parse_quantity(end, unit) if end else None for end in (low, high))
    return first, last


_DAY = re.compile(r"\d{4}(-\d{2}(-\d{2})?)?", re.ASCII)


def parse_day(text: str) -> str:
    """ "2031", "2031-04" or "2031-04-09". Raises UnfitSearch where there is no such day."""
    cleaned = text.strip()
    try:
        if _DAY.fullmatch(cleaned) is None:
            raise ValueError("it is not written as one")
        date.fromisoformat(cleaned + "-01-01"[len(cleaned) - 4 :] if len(cleaned) < 10 else cleaned)
    except ValueError as exc:
        raise UnfitSearch(
            f"{text!r} is no day, month or year: {exc}.",
            "Recordings are looked for by the day they were made, in UTC.",
            "Write 2031-04-09, 2031-04 or 2031.",
        ) from exc
    return cleaned


_LONGEST_WORD = 200


def _one_of(text: str, known: Sequence[str], noun: str) -> str:
    """The word meant by ``text``: itself, or the only one that begins with it. Raises UnfitSearch."""
    # No word is longer; it also bounds the work done on garbage.
    wanted = folded(text[:_LONGEST_WORD])
    by_folded = {folded(word): word for word in known}
    if wanted in by_folded:
        return by_folded[wanted]
    begun = [word for short, word in by_folded.items() if wanted and short.startswith(wanted)]
    if len(begun) == 1:
        return begun[0]
    near = difflib.get_close_matches(wanted, by_folded, n=1)
    raise UnfitSearch(
        f"{text!r} is no {noun}" + (f"; did you mean {by_folded[near[0]]!r}?" if near else "."),
        "A word that no recording can have finds nothing.",
        f"There are {', '.join(known)}.",
    )


def finding_named(text: str, *, others: Iterable[str] = ()) -> str:
    """The finding meant by a word, such as "off" for "off value".

    others : findings in the archive that this program does not make. Raises UnfitSearch with the nearest one.
    """
    known = dict.fromkeys([*(state.value for state in FindingState), *others])
    return _one_of(text, list(known), "finding")


def kind_named(text: str, *, others: Iterable[str] = ()) -> str:
    """The kind of recording meant by a word. Raises UnfitSearch with the nearest one."""
    known = dict.fromkeys([*(kind.value for kind in RecordingKind), *others])
    return _one_of(text, list(known), "kind of recording")


def nearest_text(text: str, known: Sequence[str]) -> str | None:
    """Of the texts in an archive the one most like ``text``; empty where none is, None where it is among them."""
    by_key = {folded_key(each): each for each in known}
    wanted = folded_key(text) or ""
    if wanted in by_key:
        return None
    near = difflib.get_close_matches(wanted, [key for key in by_key if key], n=1)
    return by_key[near[0]] if near else ""
