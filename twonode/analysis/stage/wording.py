"""Near misses: what a misspelt name was probably meant to be."""

from __future__ import annotations

import difflib
from collections.abc import Collection

__all__ = ["nearest"]


def nearest(word: str, known: Collection[str]) -> str:
    """The end of a sentence: "; did you mean 'C7'?" for a near miss, else a full stop."""
    by_lower = {name.lower(): name for name in known}
    close = difflib.get_close_matches(word.lower(), by_lower, n=1, cutoff=0.5)
    return f"; did you mean {by_lower[close[0]]!r}?" if close else "."
