"""The base of everything in a profile: frozen, every key by name, no key that is not known."""

from __future__ import annotations

import msgspec

__all__ = ["Strict"]


class Strict(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Frozen, every key by name, no key that is not known."""
