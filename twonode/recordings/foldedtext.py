"""Text reduced to what a search compares: small letters without accents, digits and emoji, single spaces between.

Owns the folding, so that what is filed and what is asked for are cut into words in one way, with or without a
full-text engine.
"""

from __future__ import annotations

import re
import unicodedata

__all__ = ["folded", "folded_key"]

_ASCII_GAPS = re.compile(r"[^0-9a-z]+")


def folded(text: str) -> str:
    """Words with single spaces between; empty where nothing of ``text`` can be searched for.

    >>> folded("Wrenfield 46 / März, 4.7 kΩ")
    'wrenfield 46 marz 4 7 kω'
    """
    if text.isascii():
        return _ASCII_GAPS.sub(" ", text.lower()).strip()
    plain = unicodedata.normalize("NFKD", unicodedata.normalize("NFKC", text).casefold())
    kept = (each if _is_kept(each) else " " for each in plain if not unicodedata.combining(each))
    return " ".join("".join(kept).split())


def _is_kept(character: str) -> bool:
    # So: emoji and other signs. The range: their skin tones.
    is_sign = unicodedata.category(character) == "So" or "\U0001f3fb" <= character <= "\U0001f3ff"
    return is_sign or character.isalnum()


def folded_key(text: str | None) -> str | None:
    """What two spellings of one tag have in common; a tag made of signs alone keeps them. None stays None."""
    if text is None:
        return None
    return folded(text) or " ".join(text.casefold().split())
