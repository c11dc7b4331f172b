"""TOML that people write, read within bounds: no text can recurse, count or search without end.

Owns the bounds. What the tables mean belongs to the readers of each file.
"""

from __future__ import annotations

import math
import re
import tomllib
from typing import Any

__all__ = ["LONGEST_TEXT", "TomlError", "read_toml"]

LONGEST_TEXT = 200_000
"""Characters; every file of this kind is a page or two."""

# The time that tomllib takes for one dotted key grows with the square of its parts; ours have three at most.
_MOST_DOTS = 16
_NAME = r"""(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')"""
_LONG_KEY = re.compile(rf"(?<![A-Za-z0-9_-]){_NAME}(?:[ \t]*\.[ \t]*{_NAME}){{{_MOST_DOTS},}}")


class TomlError(ValueError):
    """The text is no TOML, or none that anybody would write; says where or why in words."""


def read_toml(text: str) -> dict[str, Any]:
    """The tables of a TOML text.

    Raises TomlError, also for nesting, numbers, keys and lengths beyond all use, and for infinity and not-a-number.
    """
    try:
        text.encode()
    except UnicodeEncodeError as exc:
        raise TomlError("it is not Unicode text") from exc
    if len(text) > LONGEST_TEXT:
        raise TomlError(f"it is longer than {LONGEST_TEXT} characters")
    long_key = _LONG_KEY.search(text)
    if long_key is not None:
        line = text.count("\n", 0, long_key.start()) + 1
        raise TomlError(f"a key of more than {_MOST_DOTS} parts (at line {line})")
    try:
        return tomllib.loads(text, parse_float=_finite)
    except RecursionError as exc:
        raise TomlError("lists or tables are nested too deeply") from exc
    # tomllib.TOMLDecodeError, _finite, and int() for a number of thousands of digits.
    except ValueError as exc:
        raise TomlError(str(exc)) from exc


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(f"{text[:40]} is no finite number")
    return number
