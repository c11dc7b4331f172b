"""Admittance of one part over frequency, with its derivatives.

Owns the element equations of resistor, inductor and the four-element capacitor. Knows nothing of nodes.

The capacitor is a lossy dielectric in series with its ESR, the leak across both::

    y = 1/leak + yc/(1 + esr*yc),    yc = C*(s + |Im s|*tan_delta)

so that at DC only the leak is left, and tan delta is the same at all frequencies (design; a frequency-independent
loss has no exact time-domain form, which is why transients are computed without it).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.stage import Part, PartKind

__all__ = ["Complex", "PartAdmittance", "capacitor_admittance", "inductor_admittance", "part_admittance"]

Complex = NDArray[np.complex128]
Scalars = float | NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class PartAdmittance:
    """Admittance and its derivatives at n complex frequencies; every array has shape (n,), siemens per unit.

    by_log_value : d y / d ln(value), S.
    by_loss : d y / d tan(delta), S.
    by_esr : d y / d esr, S/ohm.

    The derivative with respect to the leak's conductance is 1 everywhere.
    """

    y: Complex
    by_log_value: Complex
    by_loss: Complex
    by_esr: Complex


def capacitor_admittance(
    s: Complex,
    *,
    farad: Scalars,
    loss: Scalars = 0.0,
    esr_ohm: Scalars = 0.0,
    leak_siemens: Scalars = 0.0,
) -> PartAdmittance:
    """Lossy, leaky capacitor with series resistance (module docstring); values may be arrays that broadcast."""
    per_farad = s + np.abs(s.imag) * loss
    dielectric = farad * per_farad
    divider = 1.0 + esr_ohm * dielectric
    squared = divider * divider
    return PartAdmittance(
        y=leak_siemens + dielectric / divider,
        by_log_value=dielectric / squared,
        by_loss=farad * np.abs(s.imag) / squared,
        by_esr=-dielectric * dielectric / squared,
    )


def resistor_admittance(s: Complex, *, ohm: float) -> PartAdmittance:
    """Ideal resistor."""
    y = np.full(s.shape, 1.0 / ohm, dtype=np.complex128)
    zero = np.zeros_like(y)
    return PartAdmittance(y=y, by_log_value=-y, by_loss=zero, by_esr=zero)


def inductor_admittance(s: Complex, *, henry: Scalars, series_ohm: Scalars = 0.0) -> PartAdmittance:
    """Inductor with its winding resistance in series."""
    y = 1.0 / (s * henry + series_ohm)
    zero = np.zeros_like(y)
    return PartAdmittance(y=y, by_log_value=-s * henry * y * y, by_loss=zero, by_esr=-y * y)


def part_admittance(part: Part, s: Complex) -> PartAdmittance:
    """Admittance of a part from its stage description.

    Parameters
    ----------
    part : not a supply (a supply has no admittance: it ties its node to ground at AC).
    s : shape (n,), complex frequency in 1/s; j*2*pi*f for a steady sine.

    Raises
    ------
    ValueError : the part is a supply.
    """
    match part.kind:
        case PartKind.CAPACITOR:
            return capacitor_admittance(
                s,
                farad=part.value,
                loss=part.loss,
                esr_ohm=part.esr_ohm,
                leak_siemens=0.0 if part.leak_ohm is None else 1.0 / part.leak_ohm,
            )
        case PartKind.RESISTOR:
            return resistor_admittance(s, ohm=part.value)
        case PartKind.INDUCTOR:
            return inductor_admittance(s, henry=part.value, series_ohm=part.esr_ohm)
        case PartKind.SUPPLY:
            raise ValueError(f"{part.name}: a supply has no admittance")
