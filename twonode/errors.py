"""The one shape every error of this program has: what happened, why it matters, what to do.

Owns the base class only; each room derives its own tree from it.
"""

from __future__ import annotations

__all__ = ["TwonodeError"]

_LONGEST = 2000
"""Characters of a sentence: what is quoted in it may have come from anywhere."""


def _bounded(text: str) -> str:
    # What is said of a quotation stands behind it.
    return text if len(text) <= _LONGEST else f"{text[: _LONGEST - 300]} ... {text[-300:]}"


class TwonodeError(Exception):
    """Base of everything twonode raises on purpose.

    The three sentences are kept in ``args``, so that an instance pickles; of one without end both ends are kept.
    """

    def __init__(self, what: str, why: str, do: str) -> None:
        what, why, do = map(_bounded, (what, why, do))
        super().__init__(what, why, do)
        self.what = what
        self.why = why
        self.do = do

    def __str__(self) -> str:
        return "\n".join((self.what, self.why, self.do))
