"""What a person read on a live set to judge one capacitor's leakage, and what is known around it.

Owns the readings, the meter's accuracy, the roles a capacitor may have, and the refusal of readings that no leak can
explain. Nothing is computed from them here. Two circuits are known::

    coupling             drive -- part -- far -- resistor (grid leak) to ground
    bypass and filters   drive -- resistor (feed) -- far -- part to ground

and, in both, the lifted end: one end of the part loose, the meter from the loose end to ground.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import Enum

from twonode.analysis.errors import AnalysisError
from twonode.analysis.prior import AGED_SHIFT, AGED_SIGMA, LogPrior, tolerance_prior
from twonode.analysis.quantities import Measured, Tolerance, format_quantity

__all__ = [
    "METER_STEPS",
    "NO_GRID_CURRENT",
    "GridCurrent",
    "KnownResistor",
    "LeakRole",
    "LeakageError",
    "LeakageReadings",
    "Meter",
    "MeterReading",
    "Position",
    "leak_role",
]

METER_STEPS: tuple[tuple[float, float], ...] = (
    (0.4, 1e-4),
    (4.0, 1e-3),
    (40.0, 1e-2),
    (400.0, 0.1),
    (1000.0, 1.0),
)
"""Full scale and step of each range of an ordinary 4000-count meter, V (common practice, no source)."""


class LeakageError(AnalysisError):
    """Readings that carry no leakage: impossible, contradictory, or not enough."""


class Position(Enum):
    """Where the part lies; the value is said in words."""

    BETWEEN = "between drive and far node"
    TO_GROUND = "from the far node to ground"


class LeakRole(Enum):
    """What the capacitor is for, which decides how much leakage is too much; the value is the word in files."""

    COUPLING = "coupling"
    TONE = "tone"
    ANODE_BYPASS = "anode bypass"
    SCREEN_BYPASS = "screen bypass"
    CATHODE_BYPASS = "cathode bypass"
    AVC_FILTER = "AVC filter"
    FILTER = "filter"

    @property
    def position(self) -> Position:
        """Only a coupling capacitor stands between two nodes; the others shunt one."""
        return Position.BETWEEN if self is LeakRole.COUPLING else Position.TO_GROUND

    @property
    def with_article(self) -> str:
        """For a sentence: "an AVC filter", "a screen bypass"."""
        return f"{'an' if self.value[0] in 'aA' else 'a'} {self.value}"


_ROLE_WORDS = {
    "bypass": LeakRole.ANODE_BYPASS,
    "plate bypass": LeakRole.ANODE_BYPASS,
    "screen": LeakRole.SCREEN_BYPASS,
    "cathode": LeakRole.CATHODE_BYPASS,
    "avc": LeakRole.AVC_FILTER,
    "agc filter": LeakRole.AVC_FILTER,
    "power filter": LeakRole.FILTER,
    "smoothing": LeakRole.FILTER,
    "reservoir": LeakRole.FILTER,
    "electrolytic": LeakRole.FILTER,
}
_AT_THE_MAINS = ("line", "mains")


def leak_role(text: str) -> LeakRole:
    """The role that a word of the trade or of a stage file stands for.

    Raises LeakageError for an unknown word, and for a part at the mains, which no DC reading clears.
    """
    word = " ".join(text.lower().split())
    if any(word.startswith(start) for start in _AT_THE_MAINS):
        raise LeakageError(
            f"A capacitor at the mains ({text!r}) is not judged by its DC leakage.",
            "When it fails it is a shock or a fire, whatever a meter read before.",
            "Replace it by a safety-certified part of the right class (X across the line, Y to the chassis).",
        )
    for role in LeakRole:
        if word == role.value.lower():
            return role
    if word in _ROLE_WORDS:
        return _ROLE_WORDS[word]
    raise LeakageError(
        f"There is no role {text!r} with a leakage limit.",
        "How much leakage is too much depends on what the capacitor is for.",
        f"Name one of: {', '.join(role.value for role in LeakRole)}.",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterReading:
    """One DC reading with its limits, the sum of three that are independent of each other.

    volts : as shown, with its sign. relative : of the reading, common to all readings of one range.
    counts_v : the accuracy's counts, V. rounding_v : half of the last digit, V.
    range_v : full scale of the range it was read on; None where it is not known (its own gain error then).
    """

    volts: float
    relative: float
    counts_v: float
    rounding_v: float
    range_v: float | None = None

    def __post_init__(self) -> None:
        if not math.isfinite(self.volts):
            raise LeakageError(
                f"A reading of {self.volts} V is none.",
                "The meter was overloaded or nothing was read.",
                "Read again on a higher range, with probes rated for the voltage.",
            )
        limits = (self.relative, self.counts_v, self.rounding_v)
        if not all(0 <= each < math.inf for each in limits) or self.relative >= 1 or not sum(limits[1:]) > 0:
            raise LeakageError(
                f"A meter with limits of {100 * self.relative:g} %, {self.counts_v:g} V and {self.rounding_v:g} V "
                "is not possible.",
                "Every reading has a last digit, so that its limits are above zero.",
                "Give the meter's accuracy from its data sheet, such as 0.5 % and 3 counts.",
            )

    @property
    def half_width_v(self) -> float:
        """The farthest that the true volts can lie from the reading."""
        return self.relative * abs(self.volts) + self.counts_v + self.rounding_v

    @staticmethod
    def within(volts: float, half_width_v: float) -> MeterReading:
        """A reading of which only the outer limits are known, in V."""
        return MeterReading(volts=volts, relative=0.0, counts_v=half_width_v, rounding_v=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Meter:
    """The voltmeter: how it loads a node and how far its readings can be trusted.

    resistance_ohm, tolerance : of its input; any value inside the limits is as likely (JCGM 100:2008, 4.3.7).
    relative, counts : accuracy on DC volts. steps_v : full scale and step of each range, rising.
    """

    resistance_ohm: float = 10e6
    tolerance: float = 0.01
    relative: float = 0.005
    counts: float = 3.0
    steps_v: tuple[tuple[float, float], ...] = METER_STEPS

    def __post_init__(self) -> None:
        sound = 0 < self.resistance_ohm < math.inf and 0 <= self.tolerance < 1
        if not (sound and 0 <= self.relative < 1 and 0 <= self.counts < math.inf and self.steps_v):
            raise LeakageError(
                f"A meter of {self.resistance_ohm:g} ohm ± {100 * self.tolerance:g} %, "
                f"{100 * self.relative:g} % and {self.counts:g} counts is not possible.",
                "What the meter draws from the node is part of the calculation.",
                "Give its input resistance from the data sheet, 10M for most digital meters.",
            )

    def reading(self, volts: float, *, digit_v: float | None = None) -> MeterReading:
        """What the meter showed, with the limits of the range it belongs to.

        digit_v : the last digit that was written down, where that is coarser than the meter's own step: "0.4" on a
            range of 1 mV steps was rounded to 0.1 V.
        """
        full, step = next((each for each in self.steps_v if abs(volts) <= each[0]), self.steps_v[-1])
        return MeterReading(
            volts=volts,
            relative=self.relative,
            counts_v=self.counts * step,
            rounding_v=max(step, digit_v or 0.0) / 2.0,
            range_v=full,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownResistor:
    """A resistor around the part: ±t means sigma = t/sqrt(3), as everywhere in this program.

    ohm : nominal, or as measured. tolerance : None is ±20 % (common practice, no source).
    measured : an ohmmeter's reading; it replaces both. aged : old carbon composition, which has drifted upward.
    """

    ohm: float
    tolerance: Tolerance | None = None
    measured: Measured | None = None
    aged: bool = False

    def __post_init__(self) -> None:
        if not 0 < self.ohm < math.inf:
            raise LeakageError(
                f"A resistor of {self.ohm:g} ohm is not possible here.",
                "The leak's current is read off the volts across it, so that it must be there.",
                "Give the grid leak or feed resistor with its tolerance, such as '470k 10%'.",
            )

    @property
    def prior(self) -> LogPrior:
        """What is known of ln(ohm)."""
        if self.measured is not None:
            read = self.measured
            return LogPrior(mean=math.log(read.value), sigma=read.standard_uncertainty / read.value)
        prior = tolerance_prior(self.ohm, self.tolerance or Tolerance(minus=0.2, plus=0.2))
        if self.aged:
            return LogPrior(mean=prior.mean + AGED_SHIFT, sigma=max(prior.sigma, AGED_SIGMA))
        return prior

    @property
    def words(self) -> str:
        """Its value for a sentence."""
        return format_quantity(self.measured.value if self.measured is not None else self.ohm, "ohm")


@dataclass(frozen=True, slots=True, kw_only=True)
class GridCurrent:
    """What is taken for granted of the next valve's grid current before it is measured.

    With probability `share` it flows, half-normal of `scale_a` and positive (gas, grid emission); else it is nothing.
    Default: half of the valves, 5 nA (common practice, no source). It counts only while no reading tells it apart.
    """

    share: float = 0.5
    scale_a: float = 5e-9

    def __post_init__(self) -> None:
        if not (0 <= self.share <= 1 and 0 <= self.scale_a < math.inf):
            raise LeakageError(
                f"A grid current of {self.scale_a:g} A in {100 * self.share:g} % of the valves is not possible.",
                "It is what a valve may add to the leak before anything is known of it.",
                "Give a current of nanoamperes, such as 5nA, or none.",
            )


NO_GRID_CURRENT = GridCurrent(share=0.0, scale_a=0.0)
"""No valve in its socket, or none in question."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeakageReadings:
    """Readings of one capacitor under its working volts.

    drive : drive node, meter on it. far : far node, meter on it, everything in place.
    resistor : coupling: the grid leak, far node to ground; other roles: what feeds the far node from the drive node.
    bias_v : what the next grid should have, V against its cathode.
    far_capacitor_lifted : far node again with the part's end lifted: what stays is grid current or bias.
    far_valve_out : far node with the next valve out (parallel heaters only): what stays is the leak.
    lifted_end : one end of the part loose, meter from the loose end to ground; `drive` is then the node that the
        other end is on.
    drive_source : resistance that the drive node's volts come through; None: the drive reading is taken as it is.
    """

    drive: MeterReading
    far: MeterReading | None = None
    resistor: KnownResistor | None = None
    meter: Meter = field(default_factory=Meter)
    role: LeakRole = LeakRole.COUPLING
    part: str = "the capacitor"
    bias_v: float | None = None
    far_capacitor_lifted: MeterReading | None = None
    far_valve_out: MeterReading | None = None
    lifted_end: MeterReading | None = None
    drive_source: KnownResistor | None = None
    grid_current: GridCurrent = field(default_factory=GridCurrent)

    def __post_init__(self) -> None:
        _check_enough(self)
        _check_signs(self)

    @property
    def polarity(self) -> float:
        """1, or -1 where the drive node is negative: everything is worked out for a positive one."""
        return math.copysign(1.0, self.drive.volts)

    @property
    def in_place(self) -> bool:
        """Whether any reading was taken with the part connected at both ends."""
        return self.far is not None or self.far_valve_out is not None

    @property
    def node_known(self) -> bool:
        """Whether the far node's volts follow: from a reading there, or from the grid leak below a part read alone."""
        return self.in_place or (self.resistor is not None and self.role.position is Position.BETWEEN)

    @property
    def valve_left_over(self) -> bool:
        """Whether the leak comes from other readings, so that the far node's tells of the valve's current."""
        other = self.far_valve_out is not None or self.lifted_end is not None
        return self.far is not None and self.far_capacitor_lifted is None and other


def _check_enough(readings: LeakageReadings) -> None:
    if abs(readings.drive.volts) <= readings.drive.half_width_v:
        raise LeakageError(
            f"The drive node reads {_v(readings.drive.volts)}: no more than the meter's own limits.",
            "Without volts across the capacitor no leak shows.",
            "Read it with the set on and warm, against B-minus, and check which node the tip is on.",
        )
    if readings.bias_v is not None and not 0 < abs(readings.bias_v) < math.inf:
        raise LeakageError(
            f"A bias of {readings.bias_v:g} V is none.",
            "The rise of the grid is held against the bias of the stage.",
            "Give the bias of the next grid, such as -7V, or leave it out.",
        )
    if readings.bias_v is not None and readings.role.position is not Position.BETWEEN:
        raise LeakageError(
            f"A bias says nothing of {readings.role.with_article}.",
            "It is what a coupling capacitor's leak takes from the next grid.",
            "Leave the bias out, or check the role.",
        )
    if not readings.in_place and readings.lifted_end is None:
        raise LeakageError(
            "No reading tells of the leak.",
            "It takes the far node's volts, or those of the part's loose end.",
            "Give the far node's reading, or lift one end and give the volts from the loose end to ground.",
        )
    if readings.far_capacitor_lifted is not None and readings.far is None:
        raise LeakageError(
            "The far node was read with the capacitor lifted, but not with it in place.",
            "Only the change between the two tells of the leak.",
            "Read the far node with the capacitor connected as well.",
        )
    if readings.in_place and readings.resistor is None:
        raise LeakageError(
            "The resistor at the far node is missing.",
            "The leak's current is read off the volts across it.",
            "Give the grid leak (or the feed resistor) with its tolerance, such as '470k 10%'.",
        )
    alone = readings.far_capacitor_lifted is None and readings.lifted_end is None
    draws = readings.role.position is Position.TO_GROUND and readings.role is not LeakRole.AVC_FILTER
    if draws and alone and readings.far_valve_out is None:
        raise LeakageError(
            f"One reading in place cannot tell the leak of {readings.role.with_article} from the valve's own current.",
            "Both flow through the same resistor.",
            "Lift one end of it and read the volts from the loose end to ground, or read the node again so.",
        )


def _check_signs(readings: LeakageReadings) -> None:
    sign = readings.polarity
    drive = readings.drive
    for name, reading in (
        ("far node", readings.far),
        ("far node with the valve out", readings.far_valve_out),
        ("loose end", readings.lifted_end),
    ):
        if reading is None:
            continue
        above = sign * (reading.volts - drive.volts)
        if above > reading.half_width_v + drive.half_width_v:
            raise LeakageError(
                f"The {name} reads {_v(reading.volts)}, more than the drive node's {_v(drive.volts)}.",
                "No leak lifts it above what drives it.",
                "Check for swapped readings, a slipped decimal point, and which node is which.",
            )
        told_apart = readings.far_capacitor_lifted is not None or readings.valve_left_over
        biased = reading is readings.far and told_apart
        if not biased and -sign * reading.volts > reading.half_width_v:
            raise LeakageError(
                f"The {name} reads {_v(reading.volts)} with {_v(drive.volts)} behind the capacitor: a negative leak.",
                "No leak does that: it is grid current, a fixed bias, or reversed leads.",
                "Check the leads; if it stays, read again with the capacitor's far end lifted and give both readings.",
            )
    far, lifted = readings.far, readings.far_capacitor_lifted
    if far is None or lifted is None:
        return
    change = sign * (far.volts - lifted.volts)
    if readings.role.position is Position.TO_GROUND:
        change = -change
    if -change > far.half_width_v + lifted.half_width_v:
        raise LeakageError(
            f"The far node reads {_v(far.volts)} with the capacitor in place and {_v(lifted.volts)} with it lifted: "
            "a negative leak.",
            "A leak changes it the other way; the two readings may be swapped, the leads reversed between them, or "
            "the valve's grid current has drifted.",
            "Take both again after ten minutes of warming up, close together.",
        )


def _v(volts: float) -> str:
    return format_quantity(volts, "V")
