"""The result that speaks for a recording, typed as far as a sheet needs it.

Owns reading it; a result that this program cannot understand is no result, and that is said.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

from twonode.analysis.estimated import Quantity
from twonode.recordings.bounded import read_bounded
from twonode.recordings.gist import newest_result
from twonode.recordings.jsontext import JSON_ERRORS

__all__ = ["Budget", "Result", "StatedFinding", "Stored", "result_of_document", "stored_result"]

_LARGEST_BYTES = 16_000_000


class Stated(msgspec.Struct, frozen=True):
    """A quantity as results state it."""

    value: float | None = None
    interval95: tuple[float, float] | None = None
    standard_uncertainty: float | None = None
    at_least: float | None = None
    at_most: float | None = None
    unit: str = ""

    @property
    def quantity(self) -> Quantity:
        """In the terms of analysis."""
        return Quantity(
            unit=self.unit,
            value=self.value,
            standard_uncertainty=self.standard_uncertainty,
            interval95=self.interval95,
            at_least=self.at_least,
            at_most=self.at_most,
        )


class StatedFinding(msgspec.Struct, frozen=True):
    """A finding as results state it."""

    state: str
    probability: float | None = None
    because: str = ""
    action: str = ""
    not_tested: tuple[str, ...] = ()


class Budget(msgspec.Struct, frozen=True):
    """One source of the uncertainty."""

    source: str
    share: float
    action: str = ""


class _Fit(msgspec.Struct, frozen=True):
    points: int | None = None
    refused: int = 0
    reduced_chi_square: float | None = None
    corner_hz: float | None = None
    misfit: str | None = None


class _Conditions(msgspec.Struct, frozen=True):
    null: str | None = None
    companions: tuple[str, ...] = ()


class _Node(msgspec.Struct, frozen=True):
    """One node of a voltage chart."""

    node: str
    volts: float | None = None
    half_width: float | None = None
    book_volts: float | None = None
    limits: tuple[float, float] | None = None
    finding: StatedFinding | None = None


class Result(msgspec.Struct, frozen=True):
    """An estimate, a DC check, a voltage chart or a loose part; what a kind does not have is None.

    label, state, because : of a loose part. nodes, not_read : of a voltage chart.
    """

    program: str = ""
    recordings: tuple[str, ...] = ()
    part: str | None = None
    conditions: _Conditions = _Conditions()
    capacitance: Stated | None = None
    others: dict[str, Stated] = {}
    loss: Stated | None = None
    tan_delta: Stated | None = None
    esr: Stated | None = None
    leak: Stated | None = None
    budget: tuple[Budget, ...] = ()
    fit: _Fit = _Fit()
    finding: StatedFinding | None = None
    leakage_resistance: Stated | None = None
    leakage_current: Stated | None = None
    bias_shift: Stated | None = None
    drive_v: float | None = None
    cannot_tell: str | None = None
    label: str | None = None
    state: str | None = None
    because: str | None = None
    not_tested: tuple[str, ...] = ()
    nodes: tuple[_Node, ...] = ()
    not_read: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """A result with the name of its file in results/; both None where there is none.

    trouble : why the file that is there says nothing.
    """

    file: str | None = None
    result: Result | None = None
    trouble: str | None = None


def stored_result(folder: Path, *, kind: str, part: str | None) -> Stored:
    """The newest result of a recording, as searches choose it. Raises DamagedRecording where it cannot be read."""
    try:
        names = os.listdir(folder / "results")
    except FileNotFoundError:
        return Stored()
    file = newest_result(names, kind=kind, part=part)
    if file is None:
        return Stored()
    content = read_bounded(folder / "results" / file, _LARGEST_BYTES)
    try:
        return Stored(file=file, result=msgspec.json.decode(content, type=Result))
    except JSON_ERRORS as exc:
        return Stored(file=file, trouble=f"results/{file} is none this program understands ({exc})")


def result_of_document(document: Mapping[str, Any]) -> Result:
    """A result that was worked out just now, from its JSON object."""
    return msgspec.convert(document, Result)
