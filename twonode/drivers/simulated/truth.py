"""The simulated bench's secret: every value that is drawn by chance, from one seed.

Owns the draws. Each quantity has a random stream of its own, named by what it is, so that adding a part or a
companion leaves all the others as they were. Only tests may look at a `Truth`.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.stage import GROUND, Part, PartKind
from twonode.drivers.simulated.settings import Fault, FaultKind, SimulatedSettings

__all__ = ["GENERATOR_NODE", "METER_RANGES", "RANGE_STEPS_V", "Probe", "Truth", "draw_truth", "noise_source"]

# Longer than a word on a schematic, so that no stage has a node of that name.
GENERATOR_NODE = "simulated generator, inside"

# Volts per division at the scope's own input, the largest set any simulated family uses.
RANGE_STEPS_V = (1e-3, 2e-3, 5e-3, 1e-2, 2e-2, 5e-2, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)

METER_RANGES = 5

_CHANNELS = 2
_OPEN_STRAY_FARAD = 1.5e-12
_SHORT_OHM = 0.5
_SOURCE_OHM = 50.0
_BLEEDER_OHM = 1e6


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """One probe with the scope input behind it, as the node sees it.

    compensation : error of the tip capacitor, a fraction; 0.0 for a 1:1 probe, which has none.
    """

    factor: int
    ohm: float
    farad: float
    compensation: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What the measurement tries to find, and all that disturbs it.

    value : part name to true value (F, ohm, H, V), faults included where they change the value.
    parts : the circuit as it is, faults in place, without probes and source.
    source_ohm : generator's output resistance.
    source_gain, source_frequency_error : real over set amplitude; fractional frequency error.
    kicks : shape (256,), fraction by which the amplitude is off right after the n-th frequency change.
    gain_error : shape (2, ranges), fractional, per channel and entry of RANGE_STEPS_V.
    offset_div : shape (2, ranges), divisions.
    skew_s : channel 2 samples this much later than channel 1.
    time_base_error : true over stated sample interval, minus one.
    noise_lsb : rms noise in steps of the converter.
    line_hz : mains frequency as it is.
    hum_v : node to three phasors (V peak at line frequency and its 2nd and 3rd harmonic).
    meter_gain_error, meter_counts : of the voltmeter, shape (METER_RANGES,): every range has its own.
    meter_ohm : its input resistance.
    """

    value: dict[str, float]
    parts: tuple[Part, ...]
    source_ohm: float
    source_gain: float
    source_frequency_error: float
    kicks: NDArray[np.float64]
    probes: tuple[Probe, Probe]
    gain_error: NDArray[np.float64]
    offset_div: NDArray[np.float64]
    skew_s: float
    time_base_error: float
    noise_lsb: float
    line_hz: float
    hum_v: dict[str, NDArray[np.complex128]]
    meter_gain_error: NDArray[np.float64]
    meter_counts: NDArray[np.float64]
    meter_ohm: float

    def circuit(self, drive: str, probe_nodes: tuple[str, str], blocking_farad: float | None) -> list[Part]:
        """Parts with source resistance and both probes; the source's own node is GENERATOR_NODE."""
        parts = list(self.parts)
        if blocking_farad is None:
            parts.append(_resistor("source resistance", (GENERATOR_NODE, drive), self.source_ohm))
        else:
            lead = "simulated generator lead"
            parts.append(_resistor("source resistance", (GENERATOR_NODE, lead), self.source_ohm))
            parts.append(_capacitor("blocking capacitor", (lead, drive), blocking_farad))
            parts.append(_resistor("bleeder", (drive, GROUND), _BLEEDER_OHM))
        for number, (node, probe) in enumerate(zip(probe_nodes, self.probes, strict=True), start=1):
            if node != GROUND:
                parts.append(_resistor(f"probe {number} resistance", (node, GROUND), probe.ohm))
                parts.append(_capacitor(f"probe {number} capacitance", (node, GROUND), probe.farad))
        return parts


def draw_truth(settings: SimulatedSettings) -> Truth:
    """Draw everything a bench of these settings hides. Equal settings give an equal truth."""
    seed, scale = settings.seed, settings.imperfection
    true_parts = tuple(_true_part(part, settings) for part in settings.stage.parts)
    value = {part.name: part.value for part in true_parts}
    for name, fault in settings.faults.items():
        if fault.kind is FaultKind.OFF_VALUE and fault.amount is not None:
            value[name] = fault.amount
    parts = tuple(
        _faulty(part, settings.faults[part.name]) if part.name in settings.faults else part
        for part in true_parts
    )
    ranges = len(RANGE_STEPS_V)
    noise = _stream(seed, "noise level").uniform(0.2, 2.0)
    return Truth(
        value=value,
        parts=parts,
        source_ohm=_SOURCE_OHM * math.exp(_normal(seed, "source ohm") * 0.01 / math.sqrt(3) * scale),
        source_gain=1.0 + 0.01 * scale * _normal(seed, "source gain"),
        source_frequency_error=5e-6 * scale * _normal(seed, "source frequency"),
        kicks=_stream(seed, "kicks").choice((-1.0, 1.0), 256) * _stream(seed, "kick").uniform(0.05, 0.2, 256),
        probes=(_draw_probe(settings, 1), _draw_probe(settings, 2)),
        gain_error=0.015 * scale * _stream(seed, "gain").standard_normal((_CHANNELS, ranges)),
        offset_div=0.05 * scale * _stream(seed, "offset").standard_normal((_CHANNELS, ranges)),
        skew_s=1e-9 * scale * _normal(seed, "skew"),
        time_base_error=30e-6 * scale * _normal(seed, "time base"),
        noise_lsb=noise if settings.noise_lsb is None else settings.noise_lsb,
        line_hz=settings.line_hz + 0.01 * scale * _normal(seed, "line"),
        hum_v=_draw_hum(settings),
        meter_gain_error=0.005 * scale * _stream(seed, "meter").uniform(-1, 1, METER_RANGES),
        meter_counts=3.0 * scale * _stream(seed, "meter counts").uniform(-1, 1, METER_RANGES),
        meter_ohm=10e6 * (1.0 + 0.01 * scale * float(_stream(seed, "meter ohm").uniform(-1, 1))),
    )


def noise_source(settings: SimulatedSettings) -> np.random.Generator:
    """The stream the scope's noise comes from.

    It differs between probe positions and between circuits, so that a null run, a sweep and a sweep with a
    companion of one seed do not share their noise.
    """
    where = (settings.probe_nodes, settings.noise_stream, [part.name for part in settings.stage.parts])
    return _stream(settings.seed, f"noise {where}")


def _stream(seed: int, name: str) -> np.random.Generator:
    return np.random.default_rng([seed, zlib.crc32(name.encode())])


def _normal(seed: int, name: str) -> float:
    return float(_stream(seed, name).standard_normal())


def _true_part(part: Part, settings: SimulatedSettings) -> Part:
    """The part at its true value and with its true dielectric loss."""
    loss = part.loss
    if part.kind is PartKind.CAPACITOR and loss == 0:
        loss = _draw_loss(part.name, settings)
    if part.name in settings.true:
        return replace(part, value=settings.true[part.name], loss=loss, measured=None)
    return replace(part, value=_draw_value(part, settings.seed), loss=loss, measured=None)


def _draw_loss(name: str, settings: SimulatedSettings) -> float:
    if settings.loss is not None:
        return settings.loss
    # Film capacitors: some thousandths (common practice, no source).
    drawn = 0.003 * math.exp(math.log(2.0) * _normal(settings.seed, f"loss of {name}"))
    return min(drawn, 0.05)


def _draw_value(part: Part, seed: int) -> float:
    """Gaussian in ln(value), sigma = half width / sqrt(3); unequal limits: centred between logarithms."""
    chance = _normal(seed, f"value of {part.name}")
    if part.measured is not None:
        relative = part.measured.half_width / part.measured.value
        return part.measured.value * math.exp(relative / math.sqrt(3) * chance)
    if part.kind is PartKind.SUPPLY:
        return part.value
    tolerance = part.tolerance_or_default()
    if tolerance.minus == tolerance.plus:
        centre, half = 0.0, tolerance.plus
    else:
        low, high = math.log1p(-tolerance.minus), math.log1p(tolerance.plus)
        centre, half = (low + high) / 2, (high - low) / 2
    sigma = half / math.sqrt(3)
    if part.aged:
        # Old carbon composition drifts upward: the design's "sigma >= 20 %, skewed upward".
        sigma, centre = max(sigma, 0.2), centre + 0.1
    return part.value * math.exp(centre + sigma * chance)


def _faulty(part: Part, fault: Fault) -> Part:
    amount = fault.amount or 0.0
    match fault.kind:
        case FaultKind.OPEN:
            return _capacitor(part.name, part.between, _OPEN_STRAY_FARAD)
        case FaultKind.SHORTED:
            return _resistor(part.name, part.between, _SHORT_OHM)
        case FaultKind.OFF_VALUE:
            return replace(part, value=amount)
        case FaultKind.LOSSY:
            return replace(part, loss=amount)
        case FaultKind.ESR:
            return replace(part, esr_ohm=amount)
        case FaultKind.LEAKY if part.kind is PartKind.CAPACITOR:
            return replace(part, leak_ohm=amount)
        case FaultKind.LEAKY:
            return replace(part, value=1.0 / (1.0 / part.value + 1.0 / amount))


def _draw_probe(settings: SimulatedSettings, channel: int) -> Probe:
    factor = settings.probe_factor[channel - 1]
    seed = settings.seed
    ohm, farad, spread = (10e6, 12e-12, 2e-12) if factor == 10 else (1e6, 110e-12, 20e-12)
    compensation = 0.03 * settings.imperfection * _normal(seed, f"compensation {channel}")
    return Probe(
        factor=factor,
        ohm=ohm * math.exp(0.01 / math.sqrt(3) * _normal(seed, f"probe ohm {channel}")),
        farad=farad + spread / math.sqrt(3) * _normal(seed, f"probe farad {channel}"),
        compensation=compensation if factor == 10 else 0.0,
    )


def _draw_hum(settings: SimulatedSettings) -> dict[str, NDArray[np.complex128]]:
    """Millivolts on every node but the drive node, which the generator's 50 ohm keeps quiet."""
    hum = {}
    for node in settings.stage.nodes:
        chance = _stream(settings.seed, f"hum at {node}")
        size = 1.5e-3 * math.exp(0.6 * chance.standard_normal())
        phase = np.exp(2j * np.pi * chance.uniform(size=3))
        quiet = 0.05 if node == settings.stage.drive else 1.0
        hum[node] = settings.hum_scale * quiet * size * np.array([1.0, 0.3, 0.5]) * phase
        hum[node][0] += math.sqrt(2) * settings.line_rms_v.get(node, 0.0) * phase[0]
    return hum


def _resistor(name: str, between: tuple[str, str], ohm: float) -> Part:
    return Part(name=name, kind=PartKind.RESISTOR, between=between, value=ohm)


def _capacitor(name: str, between: tuple[str, str], farad: float) -> Part:
    return Part(name=name, kind=PartKind.CAPACITOR, between=between, value=farad)
