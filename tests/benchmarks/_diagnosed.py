"""What `twonode diagnose` said of one seeded stage, and how many measurements more it took.

Calibration: faults are more frequent here than the program's prior says, by one common factor. The stated probabilities
are carried over to that frequency by Bayes: every hypothesis is multiplied by its frequency here over its prior, and
the result is compared with what was true. The odds between two faults are not touched by it. A short from the driven
node to ground is left out of it, as such a stage is refused and never comes to a statement.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf

import numpy as np

from tests.benchmarks._faulty_stages import (
    FAULTY_SHARE,
    FaultyBench,
    draw_fault,
    first_sweeps,
    misfit_sigma,
    singles_of,
)
from tests.benchmarks._runs import archive_folder
from twonode.analysis.diagnose import Diagnosis, Hypothesis, diagnose
from twonode.analysis.diagnosis_report import named_group
from twonode.analysis.measurement_candidates import candidates_of
from twonode.analysis.model import Sweep
from twonode.analysis.next_measurement import propose_next, suspects_of
from twonode.analysis.part_faults import PartFault
from twonode.analysis.stage import GROUND, PartKind, Stage, shipped_stage, shipped_stage_names
from twonode.errors import TwonodeError

FIRST_SEED = 90_000
VISIBLE_SIGMA = 4.0
MOST_FURTHER = 3
SETTLED = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    number: int
    follow: bool

    @property
    def seed(self) -> int:
        return FIRST_SEED + self.number


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What was said of one stage.

    misfit_sigma : of the best healthy explanation; 0 for a healthy stage. stated : hypotheses with more than 0.1 %,
    carried over to the benchmark's frequency of faults, with whether they were true.
    further, random : further measurements to 95 % on the truth; None where not followed, inf where never reached.
    first_kind, promised : of the first proposal, and the probability it was expected to settle the stage with.
    """

    stage: str
    seed: int
    truth: str
    amount: float | None
    healthy: bool
    misfit_sigma: float
    refused: str | None = None
    top: str = ""
    top_probability: float = 0.0
    true_probability: float = 0.0
    group: tuple[str, ...] = ()
    stated: tuple[tuple[float, bool], ...] = ()
    top_stated: tuple[float, bool] = (0.0, False)
    unseen: bool = False
    further: float | None = None
    random: float | None = None
    first_kind: str = ""
    promised: float = 0.0

    @property
    def visible(self) -> bool:
        return self.misfit_sigma >= VISIBLE_SIGMA

    @property
    def in_group(self) -> bool:
        return self.truth in self.group

    @property
    def first(self) -> bool:
        return self.top == self.truth

    def __str__(self) -> str:
        amount = "" if self.amount is None else f" {self.amount:.3g}"
        return f"{self.stage}, seed {self.seed}: {self.truth}{amount} ({self.misfit_sigma:.1f} sigma)"

    @property
    def statement(self) -> str:
        if self.refused is not None:
            return f"refused: {self.refused}"
        return (
            f"{self.top} {100 * self.top_probability:.1f} %, truth {100 * self.true_probability:.2f} %, "
            f"group of {len(self.group)}"
        )


def measure_case(case: Case) -> Outcome:
    names = shipped_stage_names()
    name = names[case.number % len(names)]
    stage = shipped_stage(name)
    rng = np.random.default_rng([FIRST_SEED, case.number])
    truth, faults = draw_fault(stage, rng)
    amount = next((f.amount for f in faults.values()), None)
    blank = Outcome(
        stage=name,
        seed=case.seed,
        truth=str(truth),
        amount=amount,
        healthy=not faults,
        misfit_sigma=0.0,
    )
    with archive_folder() as archive:
        bench = FaultyBench(stage, case.seed, faults, archive)
        try:
            asked = stage.asked_part().name
            sweeps = [bench.sweep(built, asked, low, high) for built, low, high in first_sweeps(stage)]
        except TwonodeError as exc:
            return replace(blank, refused=f"{type(exc).__name__}: {exc.what}")
        found = diagnose(sweeps, stage)
        sigma = misfit_sigma([bench.exact(s) for s in sweeps], stage, truth) if faults else 0.0
        further = random = None
        first_kind, promised = "", 0.0
        if case.follow and found.probability_of(truth) < SETTLED:
            further, first_kind, promised = _follow(bench, sweeps, found, truth, None)
            random, *_ = _follow(bench, sweeps, found, truth, np.random.default_rng([7, case.number]))
    carried = _carried_over(found, stage)
    top = found.ranking[0]
    return replace(
        blank,
        misfit_sigma=sigma,
        top=str(top.hypothesis),
        top_probability=top.probability,
        true_probability=found.probability_of(truth),
        group=tuple(str(w.hypothesis) for w in named_group(found)),
        stated=tuple((p, h == truth) for h, p in carried if p > 1e-3),
        top_stated=max((p, h == truth) for h, p in carried),
        unseen=any(part in found.unseen for part, _ in truth.faults),
        further=further,
        random=random,
        first_kind=first_kind,
        promised=promised,
    )


def _never_swept(hypothesis: Hypothesis, stage: Stage) -> bool:
    """Whether it puts a short from the driven node to ground: there the bench finds no signal and refuses."""
    held = {n for p in stage.parts if p.kind is PartKind.SUPPLY for n in p.between} | {GROUND, stage.drive}
    return any(
        fault is PartFault.SHORTED and set(stage.part(name).between) <= held
        for name, fault in hypothesis.faults
    )


def _carried_over(found: Diagnosis, stage: Stage) -> list[tuple[Hypothesis, float]]:
    """Probabilities at the benchmark's frequency of faults, given that the stage could be swept at all."""
    odds = sum(o for *_, o in singles_of(stage))
    lift = FAULTY_SHARE / (1.0 - FAULTY_SHARE) / odds
    raised = [
        (w.hypothesis, w.probability * lift ** len(w.hypothesis.faults))
        for w in found.ranking
        if not _never_swept(w.hypothesis, stage)
    ]
    total = sum(p for _, p in raised)
    return [(h, p / total) for h, p in raised]


def _follow(
    bench: FaultyBench,
    sweeps: list[Sweep],
    found: Diagnosis,
    truth: Hypothesis,
    chance: np.random.Generator | None,
) -> tuple[float, str, float]:
    """Further measurements to 95 % on the truth, proposed or, with `chance`, any; the first one's kind and promise."""
    sweeps, readings = list(sweeps), []
    noise = np.random.default_rng(bench.seed)
    done: set[str] = set()
    kind, promised = "", 0.0
    for count in range(1, MOST_FURTHER + 1):
        if chance is None:
            proposals = propose_next(found, sweeps)
            ordered = [p.candidate for p in proposals]
            promised = promised or proposals[0].settles
        else:
            assert sweeps[0].stage is not None
            everything = candidates_of(sweeps[0].stage, suspects_of(found))
            ordered = [everything[k] for k in chance.permutation(len(everything))]
        ordered = [c for c in ordered if c.words not in done]
        for candidate in ordered[:3]:
            done.add(candidate.words)
            try:
                more_sweeps, more_readings = bench.carry_out(candidate.action, noise)
            except TwonodeError:
                # The bench refuses: a shorted node, say. The next best is taken and costs a measurement too.
                continue
            break
        else:
            return inf, kind, promised
        kind = kind or candidate.kind.value
        sweeps += more_sweeps
        readings += more_readings
        found = diagnose(sweeps, bench.stage, readings=readings)
        if found.probability_of(truth) >= SETTLED:
            return float(count), kind, promised
    return inf, kind, promised
