"""Every parser of the program, by name."""

from __future__ import annotations

from tests.fuzz import analysis_parsers, driver_parsers, filed_parsers, profile_parsers, settings_parsers
from tests.fuzz.fuzzing import every

__all__ = ["PARSERS"]

PARSERS = every(
    driver_parsers.PARSERS,
    profile_parsers.PARSERS,
    analysis_parsers.PARSERS,
    filed_parsers.PARSERS,
    settings_parsers.PARSERS,
)
