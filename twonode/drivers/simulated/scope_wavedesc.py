"""The simulated scope that sends a WAVEDESC block, family S4 of the facts page.

Owns that family's waveform transfer and descriptor. Controls are those of S3. Volts are `GAIN*c - OFFSET`, time is
`i*HORIZ_INTERVAL + HORIZ_OFFSET`. Fields of the descriptor the facts page does not name are from memory, or empty.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from typing import ClassVar

import numpy as np

from twonode.drivers.simulated.front_end import CODES_PER_DIV
from twonode.drivers.simulated.scope_comm_header import HEADED_COMMANDS, HeadedScope
from twonode.drivers.simulated.scpi_table import Command, Reply, command_table
from twonode.drivers.simulated.scpi_values import Call, ScpiError
from twonode.drivers.simulated.world import World

__all__ = ["WavedescScope"]

_DESCRIPTOR_BYTES = 346  # from memory
_GRID_CODES = 4 * CODES_PER_DIV


class WavedescScope(HeadedScope):
    """Signed eight-bit codes, one or two bytes each, high byte first unless told `CORD LO`."""

    table: ClassVar[Mapping[str, Command]]

    model = "SIM-S4"
    # Our choice: ten across, as the facts page has 14 only for S3.
    divisions_x = 10

    def __init__(self, world: World) -> None:
        super().__init__(world, rails=(-128, 127))

    def reset(self) -> None:
        """Power-on state."""
        self._order = "HI"
        self._width = "BYTE"
        super().reset()

    def _set_order(self, call: Call) -> Reply:
        self._order = call.word({"HI": "HI", "LO": "LO"})
        return None

    def _set_form(self, call: Call) -> Reply:
        block, width, coding = (word.upper() for word in call.parameters)
        if block != "DEF9" or coding != "BIN" or width not in ("BYTE", "WORD"):
            raise ScpiError(-224, ",".join(call.parameters))
        self._width = width
        return None

    def _get_waveform(self, call: Call) -> Reply:
        if call.parameters:
            call.word({"ALL": "ALL"})
        channel = call.suffix - 1
        codes = self.chosen_codes(channel).astype(np.int32)
        order = "<" if self._order == "LO" else ">"
        scale = 256 if self._width == "WORD" else 1
        data = (codes * scale).astype(f"{order}i{2 if scale > 1 else 1}").tobytes()
        payload = self._descriptor(channel, order, scale, len(codes), len(data)) + data
        return b"ALL,#9%09d" % len(payload) + payload

    def _descriptor(self, channel: int, order: str, scale: int, points: int, data_bytes: int) -> bytes:
        record = self.core.record
        assert record is not None
        setup = record.setups[channel]
        per_code_v = setup.shown_volts_per_div / CODES_PER_DIV / scale
        block = bytearray(_DESCRIPTOR_BYTES)

        def put(place: int, kind: str, *values: float | bytes) -> None:
            struct.pack_into(order + kind, block, place, *values)

        put(0, "16s", b"WAVEDESC")  # [M], as are the next four
        put(16, "16s", b"SIMULATED")
        put(32, "h", 0 if scale == 1 else 1)
        put(34, "h", 1 if order == "<" else 0)
        put(76, "16s", b"SIMULATED")
        put(36, "i", _DESCRIPTOR_BYTES)
        put(60, "i", data_bytes)
        put(116, "i", points)
        put(124, "i", 0)
        put(128, "i", points - 1)
        put(132, "i", self._first)
        put(136, "i", self._sparse)
        put(156, "f", per_code_v)
        put(160, "f", self.offset_v(setup))
        put(164, "f", _GRID_CODES * scale)
        put(168, "f", -_GRID_CODES * scale)
        put(172, "h", 8)
        put(176, "f", record.stated_step_s * self._sparse)
        put(180, "d", (self._first - record.points / 2) * record.stated_step_s)
        return bytes(block)


_S = WavedescScope
WavedescScope.table = command_table(
    (
        *HEADED_COMMANDS,
        Command("CORD", _S._set_order, lambda s, _: s._order),
        Command("CFMT", _S._set_form, lambda s, _: f"DEF9,{s._width},BIN", takes=(3, 3)),
        Command("C@:WF", ask=_S._get_waveform, asks=(0, 1), highest=2),
    )
)
