"""Why a search of the archive found nothing: what no recording has, with the nearest there is, else what each condition
finds by itself.

Owns these sentences, which `archive find` and `archive export` share.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from twonode.recordings.index import ArchiveIndex
    from twonode.recordings.index_query import Search

__all__ = ["asked_words", "why_nothing"]

_MOST_NAMED = 5
_LONGEST_TEXT = 60


def asked_words(conditions: Mapping[str, str]) -> str:
    """Options as they were given, such as "--set wrenfeld --since 2031"; a name's last underline is Python's."""
    from twonode.console.archive_words import one_line

    return " ".join(
        f"--{name.strip('_')} {one_line(text, _LONGEST_TEXT)}" for name, text in conditions.items()
    )


def why_nothing(search: Search, index: ArchiveIndex) -> tuple[str, ...]:
    """Sentences for a search that fits no recording; none where there is nothing to add."""
    return tuple(_absent(search, index)) or tuple(_each_alone(search, index)) or tuple(_misplaced(search))


def _absent(search: Search, index: ArchiveIndex) -> Iterator[str]:
    """For each field that no recording at all has so, the nearest text, or those there are."""
    from twonode.recordings.index_query import nearest_text

    for field, text in search.identity.items():
        known = index.texts(field)
        near = nearest_text(text, known)
        if near is not None:
            there = f"the nearest is {_quoted(near)}." if near else _those(known)
            yield f"No recording has {field.value} {_quoted(text)}; {there}"


def _those(known: Sequence[str]) -> str:
    if not known:
        return "none states one at all."
    left = len(known) - _MOST_NAMED
    named = ", ".join(map(_quoted, known[:_MOST_NAMED]))
    return f"there {'is' if len(known) == 1 else 'are'} {named}{f' and {left} more' if left > 0 else ''}."


def _each_alone(search: Search, index: ArchiveIndex) -> Iterator[str]:
    """Where several conditions exclude each other: how many recordings each of them fits."""
    counts = [(words, index.count(alone)) for words, alone in _conditions(search)]
    if len(counts) > 1:
        said = ", ".join(f"{words} {count or 'none'}" for words, count in counts)
        yield f"Each by itself fits: {said}."


def _conditions(search: Search) -> Iterator[tuple[str, Search]]:
    """Every condition as it is called, with the search for it alone."""
    from twonode.recordings.index_query import Search

    for word in search.words:
        yield _quoted(word), Search(words=(word,))
    for field, text in search.identity.items():
        yield f"{field.value} {_quoted(text)}", Search(identity={field: text})
    if search.kind is not None:
        yield f"kind {search.kind}", Search(kind=search.kind)
    if search.finding is not None:
        yield f"finding {_quoted(search.finding)}", Search(finding=search.finding)
    if search.since is not None:
        yield f"since {search.since}", Search(since=search.since)
    if search.until is not None:
        yield f"until {search.until}", Search(until=search.until)
    if search.value is not None:
        yield "the range of values", Search(value=search.value)


def _misplaced(search: Search) -> Iterator[str]:
    """A value among the words."""
    from twonode.analysis.errors import QuantityError
    from twonode.analysis.quantities import parse_quantity

    for word in search.words:
        try:
            parse_quantity(word, "F")
        except QuantityError:
            continue
        yield f"{_quoted(word)} was looked for as a word; a measured value is found by a range: --value 20n..25n."


def _quoted(text: str) -> str:
    from twonode.console.archive_words import one_line

    return repr(one_line(text, _LONGEST_TEXT))
