"""Values that JSON can hold: no NaN, no infinity.

Owns that one rule, for every document the program prints or keeps.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite
from typing import Any

__all__ = ["finite", "finite_document"]


def finite(value: Any) -> Any:
    """The same JSON values with null for every number that is none, and lists for tuples."""
    if isinstance(value, Mapping):
        return {key: finite(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [finite(each) for each in value]
    if isinstance(value, float):
        return float(value) if isfinite(value) else None
    return value


def finite_document(document: Mapping[str, Any]) -> dict[str, Any]:
    """`finite` for a whole JSON object."""
    return {key: finite(each) for key, each in document.items()}
