"""What a simulated bench is asked to be.

Owns the settings and the faults a part can be given. Nothing here is random: `truth` draws from it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

from twonode.analysis.stage import GROUND, PartKind, Stage
from twonode.drivers.simulated.misbehave import Misbehaviour

__all__ = ["Fault", "FaultKind", "GeneratorFamily", "ScopeFamily", "SimulatedSettings", "Variant"]


class FaultKind(Enum):
    """What is wrong with a part; the value is the word on the command line."""

    OPEN = "open"
    SHORTED = "shorted"
    LEAKY = "leaky"
    OFF_VALUE = "off"
    LOSSY = "lossy"
    ESR = "esr"


_NEEDS_AMOUNT = {FaultKind.LEAKY, FaultKind.OFF_VALUE, FaultKind.LOSSY, FaultKind.ESR}
_ONLY_CAPACITORS = {FaultKind.LOSSY, FaultKind.ESR}


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A fault of one part.

    amount : LEAKY: ohm in parallel; OFF_VALUE: the true value in the part's own unit; LOSSY: tan delta;
        ESR: ohm in series. None for OPEN and SHORTED.
    """

    kind: FaultKind
    amount: float | None = None

    def __post_init__(self) -> None:
        if (self.amount is not None) != (self.kind in _NEEDS_AMOUNT):
            raise ValueError(f"fault {self.kind.value}: amount is {self.amount}")
        if self.amount is not None and not 0 < self.amount < math.inf:
            raise ValueError(f"fault {self.kind.value}: need an amount > 0, got {self.amount}")


class ScopeFamily(Enum):
    """Dialects of the simulated scope; the values are the names of the facts page."""

    TEN_FIELD = "S1a"
    VOLT_ORIGIN = "S1b"
    SCREEN_600 = "S1c"
    CURVE = "S2"
    CURVE_NEWER = "S2-newer"
    SIGNED_CODES = "S3"
    WAVEDESC = "S4"
    MEMORY_LIST = "S5"


class GeneratorFamily(Enum):
    """Dialects of the simulated generator; the values are the names of the facts page."""

    SCPI = "G1"
    SCPI_AMPLITUDE = "G1b"
    KEY_VALUE = "G2"
    WRITE_READ = "G3"
    LETTER_PAIRS = "G4"
    COLON_REGISTERS = "G5"


class Variant(Enum):
    """What differs inside a family, where the facts page names two ways; the first of them holds without it.

    WRAP_255 : S3 sends negative codes counted down from 255 instead of 256.
    STEPS_1_2_4 : S2 has time-base steps of 1-2-4 instead of 1-2.5-5.
    STEPS_1_25_5 : S3 and S4 have time-base steps of 1-2.5-5 instead of 1-2-5.
    EXTRA_KEYS : G2 tells more in its replies, as newer firmware does.
    """

    WRAP_255 = "wrap-255"
    STEPS_1_2_4 = "steps-1-2-4"
    STEPS_1_25_5 = "steps-1-2.5-5"
    EXTRA_KEYS = "extra-keys"


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedSettings:
    """A bench, its circuit and how imperfect it is.

    stage : nominal circuit; true values are drawn within its tolerances.
    seed : everything random comes from it. The same seed gives the same parts, instruments and noise.
    noise_stream : another noise on the same parts and instruments, for repeated measurements.
    true : part name to true value (F, ohm, H), instead of a drawn one.
    faults : part name to fault; applied after the true values.
    loss : tan delta of every capacitor whose stage states none; None draws one for each.
    probe_nodes : nodes of channel 1 and 2; None is the stage's drive and far node. Both on the drive node is
        a null run.
    probe_factor : position of each probe's switch, 1 or 10 (the scope is not told).
    blocking_farad : capacitor in the generator lead ahead of the drive node, with 1 Mohm to ground behind it.
    line_hz : mains frequency.
    residual_dc_v, line_rms_v : node to V of DC, and V rms of mains frequency, that should not be there.
    hum_scale : factor on the ordinary hum of some mV; 0.0 leaves it out.
    imperfection : factor on gain, offset, skew, compensation, time-base and frequency errors; 0.0 is ideal.
    noise_lsb : rms noise in steps of the converter; None draws 0.2 to 2.
    generator_settle_s : time after which the generator's own settling has died down to exp(-7).
    speed : how many simulated seconds pass in a real one (sockets only).
    transfer_latency_s : bench seconds a scope takes for the transfer of one channel.
    variants : ways of the dialects that are not the usual ones.
    grid_current_a : node to A that a valve drives into it during a DC check.
    meter_node : where the voltmeter's tip is at first; None is the stage's far node.
    misbehave : what goes wrong on purpose, and when.
    generator_idn, scope_idn, voltmeter_idn : replies to *IDN? instead of the bench's own.
    """

    stage: Stage
    seed: int = 1
    noise_stream: int = 0
    true: Mapping[str, float] = field(default_factory=dict)
    faults: Mapping[str, Fault] = field(default_factory=dict)
    loss: float | None = None
    probe_nodes: tuple[str, str] | None = None
    probe_factor: tuple[int, int] = (10, 10)
    blocking_farad: float | None = None
    line_hz: float = 50.0
    residual_dc_v: Mapping[str, float] = field(default_factory=dict)
    line_rms_v: Mapping[str, float] = field(default_factory=dict)
    hum_scale: float = 1.0
    imperfection: float = 1.0
    noise_lsb: float | None = None
    generator_settle_s: float = 0.05
    speed: float = 1.0
    scope_family: ScopeFamily = ScopeFamily.TEN_FIELD
    generator_family: GeneratorFamily = GeneratorFamily.SCPI
    variants: frozenset[Variant] = frozenset()
    transfer_latency_s: float = 0.0
    grid_current_a: Mapping[str, float] = field(default_factory=dict)
    meter_node: str | None = None
    misbehave: tuple[Misbehaviour, ...] = ()
    generator_idn: str | None = None
    scope_idn: str | None = None
    voltmeter_idn: str | None = None

    def __post_init__(self) -> None:
        if not 0 <= self.seed < 2**63 or not 0 <= self.noise_stream < 2**63:
            raise ValueError(f"seed: need a whole number from 0, got {self.seed}, {self.noise_stream}")
        if any(factor not in (1, 10) for factor in self.probe_factor):
            raise ValueError(f"probe_factor: need 1 or 10, got {self.probe_factor}")
        for name, value in self.true.items():
            if not 0 < value < math.inf:
                raise ValueError(f"true {name}: need > 0, got {value}")
            self.stage.part(name)
        for name, fault in self.faults.items():
            part = self.stage.part(name)
            if part.kind is PartKind.SUPPLY:
                raise ValueError(f"fault of {name}: a supply has none")
            if fault.kind in _ONLY_CAPACITORS and part.kind is not PartKind.CAPACITOR:
                raise ValueError(f"fault of {name}: {fault.kind.value} fits a capacitor")
        nodes = {*self.stage.nodes, GROUND}
        tips = () if self.meter_node is None else (self.meter_node,)
        named = (
            *self.residual_dc_v,
            *self.line_rms_v,
            *self.grid_current_a,
            *(self.probe_nodes or ()),
            *tips,
        )
        for node in named:
            if node not in nodes:
                raise ValueError(f"node {node!r} is not in the stage; it has {', '.join(sorted(nodes))}")
        positive = {
            "line_hz": self.line_hz,
            "speed": self.speed,
            "blocking_farad": self.blocking_farad or 1.0,
        }
        not_negative = {
            "loss": self.loss or 0.0,
            "hum_scale": self.hum_scale,
            "imperfection": self.imperfection,
            "noise_lsb": self.noise_lsb or 0.0,
            "generator_settle_s": self.generator_settle_s,
            "transfer_latency_s": self.transfer_latency_s,
        }
        for name, number in positive.items():
            if not 0 < number < math.inf:
                raise ValueError(f"{name}: need > 0, got {number}")
        for name, number in not_negative.items():
            if not 0 <= number < math.inf:
                raise ValueError(f"{name}: need >= 0, got {number}")
