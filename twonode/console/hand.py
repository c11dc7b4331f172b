"""The person at a generator without remote control, asked through the screen.

Owns the words and the waiting for Enter. Questions go to standard error, so that --json stays one object.
"""

from __future__ import annotations

import click

__all__ = ["ScreenHand"]


class ScreenHand:
    """A `drivers.manual.Hand` that reads Enter from the keyboard."""

    def __init__(self) -> None:
        self._asking = False

    def prepare(self) -> None:
        """Ask for a sine with nothing on it."""
        self._ask("Set the generator to a sine without DC offset, its output off or turned fully down")

    def dial(self, frequency_hz: float) -> None:
        """Ask for a frequency; within a few per cent will do."""
        from twonode.analysis.quantities import format_quantity

        self._ask(f"Dial about {format_quantity(frequency_hz, 'Hz')} (the trace says what it really is)")

    def level(self, vpp: float) -> None:
        """Ask for an amplitude."""
        from twonode.analysis.quantities import format_quantity

        self._ask(f"Turn the amplitude to about {format_quantity(vpp, 'V')} peak-to-peak")

    def switch(self, on: bool) -> None:
        """Ask to switch on; to switch off is only said, so that leaving never waits."""
        if on:
            self._ask("Switch the generator's output on")
        else:
            if self._asking:
                click.echo(err=True)  # Ctrl-C left a question's line open
            click.echo("Switch the generator's output OFF, or turn it fully down, now.", err=True)

    def _ask(self, words: str) -> None:
        self._asking = True
        click.prompt(f"{words}, then Enter", default="", show_default=False, err=True, prompt_suffix=" ")
        self._asking = False
