"""A loose part in the fixture, from all its sweeps: C, tan delta, ESR and parallel R at the test frequencies.

Owns what is stated of the part, and what is not with the reason. The fit is `loose_model`'s. Equivalents at one
frequency, with Y = w Cp (j + tan d): Cs = Cp (1 + tan d**2), Rs = tan d / (w Cs), Rp = 1 / (w Cp tan d).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, inf, log, pi

from twonode.analysis.estimated import Quantity
from twonode.analysis.families import FamilyShare, weigh_families
from twonode.analysis.fixture import AUDIO_HZ, HIGH_HZ, MAINS_HZ, reaching_resistor
from twonode.analysis.fixture_open import OpenFixture
from twonode.analysis.hookup import KNOWN_RESISTOR_ROLE
from twonode.analysis.loose_model import (
    Equivalent,
    Fitted,
    LooseFit,
    fit_loose_part,
    parallel_ohm,
    series_ohm,
    wired_alike,
)
from twonode.analysis.model import Sweep
from twonode.analysis.outliers import MISFIT_PROBABILITY, fit_probability
from twonode.analysis.posterior import Posterior
from twonode.analysis.preferred import Series, nearest
from twonode.analysis.quantities import format_quantity
from twonode.analysis.scout import LooseState, Scouted, scout

__all__ = ["AtFrequency", "LoosePart", "LooseState", "Nearest", "characterise"]

STATED_UP_TO = 0.03
"""Relative standard uncertainty of C from which on it is not stated."""
LOSS_STATED_FROM = 2.0
"""Standard uncertainties from which on tan delta is a value; below, an upper bound. Above `NORMAL_95`, so that the
interval of a value that is stated leaves out zero."""
LOSS_STATED_UP_TO = 0.1
"""Standard uncertainty of tan delta from which on neither value nor bound says anything."""
NORMAL_95 = 1.959963984540054
ONE_SIDED_95 = 1.6448536269514722
SERIES_LIKE = 3.0
"""How much more tan delta at the highest frequency than at the lowest makes the loss one in series."""
SERIES_FROM_LOSS = 0.05
"""Below, the two equivalents agree within 0.25 %."""
E24_NEARER = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class AtFrequency:
    """What is stated at one test frequency; None where it is not, `why_not` then says why not.

    tan_delta : value, or `at_most` where it is below two standard uncertainties.
    esr, parallel_resistance : the equivalents at this frequency, in ohm; bounds where tan delta is one.
    best, standard_uncertainty : of tan delta itself, stated or not (noise may carry it below zero).
    """

    frequency_hz: float
    points: int
    capacitance: Quantity | None
    tan_delta: Quantity | None
    esr: Quantity | None
    parallel_resistance: Quantity | None
    best: float | None
    standard_uncertainty: float | None
    why_not: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Nearest:
    """Nearest preferred value: of E24 only where E12 is clearly further off; deviation of the part from it."""

    farad: float
    series: Series
    deviation: float
    e12_farad: float
    e12_deviation: float
    e24_farad: float
    e24_deviation: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LoosePart:
    """Everything that is said of one loose part.

    readings : at the test frequencies and wherever else points were taken, ascending.
    value, value_hz : the capacitance the part goes by, and its frequency. change : of C from 1 to 100 kHz, relative,
        with its standard uncertainty. families : likeliest first; empty for what is no capacitor.
    scouted : the first look. points : used, of all its sweeps. misfit : a sentence where the readings do not fit.
    """

    part: str
    state: LooseState
    readings: tuple[AtFrequency, ...]
    equivalent: Equivalent
    value: Quantity | None
    value_hz: float | None
    change: tuple[float, float] | None
    nearest: Nearest | None
    families: tuple[FamilyShare, ...]
    scouted: Scouted
    points: int
    resistors_ohm: tuple[float, ...]
    reduced_chi_square: float | None
    misfit: str | None
    because: str

    def at(self, hz: float) -> AtFrequency | None:
        """The reading at a test frequency; None where nothing was measured near it."""
        return next((r for r in self.readings if abs(log(r.frequency_hz / hz)) < 1e-6), None)

    def capacitance_at(self, hz: float) -> Quantity | None:
        """C at a test frequency, F; None where it is not stated."""
        found = self.at(hz)
        return None if found is None else found.capacitance

    def tan_delta_at(self, hz: float) -> Quantity | None:
        """Tan delta at a test frequency."""
        found = self.at(hz)
        return None if found is None else found.tan_delta

    def esr_at(self, hz: float) -> Quantity | None:
        """Equivalent series resistance at a test frequency, ohm."""
        found = self.at(hz)
        return None if found is None else found.esr

    def parallel_resistance_at(self, hz: float) -> Quantity | None:
        """Equivalent parallel resistance at a test frequency, ohm."""
        found = self.at(hz)
        return None if found is None else found.parallel_resistance

    def why_not(self, hz: float) -> str | None:
        """Why C is not stated at a frequency; None where it is."""
        found = self.at(hz)
        if found is not None:
            return found.why_not
        if self.state is not LooseState.MEASURED:
            return self.because
        return f"not measured at {_hz(hz)}"


def characterise(sweeps: Sequence[Sweep], *, part: str, fixture: OpenFixture) -> LoosePart:
    """Work out one loose part.

    Parameters
    ----------
    sweeps : all of this part, first looks included, in the order taken; of stages by `fixture.fixture_stage`.
    fixture : the open fixture with its null runs.

    Raises
    ------
    ValueError : no point was measured.
    """
    sweeps = [s for s in sweeps if s.points]
    scouted = scout(sweeps, part=part, fixture=fixture)
    points = sum(len(s.points) for s in sweeps)
    resistors = tuple(dict.fromkeys(_resistor(s) for s in sweeps))
    if scouted.state is not LooseState.MEASURED or scouted.farad is None:
        return LoosePart(
            part=part,
            state=scouted.state,
            readings=(),
            equivalent=Equivalent.PARALLEL,
            value=None,
            value_hz=None,
            change=None,
            nearest=None,
            families=(),
            scouted=scouted,
            points=points,
            resistors_ohm=resistors,
            reduced_chi_square=None,
            misfit=None,
            because=scouted.because,
        )
    fit = fit_loose_part(wired_alike(sweeps), part=part, farad=scouted.farad, fixture=fixture)
    posterior = fit.posterior
    equivalent = _equivalent(fit)
    readings = tuple(_reading(each, fit, equivalent, resistors, scouted.farad) for each in fit.at)
    value, value_hz = _headline(readings)
    change = _change(fit, equivalent, readings)
    audio = next((r for r in readings if r.frequency_hz == AUDIO_HZ), None)
    families: tuple[FamilyShare, ...] = ()
    if value is not None and value.value is not None:
        known = audio if audio is not None and audio.tan_delta is not None else None
        families = weigh_families(
            farad=value.value,
            tan_delta=None if known is None else known.best,
            tan_delta_u=None if known is None else known.standard_uncertainty,
            change=None if change is None else change[0],
            change_u=None if change is None else change[1],
        )
    state = LooseState.MEASURED if value is not None else LooseState.OUT_OF_REACH
    return LoosePart(
        part=part,
        state=state,
        readings=readings,
        equivalent=equivalent,
        value=value,
        value_hz=value_hz,
        change=change,
        nearest=None if value is None or value.value is None else _nearest(value.value),
        families=families,
        scouted=scouted,
        points=points,
        resistors_ohm=resistors,
        reduced_chi_square=posterior.reduced_chi_square,
        misfit=_misfit(posterior),
        because=f"{value} at {_hz(value_hz)}."
        if value is not None and value_hz is not None
        else _out_of_reach(readings),
    )


def _resistor(sweep: Sweep) -> float:
    assert sweep.stage is not None
    return next(p.value for p in sweep.stage.parts if p.role == KNOWN_RESISTOR_ROLE)


def _hz(hz: float) -> str:
    return f"{format_quantity(hz, 'Hz', 3).replace('.00', '')}"


def _equivalent(fit: LooseFit) -> Equivalent:
    """In series where tan delta rises with frequency as an ESR makes it, else parallel."""
    known = [(f, fit.loss_sigma(f)) for f in fit.at]
    known = [(f, u) for f, u in known if u < LOSS_STATED_UP_TO or f.loss > 3.0 * u]
    if len(known) < 2:
        return Equivalent.PARALLEL
    (low, _), (high, high_u) = known[0], known[-1]
    rises = high.loss > SERIES_LIKE * max(low.loss, 0.0) + 3.0 * high_u
    return Equivalent.SERIES if rises and high.loss > SERIES_FROM_LOSS else Equivalent.PARALLEL


def _reading(
    fitted: Fitted,
    fit: LooseFit,
    equivalent: Equivalent,
    resistors_ohm: Sequence[float],
    about_farad: float,
) -> AtFrequency:
    mean, slopes = fitted.log_capacitance(equivalent)
    sigma = fit.sigma(slopes)
    farad = exp(mean)
    loss, loss_u = fitted.loss, fit.loss_sigma(fitted)
    tan_delta = esr = parallel = None
    if loss >= LOSS_STATED_FROM * loss_u:
        tan_delta = Quantity(
            unit="",
            value=loss,
            standard_uncertainty=loss_u,
            interval95=(loss - NORMAL_95 * loss_u, loss + NORMAL_95 * loss_u),
        )
        esr, parallel = (_resistance(fitted, fit, each) for each in (Equivalent.SERIES, Equivalent.PARALLEL))
    elif loss_u <= LOSS_STATED_UP_TO:
        most = max(loss, 0.0) + ONE_SIDED_95 * loss_u
        tan_delta = Quantity(unit="", at_most=most)
        esr = Quantity(unit="ohm", at_most=series_ohm(farad, most, fitted.frequency_hz))
        parallel = Quantity(unit="ohm", at_least=parallel_ohm(farad, most, fitted.frequency_hz))
    stated = sigma <= STATED_UP_TO
    return AtFrequency(
        frequency_hz=fitted.frequency_hz,
        points=fitted.points,
        capacitance=_log_quantity("F", mean, sigma) if stated else None,
        tan_delta=tan_delta,
        esr=esr,
        parallel_resistance=parallel,
        best=loss if tan_delta is not None else None,
        standard_uncertainty=loss_u if tan_delta is not None else None,
        why_not=None if stated else _too_far(about_farad, sigma, fitted.frequency_hz, resistors_ohm),
    )


def _resistance(fitted: Fitted, fit: LooseFit, equivalent: Equivalent) -> Quantity:
    """Of an equivalent, with the interval that tan delta has: in series R goes as it, across 1/R does."""
    mean, _ = fitted.log_resistance(equivalent)
    ohm, sigma = exp(mean), fit.log_resistance_sigma(fitted, equivalent)
    least, most = 1.0 - NORMAL_95 * sigma, 1.0 + NORMAL_95 * sigma
    in_series = equivalent is Equivalent.SERIES
    if least <= 0:  # C adds a little to the uncertainty of tan delta, which alone leaves out zero
        bound = 1.0 + ONE_SIDED_95 * sigma
        if in_series:
            return Quantity(unit="ohm", at_most=ohm * bound)
        return Quantity(unit="ohm", at_least=ohm / bound)
    ends = (ohm * least, ohm * most) if in_series else (ohm / most, ohm / least)
    return Quantity(unit="ohm", value=ohm, standard_uncertainty=ohm * sigma, interval95=ends)


def _log_quantity(unit: str, mean: float, sigma: float) -> Quantity:
    value = exp(mean)
    return Quantity(
        unit=unit,
        value=value,
        standard_uncertainty=value * sigma,
        interval95=(value * exp(-NORMAL_95 * sigma), value * exp(NORMAL_95 * sigma)),
    )


def _too_far(farad: float, sigma: float, hz: float, resistors_ohm: Sequence[float]) -> str:
    reactance = 1.0 / (2 * pi * hz * farad)
    used = min(resistors_ohm, key=lambda ohm: abs(log(ohm / reactance)))
    reaching = reaching_resistor(farad, hz)
    known = f"C at {_hz(hz)} is known to {100 * sigma:.2g} % only"
    distance = f"its reactance of {format_quantity(reactance, 'ohm', 2)} is too far from "
    if reaching is None:
        return f"{known}: {distance}any of the fixture's resistors"
    if reaching == used:
        return f"{known}: {distance}{format_quantity(used, 'ohm')}, the nearest of the fixture's resistors"
    return f"{known}: {distance}{format_quantity(used, 'ohm')}; {format_quantity(reaching, 'ohm')} would reach it"


def _headline(readings: Sequence[AtFrequency]) -> tuple[Quantity | None, float | None]:
    """At 120 Hz above 10 uF, at 1 kHz else (IEC 60384-1, from memory), or wherever it is known best."""
    stated = [r for r in readings if r.capacitance is not None]
    if not stated:
        return None, None
    by_hz = {r.frequency_hz: r for r in stated}
    low = by_hz.get(MAINS_HZ)
    if low is not None and low.capacitance is not None and (low.capacitance.value or 0.0) > 10e-6:
        return low.capacitance, MAINS_HZ
    chosen = by_hz.get(AUDIO_HZ)
    if chosen is None:
        chosen = min(stated, key=_relative)
    return chosen.capacitance, chosen.frequency_hz


def _relative(reading: AtFrequency) -> float:
    found = reading.capacitance
    if found is None or not found.value or found.standard_uncertainty is None:
        return inf
    return found.standard_uncertainty / found.value


def _change(
    fit: LooseFit, equivalent: Equivalent, readings: Sequence[AtFrequency]
) -> tuple[float, float] | None:
    """Of C from 1 kHz to 100 kHz, relative, with its standard uncertainty."""
    stated = {r.frequency_hz for r in readings if r.capacitance is not None}
    if not {AUDIO_HZ, HIGH_HZ} <= stated:
        return None
    by_hz = {f.frequency_hz: f.log_capacitance(equivalent) for f in fit.at}
    (low, by_low), (high, by_high) = by_hz[AUDIO_HZ], by_hz[HIGH_HZ]
    ratio = exp(high - low)
    return ratio - 1.0, ratio * fit.sigma(by_high - by_low)


def _nearest(farad: float) -> Nearest:
    e12, e24 = nearest(farad, Series.E12), nearest(farad, Series.E24)
    by_e12, by_e24 = farad / e12 - 1.0, farad / e24 - 1.0
    finer = abs(by_e24) < E24_NEARER * abs(by_e12)
    return Nearest(
        farad=e24 if finer else e12,
        series=Series.E24 if finer else Series.E12,
        deviation=by_e24 if finer else by_e12,
        e12_farad=e12,
        e12_deviation=by_e12,
        e24_farad=e24,
        e24_deviation=by_e24,
    )


def _misfit(posterior: Posterior) -> str | None:
    if fit_probability(posterior) >= MISFIT_PROBABILITY:
        return None
    return (
        f"The readings do not fit a part in this fixture (reduced chi-square {posterior.reduced_chi_square:.1f}): "
        "check the clips and measure it again."
    )


def _out_of_reach(readings: Sequence[AtFrequency]) -> str:
    reasons = [r.why_not for r in readings if r.why_not is not None]
    return f"{reasons[0]}." if reasons else "Nothing was measured."
