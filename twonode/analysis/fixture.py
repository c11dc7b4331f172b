"""The fixture for loose parts: its circuit with strays, which resistor to clip in, and where to measure.

Owns the fixture's stage, the advice for a part of about known value, and the choice after a first look. What the
readings say is worked out in `fixture_check` and `loose_part`; what a session does with them is left to others.

Which resistor: let x = 2 pi f C R. In series a phase error p and a relative gain error g give tan delta an error of
-p - x g and ln C one of g - x p (from Z/R = 1/H - 1); to ground it is p - g/x and -g - p/x (from Z/R = H/(1 - H)).
So the part goes in series with a resistor below its reactance at 1 kHz, and to ground where even the smallest
resistor is above it. Far below, the far node carries too little signal.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log, pi

from twonode.analysis.hookup import DRIVE_NODE, FAR_NODE, KNOWN_RESISTOR_ROLE, HookUp
from twonode.analysis.quantities import Tolerance, format_quantity
from twonode.analysis.stage import GROUND, Part, PartKind, Stage

__all__ = [
    "AUDIO_HZ",
    "FIXTURE_RESISTORS_OHM",
    "HIGH_HZ",
    "MAINS_HZ",
    "RADIO_HZ",
    "STRAY_ACROSS",
    "STRAY_TO_GROUND",
    "TEST_FREQUENCIES_HZ",
    "FixtureAdvice",
    "advised_fixture",
    "fixture_stage",
    "iec_frequencies",
    "open_advice",
    "reaching_resistor",
    "resistor_name",
    "scout_advice",
]

FIXTURE_RESISTORS_OHM = (1e2, 1e3, 1e4, 1e5, 1e6)
RESISTOR_TOLERANCE = Tolerance(minus=0.001, plus=0.001)

STRAY_ACROSS = "stray across"
STRAY_TO_GROUND = "stray to ground"

MAINS_HZ, AUDIO_HZ, HIGH_HZ, RADIO_HZ = 120.0, 1e3, 100e3, 1e6
TEST_FREQUENCIES_HZ = (MAINS_HZ, AUDIO_HZ, HIGH_HZ, RADIO_HZ)
"""IEC 60384-1: up to 1 nF at 1 MHz or 100 kHz, 1 nF to 10 uF at 1 kHz, above at 100 or 120 Hz (from memory)."""
RADIO_UP_TO_FARAD = 1e-9
MAINS_FROM_FARAD = 1e-6

HIGHEST_X = 0.35
"""Of 2 pi f C R at 1 kHz for the resistor chosen in series: the far node then carries 3 to 30 % of the drive."""
SERIES_UP_TO_X = 1.0
"""Above, with the smallest resistor, the part goes to ground."""
REACH = 3000.0
"""A ratio of reactance to resistor, either way, beyond which nothing is seen of the part (noise of some 1e-4)."""

SAMPLES = 60_000
"""Averages noise of one code to 0.1 mrad a point at two thirds of the screen."""
LEVEL_VPP = 2.0
POLARISED_LEVEL_VPP = 0.6
POLARISED_FROM_FARAD = 0.1e-6
"""0.3 V peak (design) for what may be polarised: an unmarked part may, unless it is smaller than any of these."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FixtureAdvice:
    """What to clip in, and where to measure then.

    resistor_ohm : from drive to far in `shunt`, from far to ground in `series`.
    frequencies_hz : points, in this order. samples : length of each record. level_vpp : generator, open circuit.
    scout : this is only a look for about the value. why : one sentence.
    """

    hookup: HookUp
    resistor_ohm: float
    frequencies_hz: tuple[float, ...]
    samples: int
    level_vpp: float
    scout: bool
    why: str

    @property
    def clip_in(self) -> str:
        """The instruction, in words."""
        where = "from far to ground, the part from drive to far"
        if self.hookup is HookUp.SHUNT:
            where = "from drive to far, the part from far to ground"
        return f"Clip in {format_quantity(self.resistor_ohm, 'ohm')} {where}."


def resistor_name(ohm: float) -> str:
    """Name of a fixture resistor in a stage: each is a part of its own, the same in all sweeps of a fixture."""
    return f"R {format_quantity(ohm, 'ohm')}"


def fixture_stage(
    hookup: HookUp, *, part: str | None, farad: float = 10e-9, resistor_ohm: float, title: str | None = None
) -> Stage:
    """The fixture with its strays.

    part : name of the loose part; None for a fixture left open. farad : about its value, F.

    Raises StageError for values that are not above zero, ValueError for the hook-up of a set.
    """
    if hookup is HookUp.STAGE:
        raise ValueError("hookup: a fixture is wired in series or shunt")
    places = ((DRIVE_NODE, FAR_NODE), (FAR_NODE, GROUND))
    place, other = places if hookup is HookUp.SERIES else places[::-1]
    loose = []
    if part is not None:
        loose = [
            Part(
                name=part,
                kind=PartKind.CAPACITOR,
                between=place,
                value=farad,
                tolerance=Tolerance(minus=0.5, plus=1.0),
                asked=True,
            )
        ]
    resistor = Part(
        name=resistor_name(resistor_ohm),
        kind=PartKind.RESISTOR,
        between=other,
        value=resistor_ohm,
        tolerance=RESISTOR_TOLERANCE,
        role=KNOWN_RESISTOR_ROLE,
    )
    content = "open fixture" if part is None else f"{part} in the fixture"
    return Stage(
        title=title or f"{content}, {hookup.value}, {format_quantity(resistor_ohm, 'ohm')}",
        drive=DRIVE_NODE,
        far=FAR_NODE,
        parts=(*loose, resistor, *_strays()),
    )


def _strays() -> tuple[Part, Part]:
    """Clips and a socket: about a picofarad from clip to clip and some to ground (from memory)."""
    return (
        Part(
            name=STRAY_ACROSS,
            kind=PartKind.CAPACITOR,
            between=(DRIVE_NODE, FAR_NODE),
            value=1e-12,
            tolerance=Tolerance(minus=0.6, plus=1.5),
            role="stray",
        ),
        Part(
            name=STRAY_TO_GROUND,
            kind=PartKind.CAPACITOR,
            between=(FAR_NODE, GROUND),
            value=8e-12,
            tolerance=Tolerance(minus=0.5, plus=1.0),
            role="stray",
        ),
    )


def iec_frequencies(farad: float) -> tuple[float, ...]:
    """Where the value of such a part is asked for, Hz: 1 and 100 kHz, and 120 Hz or 1 MHz by IEC 60384-1."""
    frequencies = [AUDIO_HZ, HIGH_HZ]
    if farad >= MAINS_FROM_FARAD:
        frequencies.insert(0, MAINS_HZ)
    if farad <= RADIO_UP_TO_FARAD:
        frequencies.append(RADIO_HZ)
    return tuple(frequencies)


def scout_advice(*, resistor_ohm: float = 1e4) -> FixtureAdvice:
    """A first look at a part of which nothing is known: in series with 10 kohm it tells 10 pF from some microfarads."""
    return FixtureAdvice(
        hookup=HookUp.SERIES,
        resistor_ohm=resistor_ohm,
        frequencies_hz=(AUDIO_HZ,),
        samples=SAMPLES,
        level_vpp=POLARISED_LEVEL_VPP,
        scout=True,
        why="A first look: one point tells about what value the part has.",
    )


def open_advice() -> FixtureAdvice:
    """The empty fixture: with 1 Mohm its few picofarads show best, with their time constant and their ratio."""
    return FixtureAdvice(
        hookup=HookUp.SERIES,
        resistor_ohm=FIXTURE_RESISTORS_OHM[-1],
        frequencies_hz=(1e6, 300e3, 100e3, 40e3, 16e3, 8e3, 4e3, 1e3),
        samples=SAMPLES,
        level_vpp=LEVEL_VPP,
        scout=False,
        why="Nothing in the fixture: what is left are its own few picofarads, to be taken into account.",
    )


def advised_fixture(
    farad: float, loss: float | None = None, *, resistors_ohm: Sequence[float] = FIXTURE_RESISTORS_OHM
) -> FixtureAdvice:
    """Resistor, hook-up and frequencies for a part of about this value.

    farad : F. loss : about its tan delta, None where not known; above 0.5 the part is measured as it stands.
    resistors_ohm : those at hand.

    Raises ValueError for a value that is not above zero, or with no resistor at hand.
    """
    if not farad > 0 or not resistors_ohm:
        raise ValueError(f"farad: need > 0, got {farad}; {len(resistors_ohm)} resistors")
    siemens = 2 * pi * AUDIO_HZ * farad
    if loss is not None:
        siemens *= (1.0 + loss * loss) ** 0.5
    below = [ohm for ohm in resistors_ohm if siemens * ohm <= HIGHEST_X]
    ohm = max(below) if below else min(resistors_ohm)
    hookup = HookUp.SERIES if siemens * ohm <= SERIES_UP_TO_X else HookUp.SHUNT
    reactance = format_quantity(1.0 / (2 * pi * AUDIO_HZ * farad), "ohm", 2)
    shown = format_quantity(ohm, "ohm")
    return FixtureAdvice(
        hookup=hookup,
        resistor_ohm=ohm,
        frequencies_hz=_points(farad),
        samples=SAMPLES,
        level_vpp=POLARISED_LEVEL_VPP if farad >= POLARISED_FROM_FARAD else LEVEL_VPP,
        scout=False,
        why=f"About {format_quantity(farad, 'F', 2)} have {reactance} at 1 kHz; "
        + (
            f"{shown} in series shows value and loss best."
            if hookup is HookUp.SERIES
            else f"that is below {shown}, so the part goes to ground."
        ),
    )


def _points(farad: float) -> tuple[float, ...]:
    """Six points: with two looks before them that makes eight.

    Those at a test frequency lie to both sides of it, so that a loss that changes with frequency averages out.
    """
    above, below, further_above, further_below = (share * AUDIO_HZ for share in (1.05, 0.95, 1.06, 0.94))
    if farad <= RADIO_UP_TO_FARAD:
        return (RADIO_HZ, HIGH_HZ, above, below, further_above, further_below)
    if farad >= MAINS_FROM_FARAD:
        return (1.05 * HIGH_HZ, 0.95 * HIGH_HZ, above, below, further_above, MAINS_HZ)
    return (1.05 * HIGH_HZ, 0.95 * HIGH_HZ, above, below, further_above, further_below)


def reaching_resistor(
    farad: float, frequency_hz: float, *, resistors_ohm: Sequence[float] = FIXTURE_RESISTORS_OHM
) -> float | None:
    """The resistor nearest to a part's reactance at a frequency, ohm; None where none comes within its reach."""
    reactance = 1.0 / (2 * pi * frequency_hz * farad)
    nearest = min(resistors_ohm, key=lambda ohm: abs(log(ohm / reactance)))
    return nearest if 1.0 / REACH <= nearest / reactance <= REACH else None
