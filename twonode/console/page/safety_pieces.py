"""The questions before a sweep inside a set: unplugged, discharged, and the volts left at both nodes.

Owns asking on the page; nothing is ticked or typed beforehand. What is refused belongs to `acquire.request`.
"""

from __future__ import annotations

from twonode.console.page import pieces
from twonode.console.page.context import PageContext
from twonode.errors import TwonodeError

__all__ = ["Confirmed", "NotConfirmed"]


class NotConfirmed(TwonodeError):
    """A question was not answered."""


class Confirmed:
    """The answers, read when START is pressed."""

    def __init__(self, context: PageContext, nodes: tuple[str, str]) -> None:
        self._ticks = [
            pieces.tick("The mains plug is out, and I can see it."),
            pieces.tick("The filter capacitors are discharged, a bleeder is on, and I checked with a meter."),
        ]
        pieces.text("p", "Volts left, read with a meter just now; 5 V and more is refused:")
        self._say = context.words.say
        with pieces.row():
            self._volts = [pieces.field(self._say(f"at {node}"), hint="V", width="11rem") for node in nodes]

    def name_nodes(self, drive: str, far: str) -> None:
        """The clips are elsewhere now; volts that were typed belong to the old nodes."""
        for field, node in zip(self._volts, (drive, far), strict=True):
            field.rename(self._say(f"at {node}"))
            field.set("")

    def answers(self) -> tuple[bool, tuple[float, float]]:
        """Whether it is unplugged and discharged, and volts at drive and far node.

        Raises NotConfirmed, QuantityError.
        """
        from twonode.analysis.quantities import parse_quantity

        for field in self._volts:
            field.error(None if field.value.strip() else "Type what the meter showed.")
        missing = [tick for tick in self._ticks if not tick.value]
        for tick in self._ticks:
            tick.error("Tick it when it is so." if tick in missing else None)
        if missing or not all(field.value.strip() for field in self._volts):
            raise NotConfirmed(
                "Nobody has confirmed that the set is unplugged, discharged and checked with a meter.",
                "A sweep inside a set is only done without power; both nodes' residual volts are kept with it.",
                "Tick both lines and type both voltages, when it is so.",
            )
        drive, far = (pieces.parsed(field, lambda text: parse_quantity(text, "V")) for field in self._volts)
        assert drive is not None, "an empty field was refused above"
        assert far is not None, "and so was the other"
        return True, (drive, far)
