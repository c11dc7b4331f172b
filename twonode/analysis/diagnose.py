"""Which part of a stage has which fault: every hypothesis weighed on the same readings.

Owns the list of hypotheses, their fits and their probabilities by marginal likelihood (Laplace) with stated prior
rates, and the naming of groups that the readings cannot tell apart. Neighbours' tolerances are marginalised in
every hypothesis. Proposes nothing; that is the next module's work.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import product
from math import inf, log, prod

import numpy as np

from twonode.analysis.dc_reading import DcReading
from twonode.analysis.model import Aspect, Model, Sweep, UnseenPart
from twonode.analysis.outliers import fit_probability
from twonode.analysis.part_faults import PartFault, circuit_part, fault_variants, faults_of, prior_rates
from twonode.analysis.posterior import Posterior, maximise
from twonode.analysis.stage import PartKind, Stage

__all__ = ["HEALTHY", "Diagnosis", "Hypothesis", "Weighed", "diagnose", "under"]

GROUP_HOLDS = 0.95
"""A group is the smallest set of hypotheses that holds this much probability."""
PAIR_BELOW = 1e-4
"""Pairs of faults are tried where the best single one explains the readings no better than this."""
PAIRED = 6
ROUGH_TOLERANCE = 1e-3
MATTERS = 1e-4
"""Fits are rough at first; those of hypotheses within this of the best are carried on to their minimum."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hypothesis:
    """A state of the stage: no fault, one, or two."""

    faults: tuple[tuple[str, PartFault], ...]

    def __str__(self) -> str:
        if not self.faults:
            return "every part healthy"
        return " and ".join(f"{part} {fault.value}" for part, fault in self.faults)


HEALTHY = Hypothesis(faults=())


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighed:
    """One hypothesis with its fit.

    posterior : None for a fault of a part that the sweeps cannot see at all; it keeps its prior odds.
    log_evidence : up to a constant common to all hypotheses.
    """

    hypothesis: Hypothesis
    posterior: Posterior | None
    prior: float
    log_evidence: float
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """Hypotheses, likeliest first.

    group : the smallest set that holds at least 95 %, likeliest first.
    unseen : parts that no sweep and no reading shows.
    misfit : even the best hypothesis does not describe the readings.
    """

    stage: Stage
    ranking: tuple[Weighed, ...]
    group: tuple[Weighed, ...]
    unseen: tuple[str, ...]
    misfit: bool

    def probability_of(self, hypothesis: Hypothesis) -> float:
        """Probability of a hypothesis; 0 where it was not weighed."""
        return next((w.probability for w in self.ranking if w.hypothesis == hypothesis), 0.0)


def single_faults(stage: Stage) -> tuple[Hypothesis, ...]:
    """Healthy, and every fault of every part."""
    singles = [Hypothesis(faults=((p.name, f),)) for p in stage.parts for f in faults_of(p)]
    return (HEALTHY, *singles)


def diagnose(
    sweeps: Sequence[Sweep], stage: Stage, *, readings: Iterable[DcReading] = (), pairs: bool = True
) -> Diagnosis:
    """Weigh all hypotheses.

    Parameters
    ----------
    sweeps : of this stage, whatever their drive and far nodes and companions; null runs may be among them.
    stage : the parts the hypotheses are about.
    readings : a meter's DC readings.
    pairs : try two faults at once where no single one will do.
    """
    readings = tuple(readings)
    weighed = [_weigh(h, sweeps, stage, readings) for h in single_faults(stage)]
    weighed = _polished(weighed)
    plain = next(w.log_evidence for w in weighed if not w.hypothesis.faults)
    # Without the fault the readings are what they are with it, where nothing shows it.
    weighed = [w if w.posterior is not None else replace(w, log_evidence=plain) for w in weighed]
    best = max(weighed, key=lambda w: log(w.prior) + w.log_evidence)
    if pairs and best.posterior is not None and fit_probability(best.posterior) < PAIR_BELOW:
        weighed = _polished(weighed + _pairs(weighed, sweeps, stage, readings))
    scores = np.array([log(w.prior) + w.log_evidence for w in weighed])
    chances = np.exp(scores - scores.max())
    chances /= chances.sum()
    ranking = sorted(
        (replace(w, probability=float(p)) for w, p in zip(weighed, chances, strict=True)),
        key=lambda w: -w.probability,
    )
    top = next(w for w in ranking if w.posterior is not None)
    assert top.posterior is not None
    return Diagnosis(
        stage=stage,
        ranking=tuple(ranking),
        group=_smallest_group(ranking),
        unseen=_unseen(stage, sweeps, readings),
        misfit=fit_probability(top.posterior) < PAIR_BELOW,
    )


def _polished(weighed: Sequence[Weighed]) -> list[Weighed]:
    """The same, the fits that matter carried on to their very minimum."""
    scores = [log(w.prior) + w.log_evidence for w in weighed]
    top = max(scores)
    found = []
    for each, score in zip(weighed, scores, strict=True):
        if each.posterior is None or score < top + log(MATTERS):
            found.append(each)
            continue
        posterior = maximise(each.posterior.model, [each.posterior.theta])
        assert posterior.log_evidence is not None
        assert each.posterior.log_evidence is not None
        gained = posterior.log_evidence - each.posterior.log_evidence
        found.append(replace(each, posterior=posterior, log_evidence=each.log_evidence + gained))
    return found


def _smallest_group(ranking: Sequence[Weighed]) -> tuple[Weighed, ...]:
    held = 0.0
    for count, weighed in enumerate(ranking, start=1):
        held += weighed.probability
        if held >= GROUP_HOLDS:
            return tuple(ranking[:count])
    return tuple(ranking)


def _prior(hypothesis: Hypothesis, stage: Stage) -> float:
    """Prior probability, parts failing independently."""
    chance = 1.0
    faulty = dict(hypothesis.faults)
    for part in stage.parts:
        rates = prior_rates(part)
        fault = faulty.get(part.name)
        chance *= rates[fault] if fault is not None else 1.0 - sum(rates.values())
    return chance


def under(
    hypothesis: Hypothesis, sweeps: Sequence[Sweep], readings: Sequence[DcReading] = ()
) -> tuple[tuple[Sweep, ...], tuple[DcReading, ...]]:
    """Sweeps and readings with the circuit as a hypothesis has it: an open resistor is no resistor any more."""
    return (
        tuple(s if s.stage is None else replace(s, stage=_circuit(s.stage, hypothesis)) for s in sweeps),
        tuple(replace(r, stage=_circuit(r.stage, hypothesis)) for r in readings),
    )


def _circuit(stage: Stage, hypothesis: Hypothesis) -> Stage:
    present = {p.name: p for p in stage.parts}
    for name, fault in hypothesis.faults:
        if name in present:
            faulty = circuit_part(present[name], fault)
            if faulty is not present[name]:
                stage = stage.replace_part(faulty)
    return stage


def _weigh(
    hypothesis: Hypothesis, sweeps: Sequence[Sweep], stage: Stage, readings: tuple[DcReading, ...]
) -> Weighed:
    there, read = under(hypothesis, sweeps, readings)
    found: list[tuple[float, Posterior]] = []
    kinds = [fault_variants(stage.part(name), fault) for name, fault in hypothesis.faults]
    for variant in product(*kinds):
        share = prod(s for s, _ in variant)
        try:
            model = Model(there, [free for _, frees in variant for free in frees], read)
        except UnseenPart:
            return Weighed(
                hypothesis=hypothesis,
                posterior=None,
                prior=_prior(hypothesis, stage),
                log_evidence=-inf,
                probability=0.0,
            )
        posterior = maximise(model, _starts(model, hypothesis), tolerance=ROUGH_TOLERANCE)
        if posterior.log_evidence is None:
            raise ValueError("hypotheses are compared by evidence, which needs proper priors")
        found.append((log(share) + posterior.log_evidence, posterior))
    return Weighed(
        hypothesis=hypothesis,
        posterior=max(found, key=lambda f: f[0])[1],
        prior=_prior(hypothesis, stage),
        log_evidence=float(np.logaddexp.reduce([score for score, _ in found])),
        probability=0.0,
    )


def _starts(model: Model, hypothesis: Hypothesis) -> list[np.ndarray]:
    """From the prior means, and from both sides where a fault's parameter ranges over decades."""
    starts = [model.mean.copy()]
    for name, fault in hypothesis.faults:
        if fault is not PartFault.LEAKY:
            continue
        place = model.index(name, Aspect.LEAK)
        for shift in (log(0.1), log(6.0)):
            start = model.mean.copy()
            start[place] += shift
            starts.append(start)
    return starts


def _pairs(
    weighed: Sequence[Weighed], sweeps: Sequence[Sweep], stage: Stage, readings: tuple[DcReading, ...]
) -> list[Weighed]:
    """Pairs of the singles that explain most, on different parts."""
    singles = sorted(
        (w for w in weighed if w.hypothesis.faults and w.posterior is not None),
        key=lambda w: -(log(w.prior) + w.log_evidence),
    )[:PAIRED]
    found = []
    for first, one in enumerate(singles):
        for other in singles[first + 1 :]:
            ((part_one, _),), ((part_other, _),) = one.hypothesis.faults, other.hypothesis.faults
            if part_one != part_other:
                both = Hypothesis(faults=(*one.hypothesis.faults, *other.hypothesis.faults))
                found.append(_weigh(both, sweeps, stage, readings))
    return found


def _unseen(stage: Stage, sweeps: Sequence[Sweep], readings: tuple[DcReading, ...]) -> tuple[str, ...]:
    """Parts whose value no observation depends on."""
    model = Model(sweeps, (), readings)
    slopes = model.evaluate(model.mean).jacobian
    unseen = []
    for part in stage.parts:
        if part.kind is PartKind.SUPPLY:
            continue
        try:
            place = model.index(part.name, Aspect.VALUE)
        except KeyError:
            unseen.append(part.name)
            continue
        if not np.any(np.abs(slopes[:, place]) > 1e-9):
            unseen.append(part.name)
    return tuple(unseen)
