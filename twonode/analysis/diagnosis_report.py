"""What a diagnosis is to a reader: the named group, the JSON object, sentences and figures for a table.

Owns the keys of that object and the wording. Weighs nothing.
"""

from __future__ import annotations

from twonode.analysis.diagnose import Diagnosis, Weighed

__all__ = ["named_group"]

NOT_TOLD = 3.0
"""Readings that favour one hypothesis by less than this in log evidence (20 to 1) do not tell it from another."""


def named_group(diagnosis: Diagnosis) -> tuple[Weighed, ...]:
    """The hypotheses that the readings leave open, likeliest first.

    The smallest set that holds 95 % of the probability, and whatever the readings do not tell from the first one: a
    fault that cannot be seen from here keeps its place however rare it is.
    """
    first = diagnosis.ranking[0]
    kept = {str(w.hypothesis) for w in diagnosis.group}
    return tuple(
        w
        for w in diagnosis.ranking
        if str(w.hypothesis) in kept
        or (len(w.hypothesis.faults) <= 1 and w.log_evidence > first.log_evidence - NOT_TOLD)
    )
