"""Two recordings of one part compared: both worked out again from their raw codes, and what differed in method.

Owns reading the two and naming the differences of method. Whether a value has changed is `analysis.comparison`'s.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from twonode.acquire.errors import UnfitRequest
from twonode.acquire.reestimate import Reestimate, reestimate
from twonode.analysis.comparison import DRIFT_LIMIT, Comparison, compare
from twonode.analysis.quantities import format_level, format_quantity
from twonode.analysis.stage import Stage
from twonode.recordings.model import Header, InstrumentRole
from twonode.recordings.reader import Recording

__all__ = ["ComparedRecordings", "compare_recordings", "method_differences"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedRecordings:
    """A comparison with the two recordings behind it, the earlier one first.

    methods : what differed in method, as sentences without a full stop. notes : as in `Reestimate`.
    """

    comparison: Comparison
    first: Recording
    second: Recording
    methods: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def names(self) -> tuple[str, str]:
        """What to call the two: before or after where the recording says so, and when it was made."""
        headers = self.first.header, self.second.header
        form = "%Y-%m-%d"
        for finer in (" %H:%M", ":%S"):
            if f"{headers[0].created_utc:{form}}" == f"{headers[1].created_utc:{form}}":
                form += finer
        one, two = (
            ", ".join(filter(None, (header.tags.get("when"), f"{header.created_utc:{form}}")))
            for header in headers
        )
        return one, two


def compare_recordings(
    first: Path, second: Path, *, part: str | None = None, limit: float = DRIFT_LIMIT
) -> ComparedRecordings:
    """Compare two sweeps; whichever was made earlier counts as the first.

    part : another capacitor of the stages than the ones asked for.
    limit : relative change that calls for another look.

    Raises RecordingError, UnfitRequest (the same recording twice, a null run), AnalysisError.
    """
    if first.resolve() == second.resolve():
        raise UnfitRequest(
            f"{first.name} is given twice.",
            "A recording does not differ from itself.",
            "Give the recording from before and the one from after.",
        )
    found = sorted(
        (reestimate([path], part=part) for path in (first, second)),
        key=lambda each: (each.recordings[0].header.created_utc, each.recordings[0].name),
    )
    one, two = (each.recordings[0] for each in found)
    return ComparedRecordings(
        comparison=compare(found[0].estimate, found[1].estimate, limit=limit),
        first=one,
        second=two,
        methods=_methods(*found),
        notes=tuple(dict.fromkeys(note for each in found for note in each.notes)),
    )


def _methods(one: Reestimate, two: Reestimate) -> tuple[str, ...]:
    nulls = [bool(each.nulls) for each in (one, two)]
    first, second = one.recordings[0], two.recordings[0]
    found = list(method_differences(first.header, second.header))
    if nulls[0] is not nulls[1]:
        found.append(f"a null run was used for the {'first' if nulls[0] else 'second'} only")
    if first.stage is not None and second.stage is not None:
        found += _stage_differences(first.stage, second.stage)
    points = [len(each.used) for each in (first, second)]
    if points[0] != points[1]:
        found.append(f"{points[0]} points, then {points[1]}")
    return tuple(found)


def method_differences(first: Header, second: Header) -> tuple[str, ...]:
    """What differed in how two sweeps were made, as their headers say it."""
    found = []
    for role in InstrumentRole:
        one, two = (_identity(header, role) for header in (first, second))
        if one != two:
            found.append(f"{role.value}: {one or 'none'}, then {two or 'none'}")
    pairs = (
        ("hook-up", *(h.hookup.value if h.hookup else "none" for h in (first, second))),
        ("level", *(format_level(h.conditions.level_vpp) for h in (first, second))),
        ("bias", *(format_quantity(h.conditions.bias_v, "V") for h in (first, second))),
        ("channel 1 probe", *(f"{h.drive_probe.factor:g}:1" for h in (first, second))),
        ("channel 2 probe", *(f"{h.far_probe.factor:g}:1" for h in (first, second))),
        ("operator", *(h.operator or "not named" for h in (first, second))),
        ("set", *(h.tags.get("set", "not named") for h in (first, second))),
        ("imported", *("yes" if h.conditions.imported else "no" for h in (first, second))),
        ("simulated bench", *("yes" if h.conditions.simulated else "no" for h in (first, second))),
    )
    found += [f"{name}: {one}, then {two}" for name, one, two in pairs if one != two]
    return tuple(found)


def _identity(header: Header, role: InstrumentRole) -> str | None:
    return next((i.identity for i in header.instruments if i.role is role), None)


def _stage_differences(first: Stage, second: Stage) -> list[str]:
    ones, twos = ({p.name: p for p in stage.parts} for stage in (first, second))
    found = []
    for name in sorted(ones.keys() ^ twos.keys()):
        found.append(f"{name} in the {'first' if name in ones else 'second'} only")
    for name in sorted(ones.keys() & twos.keys()):
        one, two = ones[name], twos[name]
        if one.value != two.value:
            values = [format_quantity(p.value, p.kind.unit) for p in (one, two)]
            found.append(f"{name} stated as {values[0]}, then {values[1]}")
        if (one.measured is None) is not (two.measured is None):
            found.append(
                f"{name} read with a meter for the {'second' if one.measured is None else 'first'} only"
            )
    return found
