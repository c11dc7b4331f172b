"""Every parser over 200,000 spoilt inputs: it reads them or raises an error of ours, none slower than a second.

Inputs are made from sound samples and from noise (`tests.fuzz.mutations`), with fixed seeds. Where an input took long
it is read once more, and the quicker of the two counts: on a busy machine another program may have had the processor.
"""

from __future__ import annotations

from dataclasses import dataclass

from tests.benchmarks._workers import map_cases
from tests.benchmarks.table import Row
from tests.fuzz.fuzzing import SLOWEST_S, Outcome, fuzz
from tests.fuzz.parsers import PARSERS

SEED = 46
INPUTS, QUICK_INPUTS = 200_000, 2_000
_AT_ONCE = 10_000
_SHOWN = 6


@dataclass(frozen=True, slots=True)
class _Case:
    """A part of a parser's inputs."""

    parser: str
    batch: int
    count: int


def _fuzzed(case: _Case) -> Outcome:
    return fuzz(PARSERS[case.parser], f"{SEED}:{case.parser}:{case.batch}", case.count)


def run(*, quick: bool = False) -> list[Row]:
    """A row for each parser, and one for all."""
    wanted = QUICK_INPUTS if quick else INPUTS
    at_once = min(_AT_ONCE, wanted)
    cases = [_Case(name, batch, at_once) for name in PARSERS for batch in range(wanted // at_once)]
    outcomes = map_cases(_fuzzed, cases, name="inputs by the ten thousand")
    rows = []
    for name in PARSERS:
        own = [outcome for case, outcome in zip(cases, outcomes, strict=True) if case.parser == name]
        troubles = sum(each.troubles for each in own)
        slowest_s = max(each.slowest_s for each in own)
        first = [str(trouble) for each in own for trouble in each.first][:_SHOWN]
        count = sum(each.count for each in own)
        rows.append(
            Row(
                figure=f"parser: {name}",
                target=f"{wanted:,} inputs: only our own errors, none slower than {SLOWEST_S:g} s",
                measured=f"{count:,} inputs, {sum(each.refused for each in own):,} refused, {troubles} not stood, "
                f"slowest {1000 * slowest_s:.0f} ms" + "".join(f"; {each}" for each in first),
                met=count >= wanted and troubles == 0,
            )
        )
    missed = sum(row.met is False for row in rows)
    rows.append(
        Row(figure="all parsers", target="0 missed", measured=f"{missed} of {len(PARSERS)}", met=missed == 0)
    )
    return rows
