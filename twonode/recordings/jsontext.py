"""JSON text that people can read and that holds numbers or null, never NaN or infinity.

Owns the encoding of recording.json and of result files. numpy scalars are written as the numbers they are.
"""

from __future__ import annotations

import math
from typing import Any

import msgspec
import numpy as np

__all__ = ["JSON_ERRORS", "encode_json"]

JSON_ERRORS = (msgspec.DecodeError, UnicodeDecodeError, RecursionError)
"""What reading JSON that anybody may have written can raise; the last one for nesting beyond all use."""


def encode_json(value: Any) -> bytes:
    """Indented UTF-8 JSON with a final newline.

    Raises ValueError for NaN or infinity, naming where; TypeError for what JSON cannot hold;
    UnicodeEncodeError for text that is no Unicode.
    """
    plain = msgspec.to_builtins(value, enc_hook=_plain_number)
    _refuse_non_numbers(plain, "")
    return msgspec.json.format(msgspec.json.encode(plain), indent=2) + b"\n"


def _plain_number(value: Any) -> Any:
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"a {type(value).__name__} has no place in JSON")


def _refuse_non_numbers(value: Any, where: str) -> None:
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError(f"{where.lstrip('.') or 'it'} is {value}")
    if isinstance(value, dict):
        for key, each in value.items():
            _refuse_non_numbers(each, f"{where}.{key}")
    elif isinstance(value, list | tuple):
        for place, each in enumerate(value):
            _refuse_non_numbers(each, f"{where}[{place}]")
