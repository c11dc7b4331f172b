"""The controls of one part: its value to drag, what is wrong with it, and how large a leak is.

Owns how these three go together: a value that is moved is off, a part that is open or shorted has none.
"""

from __future__ import annotations

from collections.abc import Callable

from nicegui import ui

from twonode.analysis.quantities import format_quantity
from twonode.analysis.single_fault import FaultKind, SingleFault
from twonode.analysis.turned import Knob
from twonode.console.page import pieces
from twonode.console.page.context import PageContext

__all__ = ["KnobRow"]

_STEP = 0.01
_WORDS = {
    FaultKind.OPEN: "open",
    FaultKind.SHORTED: "shorted",
    FaultKind.LEAKY: "leaky",
    FaultKind.OFF: "off value",
}
_HEALTHY = "healthy"


class KnobRow:
    """One part's controls. turned : called with this row after every turn."""

    def __init__(self, context: PageContext, knob: Knob, turned: Callable[[KnobRow], None]) -> None:
        self._knob = knob
        self._turned = turned
        self._say = context.words.say
        part = knob.part
        role = f", {part.role}" if part.role else ""
        named = self._say(f"{part.name}{role}")
        with ui.element("div").classes("knob").props("role=group") as group:
            group.props["aria-label"] = named
            pieces.text("p", named, "knob-name")
            self._value = pieces.slider(
                "Value",
                -1.0,
                1.0,
                _STEP,
                0.0,
                on_change=self._moved,
                shown=lambda at: self._written(knob.value(at)),
            )
            options = {_HEALTHY: "as stated"} | {kind.value: _WORDS[kind] for kind in knob.faults}
            self._fault = pieces.choice("Condition", options, _HEALTHY, self._chosen)
            self._leak = pieces.slider(
                "Its leak",
                -2.0,
                2.0,
                _STEP,
                0.0,
                on_change=self._leak_moved,
                shown=lambda at: format_quantity(knob.leak(at), "ohm"),
            )
        self._leak.set_visibility(False)

    @property
    def name(self) -> str:
        """The part's name."""
        return self._knob.part.name

    @property
    def fault(self) -> SingleFault | None:
        """What is wrong with it now; None where it is as stated."""
        chosen = self._fault.value
        if chosen == _HEALTHY:
            return None
        kind = FaultKind(chosen)
        amount = None
        if kind is FaultKind.OFF:
            amount = self._knob.value(self._value.value)
        elif kind is FaultKind.LEAKY:
            amount = self._knob.leak(self._leak.value)
        return SingleFault(part=self.name, kind=kind, amount=amount)

    def reset(self) -> None:
        """As stated, without telling."""
        self._value.set(0.0)
        self._leak.set(0.0)
        self._fault.set(_HEALTHY)
        self._leak.set_visibility(False)

    def _written(self, value: float) -> str:
        return self._say(format_quantity(value, self._knob.part.kind.unit))

    def _moved(self, at: float) -> None:
        wanted = _HEALTHY if at == 0.0 else FaultKind.OFF.value
        if self._fault.value != wanted:
            self._fault.set(wanted)
            self._leak.set_visibility(False)
        self._turned(self)

    def _chosen(self, chosen: str) -> None:
        if chosen == FaultKind.OFF.value:
            if self._value.value == 0.0:
                self._value.set(self._knob.usual_decades)
        else:
            self._value.set(0.0)
        self._leak.set_visibility(chosen == FaultKind.LEAKY.value)
        self._turned(self)

    def _leak_moved(self, _: float) -> None:
        self._turned(self)
