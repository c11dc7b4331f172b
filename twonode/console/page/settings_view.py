"""The settings view: units, names of the trade, light or dark, sounds.

Owns its controls only; what is set holds at once and is remembered.
"""

from __future__ import annotations

from typing import Any

import msgspec

from twonode.console.page import pieces
from twonode.console.page.context import PageContext
from twonode.console.page.settings import Naming, Theme, Units

__all__ = ["build"]


def build(context: PageContext) -> None:
    """The view."""
    said = pieces.status()

    def set_to(**changed: Any) -> None:
        context.house.set(msgspec.structs.replace(context.settings, **changed))
        said.set_text("Kept; it holds from the next view on.")

    def theme(value: str) -> None:
        set_to(theme=Theme(value))
        context.client.run_javascript(f"twonodePage.theme({value!r})")

    with pieces.panel("Words"):
        pieces.choice(
            "Capacitances",
            {"si": "µF, nF, pF", "mfd": "mfd, mmf, as on old charts"},
            context.settings.units.value,
            on_change=lambda value: set_to(units=Units(value)),
        )
        pieces.choice(
            "Names",
            {"anode": "anode, valve, HT", "plate": "plate, tube, B+"},
            context.settings.naming.value,
            on_change=lambda value: set_to(naming=Naming(value)),
        )
    with pieces.panel("Look and sound"):
        pieces.choice(
            "Light or dark",
            {"auto": "as this computer is set", "light": "light", "dark": "dark"},
            context.settings.theme.value,
            on_change=theme,
        )
        pieces.tick(
            "A sound when a sweep is done, and another one on trouble",
            context.settings.sound,
            on_change=lambda value: set_to(sound=value),
        )
        pieces.button("Hear it", lambda: context.sound("done"), "quiet")
