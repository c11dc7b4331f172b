"""A proposed sweep as it is typed.

Owns the spelling of a ``twonode sweep`` that a proposal names, so that it can be copied from the screen.
"""

from __future__ import annotations

from collections.abc import Sequence

from twonode.analysis.quantities import format_quantity

__all__ = ["sweep_command", "typed_options"]


def typed_options(options: Sequence[str]) -> str:
    """Options in a line, in quotes where there is a space in one."""
    return " ".join(f'"{option}"' if " " in option else option for option in options)


def sweep_command(
    part: str, options: Sequence[str], *, from_hz: float, to_hz: float, staged: bool = True
) -> str:
    """The whole line. staged : the part is swept inside its stage, whose file the reader has to name."""
    words = ["twonode sweep"]
    if staged:
        words.append("--stage FILE")
    words += [f"--part {part}", typed_options(options)]
    words.append(f"--from {_two_figures(from_hz)}Hz --to {_two_figures(to_hz)}Hz --plan even")
    return " ".join(word for word in words if word)


def _two_figures(hz: float) -> str:
    """As typed: "4.0", "12", "10k", "1M"."""
    number, _, symbol = format_quantity(hz, "Hz", 2).rpartition(" ")
    return f"{number}{symbol.removesuffix('Hz')}"
