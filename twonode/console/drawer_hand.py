"""The hand at the fixture: a person who is told what to clip in, or the simulated bench that does it by itself.

Owns asking and waiting for a key. A line is read, so that it works on every system and through a pipe.
"""

from __future__ import annotations

import sys
from enum import Enum
from typing import TYPE_CHECKING, Protocol

import click

if TYPE_CHECKING:
    from twonode.acquire.drawer_events import HandWork
    from twonode.drivers.simulated.bag import SimulatedFixture

__all__ = [
    "AllParts",
    "Hand",
    "Key",
    "Keys",
    "Leave",
    "Person",
    "PersonsKeys",
    "SimulatedHand",
    "read_line",
    "work_words",
]


class Leave(Exception):
    """The person has had enough; everything that was finished is kept."""


class Key(Enum):
    """What the person wants next; the value is what is typed before Enter."""

    NEXT = ""
    REPEAT = "r"
    UNDO = "u"
    FINISH = "q"


class Keys(Protocol):
    """Where the keys come from."""

    def next_key(self, number: int, last: int | None) -> Key:
        """What to do; number : of the part that would be next. last : of the one measured last, None where none is."""
        ...

    def go_on(self, question: str) -> bool:
        """Whether to go on with something that is in doubt."""
        ...


class AllParts:
    """No keys: one part after the other up to the last, and nothing that is in doubt."""

    def __init__(self, last: int) -> None:
        self._last = last

    def next_key(self, number: int, last: int | None) -> Key:
        """The next part, until there is none."""
        return Key.NEXT if number <= self._last else Key.FINISH

    def go_on(self, question: str) -> bool:
        """Never."""
        return False


class PersonsKeys:
    """Keys from standard input. last : number of the last part, None where nobody knows."""

    def __init__(self, last: int | None) -> None:
        self._last = last

    def next_key(self, number: int, last: int | None) -> Key:
        """Asked until the answer is one."""
        more = self._last is None or number <= self._last
        prompt = f"Clip in part {number}; Enter = measure it" if more else "No part is left; Enter = finish"
        if last is not None:
            prompt += f", r = repeat part {last}, u = undo it"
        prompt += ", q = finish: "
        while True:
            typed = read_line(prompt)
            if typed is None:
                return Key.FINISH
            try:
                key = Key(typed)
            except ValueError:
                click.echo(f"{typed!r} is none of them.", err=True)
                continue
            return Key.FINISH if key is Key.NEXT and not more else key

    def go_on(self, question: str) -> bool:
        """y or n, with no default."""
        while True:
            typed = read_line(f"{question} y = yes, n = no: ")
            if typed in (None, "n", "q"):
                return False
            if typed == "y":
                return True


def read_line(prompt: str) -> str | None:
    """A line that was typed, without its ends and in small letters; None at the end of the input."""
    click.echo(prompt, err=True, nl=False)
    line = sys.stdin.readline()
    return line.strip().lower() if line else None


class Hand(Protocol):
    """Whoever exchanges what is in the fixture."""

    def do(self, work: HandWork) -> None:
        """Return when it is done. Raises Leave."""
        ...


class Person:
    """Tells the person what to do and waits for Enter."""

    def do(self, work: HandWork) -> None:
        """Return when Enter was pressed. Raises Leave for q or the end of the input."""
        text = work_words(work)
        if text is None:
            return
        typed = read_line(f"{text}\n  Enter = done, q = leave: ")
        if typed is None or typed == "q":
            raise Leave


def work_words(work: HandWork) -> str | None:
    """The instruction; None where there is nothing to do."""
    from twonode.acquire.drawer_events import ProbesTogether, PutIn, PutInKnown, TakeOut, WireFixture
    from twonode.analysis.quantities import format_quantity

    match work:
        case ProbesTogether():
            return "Clip both probes to the generator's lead, nothing else on it."
        case WireFixture():
            return f"{work.advice.clip_in} {work.advice.why}" if work.change else None
        case TakeOut():
            return "Leave the part's clips empty, as far apart as they will be."
        case PutInKnown():
            return f"Clip in the known part, {format_quantity(work.farad, 'F')} {work.tolerance}."
        case PutIn():
            return None  # the question for the next part says it


class SimulatedHand:
    """Exchanges parts and resistors on the simulated bench. quiet : without saying so."""

    def __init__(self, fixture: SimulatedFixture, *, quiet: bool) -> None:
        self._fixture = fixture
        self._quiet = quiet

    def do(self, work: HandWork) -> None:
        """Done at once."""
        from twonode.acquire.drawer_events import ProbesTogether, PutIn, PutInKnown, TakeOut, WireFixture

        match work:
            case ProbesTogether():
                self._fixture.probes_together()
            case WireFixture():
                self._fixture.wire(work.stage)
                if work.again and not self._quiet:
                    click.echo(f"  Exchanged by itself: {work.advice.clip_in} {work.advice.why}", err=True)
            case TakeOut():
                self._fixture.take_out()
            case PutInKnown():
                self._fixture.hold_known(work.farad, work.tolerance.minus, work.tolerance.plus)
            case PutIn():
                self._fixture.hold(work.number)
