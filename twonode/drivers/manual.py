"""A generator without remote control: a person's hand stands in for the link.

Owns turning the commands of the profile ``generator-by-hand`` into requests to the person. What is dialled is never
exactly what was asked, and nobody can read it back: the profile says so (`dialled`, `output_confirmed`), and the true
frequency is taken from the traces.
"""

from __future__ import annotations

from typing import Protocol

from twonode.drivers.errors import LinkError

__all__ = ["MANUAL", "MANUAL_PROFILE", "Hand", "ManualLink"]

MANUAL = "manual"
"""Stands in for an address where the generator has no remote control."""
MANUAL_PROFILE = "generator-by-hand"
_IDENTITY = "TWONODE,BY-HAND,,"


class Hand(Protocol):
    """Whoever turns the knobs. Each request returns when it has been done, but for switching off, which only tells."""

    def prepare(self) -> None:
        """A sine, no offset, connected to nothing or to a node without power, output off or turned down."""
        ...

    def dial(self, frequency_hz: float) -> None:
        """Turn the frequency near this, Hz."""
        ...

    def level(self, vpp: float) -> None:
        """Turn the amplitude near this, V peak-to-peak, open circuit."""
        ...

    def switch(self, on: bool) -> None:
        """Switch the output on or off; where there is no switch, turn it down or pull the plug at the generator."""
        ...


class ManualLink:
    """A `Link` whose other end is a `Hand`."""

    def __init__(self, hand: Hand) -> None:
        self._hand = hand
        self._asked_hz = "0"
        self._level_vpp: float | None = None
        self._on: bool | None = None
        self._prepared = False

    @property
    def resource(self) -> str:
        """The word that stands for the address."""
        return MANUAL

    def write(self, text: str) -> None:
        """Ask the hand for what the command says; what is so already is not asked for again."""
        word, _, value = text.partition(" ")
        match word:
            case "SINE":
                if not self._prepared:
                    self._hand.prepare()
                    self._prepared = True
            case "FREQ":
                if value != self._asked_hz:
                    self._hand.dial(float(value))
                    self._asked_hz = value
            case "LEVEL":
                if float(value) != self._level_vpp:
                    self._level_vpp = float(value)
                    if self._on:
                        self._hand.level(self._level_vpp)
            case "ON" if self._on is not True:
                if self._level_vpp is not None:
                    self._hand.level(self._level_vpp)
                self._hand.switch(True)
                self._on = True
            case "OFF" if self._on is not False:
                # Whether it is on is not known at the start.
                self._hand.switch(False)
                self._on = False
            case _:
                pass

    def query(self, text: str, *, timeout_s: float | None = None) -> str:
        """The identity, or the frequency that was asked for."""
        return _IDENTITY if text == "*IDN?" else self._asked_hz

    def query_block(
        self,
        text: str,
        *,
        expected_bytes: int | None = None,
        trailing: bytes = b"\n",
        prefix_max: int = 0,
        timeout_s: float | None = None,
        head: bytearray | None = None,
    ) -> bytes:
        """Never: a hand sends no records. Raises LinkError."""
        raise LinkError(
            "A generator that is operated by hand was asked for a record.",
            "Only a scope has one.",
            "Check which address was given for the scope.",
        )

    def close(self) -> None:
        """Nothing is held."""
