"""The event queue of the simulated scopes with `CURVe?`: what went wrong is read after *ESR? (facts page, family S2).

Owns the queue and its commands.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from twonode.drivers.simulated.scope_base import SimulatedScope
from twonode.drivers.simulated.scpi_table import Command, Reply
from twonode.drivers.simulated.scpi_values import Call, ScpiError
from twonode.drivers.simulated.world import World

__all__ = ["EVENT_COMMANDS", "NOT_DISPLAYED", "NO_WAVEFORM", "EventScope"]

NOT_DISPLAYED = 2244
NO_WAVEFORM = 2241
_OWN_EVENTS = {
    NOT_DISPLAYED: "Waveform requested is not displayed",
    NO_WAVEFORM: "Waveform request is invalid",
}


class EventScope(SimulatedScope):
    """A scope whose events wait in `errors` until *ESR? makes them readable."""

    def __init__(self, world: World, *, rails: tuple[int, int], single_needs_trigger: bool) -> None:
        super().__init__(world, rails=rails, single_needs_trigger=single_needs_trigger)
        self._readable: deque[tuple[int, str]] = deque()

    def queue_error(self, error: ScpiError) -> None:
        """Events of this family carry the number without its sign."""
        if -error.code in _OWN_EVENTS:
            self.event_status |= 16
            self.errors.append((-error.code, _OWN_EVENTS[-error.code]))
        else:
            super().queue_error(error)
            code, text = self.errors[-1]
            self.errors[-1] = abs(code), text

    def clear_status(self) -> None:
        """What *CLS does."""
        super().clear_status()
        self._readable.clear()

    def read_event_status(self, _call: Call) -> Reply:
        """*ESR? also makes the events so far readable."""
        self._readable = deque(self.errors)
        self.errors.clear()
        status, self.event_status = self.event_status, 0
        return str(status)

    def _take_event(self) -> tuple[int, str]:
        if self._readable:
            return self._readable.popleft()
        if self.errors:
            return 1, "No events to report - new events pending *ESR?"
        return 0, "No events to report - queue empty"

    def _get_event(self, _call: Call) -> Reply:
        return str(self._take_event()[0])

    def _get_event_message(self, _call: Call) -> Reply:
        code, text = self._take_event()
        return f'{code},"{text}"'

    def _get_all_events(self, _call: Call) -> Reply:
        events = [self._take_event()]
        while self._readable:
            events.append(self._take_event())
        return ",".join(f'{code},"{text}"' for code, text in events)


_S = EventScope
EVENT_COMMANDS: Sequence[Command] = (
    Command("*ESR", ask=_S.read_event_status),
    Command("EVENT", ask=_S._get_event),
    Command("EVMsg", ask=_S._get_event_message),
    Command("EVQty", ask=lambda s, _: str(len(s._readable))),
    Command("ALLEv", ask=_S._get_all_events),
)
