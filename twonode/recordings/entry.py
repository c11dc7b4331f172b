"""One recording as lists and searches show it: what it is about and what came of it.

Owns the entry and its JSON form. Where it is read from is left to `gist`, where it is kept to `index`.
"""

from __future__ import annotations

from enum import Enum
from pathlib import Path
from typing import Any

import msgspec

from twonode.recordings.drawer_tags import DrawerStep
from twonode.recordings.identity import Identity

__all__ = ["DRAWER_BY_WORK", "NOBODY", "Entry", "EntryState", "Worth", "entry_document"]


NOBODY = Identity()
"""What a recording that cannot be read is about."""


DRAWER_BY_WORK = tuple(
    step.value for step in (DrawerStep.FIRST_LOOK, DrawerStep.OPEN_FIXTURE, DrawerStep.KNOWN_PART)
)
"""What a drawer files on the way to a part; of these a first look may have the part's result, then it is none."""


class EntryState(Enum):
    """Whether the folder could be read."""

    READABLE = "readable"  # its files were not compared with the manifests; verifying does that
    DAMAGED = "damaged"
    NEWER = "newer format"
    NO_RECORDING = "no recording"  # never shown; remembered, so that it is not looked into again


class Worth(msgspec.Struct, frozen=True, kw_only=True):
    """The value a result states, in SI.

    unit : "F" or "ohm".
    value, standard_uncertainty, low, high : None where the value was not determined; low to high at 95 %.
    at_least, at_most : where only a bound is known.
    """

    unit: str
    value: float | None = None
    standard_uncertainty: float | None = None
    low: float | None = None
    high: float | None = None
    at_least: float | None = None
    at_most: float | None = None

    @property
    def half_width(self) -> float | None:
        """Half of the 95 % interval, or twice the standard uncertainty."""
        if self.low is not None and self.high is not None:
            return (self.high - self.low) / 2.0
        return None if self.standard_uncertainty is None else 2.0 * self.standard_uncertainty


class Entry(msgspec.Struct, frozen=True, kw_only=True):
    """One recording.

    archive, name : the folder it lies in, and the name of its own.
    state, trouble : whether it could be read, and what was wrong.
    kind : the word in recording.json ("sweep", "null", "dc"); None where it could not be read.
    created_utc : "2031-04-09T18:20:11Z"; of a recording that cannot be read, as its name says, or None.
    hookup, ended : as filed. simulated : made on the simulated bench. imported : not measured by this program.
    drawer, step : of a recording of a drawer batch, its name and what it was made for (`DrawerStep`).
    identity : with the corrections in its notes.
    finding, probability, worth : of its newest result; None where there is none.
    expected_low, expected_high : limits it was held against, in the unit of the value.
    result : the file in results/ that says so.
    notes : each in one line, in the order they were made.
    """

    archive: Path
    name: str
    state: EntryState
    trouble: str | None = None
    kind: str | None = None
    created_utc: str | None = None
    title: str = ""
    identity: Identity = NOBODY
    hookup: str | None = None
    ended: str | None = None
    simulated: bool = False
    imported: bool = False
    drawer: str | None = None
    step: str | None = None
    finding: str | None = None
    probability: float | None = None
    worth: Worth | None = None
    expected_low: float | None = None
    expected_high: float | None = None
    result: str | None = None
    notes: tuple[str, ...] = ()

    @property
    def folder(self) -> Path:
        """The recording's folder."""
        return self.archive / self.name

    @property
    def drawer_by_work(self) -> bool:
        """Whether it was made on a drawer's way to a part and says nothing of one by itself."""
        return self.step in DRAWER_BY_WORK and self.result is None


def entry_document(entry: Entry) -> dict[str, Any]:
    """An entry as a JSON object; numbers in SI, null where nothing is known."""
    worth = entry.worth
    return {
        "recording": str(entry.folder),
        "state": entry.state.value,
        "trouble": entry.trouble,
        "kind": entry.kind,
        "created_utc": entry.created_utc,
        "title": entry.title,
        **entry.identity.document(),
        "hookup": entry.hookup,
        "ended": entry.ended,
        "simulated": entry.simulated,
        "imported": entry.imported,
        "drawer": None if entry.drawer is None else {"batch": entry.drawer, "step": entry.step},
        "finding": None
        if entry.finding is None
        else {"state": entry.finding, "probability": entry.probability},
        "value": None
        if worth is None
        else {
            "value": worth.value,
            "standard_uncertainty": worth.standard_uncertainty,
            "interval95": None if worth.low is None else [worth.low, worth.high],
            "at_least": worth.at_least,
            "at_most": worth.at_most,
            "unit": worth.unit,
        },
        "expected": None
        if entry.expected_low is None
        else {"limits": [entry.expected_low, entry.expected_high], "unit": "F"},
        "result": entry.result,
        "notes": list(entry.notes),
    }
