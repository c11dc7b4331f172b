"""The signal generator: one sine in open-circuit volts and hertz, and an output that is known to be off.

Owns the order of commands that is safe for what is connected: output off, load, unit, sine, offset, low
amplitude. Leaves the waiting for the circuit, and the choice of level and frequency, to its callers.
"""

from __future__ import annotations

from twonode.drivers.clock import Clock
from twonode.drivers.errors import SettingRefused
from twonode.drivers.instrument import Instrument
from twonode.drivers.link import Link
from twonode.drivers.profile_format import GeneratorProfile

__all__ = ["Generator"]

# A read-back further away is another setting, not a rounding: generators resolve far better than this.
_FREQUENCY_TOLERANCE = 0.01
_AMPLITUDE_TOLERANCE = 0.05


class Generator(Instrument):
    """A generator on a link. Nothing is sent by making one."""

    def __init__(self, link: Link, *, identity: str, profile: GeneratorProfile, clock: Clock) -> None:
        super().__init__(link, name="generator", identity=identity, profile=profile, clock=clock)
        self.profile = profile
        self._vpp: float | None = None

    @property
    def frequency_min_hz(self) -> float:
        """Lowest frequency, Hz."""
        return self.profile.frequency_min_hz

    @property
    def frequency_max_hz(self) -> float:
        """Highest frequency of a sine, Hz."""
        return self.profile.frequency_max_hz

    @property
    def vpp_min(self) -> float:
        """Smallest amplitude, open-circuit V peak-to-peak."""
        return self.profile.vpp_min

    @property
    def vpp_max(self) -> float:
        """Largest amplitude, open-circuit V peak-to-peak."""
        return self.profile.vpp_max

    @property
    def settle_s(self) -> float:
        """How long the generator itself takes to settle after a change of frequency, s."""
        return self.profile.settle_s

    def prepare(self) -> None:
        """Output off, load high impedance, volts peak-to-peak, sine, no offset, low amplitude; all read back.

        Raises CommandRefused, SettingNotTaken, ReplyError, LinkError.
        """
        self.make_safe()
        for step in self.profile.prepare:
            self._do(step)
        self.check_errors("the basic settings")
        self.set_level(self.profile.prepare_vpp)

    def set_level(self, vpp: float) -> float:
        """Set the open-circuit amplitude and wait for the attenuator.

        Parameters
        ----------
        vpp : V peak-to-peak with nothing connected, whatever the instrument's own figure means.

        Returns
        -------
        The amplitude read back, in the same meaning.

        Raises
        ------
        SettingRefused : outside ``vpp_min`` to ``vpp_max``; nothing was sent.
        SettingNotTaken : the read-back is more than 5 % away.
        CommandRefused, ReplyError, LinkError.
        """
        self._require("amplitude", vpp, self.vpp_min, self.vpp_max, "V peak-to-peak")
        factor = self.profile.amplitude_means.open_circuit_factor
        taken = factor * self._set(self.profile.amplitude, vpp / factor, what="amplitude")
        if not abs(taken - vpp) <= _AMPLITUDE_TOLERANCE * vpp:
            raise self._not_taken(f"amplitude {vpp:g} V peak-to-peak", f"{taken:g} V")
        if taken != self._vpp:
            self._clock.sleep_s(self.profile.amplitude_settle_s)
        self._vpp = taken
        return taken

    def set_frequency(self, frequency_hz: float) -> float:
        """Set the frequency; the caller waits ``settle_s`` and for the circuit.

        Returns
        -------
        The frequency read back, Hz.

        Raises
        ------
        SettingRefused : outside what the generator reaches; nothing was sent.
        SettingNotTaken : the read-back is more than 1 % away.
        CommandRefused, ReplyError, LinkError.
        """
        self._require("frequency", frequency_hz, self.frequency_min_hz, self.frequency_max_hz, "Hz")
        taken = self._set(self.profile.frequency, frequency_hz, what="frequency")
        if not abs(taken - frequency_hz) <= _FREQUENCY_TOLERANCE * frequency_hz:
            raise self._not_taken(f"frequency {frequency_hz:g} Hz", f"{taken:g} Hz")
        return taken

    def output(self, on: bool) -> None:
        """Switch the output, wait for its relay and read the state back.

        Raises CommandRefused, SettingNotTaken, ReplyError, LinkError.
        """
        step = self.profile.output_on if on else self.profile.output_off
        self._link.write(step.send)
        self._clock.sleep_s(self.profile.relay_s)
        self._confirm(step)
        self.check_errors(step.does)

    def make_safe(self) -> None:
        """Output off before anything else, whatever state the instrument and its error queue are in; read back.

        Raises SettingNotTaken if it stays on, ReplyError, LinkError.
        """
        self._link.write(self.profile.output_off.send)
        self._clock.sleep_s(self.profile.relay_s)
        self.forget_errors()
        self._confirm(self.profile.output_off)

    def output_is_off(self) -> bool:
        """Whether the generator says that its output is off. Raises ReplyError, LinkError."""
        step = self.profile.output_off
        assert step.ask is not None
        return self._link.query(step.ask).upper() in {answer.upper() for answer in step.answers}

    def _require(self, what: str, value: float, lowest: float, highest: float, unit: str) -> None:
        if not lowest <= value <= highest:
            raise SettingRefused(
                f"The generator's {what} was to be {value:g} {unit}.",
                f"It reaches {lowest:g} to {highest:g} {unit} (profile {self.profile.name!r}).",
                "Choose a value in that range, or another generator.",
            )
