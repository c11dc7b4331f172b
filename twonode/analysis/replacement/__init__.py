"""What may go in instead of a capacitor: preferred values, rated voltage, dielectrics, parts at hand."""

from twonode.analysis.replacement.advice import (
    Replacement,
    ReplacementRequest,
    advise_replacement,
)
from twonode.analysis.replacement.change import Surroundings
from twonode.analysis.replacement.document import replacement_document
from twonode.analysis.replacement.errors import ReplacementError, StockError
from twonode.analysis.replacement.rating import (
    WorkingVoltage,
    parse_secondary,
    parse_working_voltage,
)
from twonode.analysis.replacement.role import Role, parse_role
from twonode.analysis.replacement.stock import StockPart, parse_stock

__all__ = [
    "Replacement",
    "ReplacementError",
    "ReplacementRequest",
    "Role",
    "StockError",
    "StockPart",
    "Surroundings",
    "WorkingVoltage",
    "advise_replacement",
    "parse_role",
    "parse_secondary",
    "parse_stock",
    "parse_working_voltage",
    "replacement_document",
]
