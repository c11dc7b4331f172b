"""The look that all pictures share: colours, smallest type, and how figures are written on axes.

Owns the palette and the small formatting helpers. Colours stay apart for every common kind of colour blindness and
never carry a meaning alone: words, marks and line styles say the same.
"""

from __future__ import annotations

import io
import warnings
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.findings import FindingState

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "BAND",
    "CURVE",
    "INK",
    "PAPER",
    "QUIET",
    "SMALLEST_POINTS",
    "SOUND",
    "TROUBLE",
    "decibels",
    "figure_png",
    "finding_mark",
    "hertz_words",
    "plain_axes",
    "shortened",
    "type_settings",
]

SMALLEST_POINTS = 13.0
"""Smallest type on a picture, which is 13 inches wide: legible at arm's length on an ordinary screen."""

PAPER = "#fbfaf5"
INK = "#1b2230"
QUIET = "#566072"
BAND = "#d3e2ef"
SOUND = "#00589b"
TROUBLE = "#b8400e"
CURVE = "#8a6d1f"


def type_settings(smallest: float = SMALLEST_POINTS) -> Any:
    """Settings for `matplotlib.rc_context`: type and ink."""
    return {
        "font.family": "DejaVu Sans",
        "font.size": smallest,
        "axes.edgecolor": INK,
        "axes.labelcolor": INK,
        "text.color": INK,
        "text.parse_math": False,  # a dollar sign in a name is a dollar sign
        "xtick.color": INK,
        "ytick.color": INK,
        "axes.linewidth": 1.2,
    }


def figure_png(figure: Figure, dots_per_in: int = 100) -> bytes:
    """A figure as a PNG that names no program, so that equal pictures are equal files.

    A sign that the type has not, such as an emoji in a name, becomes a box, without a warning.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    FigureCanvasAgg(figure)
    target = io.BytesIO()
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        figure.savefig(target, format="png", dpi=dots_per_in, metadata={"Software": None})
    return target.getvalue()


def plain_axes(axes: Axes, label: str, *, figures_below: bool = True) -> None:
    """White, with a quiet grid and two open sides. label : of the vertical axis; figures_below : along the other."""
    axes.set_facecolor("white")
    axes.set_ylabel(label, size=15)
    axes.grid(visible=True, which="major", color="#d9dbe0", linewidth=0.9)
    axes.tick_params(labelsize=14, labelbottom=figures_below)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


_MARKS = {FindingState.WITHIN_TOLERANCE: ("✓", SOUND), FindingState.UNDECIDED: ("?", INK)}


def finding_mark(state: FindingState) -> tuple[str, str]:
    """Mark and colour of a finding; the mark says the same as the colour, and words say it all."""
    return _MARKS.get(state, ("✗", TROUBLE))


def decibels(ratio: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Size of a ratio in dB, any shape; nothing below -240 dB."""
    result: NDArray[np.float64] = 20.0 * np.log10(np.maximum(np.abs(ratio), 1e-12))
    return result


def hertz_words(hz: float) -> str:
    """A tick of a frequency axis, such as "20 kHz"."""
    if hz >= 1e6:
        return f"{hz / 1e6:g} MHz"
    return f"{hz / 1e3:g} kHz" if hz >= 1e3 else f"{hz:g} Hz"


def shortened(text: str, longest: int) -> str:
    """The text, cut with an ellipsis where it is longer."""
    return text if len(text) <= longest else text[: longest - 1].rstrip() + "…"
