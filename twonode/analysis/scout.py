"""A first look at a part of which nothing is known, and what to clip in after it.

Owns the rough value out of one or two points, the bound where only that can be had, and the next step.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from math import pi

from twonode.analysis.fixture import (
    AUDIO_HZ,
    FIXTURE_RESISTORS_OHM,
    FixtureAdvice,
    advised_fixture,
    scout_advice,
)
from twonode.analysis.fixture_open import OpenFixture, part_admittances
from twonode.analysis.hookup import KNOWN_RESISTOR_ROLE
from twonode.analysis.model import Sweep
from twonode.analysis.quantities import format_quantity

__all__ = ["LooseState", "Scouted", "next_fixture", "not_settled", "scout"]

OPEN_FARAD = 2.5e-12
"""An open part leaves a picofarad or two across its leads (from memory)."""
SHORT_OHM = 10.0
RESISTIVE_TAN_DELTA = 30.0
UNCLEAR_TAN_DELTA = 3.0
CLEAR_SIGMA = 5.0
"""Beyond the first the part is a resistor with some capacitance rather than the reverse; from the second on it is one
unless its capacitance stands out by so many standard uncertainties: 470 uF with 2 ohm of ESR have 6 at 1 kHz."""
SETTLING_TIME_CONSTANTS = 15.0
BURIED_RATIO = 0.05
BURIED_MARGIN = 3.0
LEAST_RATIO = 1e-4
"""A part that is too large for its record to settle passes nearly everything. What a refused record says is believed
within this factor, and not below some hundredths of a code."""
ROUGH = 0.3
"""Relative standard uncertainty that still is a value to go on with."""


class LooseState(Enum):
    """What kind of thing is in the fixture; the value is the word on screen and in files."""

    MEASURED = "measured"
    OPEN = "open"
    SHORTED = "shorted"
    OUT_OF_REACH = "out of reach"
    NOT_A_CAPACITOR = "not a capacitor"


@dataclass(frozen=True, slots=True, kw_only=True)
class Scouted:
    """About what is in the fixture.

    farad, loss : about its value and tan delta; None where only a bound or another state was found.
    at_least_farad, at_most_farad : bounds, F. ohm : its impedance, where it is no capacitor.
    resistor_ohm : the resistor it was found with. because : one sentence.
    """

    state: LooseState
    farad: float | None = None
    loss: float | None = None
    at_least_farad: float | None = None
    at_most_farad: float | None = None
    ohm: float | None = None
    resistor_ohm: float
    because: str


def scout(sweeps: Sequence[Sweep], *, part: str, fixture: OpenFixture) -> Scouted:
    """About what value a part has, from the sweep that tells most.

    Raises ValueError where no sweep has a point.
    """
    best: tuple[float, Sweep, complex, float, float] | None = None
    for sweep in sweeps:
        found = part_admittances(sweep, fixture, part)
        for hz, admittance, sigma in zip(
            found.frequency_hz.tolist(), found.admittance.tolist(), found.uncertainty.tolist(), strict=True
        ):
            relative = sigma / max(abs(admittance), 1e-15)
            # Low frequencies first where both are good: there a part is what it is sold as.
            score = max(relative, 0.02) * (1.0 + 1e-7 * hz)
            if best is None or score < best[0]:
                best = (score, sweep, admittance, sigma, hz)
    if best is None:
        raise ValueError("sweeps: no point was measured")
    _, sweep, admittance, sigma, hz = best
    return _sorted(admittance, sigma, hz, _resistor(sweep))


def _resistor(sweep: Sweep) -> float:
    assert sweep.stage is not None
    return next(p.value for p in sweep.stage.parts if p.role == KNOWN_RESISTOR_ROLE)


def _sorted(admittance: complex, sigma: float, hz: float, resistor_ohm: float) -> Scouted:
    omega = 2 * pi * hz
    farad = admittance.imag / omega
    at = format_quantity(hz, "Hz")
    if sigma > ROUGH * abs(admittance):
        return _bounded(abs(admittance), sigma, hz, resistor_ohm)
    if abs(admittance) <= omega * OPEN_FARAD:
        return _open(abs(admittance) + 2.0 * sigma, hz, resistor_ohm)
    impedance = 1.0 / admittance
    tan_delta = admittance.real / max(abs(admittance.imag), 1e-300)
    if tan_delta > RESISTIVE_TAN_DELTA or (
        tan_delta > UNCLEAR_TAN_DELTA and admittance.imag < CLEAR_SIGMA * sigma
    ):
        ohm = abs(impedance)
        shorted = ohm < SHORT_OHM
        return Scouted(
            state=LooseState.SHORTED if shorted else LooseState.NOT_A_CAPACITOR,
            ohm=ohm,
            resistor_ohm=resistor_ohm,
            because=f"It behaves like {format_quantity(ohm, 'ohm', 2)} at {at}: "
            + ("shorted." if shorted else "a resistor, or a part with a heavy leak."),
        )
    if farad <= 0:
        return Scouted(
            state=LooseState.NOT_A_CAPACITOR,
            ohm=abs(impedance),
            resistor_ohm=resistor_ohm,
            because=f"Its phase at {at} is that of a coil, not of a capacitor.",
        )
    return Scouted(
        state=LooseState.MEASURED,
        farad=farad,
        loss=max(admittance.real / admittance.imag, 0.0),
        resistor_ohm=resistor_ohm,
        because=f"About {format_quantity(farad, 'F', 2)}.",
    )


def not_settled(
    *, resistor_ohm: float, waited_s: float, ratio: complex | None = None, frequency_hz: float = AUDIO_HZ
) -> Scouted:
    """What a first look says whose record was refused because its two halves differ.

    Either the time constant is long: a transient falls to a ten-thousandth in nine time constants. Or next to nothing
    passes, and what is left of rounding and hum differs between the halves.

    ratio : of the refused record in series, V/V, None where there is none.
    """
    if ratio is not None and abs(ratio) < BURIED_RATIO:
        passed = BURIED_MARGIN * max(abs(ratio), LEAST_RATIO)
        return _buried(passed / resistor_ohm, frequency_hz, resistor_ohm)
    least = waited_s / (SETTLING_TIME_CONSTANTS * resistor_ohm)
    smallest = format_quantity(min(FIXTURE_RESISTORS_OHM), "ohm")
    return Scouted(
        state=LooseState.OUT_OF_REACH,
        at_least_farad=least,
        resistor_ohm=resistor_ohm,
        because=f"Beside {format_quantity(resistor_ohm, 'ohm')} it does not settle: "
        f"more than {format_quantity(least, 'F', 1)}; {smallest} would reach it.",
    )


def _open(siemens: float, hz: float, resistor_ohm: float) -> Scouted:
    most = siemens / (2 * pi * hz)
    return Scouted(
        state=LooseState.OPEN,
        at_most_farad=most,
        resistor_ohm=resistor_ohm,
        because=f"No more than {format_quantity(most, 'F', 2)}: the part is open, or none is clipped in.",
    )


def _bounded(siemens: float, sigma: float, hz: float, resistor_ohm: float) -> Scouted:
    """Where the ratio cannot be told from one, or from nothing: the impedance is small, or it is large."""
    omega = 2 * pi * hz
    at, with_ohm = format_quantity(hz, "Hz"), format_quantity(resistor_ohm, "ohm")
    if siemens > 1.0 / resistor_ohm:
        # Gaussian is the impedance, a small difference of two ratios; its 2 sigma limit bounds the admittance.
        least = siemens / (1.0 + 2.0 * sigma / siemens) / omega
        words = f"Beside {with_ohm} it does not show at {at}: more than {format_quantity(least, 'F', 2)}"
        smallest = min(FIXTURE_RESISTORS_OHM)
        if resistor_ohm <= smallest:
            return Scouted(
                state=LooseState.SHORTED,
                at_least_farad=least,
                ohm=1.0 / siemens,
                resistor_ohm=resistor_ohm,
                because=f"{words}, or shorted.",
            )
        return Scouted(
            state=LooseState.OUT_OF_REACH,
            at_least_farad=least,
            resistor_ohm=resistor_ohm,
            because=f"{words}; {format_quantity(smallest, 'ohm')} would reach it.",
        )
    return _buried(siemens + 2.0 * sigma, hz, resistor_ohm)


def _buried(most_siemens: float, hz: float, resistor_ohm: float) -> Scouted:
    """Where no more than this passes, which may be nothing."""
    omega = 2 * pi * hz
    largest = max(FIXTURE_RESISTORS_OHM)
    if most_siemens <= omega * 2.0 * OPEN_FARAD or resistor_ohm >= largest:
        return _open(most_siemens, hz, resistor_ohm)
    most = most_siemens / omega
    return Scouted(
        state=LooseState.OUT_OF_REACH,
        at_most_farad=most,
        resistor_ohm=resistor_ohm,
        because=f"Beside {format_quantity(resistor_ohm, 'ohm')} next to nothing passes at {format_quantity(hz, 'Hz')}: "
        f"less than {format_quantity(most, 'F', 2)}; {format_quantity(largest, 'ohm')} would reach it.",
    )


def next_fixture(
    scouted: Scouted, *, resistors_ohm: Sequence[float] = FIXTURE_RESISTORS_OHM
) -> FixtureAdvice | None:
    """What to clip in next; None where nothing more can be found out.

    A bound leads to a second look with the smallest or the largest resistor, a value to the measurement itself.
    """
    if scouted.state is LooseState.MEASURED and scouted.farad is not None:
        return advised_fixture(scouted.farad, scouted.loss, resistors_ohm=resistors_ohm)
    if scouted.state is LooseState.OUT_OF_REACH:
        other = min(resistors_ohm) if scouted.at_least_farad is not None else max(resistors_ohm)
        if other != scouted.resistor_ohm:
            return scout_advice(resistor_ohm=other)
    return None
