"""What is printed or painted on a capacitor, read by every scheme that allows it."""

from twonode.analysis.marking.agreement import (
    EXCLUDED_BELOW,
    UNSTATED_TOLERANCE,
    Agreement,
    MeterReading,
    agreement_of,
    parse_meter_reading,
)
from twonode.analysis.marking.document import marking_document
from twonode.analysis.marking.encode import letter_code, three_digit_code
from twonode.analysis.marking.model import (
    AbsoluteTolerance,
    Basis,
    MarkingError,
    Reading,
    Scheme,
    Source,
    TemperatureCharacteristic,
    capacitance_words,
)
from twonode.analysis.marking.read import Arrow, MarkingRead, RankedReading, read_marking

__all__ = [
    "EXCLUDED_BELOW",
    "UNSTATED_TOLERANCE",
    "AbsoluteTolerance",
    "Agreement",
    "Arrow",
    "Basis",
    "MarkingError",
    "MarkingRead",
    "MeterReading",
    "RankedReading",
    "Reading",
    "Scheme",
    "Source",
    "TemperatureCharacteristic",
    "agreement_of",
    "capacitance_words",
    "letter_code",
    "marking_document",
    "parse_meter_reading",
    "read_marking",
    "three_digit_code",
]
