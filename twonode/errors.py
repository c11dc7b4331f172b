"""The one shape every error of this program has: what happened, why it matters, what to do.

Owns the base class only; each room derives its own tree from it.
"""

from __future__ import annotations

__all__ = ["TwonodeError"]


class TwonodeError(Exception):
    """Base of everything twonode raises on purpose.

    The three sentences are kept whole in ``args``, so that an instance pickles.
    """

    def __init__(self, what: str, why: str, do: str) -> None:
        super().__init__(what, why, do)
        self.what = what
        self.why = why
        self.do = do

    def __str__(self) -> str:
        return "\n".join((self.what, self.why, self.do))
