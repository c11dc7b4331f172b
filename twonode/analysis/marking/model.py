"""What one reading of a marking is made of, and where each rule comes from.

Owns the dataclasses and the list of schemes. Reads nothing itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from twonode.analysis.errors import AnalysisError
from twonode.analysis.quantities import Tolerance, format_quantity

__all__ = [
    "AbsoluteTolerance",
    "Basis",
    "MarkedTolerance",
    "MarkingError",
    "Reading",
    "Scheme",
    "Source",
    "TemperatureCharacteristic",
    "Voltage",
    "capacitance_words",
    "figures_to_farad",
]


class MarkingError(AnalysisError):
    """A text that no known scheme of marking reads."""


class Basis(Enum):
    """How well a rule is founded."""

    READ = "source read"
    MEMORY = "from memory"
    PRACTICE = "common practice, no source"
    DERIVED = "derived"
    WRITTEN = "as written"


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Where a rule comes from. The text of a standard was never opened: pages that quote it were."""

    title: str
    basis: Basis

    def __str__(self) -> str:
        return f"{self.title} [{self.basis.value}]"


class Scheme(Enum):
    """A way to mark parts. The order of this list is the order of readings without a measurement."""

    WRITTEN_UNIT = "written unit"
    OLD_UNIT = "old unit"
    LETTER = "letter for the decimal point"
    THREE_DIGIT = "three-digit code, pF"
    R_POINT_PF = "R for the decimal point, pF"
    NO_VALUE = "no capacitance marked"
    SIX_DOT_IDENTIFIED = "six dots with identifier"
    MICA_SIX = "old six dots"
    MICA_FIVE = "old five dots"
    MICA_THREE = "old three dots"
    CERAMIC = "ceramic dots or bands"
    PAPER_BANDS = "moulded paper bands"
    FILM_BANDS = "film bands"
    PLAIN_UF_FRACTION = "fraction in µF, no unit"
    PLAIN_PF = "figure in pF, no unit"
    FOUR_DIGIT = "four-digit code, pF"
    LETTER_CAPITAL = "capital letter for the decimal point"
    R_POINT_UF = "R for the decimal point, µF"
    PLAIN_UF = "figure in µF, no unit"
    THOUSANDS = "K for thousand pF"

    @property
    def rank(self) -> int:
        """Place in the order of the list."""
        return list(Scheme).index(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class AbsoluteTolerance:
    """Limits around a nominal value in farads; the lower one never goes below zero."""

    half_width_farad: float

    def limits(self, nominal: float) -> tuple[float, float]:
        """Lowest and highest allowed value around ``nominal``, F."""
        return max(0.0, nominal - self.half_width_farad), nominal + self.half_width_farad

    def __str__(self) -> str:
        return f"±{self.half_width_farad * 1e12:.4g} pF"


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkedTolerance:
    """A tolerance and where its meaning comes from.

    marked : the letter, colour or text; None where the scheme sets it for parts without a mark.
    """

    limits: Tolerance | AbsoluteTolerance
    source: Source
    marked: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Voltage:
    """A working voltage.

    kind : "DC", "AC" or None where the marking does not say. source : None where the volts are written out.
    """

    volts: float
    kind: str | None = None
    source: Source | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TemperatureCharacteristic:
    """How the value moves with temperature.

    slope_ppm, spread_ppm : class 1, ppm/K; the slope lies within slope - spread[0] to slope + spread[1].
    range_c, change : class 2, °C and fractions (minus, plus) of the value at room temperature.
    """

    code: str
    words: str
    source: Source
    slope_ppm: float | None = None
    spread_ppm: tuple[float, float] | None = None
    range_c: tuple[float, float] | None = None
    change: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One thing that a marking may say.

    capacitance_farad : None where the marking states none.
    tolerance, voltage, temperature : None where the marking says nothing: unknown, not "usual".
    safety : classes of parts for the mains, such as ("X1", "Y2").
    remarks : what else the reading rests on, in words.
    """

    scheme: Scheme
    source: Source
    capacitance_farad: float | None = None
    tolerance: MarkedTolerance | None = None
    voltage: Voltage | None = None
    temperature: TemperatureCharacteristic | None = None
    safety: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


def figures_to_farad(figures: str, power: int) -> float:
    """Decimal text times a power of ten in farads, rounded once."""
    return float(f"{figures}e{power}")


def capacitance_words(capacitance_farad: float) -> str:
    """Value with unit; small parts in picofarads as they are marked, never in femtofarads."""
    if capacitance_farad < 1e-12:
        return f"{capacitance_farad * 1e12:.3g} pF"
    return format_quantity(capacitance_farad, "F")
