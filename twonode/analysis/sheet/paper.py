"""The paper a sheet is printed on.

Owns the two sizes and the margins, all in points (1/72 inch).
"""

from __future__ import annotations

from enum import Enum

__all__ = ["MARGIN_PT", "Paper"]

MARGIN_PT = 40.0
"""Left and right; every printer reaches that far (common practice, no source)."""


class Paper(Enum):
    """A paper size; the value is its name on the command line and in CSS.

    Source: ISO 216 (210 x 297 mm), ANSI/ASME Y14.1 (8.5 x 11 in).
    """

    A4 = "A4"
    LETTER = "letter"

    @property
    def width_pt(self) -> float:
        """Of the upright sheet."""
        return 210.0 / 25.4 * 72.0 if self is Paper.A4 else 612.0

    @property
    def height_pt(self) -> float:
        """Of the upright sheet."""
        return 297.0 / 25.4 * 72.0 if self is Paper.A4 else 792.0
