"""How one family writes a number in a command, and where in a reply it puts one.

Owns the two forms and the writing. Reading replies belongs to `drivers.instrument`.
"""

from __future__ import annotations

import math
import re

import msgspec

from twonode.drivers.profile_format.strict import Strict

__all__ = ["NumberForm", "ReplyForm"]


class NumberForm(Strict, frozen=True, kw_only=True):
    """How a number is written.

    Without any key: as SCPI takes it (NR1, NR2 or NR3, twelve digits at most).

    scale : the figure sent is the value times this; 1e6 where the family counts microhertz.
    reciprocal : the figure is one over the value, such as a gain for a division factor.
    decimals : fixed point with so many places. digits : zeros in front up to so many characters; needs decimals.
    units : endings and their sizes, such as ``{ K = 1e3, M = 1e6 }``; the greatest not above the value is used.
    """

    scale: float = 1.0
    reciprocal: bool = False
    decimals: int | None = None
    digits: int | None = None
    units: dict[str, float] = msgspec.field(default_factory=dict)

    def __post_init__(self) -> None:
        if not 0 < self.scale < 1e15:
            raise ValueError(f"scale: need > 0, got {self.scale}")
        if self.decimals is not None and not 0 <= self.decimals <= 12:
            raise ValueError(f"decimals: need 0 to 12, got {self.decimals}")
        if self.digits is not None and (self.decimals is None or not 1 <= self.digits <= 20):
            raise ValueError("digits: need 1 to 20, and decimals with it")
        if any(not size > 0 for size in self.units.values()):
            raise ValueError(f"units: need sizes > 0, got {self.units}")
        if any(not ending.isascii() or not ending.isprintable() for ending in self.units):
            raise ValueError(f"units: need ASCII endings, got {self.units}")

    def text(self, value: float) -> str:
        """The number as it is sent.

        Raises ValueError for infinity, not-a-number, and what does not fit into ``digits``: nothing of that kind
        may reach an instrument.
        """
        if not math.isfinite(value) or (self.reciprocal and value == 0):
            raise ValueError(f"value: need a finite number, got {value}")
        figure = (1 / value if self.reciprocal else value) * self.scale
        ending, size = self._unit(figure)
        figure /= size
        if self.decimals is None:
            return f"{figure:.12G}{ending}"
        number = f"{figure:.{self.decimals}f}"
        if self.digits is not None:
            if figure < 0 or len(number) > self.digits:
                raise ValueError(f"value: {value:g} does not fit into {self.digits} digits")
            number = number.zfill(self.digits)
        return number + ending

    def rounded(self, value: float) -> float:
        """The value that the text of a value stands for."""
        text = self.text(value)
        ending, size = self._unit((1 / value if self.reciprocal else value) * self.scale)
        figure = float(text.removesuffix(ending)) * size / self.scale
        if not self.reciprocal:
            return figure
        return 1 / figure if figure else math.inf

    def _unit(self, figure: float) -> tuple[str, float]:
        if not self.units:
            return "", 1.0
        fitting = [(size, ending) for ending, size in self.units.items() if size <= abs(figure) * (1 + 1e-9)]
        size, ending = max(fitting) if fitting else min((s, e) for e, s in self.units.items())
        return ending, size


class ReplyForm(Strict, frozen=True, kw_only=True):
    """Where the answer stands in a reply, and in which unit.

    Without any key: the reply is the answer, after a header the instrument may repeat.

    key : the reply is a list of keys and values separated by commas; the value of this key is meant, and "" is the
        word ahead of all pairs.
    pattern : regular expression with one group that must match the whole reply; the group is the answer.
    scales : the figure read is the value times this. Where firmwares differ, several: the first that agrees with
        the first setting sent holds from then on, and nothing else is believed.
    reciprocal : the figure is one over the value.
    """

    key: str | None = None
    pattern: str | None = None
    scales: tuple[float, ...] = (1.0,)
    reciprocal: bool = False

    def __post_init__(self) -> None:
        if self.key is not None and self.pattern is not None:
            raise ValueError("key: give key or pattern, not both")
        if self.pattern is not None:
            try:
                groups = re.compile(self.pattern).groups
            except (re.error, OverflowError, RecursionError) as exc:
                raise ValueError(f"pattern: {self.pattern!r} is no regular expression: {exc}") from exc
            if groups != 1:
                raise ValueError(f"pattern: need one group, got {groups}")
        if not self.scales or any(not 0 < scale < 1e15 for scale in self.scales):
            raise ValueError(f"scales: need numbers > 0, got {self.scales}")
