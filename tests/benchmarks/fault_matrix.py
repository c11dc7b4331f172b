"""What becomes of a sweep when something goes wrong: every fault at every moment, over sockets, two scope families.

A case ends well when it ends in time and in words of ours, no reported point is lost, the generator's output is off
wherever its link still works (else the program says that its state is unknown), and no wrong number passes for a
right one: the estimate is within four standard uncertainties of the truth, or the sweep was refused, or the estimate
itself says that it does not fit.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.benchmarks._workers import map_cases
from tests.benchmarks.table import Row
from twonode.drivers.simulated import ScopeFamily
from twonode.drivers.simulated.misbehave import Kind, Misbehaviour, When

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from fault_runs import DEADLINE_S, TIMEOUT_S, Outcome, run_with_faults

FAMILIES = (ScopeFamily.TEN_FIELD, ScopeFamily.CURVE)
LEAST_CASES = 110
# Of the wire, which happen to both instruments.
WIRE = (
    Kind.NO_REPLY,
    Kind.LATE_REPLY,
    Kind.GARBAGE,
    Kind.TRUNCATED_BLOCK,
    Kind.CLOSED_BEFORE_BLOCK,
    Kind.RESET,
)
# Of these a second case each in which it never stops.
FOR_GOOD = (
    *(Kind.NO_REPLY, Kind.GARBAGE, Kind.CLOSED_BEFORE_BLOCK, Kind.WRONG_LENGTH, Kind.BYTE_BY_BYTE),
    *(Kind.ERROR_QUEUE, Kind.SENTINELS, Kind.PREAMBLE_ORDER, Kind.FREQUENCY_NOT_TAKEN, Kind.FREQUENCY_UNTRUE),
    *(Kind.AC_COUPLING, Kind.CHANNEL_OFF, Kind.PROBE_SETTING),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One fault at one moment of a sweep."""

    family: ScopeFamily
    fault: Misbehaviour

    @property
    def words(self) -> str:
        """Which one it is, for a list."""
        fault = self.fault
        moment = fault.when.value if fault.when is not When.POINT else f"record {fault.point}"
        often = ", for good" if fault.times is None else ""
        return f"{self.family.value} {fault.where}:{fault.kind.value} at {moment}{often}"


def cases(family: ScopeFamily) -> Iterator[Case]:
    """Every fault at every moment; the usual ones of the wire at both instruments, some of them without end too."""
    last = records_of(family)
    moments = (
        (When.CONNECT, 1),
        (When.POINT, 1),
        (When.POINT, (last + 1) // 2),
        (When.POINT, last),
        (When.CLOSING, 1),
    )
    for when, point in moments:
        for kind in Kind:
            yield _case(family, kind, when, point)
            if kind in FOR_GOOD:
                yield _case(family, kind, when, point, times=None)
        for kind in WIRE:
            yield _case(family, kind, when, point, instrument="generator")
        yield _case(family, Kind.NO_REPLY, when, point, instrument="generator", times=None)


def records_of(family: ScopeFamily) -> int:
    """How many records a sweep takes in which nothing goes wrong; the last of them is the last point's."""
    return run_with_faults(Misbehaviour(kind=Kind.HUM, point=9999), family=family).records


def _case(
    family: ScopeFamily,
    kind: Kind,
    when: When,
    point: int,
    *,
    instrument: str | None = None,
    times: int | None = 0,
) -> Case:
    fault = Misbehaviour(
        kind=kind, when=when, point=point, instrument=instrument, times=times, seconds=2.0 * TIMEOUT_S
    )
    return Case(family=family, fault=fault)


def judged(case: Case) -> tuple[Case, Outcome]:
    """One case, carried out."""
    return case, run_with_faults(case.fault, family=case.family)


def run(*, quick: bool = False) -> list[Row]:
    """Rows for each family."""
    rows: list[Row] = []
    for family in FAMILIES:
        wanted = list(cases(family))
        if quick:
            wanted = wanted[:: 5 if family is FAMILIES[0] else 7]
        outcomes = map_cases(judged, wanted, name=f"fault matrix {family.value}")
        rows += _rows(family, outcomes, quick=quick)
    return rows


def _rows(family: ScopeFamily, outcomes: list[tuple[Case, Outcome]], *, quick: bool) -> list[Row]:
    for case, outcome in outcomes:
        if outcome.faults:
            print(f"   {case.words}: {'; '.join(outcome.faults)}; {outcome}", file=sys.stderr)
    found = [outcome for _, outcome in outcomes]
    refused = sum(outcome.error is not None for outcome in found)
    repaired = sum(outcome.error is None and bool(outcome.notes or outcome.refused) for outcome in found)
    warned = sum(outcome.error is None and outcome.warned for outcome in found)
    slowest_s = max(outcome.spent_s for outcome in found)
    name = f"scope {family.value}"

    def row(figure: str, count: int, what: str) -> Row:
        return Row(figure=f"{name}: {figure}", target="0", measured=f"{count}{what}", met=count == 0)

    return [
        Row(
            figure=f"{name}: cases",
            target=f">= {LEAST_CASES}",
            measured=f"{len(found)} ({refused} refused, {repaired} repeated, {warned} warned of, "
            f"{len(found) - refused - repaired - warned} passed without a word)",
            met=None if quick else len(found) >= LEAST_CASES,
        ),
        row(f"not over within {DEADLINE_S:g} s", sum(o.hung for o in found), f" (slowest {slowest_s:.1f} s)"),
        row("tracebacks", sum(o.mistake is not None for o in found), ""),
        row("reported points lost", sum(o.lost for o in found), f" of {sum(o.reported for o in found)}"),
        row("wrong numbers accepted in silence", sum(o.silent_wrong for o in found), ""),
        row("output left on in silence", sum(o.left_on for o in found), ""),
    ]
