"""Which measurement next: of all that could be made, how much each is expected to settle.

Owns the expected information. Every hypothesis that still matters predicts a candidate's data (`predicted_readings`).
Data are drawn from each, every hypothesis is weighed on them, and the drop of entropy is averaged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.diagnose import Diagnosis
from twonode.analysis.errors import AnalysisError
from twonode.analysis.measurement_action import Action, Candidate, MeasurementKind
from twonode.analysis.measurement_candidates import candidates_of
from twonode.analysis.model import Sweep
from twonode.analysis.predicted_readings import ExpectedBench, HypothesisState, Mixture, predict

__all__ = ["SETTLED", "Proposal", "propose_next", "suspects_of"]

Real = NDArray[np.float64]

MATTERS = 0.005
"""Hypotheses below this probability are left out of the sums."""
DRAWS = 240
"""Drawn in all, at least some of each hypothesis."""
LEAST_DRAWS = 12
SETTLED = 0.95
"""Probability from which on one hypothesis stands (design)."""
MOST_SUSPECTS = 6
_LABOUR = {kind: place for place, kind in enumerate(MeasurementKind)}
_SAME_BITS = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """A measurement with what it is expected to settle.

    expected_top : probability that the true hypothesis is expected to have afterwards, averaged over what it may be.
    expected_entropy_drop_bits : of the probabilities over hypotheses.
    settles : probability that one hypothesis then has at least 95 %.
    """

    candidate: Candidate
    expected_top: float
    expected_entropy_drop_bits: float
    settles: float

    @property
    def kind(self) -> MeasurementKind:
        """What sort of measurement it is."""
        return self.candidate.kind

    @property
    def words(self) -> str:
        """What to do, as one would say it at the bench."""
        return self.candidate.words

    @property
    def action(self) -> Action:
        """What it takes to carry it out."""
        return self.candidate.action


def suspects_of(diagnosis: Diagnosis) -> tuple[str, ...]:
    """Parts whose faults matter, by their summed probability."""
    chances: dict[str, float] = {}
    for weighed in diagnosis.ranking:
        for name, _ in weighed.hypothesis.faults:
            chances[name] = chances.get(name, 0.0) + weighed.probability
    ordered = sorted(chances, key=lambda name: -chances[name])
    return tuple(name for name in ordered if chances[name] > MATTERS)[:MOST_SUSPECTS]


def propose_next(
    diagnosis: Diagnosis,
    sweeps: Sequence[Sweep],
    *,
    seed: int = 1,
    candidates: Sequence[Candidate] | None = None,
) -> tuple[Proposal, ...]:
    """Every candidate with its expected information, the most informative first.

    Parameters
    ----------
    diagnosis : of these sweeps.
    sweeps : what was swept so far; their noise, ranges and channels are what a further sweep is expected to have.
    candidates : None looks for all that make sense in the stage.

    Candidates that would tell the same to within 0.02 bit come in order of the labour they take.
    """
    own = [s for s in sweeps if s.stage is not None]
    if not own or own[0].stage is None:
        raise ValueError("sweeps: need at least one with a stage")
    if candidates is None:
        candidates = candidates_of(own[0].stage, suspects_of(diagnosis))
    weighed = [w for w in diagnosis.ranking if w.probability > MATTERS]
    states = [HypothesisState(w, diagnosis, own[0].stage) for w in weighed]
    chances = np.array([w.probability for w in weighed])
    chances /= chances.sum()
    bench = ExpectedBench(own)
    found = []
    for candidate in candidates:
        try:
            mixtures = predict(candidate.action, states, bench, diagnosis)
        except AnalysisError:
            # A circuit that cannot be solved there, or a reading that nothing expects, is no proposal.
            continue
        top, drop, settles = _information(mixtures, chances, np.random.default_rng(seed))
        found.append(
            Proposal(candidate=candidate, expected_top=top, expected_entropy_drop_bits=drop, settles=settles)
        )
    return _ordered(found)


def _ordered(found: Sequence[Proposal]) -> tuple[Proposal, ...]:
    left = sorted(found, key=lambda p: -p.expected_entropy_drop_bits)
    ordered: list[Proposal] = []
    while left:
        limit = left[0].expected_entropy_drop_bits - _SAME_BITS
        easiest = min(
            (p for p in left if p.expected_entropy_drop_bits >= limit), key=lambda p: _LABOUR[p.kind]
        )
        ordered.append(easiest)
        left.remove(easiest)
    return tuple(ordered)


def _information(
    mixtures: Sequence[Mixture], chances: Real, rng: np.random.Generator
) -> tuple[float, float, float]:
    """Expected probability of the true hypothesis, drop of entropy in bits, probability that one is settled."""
    before = _entropy_bits(chances[None, :])[0]
    prior = np.log(chances)
    counts = np.maximum(LEAST_DRAWS, np.round(DRAWS * chances)).astype(int)
    data = np.concatenate([m.draw(int(n), rng) for m, n in zip(mixtures, counts, strict=True)])
    logs = np.stack([m.log_density(data) for m in mixtures], axis=1) + prior
    logs -= logs.max(axis=1, keepdims=True)
    posterior = np.exp(logs)
    posterior /= posterior.sum(axis=1, keepdims=True)
    truth = np.repeat(np.arange(len(mixtures)), counts)
    weight = (chances / counts)[truth]
    top = float(weight @ posterior[np.arange(truth.size), truth])
    after = float(weight @ _entropy_bits(posterior))
    settled = float(weight @ (posterior.max(axis=1) >= SETTLED))
    # The weights sum to one but for rounding, which differs between processors.
    return min(top, 1.0), float(before - after), min(settled, 1.0)


def _entropy_bits(chances: Real) -> Real:
    """Shape (n, hypotheses) to (n,)."""
    safe = np.where(chances > 0, chances, 1.0)
    entropy: Real = -np.sum(chances * np.log(safe), axis=1) / log(2.0)
    return entropy
