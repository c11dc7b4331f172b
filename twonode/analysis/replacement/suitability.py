"""Which dielectrics suit a position and a value, each with the reason.

Owns the form of the package's table, ``analysis/dielectrics/suitability.toml``; the facts are there.
"""

from __future__ import annotations

import functools
import re
import tomllib
from dataclasses import dataclass
from enum import Enum
from importlib import resources

import msgspec

from twonode.analysis.quantities import parse_quantity
from twonode.analysis.replacement.role import Role

__all__ = [
    "COMMON_PRACTICE",
    "DielectricAdvice",
    "Fit",
    "dielectric_named",
    "dielectric_names",
    "suitable",
    "suitable_dielectric",
]


COMMON_PRACTICE = "common practice, no source"


class Fit(Enum):
    """Whether a dielectric belongs in a position."""

    SUITS = "suits"
    SECOND_CHOICE = "second choice"
    DOES_NOT = "does not"


@dataclass(frozen=True, slots=True, kw_only=True)
class DielectricAdvice:
    """One dielectric in one position."""

    name: str
    fit: Fit
    because: str
    source: str


class _Rule(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    roles: tuple[Role, ...]
    fit: Fit
    because: str
    source: str = COMMON_PRACTICE
    from_value: str | None = None
    below_value: str | None = None

    def holds(self, role: Role, value_farad: float) -> bool:
        # The margin: 1000 pF typed in any unit is no "below 1n".
        return (
            role in self.roles
            and (self.from_value is None or value_farad >= parse_quantity(self.from_value, "F") * (1 - 1e-9))
            and (self.below_value is None or value_farad < parse_quantity(self.below_value, "F") * (1 - 1e-9))
        )


class _Dielectric(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    name: str
    aliases: tuple[str, ...]
    rule: tuple[_Rule, ...]


class _Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    format: int
    dielectric: tuple[_Dielectric, ...]


@functools.cache
def _table() -> _Table:
    text = resources.files("twonode.analysis").joinpath("dielectrics/suitability.toml").read_text("utf-8")
    return msgspec.convert(tomllib.loads(text), _Table)


def dielectric_names() -> tuple[str, ...]:
    """The dielectrics of the table."""
    return tuple(each.name for each in _table().dielectric)


def _plain(text: str) -> str:
    return " ".join(re.sub(r"[-_/]+", " ", text.lower()).split())


def dielectric_named(text: str) -> str | None:
    """The table's name for what a person writes ("film", "NP0", "X2"); None for a word it does not know."""
    wanted = _plain(text)
    for each in _table().dielectric:
        if wanted in (_plain(each.name), *map(_plain, each.aliases)):
            return each.name
    return None


def suitable_dielectric(name: str, role: Role, value_farad: float) -> DielectricAdvice:
    """One dielectric of the table in a position. Raises ValueError for a name the table does not have."""
    for each in _table().dielectric:
        if each.name == name:
            rule = next(rule for rule in each.rule if rule.holds(role, value_farad))
            return DielectricAdvice(name=name, fit=rule.fit, because=rule.because, source=rule.source)
    raise ValueError(f"name: no dielectric {name!r}")


def suitable(role: Role, value_farad: float) -> tuple[DielectricAdvice, ...]:
    """Every dielectric of the table in a position, those that suit first."""
    every = [suitable_dielectric(name, role, value_farad) for name in dielectric_names()]
    order = list(Fit)
    return tuple(sorted(every, key=lambda each: order.index(each.fit)))
