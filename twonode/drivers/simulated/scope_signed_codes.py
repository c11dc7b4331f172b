"""The simulated scope that sends signed codes behind a `C1:WF ALL,` prefix, family S3 of the facts page.

Owns that family's waveform transfer. Volts are `c*VDIV/25 - OFST`, time is `TRDL - TDIV*grid/2 + i/SARA` with a grid
of 14 divisions [R27]; the block is followed by two line feeds [R60].
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

import numpy as np

from twonode.drivers.simulated.scope_comm_header import HEADED_COMMANDS, HeadedScope
from twonode.drivers.simulated.scpi_table import Command, Reply, command_table
from twonode.drivers.simulated.scpi_values import Call
from twonode.drivers.simulated.settings import Variant
from twonode.drivers.simulated.world import World

__all__ = ["SignedCodesScope"]


class SignedCodesScope(HeadedScope):
    """Eight-bit codes around 0.

    The document tells negative codes by taking 255 off, int8 by taking 256 off. Here int8 holds, unless the bench is
    asked for the variant WRAP_255.
    """

    table: ClassVar[Mapping[str, Command]]

    model = "SIM-S3"

    def __init__(self, world: World) -> None:
        self._wrap = 255 if Variant.WRAP_255 in world.settings.variants else 256
        # Counted down from 255, the code of -128 would be that of 127.
        super().__init__(world, rails=(128 - self._wrap, 127))

    def _get_waveform(self, call: Call) -> Reply:
        if call.parameters:
            call.word({"DAT2": "DAT2"})
        codes = self.chosen_codes(call.suffix - 1)
        payload = np.where(codes < 0, codes + self._wrap, codes).astype(np.uint8).tobytes()
        # The second line feed; the first belongs to the message.
        return b"ALL,#9%09d" % len(payload) + payload + b"\n"


SignedCodesScope.table = command_table(
    (*HEADED_COMMANDS, Command("C@:WF", ask=SignedCodesScope._get_waveform, asks=(0, 1), highest=2))
)
