"""What the advice on replacements raises on purpose."""

from __future__ import annotations

from twonode.analysis.errors import AnalysisError

__all__ = ["ReplacementError", "StockError"]


class ReplacementError(AnalysisError):
    """A question that has no safe answer: unknown position, missing or impossible voltage.

    ReplacementError
    └── StockError   a list of parts at hand that cannot be read
    """


class StockError(ReplacementError):
    """A list of parts that cannot be read; names the line and the column."""
