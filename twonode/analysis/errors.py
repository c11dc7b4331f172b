"""What the analysis room raises on purpose.

Owns the base and the errors of its oldest modules; a newer module may derive its own beside its code.
"""

from __future__ import annotations

from twonode.errors import TwonodeError

__all__ = ["AnalysisError", "QuantityError", "StageError", "TraceError"]


class AnalysisError(TwonodeError):
    """Base of everything ``analysis`` raises on purpose.

    AnalysisError
    ├── QuantityError   a value, tolerance or reading that cannot be understood
    ├── StageError      a stage file, a stage document or a stage that makes no circuit
    └── TraceError      codes and scaling that do not belong together
    """


class QuantityError(AnalysisError):
    """A text that is no value of the wanted unit."""


class StageError(AnalysisError):
    """A stage that cannot be read or makes no circuit."""


class TraceError(AnalysisError):
    """Codes and scaling that do not belong together."""
