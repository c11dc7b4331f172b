"""The unknowns of a model with their priors, each once.

Owns their order, and the priors that a part's tolerance and its dielectric give; `model` weighs them by the data.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from enum import Enum
from math import inf, log

from twonode.analysis.errors import AnalysisError
from twonode.analysis.prior import ESR_SIGMA, family_of, log_prior
from twonode.analysis.stage import Part

__all__ = ["Aspect", "Free", "Parameter", "ParameterList", "UnseenPart"]


class UnseenPart(AnalysisError):
    """The asked part does not change the ratio between these two nodes."""


class Aspect(Enum):
    """What of its owner a parameter describes."""

    VALUE = "value"
    LOSS = "loss"
    ESR = "esr"
    LEAK = "leak"
    GAIN = "gain"
    COMPENSATION = "compensation"
    SHAPE = "compensation shape"
    TIME_CONSTANT = "time constant"
    SKEW = "skew"
    FREQUENCY = "frequency"


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """One unknown with its prior.

    owner : a part's name, or the channel, probe or instrument it belongs to.
    mean, sigma : Gaussian prior of the parameter itself; sigma = inf leaves it to the data.
    logarithmic : the parameter is the natural logarithm of the SI value.
    source : the line of the variance budget it is booked under.
    """

    owner: str
    aspect: Aspect
    mean: float
    sigma: float
    logarithmic: bool
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Free:
    """A request to free one aspect of a part, with a prior on its logarithm (loss may also be linear)."""

    part: str
    aspect: Aspect
    mean: float
    sigma: float = inf
    logarithmic: bool = True


class ParameterList:
    """Parameters in the order in which they were first asked for.

    free : aspects of asked parts to estimate; they come first, and a freed VALUE replaces its part's tolerance prior.
    """

    def __init__(self, free: Iterable[Free]) -> None:
        self.wanted = {(f.part, f.aspect): f for f in free}
        self._places: dict[tuple[str, Aspect], int] = {}
        self._entries: list[Parameter] = []
        # The asked parts come first, so that estimates can be read off the front.
        for wanted in self.wanted.values():
            self.place(
                Parameter(
                    owner=wanted.part,
                    aspect=wanted.aspect,
                    mean=wanted.mean,
                    sigma=wanted.sigma,
                    logarithmic=wanted.logarithmic,
                    source=f"{wanted.part} {wanted.aspect.value}",
                )
            )

    def __len__(self) -> int:
        return len(self._entries)

    def __getitem__(self, place: int) -> Parameter:
        return self._entries[place]

    def __iter__(self) -> Iterator[Parameter]:
        return iter(self._entries)

    def find(self, owner: str, aspect: Aspect) -> int | None:
        """Place of a parameter; None where there is none."""
        return self._places.get((owner, aspect))

    def owners_of(self, aspect: Aspect) -> dict[str, int]:
        """Every owner of such a parameter, with its place."""
        return {owner: place for (owner, each), place in self._places.items() if each is aspect}

    def place(self, parameter: Parameter) -> int:
        """Where a parameter stands; one of the same owner and aspect that is there already keeps its prior."""
        key = (parameter.owner, parameter.aspect)
        if key not in self._places:
            self._places[key] = len(self._entries)
            self._entries.append(parameter)
        return self._places[key]

    def part_value(self, part: Part) -> int:
        """Where a part's value stands, with the prior its tolerance or a meter's reading gives."""
        prior = log_prior(part if part.value > 0 else replace(part, value=-part.value))
        return self.place(
            Parameter(
                owner=part.name,
                aspect=Aspect.VALUE,
                mean=prior.mean,
                sigma=prior.sigma,
                logarithmic=True,
                source=part.name,
            )
        )

    def dielectric(self, part: Part) -> None:
        """A neighbour's loss, and an electrolytic's ESR, by its family: a film's 0.3 % would show in the phase."""
        if any(owner == part.name for owner, _ in self.wanted):
            return
        family = family_of(part.value)
        self.place(
            Parameter(
                owner=part.name,
                aspect=Aspect.LOSS,
                mean=part.loss or family.loss,
                sigma=family.loss_sigma,
                logarithmic=False,
                source=part.name,
            )
        )
        esr_ohm = part.esr_ohm or family.esr_ohm
        if esr_ohm:
            self.place(
                Parameter(
                    owner=part.name,
                    aspect=Aspect.ESR,
                    mean=log(esr_ohm),
                    sigma=ESR_SIGMA,
                    logarithmic=True,
                    source=part.name,
                )
            )
