"""The form of a generator's profile.

Owns what must be said about a signal source before it may drive a circuit: above all how its output is known to
be off, and what its amplitude figure means.
"""

from __future__ import annotations

from enum import Enum

from twonode.drivers.profile_format.common import BaseProfile, Setting, Step

__all__ = ["AmplitudeMeaning", "GeneratorProfile", "OutputBy"]


class AmplitudeMeaning(Enum):
    """What the generator's amplitude figure says once its load setting is as the profile makes it."""

    OPEN = "open"
    INTO_50_OHM = "50ohm"

    @property
    def open_circuit_factor(self) -> float:
        """Open-circuit volts per volt of the figure: a 50 ohm load on 50 ohm takes half."""
        return 1.0 if self is AmplitudeMeaning.OPEN else 2.0


class OutputBy(Enum):
    """What switches the signal on and off."""

    SWITCH = "switch"
    AMPLITUDE = "amplitude"  # the family has no output command: off is an amplitude of zero


class GeneratorProfile(BaseProfile, frozen=True, kw_only=True, tag_field="kind", tag="generator"):
    """A signal generator.

    dialled : a person turns the knobs: frequency and level are near what was asked, and the traces say what they are.
    output_by : see `OutputBy`. output_on : absent where the amplitude itself switches on.
    output_confirmed : false only where the family cannot be asked whether its output is off; then every promise
        about the output says that it was commanded and not confirmed.
    prepare : sent with the output off, before any amplitude: load, unit, sine, offset.
    load_can_be_set : whether ``prepare`` makes the load setting high-impedance.
    amplitude_means : after ``prepare``; what figure the amplitude setting takes.
    vpp_min, vpp_max : open circuit. prepare_vpp : the low amplitude left by ``prepare``.
    settle_s : after a frequency change. amplitude_settle_s : after an amplitude change (attenuator relays).
    relay_s : after switching the output.
    """

    dialled: bool = False
    output_by: OutputBy = OutputBy.SWITCH
    output_confirmed: bool = True
    output_on: Step | None = None
    output_off: Step
    prepare: tuple[Step, ...]
    load_can_be_set: bool
    amplitude_means: AmplitudeMeaning
    amplitude: Setting
    frequency: Setting
    frequency_min_hz: float
    frequency_max_hz: float
    vpp_min: float
    vpp_max: float
    prepare_vpp: float
    settle_s: float = 0.05
    amplitude_settle_s: float = 0.1
    relay_s: float = 0.2

    def __post_init__(self) -> None:
        BaseProfile.__post_init__(self)
        if not 0 < self.frequency_min_hz < self.frequency_max_hz:
            raise ValueError("frequency_min_hz: need 0 < frequency_min_hz < frequency_max_hz")
        if not 0 < self.vpp_min <= self.prepare_vpp <= self.vpp_max:
            raise ValueError("vpp_min: need 0 < vpp_min <= prepare_vpp <= vpp_max")
        if self.load_can_be_set and self.amplitude_means is not AmplitudeMeaning.OPEN:
            raise ValueError("amplitude_means: with the load set to high impedance it is 'open'")
        for key in ("settle_s", "amplitude_settle_s", "relay_s"):
            if not 0 <= getattr(self, key) <= 60:
                raise ValueError(f"{key}: need 0 to 60 s, got {getattr(self, key)}")
        self.check_channels("prepare", "output_on", "output_off", "amplitude", "frequency")
        self._check_output()
        if self.frequency.ask is None:
            raise ValueError("frequency: must be read back; without it nothing shows that commands arrive")
        factor = self.amplitude_means.open_circuit_factor
        self.frequency.check_range("frequency", self.frequency_min_hz, self.frequency_max_hz, self.line)
        self.amplitude.check_range("amplitude", self.vpp_min / factor, self.vpp_max / factor, self.line)
        self.check_lengths()

    def _check_output(self) -> None:
        if (self.output_on is None) != (self.output_by is OutputBy.AMPLITUDE):
            raise ValueError("output_on: needed with output_by 'switch', and not used with 'amplitude'")
        steps = [step for step in (self.output_off, self.output_on) if step is not None]
        if self.output_confirmed and any(step.ask is None for step in steps):
            raise ValueError("output_off: the output state must be read back")
        if not self.output_confirmed and any(step.ask is not None for step in steps):
            raise ValueError("output_confirmed: the output can be asked for, so it is confirmed")
