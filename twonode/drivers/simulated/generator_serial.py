"""The simulated serial generators, families G3, G4 and G5 of the facts page, one line of text at a time.

Owns the three languages. They have no `*IDN?` and no error message: what is not understood is passed over. There is no
load setting either, so the amplitude is that of the open output. A line ends with a line feed, with G5 after a carriage
return; speed and parity of a serial line have no meaning on a socket.
"""

from __future__ import annotations

import re
from typing import ClassVar

from twonode.drivers.simulated.instrument import SimulatedInstrument
from twonode.drivers.simulated.world import World

__all__ = ["ColonRegisterGenerator", "LetterPairGenerator", "WriteReadGenerator"]

# Our choice: the facts page names no limits for them.
_HIGHEST_HZ = 60e6
_HIGHEST_VPP = 20.0
_HIGHEST_OFFSET_V = 10.0
_AMPLITUDE_STEP_V = 0.01


class _SerialGenerator(SimulatedInstrument):
    """One channel: sine of a frequency and amplitude, on or off."""

    model: ClassVar[str]
    reply_end: ClassVar[bytes] = b"\n"

    def __init__(self, world: World, *, on: bool) -> None:
        super().__init__(lock=world.lock, clock=world.clock)
        self._world = world
        self.idn = world.settings.generator_idn or self.model
        self.shape = 0
        self.frequency_hz = 1000.0
        self.vpp = 1.0
        self.offset_v = 0.0
        self.on = on
        with self.lock:
            self._apply()

    def execute(self, message: str) -> bytes:
        """Do one line; see the base class. Carriage returns and blanks around it are no part of it."""
        with self.lock:
            reply = self.do_line(message.strip())
            self._apply()
        return b"" if reply is None else reply.encode("ascii") + self.reply_end

    def do_line(self, line: str) -> str | None:
        """Do one line and return its reply, or None for silence."""
        raise NotImplementedError

    def set_frequency(self, hertz: float) -> None:
        """Take a frequency that is possible; leave any other."""
        if 0 < hertz <= _HIGHEST_HZ:
            self.frequency_hz = hertz

    def set_amplitude(self, vpp: float) -> None:
        """Take an amplitude that is possible, to 10 mV; leave any other."""
        if 0 <= vpp <= _HIGHEST_VPP:
            self.vpp = round(vpp / _AMPLITUDE_STEP_V) * _AMPLITUDE_STEP_V

    def set_offset(self, volts: float) -> None:
        """Take an offset that is possible; leave any other."""
        if abs(volts) <= _HIGHEST_OFFSET_V:
            self.offset_v = volts

    def _apply(self) -> None:
        sounding = self.on and self.shape == 0
        self._world.set_source(frequency_hz=self.frequency_hz, amplitude_v=self.vpp / 2 if sounding else 0.0)


class WriteReadGenerator(_SerialGenerator):
    """Family G3: `WM.` writes and `RM.` reads; powers up off. Every write is answered with a bare line feed [R18].

    Readings repeat the form of the writing (14 digits of uHz), but for amplitude and offset, which come as whole
    numbers of 1e-4 V. A value the generator cannot do is answered all the same, and nothing changes. From memory there.
    """

    model = "SIM-G3"

    def __init__(self, world: World) -> None:
        super().__init__(world, on=False)

    def do_line(self, line: str) -> str | None:
        """One command."""
        if line == "UMO":
            return self.idn
        reading = {
            "RMW": f"{self.shape:02d}",
            "RMF": f"{round(self.frequency_hz * 1e6):014d}",
            "RMA": f"{round(self.vpp * 1e4)}",
            "RMO": f"{round(self.offset_v * 1e4)}",
            "RMN": str(int(self.on)),
        }
        if line in reading:
            return reading[line]
        what, text = line[:3], line[3:]
        number = _decimal(text)
        match what:
            case "WMW":
                if re.fullmatch(r"\d\d", text):
                    self.shape = int(text)
            case "WMF":
                if re.fullmatch(r"\d{14}", text):
                    self.set_frequency(int(text) * 1e-6)
            case "WMA":
                if number is not None:
                    self.set_amplitude(number)
            case "WMO":
                if number is not None:
                    self.set_offset(number)
            case "WMN":
                if text in ("0", "1"):
                    self.on = text == "1"
            case _:
                return None
        return ""


class LetterPairGenerator(_SerialGenerator):
    """Family G4: two small letters and digits, at most 15 characters, no answer to any setting [R19, R22].

    There is no switch for the output: it comes up with 1 V peak to peak (our choice) and is silent at amplitude 0.
    Reading stops at the first bad character; what stood before it counts.
    """

    model = "SIM-G4"

    def __init__(self, world: World) -> None:
        super().__init__(world, on=True)

    def do_line(self, line: str) -> str | None:
        """One command."""
        if len(line) > 15:
            return None
        match line:
            case "a":
                return self.idn
            case "cf":
                return f"{round(self.frequency_hz * 100):09d}"
            case "cd":
                return "500"  # duty in per mille; the scale is our choice
        what, text = line[:2], line[2:]
        number = _leading_number(text)
        if number is None:
            return None
        match what:
            case "bw":
                self.shape = int(number)
            case "bf" if number == int(number):
                self.set_frequency(number / 100)
            case "ba":
                self.set_amplitude(number)
            case "bo":
                self.set_offset(number)
        return None


class ColonRegisterGenerator(_SerialGenerator):
    """Family G5: numbered registers, `:w23=100000,0.` to write and `:r23=0.` to read; powers up off.

    20: both channels' switches [R20]. 21: waveform, 0 a sine. 23: 0.01 Hz, and the unit it is shown in, 0 being Hz
    [R20]. 25: mV. 27: offset in steps of 10 mV, 1000 being none. A write is answered with `:ok`, a reading as the
    register would be written; what is not understood is passed over (our choice, as is the model in register 0). Most
    is from memory there.
    """

    model = "SIM-G5"
    reply_end = b"\r\n"

    def __init__(self, world: World) -> None:
        self._second_on = False
        super().__init__(world, on=False)

    def do_line(self, line: str) -> str | None:
        """One command."""
        matched = re.fullmatch(r":([rw])(\d\d)=(\d+)(?:,(\d+))?\.", line)
        if matched is None:
            return None
        way, register, number = matched[1], matched[2], int(matched[3])
        if way == "r":
            value = self._read(register)
            return None if value is None else f":r{register}={value}"
        second = None if matched[4] is None else int(matched[4])
        return ":ok" if self._write(register, number, second) else None

    def _read(self, register: str) -> str | None:
        return {
            "00": f"{self.idn}.",
            "20": f"{int(self.on)},{int(self._second_on)}.",
            "21": f"{self.shape}.",
            "23": f"{round(self.frequency_hz * 100)},0.",
            "25": f"{round(self.vpp * 1000)}.",
            "27": f"{round(self.offset_v * 100) + 1000}.",
        }.get(register)

    def _write(self, register: str, number: int, second: int | None) -> bool:
        match register, second:
            case "20", (0 | 1) if number in (0, 1):
                self.on, self._second_on = bool(number), bool(second)
            case "21", None:
                self.shape = number
            case "23", 0:
                self.set_frequency(number / 100)
            case "25", None:
                self.set_amplitude(number / 1000)
            case "27", None:
                self.set_offset((number - 1000) / 100)
            case _:
                return False
        return True


def _decimal(text: str) -> float | None:
    return float(text) if re.fullmatch(r"-?\d+(\.\d*)?", text) else None


def _leading_number(text: str) -> float | None:
    matched = re.match(r"-?\d+(\.\d*)?", text)
    return float(matched[0]) if matched else None
