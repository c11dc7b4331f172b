"""Giving memory back after a sweep: records and pictures come and go in megabytes, in threads that end.

Owns one call. The C library of most Linux systems (glibc) keeps what such threads freed; `malloc_trim` hands it back
(glibc manual, 3.2.3). Elsewhere nothing is done, and nothing is needed.
"""

from __future__ import annotations

import ctypes
import gc
import sys

__all__ = ["give_back"]


def give_back() -> None:
    """Free what is no longer used, as far as this system lets us."""
    gc.collect()
    if not sys.platform.startswith("linux"):
        return
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)
