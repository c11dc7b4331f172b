"""Pieces of the look-up views: bands of shares, a text file to choose, a drawing that changes.

Owns their Python side; they are made as `pieces` are.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from nicegui import ui
from nicegui.element import Element
from nicegui.events import GenericEventArguments

from twonode.analysis.turned import Share
from twonode.console.page import pieces
from twonode.errors import TwonodeError

__all__ = ["Bands", "Drawing", "TextFile", "UnfitFile"]

LARGEST_TEXT_BYTES = 200_000


class UnfitFile(TwonodeError):
    """A file that cannot be taken from the browser."""


class Bands(Element, component="static/bands.js"):
    """Shares of audio and RF as bands, one row a way."""

    def __init__(self, caption: str) -> None:
        super().__init__()
        self._props["caption"] = caption
        self._props["rows"] = []

    def show(self, shares: Sequence[Share], say: Callable[[str], str]) -> None:
        """Other shares."""
        self._props["rows"] = [
            {
                "way": say(share.way),
                "bands": [
                    _band("Audio", share.audio, share.audio_stated),
                    _band("RF", share.rf, share.rf_stated),
                ],
            }
            for share in shares
        ]
        self.update()


def _band(name: str, share: float, stated: float) -> dict[str, Any]:
    return {
        "name": name,
        "percent": f"{share:.4%}"[:-1],
        "was": f"{stated:.4%}"[:-1],
        "words": percent_words(share),
    }


def percent_words(share: float) -> str:
    """ "65 %", "0.3 %", and never nothing or all of it by rounding."""
    if share > 0.9995:
        return "100 %" if share == 1.0 else "> 99.9 %"
    if share < 0.0005:
        return "0 %" if share == 0.0 else "< 0.1 %"
    return f"{100 * share:.0f} %" if 0.0995 <= share <= 0.995 else f"{100 * share:.1f} %"


class TextFile(Element, component="static/textfile.js"):
    """A text file to choose; chosen : called with its name and its text.

    Raises UnfitFile, to ``trouble``, for one that is too large or no text.
    """

    def __init__(
        self,
        label: str,
        *,
        hint: str,
        accept: str,
        chosen: Callable[[str, str], None],
        trouble: pieces.TroubleBox,
    ) -> None:
        super().__init__()
        self._props.update(label=label, hint=hint, accept=accept, largest=LARGEST_TEXT_BYTES)

        def taken(event: GenericEventArguments) -> None:
            with trouble.catching():
                chosen(*_text_of(event.args))

        self.on("chosen", taken)


def _text_of(given: Any) -> tuple[str, str]:
    name, size, text = str(given.get("name", "file"))[:200], given.get("size", 0), given.get("text")
    if isinstance(text, str):
        return name, text
    if size > LARGEST_TEXT_BYTES:
        raise UnfitFile(
            f"{name} is larger than {LARGEST_TEXT_BYTES} bytes.",
            "Such a file is a page of text.",
            "Choose the right file.",
        )
    raise UnfitFile(f"{name} is not UTF-8 text.", "It cannot be read.", "Save it again as UTF-8.")


class Drawing:
    """A drawing of ours that changes; the label stays."""

    def __init__(self, label: str, classes: str = "") -> None:
        with ui.element("figure").classes(f"figure {classes}").props("tabindex=0"):
            self._html = ui.html("")
            pieces.text("figcaption", label)

    def show(self, svg: str) -> None:
        """Another drawing; svg : made and escaped by this program."""
        self._html.set_content(svg)
