"""The simulated scope with `CURVe?` under the names of its newer models (facts page, column S2 of C1).

Owns those names only; all else is `scope_curve`.
"""

from __future__ import annotations

from twonode.drivers.simulated.scope_curve import CurveScope, curve_commands, curve_number
from twonode.drivers.simulated.scpi_table import Command, Reply, command_table
from twonode.drivers.simulated.scpi_values import Call

__all__ = ["NewerCurveScope"]


class NewerCurveScope(CurveScope):
    """The same family under its newer names: TRIGger:A, WFMOutpre, CHn:PRObe:GAIN, HORizontal:SAMPLERate?."""

    def _set_gain(self, call: Call) -> Reply:
        gain = call.number("", low=1e-3, high=1.0)
        return self.set_probe(Call(call.suffix, (f"{1 / gain:g}",)))


NewerCurveScope.table = command_table(
    (
        *curve_commands(trigger="TRIGger:A", preamble="WFMOutpre"),
        Command(
            "CH@:PRObe:GAIN",
            NewerCurveScope._set_gain,
            lambda s, c: curve_number(1 / s.setup(c).probe_setting),
            highest=2,
        ),
        Command("HORizontal:SAMPLERate", ask=lambda s, _: curve_number(1 / s.core.step_s)),
    )
)
