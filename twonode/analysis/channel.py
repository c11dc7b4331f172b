"""What stands between a node and its trace: the probe that loads it, and the channel that reads it.

Owns the stated classes of probes and scopes and the compensation of a 10:1 probe. The numbers are class limits,
not measurements of anybody's instruments.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.stage import GROUND, Part, PartKind, Stage

__all__ = [
    "PROBE_1",
    "PROBE_10",
    "ChannelClass",
    "Probe",
    "compensation",
    "probe_for_factor",
    "probe_parts",
    "wiring_sigma_farad",
]

Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """A probe with its scope input, as seen from the node.

    resistance_ohm, capacitance_farad : nominal loading.
    resistance_sigma, capacitance_sigma : relative standard uncertainties of these.
    compensation_sigma : standard uncertainty of the relative trimming error of the tip's time constant; 0 where
        there is no divider.
    """

    factor: float
    resistance_ohm: float
    resistance_sigma: float
    capacitance_farad: float
    capacitance_sigma: float
    compensation_sigma: float

    @property
    def time_constant_s(self) -> float:
        """Time constant of the tip, s: that of the whole probe when it is trimmed."""
        return self.resistance_ohm * self.capacitance_farad

    @property
    def compensation_shape_sigma(self) -> float:
        """Standard uncertainty of trimming error times relative error of the time constant (see `model`)."""
        return self.compensation_sigma * self.time_constant_sigma

    @property
    def time_constant_sigma(self) -> float:
        """Relative standard uncertainty of the time constant."""
        return hypot(self.resistance_sigma, self.capacitance_sigma)


# Limits 1 % and 2 pF (design), read as standard uncertainties by 1/sqrt(3).
PROBE_10 = Probe(
    factor=10.0,
    resistance_ohm=10e6,
    resistance_sigma=0.01 / sqrt(3.0),
    capacitance_farad=12e-12,
    capacitance_sigma=2.0 / 12.0 / sqrt(3.0),
    compensation_sigma=0.03,
)
PROBE_1 = Probe(
    factor=1.0,
    resistance_ohm=1e6,
    resistance_sigma=0.01 / sqrt(3.0),
    capacitance_farad=110e-12,
    capacitance_sigma=20.0 / 110.0 / sqrt(3.0),
    compensation_sigma=0.0,
)


def probe_for_factor(factor: float) -> Probe:
    """The stated class of probe for a division factor of 10 or 1; ValueError for any other."""
    for probe in (PROBE_10, PROBE_1):
        if probe.factor == factor:
            return probe
    raise ValueError(f"factor: need 10 or 1, got {factor}")


WIRING_SIGMA_FARAD = 6e-12
"""Wiring and socket add some 5 to 20 pF to a node inside a set (common practice, no source)."""


def wiring_sigma_farad(stage: Stage) -> float:
    """Uncertainty of the far node's capacitance inside a set: none where the stage lists its stray itself, F."""
    listed = any(p.role == "stray" and stage.far in p.between for p in stage.parts)
    return 0.0 if listed else WIRING_SIGMA_FARAD


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelClass:
    """How far the two channels of a scope of this class may differ, and the generator's frequency error.

    gain_sigma : relative, per channel and V/div range.
    skew_sigma_s : s, between the channels.
    frequency_sigma : relative, of the frequency the generator states.
    """

    gain_sigma: float = 0.015
    skew_sigma_s: float = 1e-9
    frequency_sigma: float = 2e-5


def probe_parts(probe: Probe, node: str, name: str) -> tuple[Part, Part]:
    """The loading of a probe as two nominal parts from its node to ground, called "name R" and "name C"."""
    return (
        Part(
            name=f"{name} R",
            kind=PartKind.RESISTOR,
            between=(node, GROUND),
            value=probe.resistance_ohm,
            role="probe",
        ),
        Part(
            name=f"{name} C",
            kind=PartKind.CAPACITOR,
            between=(node, GROUND),
            value=probe.capacitance_farad,
            role="probe",
        ),
    )


def compensation(
    s: Complex, time_constant_s: float, error: float
) -> tuple[Complex, Complex, Complex, Complex]:
    """Log transfer of a 10:1 divider whose tip is trimmed off by a relative error, and its slopes.

    The tip (9 of 10 parts of the resistance) has the time constant T(1 + e), the input (1 part) keeps T, so that
    against a trimmed probe the divider passes (1 + sT(1 + e)) / (1 + sT(1 + 0.1 e)). Derived from the two parallel
    RC pairs of the divider.

    Returns
    -------
    ln of that, shape (n,); its derivatives with respect to e and to ln T; and the mixed second derivative at e = 0,
    0.9 sT / (1 + sT)**2, which says what an error does when T itself is not quite known.
    """
    st = s * time_constant_s
    zero, pole = 1.0 + st * (1.0 + error), 1.0 + st * (1.0 + 0.1 * error)
    return (
        np.log(zero) - np.log(pole),
        st / zero - 0.1 * st / pole,
        st * (1.0 + error) / zero - st * (1.0 + 0.1 * error) / pole,
        0.9 * st / (1.0 + st) ** 2,
    )
