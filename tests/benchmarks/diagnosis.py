"""Seeded single faults in the shipped stages: what `twonode diagnose` makes of them.

A stage is drawn in turn, with a fault or without, swept (`_faulty_stages`) and diagnosed (`_diagnosed`).
"""

from __future__ import annotations

import time
from dataclasses import replace
from itertools import pairwise
from math import inf, isfinite, sqrt

import numpy as np

from tests.benchmarks._diagnosed import FIRST_SEED, MOST_FURTHER, Case, Outcome, measure_case
from tests.benchmarks._faulty_stages import FaultyBench
from tests.benchmarks._runs import archive_folder
from tests.benchmarks._workers import map_cases
from tests.benchmarks.table import Row
from twonode.analysis.diagnose import diagnose
from twonode.analysis.next_measurement import propose_next
from twonode.analysis.stage import GROUND, Part, PartKind, Stage, shipped_stage, shipped_stage_names

FOLLOWED_EACH = 8
"""One case in so many is followed by further measurements."""
MOST_REFUSED = 0.05
BINS = (0.0, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99, 1.0 + 1e-9)


def ten_parts() -> Stage:
    """The tone network with a grid stopper: ten parts, the supply included."""
    stage = shipped_stage("tone-network")
    parts = [replace(p, between=("tone output", GROUND)) if p.name == "R3" else p for p in stage.parts]
    stopper = Part(name="R5", kind=PartKind.RESISTOR, between=("output grid", "tone output"), value=47e3)
    return Stage(title=stage.title, drive=stage.drive, far="tone output", parts=(*parts, stopper))


def seconds_for_ten_parts() -> tuple[float, int, float]:
    """Best of three: diagnosis, hypotheses, proposals."""
    stage = ten_parts()
    with archive_folder() as archive:
        bench = FaultyBench(stage, FIRST_SEED + 1, {}, archive)
        sweep = bench.sweep(stage, stage.asked_part().name, 30.0, 30e3)
    spent, proposing = [], []
    found = diagnose([sweep], stage)
    for _ in range(3):
        started = time.perf_counter()
        found = diagnose([sweep], stage, pairs=False)
        spent.append(time.perf_counter() - started)
        started = time.perf_counter()
        propose_next(found, [sweep])
        proposing.append(time.perf_counter() - started)
    return min(spent), len(found.ranking), min(proposing)


def _share(outcomes: list[Outcome], wanted: str) -> tuple[float, str]:
    count = sum(bool(getattr(o, wanted)) for o in outcomes)
    share = count / len(outcomes) if outcomes else 0.0
    return share, f"{100 * share:.1f} % ({count} of {len(outcomes)})"


def _calibration(pairs: list[tuple[float, bool]], words: str) -> list[Row]:
    rows = []
    for low, high in pairwise(BINS):
        own = [(p, t) for p, t in pairs if low <= p < high]
        if not own:
            continue
        mean = float(np.mean([p for p, _ in own]))
        rate = float(np.mean([t for _, t in own]))
        spread = sqrt(max(mean * (1 - mean), 1e-9) / len(own))
        rows.append(
            Row(
                figure=f"  {words}, stated {100 * low:.0f} to {100 * min(high, 1.0):.0f} %: {len(own)} statements",
                target="within 3 points" if len(own) >= 100 else "shown (fewer than 100)",
                measured=f"stated {100 * mean:.1f} %, true {100 * rate:.1f} % "
                f"(by chance ± {100 * spread:.1f})",
                met=abs(mean - rate) <= 0.03 if len(own) >= 100 else None,
            )
        )
    return rows


def run(*, quick: bool = False) -> list[Row]:
    count = 70 if quick else 1000
    cases = [Case(number=n, follow=n % FOLLOWED_EACH == 0) for n in range(count)]
    everything = map_cases(measure_case, cases, name="diagnosis (stages)")
    return [
        *_ranking_rows(everything),
        *_calibration_rows(everything),
        *_further_rows([o for o in everything if o.further is not None]),
        _speed_row(),
        *_wrong_rows(everything),
    ]


def _visible(outcomes: list[Outcome]) -> list[Outcome]:
    return [o for o in outcomes if o.refused is None and not o.healthy and o.visible]


def _hidden(outcomes: list[Outcome]) -> list[Outcome]:
    return [o for o in outcomes if o.refused is None and not o.healthy and not o.visible]


def _healthy(outcomes: list[Outcome]) -> list[Outcome]:
    return [o for o in outcomes if o.refused is None and o.healthy]


def _ranking_rows(everything: list[Outcome]) -> list[Row]:
    """Which explanation is first, and which ones are named."""
    visible, hidden, healthy = _visible(everything), _hidden(everything), _healthy(everything)
    refused = [o for o in everything if o.refused is not None]
    grouped, grouped_words = _share(visible, "in_group")
    alone, alone_words = _share(visible, "first")
    left, left_words = _share(hidden, "in_group")
    size = float(np.median([len(o.group) for o in visible])) if visible else inf
    accused = [o for o in healthy if not o.first]
    named = [o for o in healthy if not o.in_group]
    rows = [
        Row(
            figure=f"visible faults ({len(visible)} of {len(visible) + len(hidden)}): "
            "the true one in the group ranked first",
            target=">= 97 %",
            measured=grouped_words,
            met=grouped >= 0.97,
        ),
        Row(
            figure="visible faults: median size of the group",
            target="<= 2",
            measured=f"{size:g}",
            met=size <= 2,
        ),
        Row(
            figure="visible faults: the true one alone first",
            target=">= 85 %",
            measured=alone_words,
            met=alone >= 0.85,
        ),
        Row(
            figure="faults the sweeps cannot show: the group contains the true one",
            target=">= 97 %",
            measured=left_words,
            met=left >= 0.97,
        ),
        Row(
            figure=f"healthy stages ({len(healthy)}): a fault ranked first",
            target="<= 2 %",
            measured=f"{100 * len(accused) / max(len(healthy), 1):.1f} % ({len(accused)}); "
            f"healthy not even in the group: {len(named)}",
            met=len(accused) <= 0.02 * len(healthy),
        ),
        Row(
            figure="stages that the program would not sweep (a shorted drive node and the like)",
            target="shown",
            measured=f"{len(refused)} of {len(everything)}",
            met=None,
        ),
    ]
    for name in shipped_stage_names():
        own = [o for o in visible if o.stage == name]
        rows.append(
            Row(
                figure=f"  {name}: {len(own)} visible",
                target="shown",
                measured=f"in the group {_share(own, 'in_group')[1]}, alone first {_share(own, 'first')[1]}, "
                f"median group {np.median([len(o.group) for o in own]) if own else 0:g}",
                met=None,
            )
        )
    return rows


def _calibration_rows(everything: list[Outcome]) -> list[Row]:
    """Whether what was stated came true as often as it says."""
    found = [o for o in everything if o.refused is None]
    refused = [o for o in everything if o.refused is not None]
    # Where the bench often refuses to sweep, it does so for the very faults that keep their odds in the statements.
    selected = [
        name
        for name in shipped_stage_names()
        if sum(o.stage == name for o in refused) > MOST_REFUSED * sum(o.stage == name for o in everything)
    ]
    kept = [o for o in found if o.stage not in selected]
    return [
        Row(
            figure=f"calibration, without stages of which more than {100 * MOST_REFUSED:g} % were not swept",
            target="shown",
            measured=f"{len(kept)} stages; left out: {', '.join(selected) or 'none'}",
            met=None,
        ),
        *_calibration([s for o in kept for s in o.stated], "any hypothesis"),
        *_calibration([o.top_stated for o in kept], "the first one"),
    ]


def _further_rows(followed: list[Outcome]) -> list[Row]:
    """How many measurements more it takes to settle a stage."""
    if not followed:
        return []
    rows = []
    proposed = float(np.median([o.further for o in followed]))
    anyhow = float(np.median([o.random for o in followed]))
    rows.append(
        Row(
            figure=f"further measurements to 95 % on the truth, median of {len(followed)} unsettled stages",
            target="1",
            measured=f"{_times(proposed)} as proposed, {_times(anyhow)} at random",
            met=proposed <= 1,
        )
    )
    for most in (1, 2, 3):
        rows.append(
            Row(
                figure=f"  settled with {most} or fewer",
                target="shown",
                measured=f"{100 * np.mean([o.further <= most for o in followed]):.0f} % as proposed, "
                f"{100 * np.mean([o.random <= most for o in followed]):.0f} % at random",
                met=None,
            )
        )
    rows.append(
        Row(
            figure="  the first proposal was expected to settle, and settled on the truth",
            target="shown",
            measured=f"{100 * np.mean([o.promised for o in followed]):.0f} %, "
            f"{100 * np.mean([o.further == 1 for o in followed]):.0f} %",
            met=None,
        )
    )
    kinds = sorted({o.first_kind for o in followed})
    for kind in kinds:
        own = [o for o in followed if o.first_kind == kind]
        rows.append(
            Row(
                figure=f"  first proposed: {kind}",
                target="shown",
                measured=f"{len(own)} stages, {sum(o.further == 1 for o in own)} settled by it",
                met=None,
            )
        )
    return rows


def _speed_row() -> Row:
    seconds, hypotheses, proposing = seconds_for_ten_parts()
    return Row(
        figure=f"diagnosis of a stage of 10 parts, 12 points, {hypotheses} hypotheses, one core",
        target="<= 2 s",
        measured=f"{seconds:.2f} s; looking for the next measurement {proposing:.2f} s more",
        met=seconds <= 2.0,
    )


def _wrong_rows(everything: list[Outcome]) -> list[Row]:
    """The stages that went wrong, one by one."""
    followed = [o for o in everything if o.further is not None]
    rows = []
    for words, own in (
        ("visible, not in the group", [o for o in _visible(everything) if not o.in_group]),
        ("hidden, not in the group", [o for o in _hidden(everything) if not o.in_group]),
        ("healthy, a fault first", [o for o in _healthy(everything) if not o.first]),
        ("not swept", [o for o in everything if o.refused is not None]),
        ("never settled", [o for o in followed if o.further is not None and not isfinite(o.further)]),
    ):
        rows += [Row(figure=f"  {words}: {o}", target="", measured=o.statement, met=None) for o in own]
    return rows


def _times(count: float) -> str:
    return f"{count:g}" if isfinite(count) else f"more than {MOST_FURTHER}"
