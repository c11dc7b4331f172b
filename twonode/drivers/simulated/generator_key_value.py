"""The simulated generator that is told pairs of key and value, family G2 of the facts page (all from memory there).

Owns that family's two commands and their replies. There is no error queue: what is not understood or not possible
changes nothing and is not told.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import ClassVar

from twonode.drivers.simulated.generator import SimulatedGenerator
from twonode.drivers.simulated.scpi import COMMON
from twonode.drivers.simulated.scpi_table import Command, Reply, command_table
from twonode.drivers.simulated.scpi_values import Call, ScpiError
from twonode.drivers.simulated.settings import Variant

__all__ = ["KeyValueGenerator"]

_SHAPES = {
    "SINE": "SIN",
    "SQUARE": "SQU",
    "RAMP": "RAMP",
    "NOISE": "NOIS",
    "DC": "DC",
}


class KeyValueGenerator(SimulatedGenerator):
    """Powers up off, sine, 1 kHz, 0.1 V peak to peak into 50 ohm."""

    table: ClassVar[Mapping[str, Command]]
    model = "SIM-G2"
    keeps_path = False

    def respond(self, command: Command, suffix: int, reply: str | bytes) -> bytes:
        """Replies repeat the command; *IDN? is plain (our choice: the facts page has a header there as possible)."""
        body = super().respond(command, suffix, reply)
        if command.pattern.startswith("*"):
            return body
        return f"{command.long_form.replace('#', str(suffix))} ".encode("ascii") + body

    def queue_error(self, error: ScpiError) -> None:
        """Errors show in the event status only."""
        super().queue_error(error)
        self.errors.clear()

    def _set_wave(self, call: Call) -> Reply:
        for key, text in _pairs(call.parameters):
            value = Call(1, (text,))
            match key:
                case "WVTP":
                    self._shape = value.word(_SHAPES)
                    self._apply()
                case "FRQ":
                    self._set_frequency(value)
                case "AMP":
                    self._set_amplitude(value)
                case "OFST":
                    self._set_offset(value)
                case _:
                    raise ScpiError(-224, key)
        return None

    def _get_wave(self, _call: Call) -> Reply:
        shape = next(word for word, value in _SHAPES.items() if value == self._shape)
        vpp, offset = self._shown_vpp, self._offset_v
        told = (
            f"WVTP,{shape},FRQ,{_number(self._frequency_hz)}HZ,PERI,{_number(1 / self._frequency_hz)}S,"
            f"AMP,{_number(vpp)}V,OFST,{_number(offset)}V,HLEV,{_number(offset + vpp / 2)}V,"
            f"LLEV,{_number(offset - vpp / 2)}V,PHSE,0"
        )
        if Variant.EXTRA_KEYS in self._world.settings.variants:
            told += f",AMPVRMS,{_number(vpp / (2 * math.sqrt(2)))}Vrms,MAX_OUTPUT_AMP,20V"
        return told

    def _set_lead(self, call: Call) -> Reply:
        words = [word.upper() for word in call.parameters]
        if words[0] in ("ON", "OFF"):
            self._set_output(Call(1, (words.pop(0),)))
        for key, text in _pairs(tuple(words)):
            match key:
                case "LOAD":
                    self._set_load(Call(1, ("INF" if text == "HZ" else text,)))
                case "PLRT":
                    if text != "NOR":
                        raise ScpiError(-224, text)
                case _:
                    raise ScpiError(-224, key)
        return None

    def _get_lead(self, _call: Call) -> Reply:
        load = "HZ" if math.isinf(self._load_ohm) else _number(self._load_ohm)
        return f"{'ON' if self._on else 'OFF'},LOAD,{load},PLRT,NOR"


def _pairs(words: tuple[str, ...]) -> list[tuple[str, str]]:
    if len(words) % 2:
        raise ScpiError(-109, ",".join(words))
    return [(key.upper(), text) for key, text in zip(words[::2], words[1::2], strict=True)]


def _number(value: float) -> str:
    return f"{value:.10g}"


_S = KeyValueGenerator
KeyValueGenerator.table = command_table(
    (
        *COMMON,
        Command("C@:BSWV", _S._set_wave, _S._get_wave, takes=(2, 40)),
        Command("C@:OUTP", _S._set_lead, _S._get_lead, takes=(1, 7)),
    )
)
