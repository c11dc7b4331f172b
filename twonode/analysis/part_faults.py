"""What may be wrong with any part of a stage, how often, and how it looks to the model.

Owns the kinds of fault per kind of part, their prior rates by dielectric and role, and the parameter priors that
stand for each. The rates are working assumptions about parts that come to a repair bench (common practice, no
source); they decide only where the readings leave the question open, and are printed with a diagnosis.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from enum import Enum
from math import log

from twonode.analysis.parameters import Aspect, Free
from twonode.analysis.prior import ESR_SIGMA, family_of, log_prior
from twonode.analysis.stage import Part, PartKind

__all__ = [
    "DRIFT",
    "LEAK_OHM",
    "OFF_SIGMA",
    "SHORT_OHM",
    "SHORT_SIGMA",
    "STRAY_FARAD",
    "STRAY_SIGMA",
    "PartFault",
    "circuit_part",
    "dielectric_frees",
    "fault_frees",
    "fault_variants",
    "faults_of",
    "prior_rates",
]


class PartFault(Enum):
    """Kinds of fault; the value is the word on screen and in files."""

    NONE = "healthy"
    OPEN = "open"
    SHORTED = "shorted"
    LEAKY = "leaky"
    OFF_VALUE = "off value"
    LOSSY = "lossy"


_BY_DIELECTRIC: dict[str, dict[PartFault, float]] = {
    "paper": {
        PartFault.OPEN: 0.02,
        PartFault.SHORTED: 0.01,
        PartFault.LEAKY: 0.08,
        PartFault.OFF_VALUE: 0.04,
        PartFault.LOSSY: 0.04,
    },
    "electrolytic": {
        PartFault.OPEN: 0.03,
        PartFault.SHORTED: 0.01,
        PartFault.LEAKY: 0.04,
        PartFault.OFF_VALUE: 0.08,
        PartFault.LOSSY: 0.08,
    },
    "mica": {
        PartFault.OPEN: 0.005,
        PartFault.SHORTED: 0.005,
        PartFault.LEAKY: 0.005,
        PartFault.OFF_VALUE: 0.01,
        PartFault.LOSSY: 0.002,
    },
    "ceramic": {
        PartFault.OPEN: 0.01,
        PartFault.SHORTED: 0.005,
        PartFault.LEAKY: 0.005,
        PartFault.OFF_VALUE: 0.02,
        PartFault.LOSSY: 0.005,
    },
    "film": {
        PartFault.OPEN: 0.005,
        PartFault.SHORTED: 0.005,
        PartFault.LEAKY: 0.01,
        PartFault.OFF_VALUE: 0.01,
        PartFault.LOSSY: 0.005,
    },
}
_RESISTOR = {PartFault.OPEN: 0.01, PartFault.SHORTED: 0.001, PartFault.OFF_VALUE: 0.04}
_INDUCTOR = {PartFault.OPEN: 0.01, PartFault.SHORTED: 0.005}

STRAY_FARAD = 1.5e-12
"""What is left across the leads of an open part (from memory: a picofarad or two)."""
STRAY_SIGMA = 0.8
SHORT_OHM = 3.0
SHORT_SIGMA = 2.0
LEAK_OHM = 1.4e6
LEAK_SIGMA = 1.53
"""A leak that is noticed lies between some 100 kilohms and some 20 megohms (issue: common practice, no source).

ln(200) / sqrt(12), the spread of a logarithm that may be anywhere between these.
"""
OFF_SIGMA = 0.8
DRIFT = 0.2
"""Old resistors mostly drift upward (common practice, no source)."""
OFF_MODES = ((0.45, -0.80, 0.33), (0.55, 0.75, 0.33))
OFF_MODES_RESISTOR = ((0.32, -0.78, 0.33), (0.68, 0.85, 0.37))
"""Share, mean and spread of ln(value / nominal) below and above.

A value that is off is off by more than tolerances explain, 35 % and more (issue): what OFF_SIGMA and DRIFT leave beyond
that, as a Gaussian on each side. One Gaussian over the nominal value would call a good part off value now and then.
"""


def family_word(part: Part) -> str:
    """The family a capacitor's rates are taken from."""
    said = (part.dielectric or "").lower()
    for word in _BY_DIELECTRIC:
        if word in said:
            return word
    if "tantalum" in said:
        return "electrolytic"
    if part.value >= 1e-6:
        return "electrolytic"
    return "mica" if part.value < 1e-9 else "paper"


def prior_rates(part: Part) -> Mapping[PartFault, float]:
    """Prior probability of each fault of a part; what is left is healthy. Empty for a supply or a companion."""
    # A stray capacitance is no part that breaks.
    if part.role in ("companion", "known resistor", "probe", "stray"):
        return {}
    match part.kind:
        case PartKind.CAPACITOR:
            return _BY_DIELECTRIC[family_word(part)]
        case PartKind.RESISTOR:
            return _RESISTOR
        case PartKind.INDUCTOR:
            return _INDUCTOR
        case PartKind.SUPPLY:
            return {}


def faults_of(part: Part) -> tuple[PartFault, ...]:
    """The faults a part can have, in a fixed order."""
    return tuple(prior_rates(part))


def circuit_part(part: Part, fault: PartFault) -> Part:
    """What stands in the circuit for a part with a fault.

    An open resistor or coil is what is left across its leads, and a shorted capacitor a small resistance.
    """
    if fault is PartFault.OPEN and part.kind is not PartKind.CAPACITOR:
        kind, value = PartKind.CAPACITOR, STRAY_FARAD
    elif fault is PartFault.SHORTED and part.kind is PartKind.CAPACITOR:
        kind, value = PartKind.RESISTOR, SHORT_OHM
    else:
        return part
    return Part(name=part.name, kind=kind, between=part.between, value=value, role=part.role)


def dielectric_frees(part: Part, farad: float) -> list[Free]:
    """Loss, and an electrolytic's ESR, of a sound part of about this value."""
    family = family_of(farad)
    frees = [
        Free(
            part=part.name,
            aspect=Aspect.LOSS,
            mean=part.loss or family.loss,
            sigma=family.loss_sigma,
            logarithmic=False,
        )
    ]
    esr_ohm = part.esr_ohm or family.esr_ohm
    if esr_ohm:
        frees.append(Free(part=part.name, aspect=Aspect.ESR, mean=log(esr_ohm), sigma=ESR_SIGMA))
    return frees


def fault_frees(part: Part, fault: PartFault) -> list[Free]:
    """The parameter priors that stand for a fault of a part; the part itself is then `circuit_part`.

    Raises
    ------
    ValueError : the kind of part has no such fault.
    """
    if fault not in faults_of(part):
        raise ValueError(f"{part.name}: a {part.kind.value} has no fault {fault.value!r}")
    ordinary = log_prior(part)

    def value(mean: float, sigma: float) -> Free:
        return Free(part=part.name, aspect=Aspect.VALUE, mean=mean, sigma=sigma)

    if part.kind is not PartKind.CAPACITOR:
        match fault:
            case PartFault.OPEN:
                return [value(log(STRAY_FARAD), STRAY_SIGMA)]
            case PartFault.SHORTED:
                return [value(log(SHORT_OHM if part.kind is PartKind.RESISTOR else 1e-6), SHORT_SIGMA)]
            case _:
                return [value(ordinary.mean + DRIFT, OFF_SIGMA)]
    healthy = [value(ordinary.mean, ordinary.sigma), *dielectric_frees(part, part.value)]
    match fault:
        case PartFault.OPEN:
            return [value(log(STRAY_FARAD), STRAY_SIGMA)]
        case PartFault.SHORTED:
            return [value(log(SHORT_OHM), SHORT_SIGMA)]
        case PartFault.LEAKY:
            return [
                *healthy,
                Free(part=part.name, aspect=Aspect.LEAK, mean=log(LEAK_OHM), sigma=LEAK_SIGMA),
            ]
        case PartFault.OFF_VALUE:
            return [value(ordinary.mean, OFF_SIGMA), *healthy[1:]]
        case PartFault.LOSSY:
            return _lossy(part, healthy)
        case PartFault.NONE:
            return healthy


def fault_variants(part: Part, fault: PartFault) -> list[tuple[float, list[Free]]]:
    """A fault's parameter priors as a mixture: share and priors of each component.

    Raises ValueError as `fault_frees`.
    """
    frees = fault_frees(part, fault)
    if fault is not PartFault.OFF_VALUE:
        return [(1.0, frees)]
    nominal = log_prior(part).mean
    modes = OFF_MODES if part.kind is PartKind.CAPACITOR else OFF_MODES_RESISTOR
    return [
        (share, [replace(frees[0], mean=nominal + shift, sigma=sigma), *frees[1:]])
        for share, shift, sigma in modes
    ]


def _lossy(part: Part, healthy: list[Free]) -> list[Free]:
    family = family_of(part.value)
    esr_ohm = part.esr_ohm or family.esr_ohm
    if esr_ohm:
        return [
            *(f for f in healthy if f.aspect is not Aspect.ESR),
            Free(part=part.name, aspect=Aspect.ESR, mean=log(10.0 * esr_ohm), sigma=0.8),
        ]
    return [healthy[0], Free(part=part.name, aspect=Aspect.LOSS, mean=log(0.08), sigma=0.6)]
