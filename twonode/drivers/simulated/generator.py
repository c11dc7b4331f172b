"""The simulated generators that speak SCPI, families G1 and G1b of the facts page.

Owns their settings, limits and display arithmetic (the load setting changes only what is shown). The signal
itself belongs to the world.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import ClassVar

from twonode.drivers.simulated.scpi import COMMON, SYSTEM, ScpiInstrument
from twonode.drivers.simulated.scpi_table import Command, Reply, command_table
from twonode.drivers.simulated.scpi_values import Call, ScpiError
from twonode.drivers.simulated.world import World

__all__ = ["AmplitudeGenerator", "SimulatedGenerator"]

_HIGHEST_HZ = 25e6
_LOWEST_HZ = 1e-6
_RESOLUTION_HZ = 1e-6
# Behind the 50 ohm: 20 V peak to peak open, half of that into 50 ohm.
_OPEN_PEAK_V = 10.0
_OPEN_LOWEST_VPP = 2e-3
_SOURCE_OHM = 50.0
_SHAPES = {"SINusoid": "SIN", "SQUare": "SQU", "RAMP": "RAMP", "NOISe": "NOIS", "DC": "DC"}
_UNITS = {"VPP": "VPP", "VRMS": "VRMS", "DBM": "DBM"}


class SimulatedGenerator(ScpiInstrument):
    """One-channel generator; powers up off, 1 kHz, 0.1 V peak to peak into 50 ohm."""

    table: ClassVar[Mapping[str, Command]]
    model: ClassVar[str] = "SIM-G1"

    def __init__(self, world: World) -> None:
        super().__init__(lock=world.lock, clock=world.clock)
        self._world = world
        self.idn = world.settings.generator_idn or f"TWONODE,{self.model},SIMULATED,1.0"
        self.reset()

    def reset(self) -> None:
        """Power-on state; the output goes off."""
        self._shape = "SIN"
        self._frequency_hz = 1000.0
        self._shown_vpp = 0.1
        self._offset_v = 0.0
        self._load_ohm = _SOURCE_OHM
        self._unit = "VPP"
        self._on = False
        self._apply()

    @property
    def _display_factor(self) -> float:
        """Shown over open-circuit volts."""
        return 1.0 if math.isinf(self._load_ohm) else self._load_ohm / (self._load_ohm + _SOURCE_OHM)

    @property
    def _highest_vpp(self) -> float:
        return 2 * (_OPEN_PEAK_V * self._display_factor - abs(self._offset_v))

    @property
    def _lowest_vpp(self) -> float:
        return _OPEN_LOWEST_VPP * self._display_factor

    def _apply(self) -> None:
        sounding = self._on and self._shape == "SIN"
        amplitude = self._shown_vpp / 2 / self._display_factor if sounding else 0.0
        self._world.set_source(frequency_hz=self._frequency_hz, amplitude_v=amplitude)

    def _set_shape(self, call: Call) -> Reply:
        self._shape = call.word(_SHAPES)
        self._apply()
        return None

    def _set_frequency(self, call: Call) -> Reply:
        asked = call.number("HZ", low=_LOWEST_HZ, high=_HIGHEST_HZ, default=1000.0)
        self._frequency_hz = round(asked / _RESOLUTION_HZ) * _RESOLUTION_HZ
        self._apply()
        return None

    def _get_frequency(self, call: Call) -> Reply:
        return _shown(self._limit(call, _LOWEST_HZ, _HIGHEST_HZ, self._frequency_hz))

    def _set_amplitude(self, call: Call) -> Reply:
        text = call.parameters[0].upper()
        for suffix, unit in (("VPP", "VPP"), ("VRMS", "VRMS"), ("DBM", "DBM")):
            if text.endswith(suffix):
                call, chosen = Call(call.suffix, (call.parameters[0][: -len(suffix)].strip() + "V",)), unit
                break
        else:
            chosen = self._unit
        if text in ("MIN", "MINIMUM", "MAX", "MAXIMUM"):
            vpp = call.number("V", low=self._lowest_vpp, high=self._highest_vpp)
        else:
            vpp = self._from_unit(call.number("V"), chosen)
        if not self._lowest_vpp * (1 - 1e-9) <= vpp <= self._highest_vpp * (1 + 1e-9):
            raise ScpiError(-222, call.parameters[0])
        self._shown_vpp = float(f"{vpp:.4g}")
        self._apply()
        return None

    def _get_amplitude(self, call: Call) -> Reply:
        vpp = self._limit(call, self._lowest_vpp, self._highest_vpp, self._shown_vpp)
        return _shown(self._to_unit(vpp))

    def _from_unit(self, value: float, unit: str) -> float:
        match unit:
            case "VRMS":
                return value * 2 * math.sqrt(2)
            case "DBM":
                if math.isinf(self._load_ohm):
                    raise ScpiError(-221, "dBm needs a load")
                return 2 * math.sqrt(2) * math.sqrt(10 ** (value / 10) * 1e-3 * self._load_ohm)
            case _:
                return value

    def _to_unit(self, vpp: float) -> float:
        rms = vpp / (2 * math.sqrt(2))
        match self._unit:
            case "VRMS":
                return rms
            case "DBM":
                return 10 * math.log10(rms**2 / self._load_ohm / 1e-3)
            case _:
                return vpp

    def _set_unit(self, call: Call) -> Reply:
        unit = call.word(_UNITS)
        if unit == "DBM" and math.isinf(self._load_ohm):
            raise ScpiError(-221, "dBm needs a load")
        self._unit = unit
        return None

    def _set_offset(self, call: Call) -> Reply:
        offset = call.number("V")
        if abs(offset) + self._shown_vpp / 2 > _OPEN_PEAK_V * self._display_factor * (1 + 1e-9):
            raise ScpiError(-222, call.parameters[0])
        self._offset_v = offset
        return None

    def _set_load(self, call: Call) -> Reply:
        if call.parameters[0].upper() in ("INF", "INFINITY"):
            load = math.inf
        else:
            load = call.number("OHM", low=1.0, high=10e3, default=_SOURCE_OHM)
        before = self._display_factor
        self._load_ohm = load
        # Only the display changes: the same volts behind 50 ohm are shown for another load.
        self._shown_vpp *= self._display_factor / before
        self._offset_v *= self._display_factor / before
        if math.isinf(load) and self._unit == "DBM":
            self._unit = "VPP"
        return None

    def _get_load(self, _call: Call) -> Reply:
        return _shown(9.9e37 if math.isinf(self._load_ohm) else self._load_ohm)

    def _set_output(self, call: Call) -> Reply:
        self._on = call.boolean()
        self._apply()
        return None

    def _apply_sine(self, call: Call) -> Reply:
        parts = call.parameters
        self._shape = "SIN"
        self._set_frequency(Call(1, parts[:1]))
        if len(parts) > 1:
            self._set_amplitude(Call(1, parts[1:2]))
        if len(parts) > 2:
            self._set_offset(Call(1, parts[2:3]))
        self._on = True
        self._apply()
        return None

    @staticmethod
    def _limit(call: Call, low: float, high: float, now: float) -> float:
        if not call.parameters:
            return now
        return {"MIN": low, "MAX": high}[call.word({"MINimum": "MIN", "MAXimum": "MAX"})]


def _shown(value: float) -> str:
    return f"{value:+.13E}"


_S = SimulatedGenerator
_SHARED: Sequence[Command] = (
    *COMMON,
    *SYSTEM,
    Command("[SOURce#]:FUNCtion[:SHAPe]", _S._set_shape, lambda s, _: s._shape),
    Command("[SOURce#]:FREQuency[:CW]", _S._set_frequency, _S._get_frequency, asks=(0, 1)),
    Command("[SOURce#]:VOLTage:UNIT", _S._set_unit, lambda s, _: s._unit),
    Command("[SOURce#]:APPLy:SINusoid", _S._apply_sine, takes=(1, 3)),
    Command("OUTPut#:LOAD", _S._set_load, _S._get_load),
    Command("OUTPut#:IMPedance", _S._set_load, _S._get_load),
    Command("OUTPut#[:STATe]", _S._set_output, lambda s, _: str(int(s._on))),
)
SimulatedGenerator.table = command_table(
    (
        *_SHARED,
        Command(
            "[SOURce#]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
            _S._set_amplitude,
            _S._get_amplitude,
            asks=(0, 1),
        ),
        Command(
            "[SOURce#]:VOLTage[:LEVel][:IMMediate]:OFFSet", _S._set_offset, lambda s, _: _shown(s._offset_v)
        ),
    )
)


class AmplitudeGenerator(SimulatedGenerator):
    """Family G1b: as G1, but for `SOURce1:AMPlitude` and `SOURce1:DCOffset` (the former from memory there)."""

    model = "SIM-G1B"


AmplitudeGenerator.table = command_table(
    (
        *_SHARED,
        Command("[SOURce#]:AMPlitude", _S._set_amplitude, _S._get_amplitude, asks=(0, 1)),
        Command("[SOURce#]:DCOffset", _S._set_offset, lambda s, _: _shown(s._offset_v)),
    )
)
