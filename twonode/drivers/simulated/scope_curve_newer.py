"""The simulated scope with `CURVe?` as its newer models are (facts page, column S2 of C1), family S2-newer.

Owns what the facts page has for them: other names, an offset in volts beside the position in divisions, a record length
that can be set, and time-base steps of 1-2-4 [R35]. All else is `scope_curve`.
"""

from __future__ import annotations

from dataclasses import replace

from twonode.drivers.simulated.scope_curve import (
    DECADE_124,
    CurveScope,
    curve_commands,
    curve_number,
)
from twonode.drivers.simulated.scpi_table import Command, Reply, command_table
from twonode.drivers.simulated.scpi_values import Call, ScpiError
from twonode.drivers.simulated.world import World

__all__ = ["NewerCurveScope"]

# From memory: the facts page says only that the length is set.
_LENGTHS = (1000, 2000, 20_000)
_HIGHEST_OFFSET_DIV = 10.0


class NewerCurveScope(CurveScope):
    """The same family under its newer names: TRIGger:A, WFMOutpre, CHn:PRObe:GAIN, HORizontal:SAMPLERate?."""

    model = "SIM-S2-NEWER"
    seconds_per_div_steps = DECADE_124

    def __init__(self, world: World) -> None:
        self._offset_v = [0.0, 0.0]
        super().__init__(world)

    def reset(self) -> None:
        """Power-on state."""
        self._offset_v = [0.0, 0.0]
        super().reset()
        self._use_length(_LENGTHS[1])

    def _use_length(self, points: int) -> None:
        self.record_points = points
        self._first, self._last = 1, points
        self.update_timing()

    def _set_length(self, call: Call) -> Reply:
        points = call.integer(low=1, high=10**9)
        if points not in _LENGTHS:
            raise ScpiError(-222, call.parameters[0])
        self._use_length(points)
        return None

    def _set_gain(self, call: Call) -> Reply:
        gain = call.number("", low=1e-3, high=1.0)
        return self.set_probe(Call(call.suffix, (f"{1 / gain:g}",)))

    # Zero volts lie at the position, less what the offset shifts it by (which way is from memory).

    def _offset_div(self, call: Call) -> float:
        return self._offset_v[call.suffix - 1] / self.setup(call).shown_volts_per_div

    def set_scale(self, call: Call) -> Reply:
        """Position and offset stay what they are."""
        position_div = self.setup(call).position_div + self._offset_div(call)
        moved = self.new_range(call)
        shift_div = self._offset_v[call.suffix - 1] / moved.shown_volts_per_div
        self.core.set_channel(call.suffix - 1, replace(moved, position_div=position_div - shift_div))
        return None

    def set_position(self, call: Call) -> Reply:
        """In divisions; the offset stays what it is."""
        return self.change(call, position_div=self.position_from(call) - self._offset_div(call))

    def get_position(self, call: Call) -> Reply:
        """In divisions."""
        return curve_number(self.setup(call).position_div + self._offset_div(call))

    def _set_offset(self, call: Call) -> Reply:
        per_div = self.setup(call).shown_volts_per_div
        limit = _HIGHEST_OFFSET_DIV * per_div
        position_div = self.setup(call).position_div + self._offset_div(call)
        self._offset_v[call.suffix - 1] = call.number("V", low=-limit, high=limit)
        return self.change(call, position_div=position_div - self._offset_div(call))

    def zero_v(self) -> float:
        """The offset."""
        return self._offset_v[self.source]

    def zero_div(self) -> float:
        """The position, where the offset's volts lie."""
        setup = self.shown_setup()
        return setup.position_div + self._offset_v[self.source] / setup.shown_volts_per_div


NewerCurveScope.table = command_table(
    (
        *curve_commands(trigger="TRIGger:A", preamble="WFMOutpre", scale="HORizontal"),
        Command(
            "CH@:PRObe:GAIN",
            NewerCurveScope._set_gain,
            lambda s, c: curve_number(1 / s.setup(c).probe_setting),
            highest=2,
        ),
        Command(
            "CH@:OFFSet",
            NewerCurveScope._set_offset,
            lambda s, c: curve_number(s._offset_v[c.suffix - 1]),
            highest=2,
        ),
        Command("HORizontal:RECOrdlength", NewerCurveScope._set_length, lambda s, _: str(s.record_points)),
        Command("HORizontal:SAMPLERate", ask=lambda s, _: curve_number(1 / s.core.step_s)),
    )
)
