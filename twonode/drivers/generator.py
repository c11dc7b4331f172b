"""The signal generator: one sine in open-circuit volts and hertz, and an output that is known to be off.

Owns the order of commands that is safe for what is connected: output off, load, unit, sine, offset, low
amplitude. Leaves the waiting for the circuit, and the choice of level and frequency, to its callers. Where a family
cannot be asked, it says so (`unconfirmed`, `output_confirmed`) and never pretends.
"""

from __future__ import annotations

from twonode.drivers.clock import Clock
from twonode.drivers.errors import CommandRefused, SettingNotTaken, SettingRefused
from twonode.drivers.instrument import Instrument
from twonode.drivers.link import Link
from twonode.drivers.profile_format import GeneratorProfile, OutputBy

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
        self._on = False

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

    @property
    def output_confirmed(self) -> bool:
        """Whether the generator can be asked if its output is off; else it is only told."""
        return self.profile.output_confirmed

    @property
    def unconfirmed(self) -> tuple[str, ...]:
        """What this family cannot be asked for, in words: it is as sent, and nothing says that it was taken."""
        profile = self.profile
        words = [step.does for step in profile.prepare if step.ask is None]
        if profile.amplitude.ask is None:
            words.append("amplitude")
        if not profile.output_confirmed:
            words.append("output on and off")
        return tuple(words)

    def prepare(self) -> None:
        """Output off, load high impedance, volts peak-to-peak, sine, no offset, low amplitude.

        All of it is read back where the family can be asked (`unconfirmed`).


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
        The amplitude read back, in the same meaning; where it cannot be asked for, as it was sent. Where the
        amplitude is also the switch, it is sent with the output on only.

        Raises
        ------
        SettingRefused : outside ``vpp_min`` to ``vpp_max``, or between its steps; nothing was sent.
        SettingNotTaken : the read-back is more than 5 % away.
        CommandRefused, ReplyError, LinkError.
        """
        self._require("amplitude", vpp, self.vpp_min, self.vpp_max, "V peak-to-peak")
        factor = self.profile.amplitude_means.open_circuit_factor
        sent = factor * self.profile.amplitude.form.rounded(vpp / factor)
        if not abs(sent - vpp) <= _AMPLITUDE_TOLERANCE * vpp:
            raise SettingRefused(
                f"The generator's amplitude was to be {vpp:g} V peak-to-peak.",
                f"The nearest that can be sent to it is {sent:g} V (profile {self.profile.name!r}).",
                "Choose one of its steps.",
            )
        if self.profile.output_by is OutputBy.AMPLITUDE and not self._on:
            self._vpp = sent
            return sent
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
        """Switch the output, wait for its relay and read the state back where the family can be asked.

        Raises CommandRefused, SettingNotTaken, ReplyError, LinkError.
        """
        if not on:
            self._switch_off()
            self._confirm(self.profile.output_off)
            self.check_errors(self.profile.output_off.does)
        elif self.profile.output_on is None:
            self._on = True
            wanted = self.profile.prepare_vpp if self._vpp is None else self._vpp
            self._vpp = None
            self.set_level(wanted)
        else:
            self._on = True
            self._write(self.profile.output_on.send)
            self._clock.sleep_s(self.profile.relay_s)
            self._confirm(self.profile.output_on)
            self.check_errors(self.profile.output_on.does)

    def make_safe(self) -> None:
        """Output off before anything else, whatever state the instrument and its error queue are in.

        It is read back where the family can be asked (`output_confirmed`).

        Raises SettingNotTaken if it stays on, ReplyError, LinkError.
        """
        self._switch_off()
        self.forget_errors()
        self._confirm(self.profile.output_off)

    def output_is_off(self) -> bool | None:
        """Whether the generator says that its output is off; None where it cannot be asked.

        Raises ReplyError, LinkError.
        """
        step = self.profile.output_off
        if step.ask is None:
            return None
        try:
            self._confirm(step)
        except (SettingNotTaken, CommandRefused):
            return False
        return True

    def _switch_off(self) -> None:
        self._write(self.profile.output_off.send)
        self._on = False
        self._clock.sleep_s(self.profile.relay_s)

    def _require(self, what: str, value: float, lowest: float, highest: float, unit: str) -> None:
        if not lowest <= value <= highest:
            raise SettingRefused(
                f"The generator's {what} was to be {value:g} {unit}.",
                f"It reaches {lowest:g} to {highest:g} {unit} (profile {self.profile.name!r}).",
                "Choose a value in that range, or another generator.",
            )
