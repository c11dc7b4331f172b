"""From volts at the probe tip to the converter's codes.

Owns gain, offset, noise and quantisation of both channels. Leaves probes, coupling and skew to `world`, and
what the codes mean on the wire to the scope's family.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from twonode.drivers.simulated.truth import RANGE_STEPS_V, Truth
from twonode.drivers.simulated.world import InputPath

__all__ = ["CODES_PER_DIV", "ChannelSetup", "FrontEnd"]

CODES_PER_DIV = 25


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelSetup:
    """The switches of one channel.

    step : place of the range in RANGE_STEPS_V, volts per division at the scope's own input.
    probe_setting : what the scope believes the probe to be; it only scales what is shown.
    position_div : where zero volts lie, divisions above the centre.
    """

    displayed: bool = True
    step: int = RANGE_STEPS_V.index(1.0)
    probe_setting: float = 1.0
    position_div: float = 0.0
    inverted: bool = False
    path: InputPath = field(default_factory=InputPath)

    @property
    def shown_volts_per_div(self) -> float:
        """V/div as the scope shows it."""
        return float(f"{RANGE_STEPS_V[self.step] * self.probe_setting:.6g}")


class FrontEnd:
    """Both channels' amplifiers and their converter.

    lowest, highest : the converter's rails, counted from the screen's centre.
    """

    def __init__(self, truth: Truth, noise: np.random.Generator, *, rails: tuple[int, int]) -> None:
        self._truth = truth
        self._noise = noise
        self.lowest, self.highest = rails

    def codes(self, channel: int, setup: ChannelSetup, tip_v: NDArray[np.float64]) -> NDArray[np.float64]:
        """Convert one trace.

        Parameters
        ----------
        channel : 0 or 1.
        tip_v : shape (n,), V at the probe tip.

        Returns
        -------
        shape (n,), whole numbers from the screen's centre, held at the rails.
        """
        truth = self._truth
        input_div = (1 + truth.gain_error[channel, setup.step]) / RANGE_STEPS_V[setup.step]
        factor = CODES_PER_DIV * input_div / truth.probes[channel].factor
        centre = CODES_PER_DIV * (setup.position_div + truth.offset_div[channel, setup.step])
        level: NDArray[np.float64] = tip_v * (-factor if setup.inverted else factor)
        level += centre
        if truth.noise_lsb > 0:
            level += truth.noise_lsb * self._noise.standard_normal(tip_v.size)
        np.rint(level, out=level)
        np.clip(level, self.lowest, self.highest, out=level)
        return level

    def shown_per_tip_v(self, channel: int, setup: ChannelSetup) -> float:
        """Volts the scope would show per volt at the tip."""
        gain = 1 + self._truth.gain_error[channel, setup.step]
        sign = -1.0 if setup.inverted else 1.0
        return float(sign * gain * setup.probe_setting / self._truth.probes[channel].factor)
