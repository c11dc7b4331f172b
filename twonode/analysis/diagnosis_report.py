"""What a diagnosis is to a reader: the named group, the JSON object, the lines of a screen.

Owns the keys of that object and the wording. Weighs nothing and prints nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from twonode.analysis.diagnose import HEALTHY, Diagnosis, Weighed
from twonode.analysis.electrolytic import electrolytic_document, electrolytic_words
from twonode.analysis.fault_figures import electrolytics_of, figures_of
from twonode.analysis.findings import probability_words
from twonode.analysis.jsonvalues import finite_document
from twonode.analysis.measurement_action import MeasurementKind, SweepAction
from twonode.analysis.next_measurement import SETTLED, Proposal
from twonode.analysis.part_faults import prior_rates
from twonode.analysis.stage import Stage
from twonode.analysis.sweep_command import sweep_command, typed_options

__all__ = [
    "FORMAT",
    "diagnosis_document",
    "diagnosis_lines",
    "is_settled",
    "named_group",
    "rates_words",
]

FORMAT = 1
"""Of the JSON object; a change of meaning takes a new number."""
NOT_TOLD = 3.0
"""Readings that favour one hypothesis by less than this in log evidence (20 to 1) do not tell it from another."""
LEAST_SHOWN = 0.005
MOST_ROWS = 12
MOST_PROPOSALS = 3
HARDLY = 0.1


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


def is_settled(diagnosis: Diagnosis) -> bool:
    """Whether the readings leave one hypothesis: at 95 % or more, and nothing else as good."""
    return diagnosis.ranking[0].probability >= SETTLED and len(named_group(diagnosis)) == 1


def rates_words(stage: Stage) -> str:
    """The prior rates in use, in words."""
    said = []
    for part in stage.parts:
        rates = prior_rates(part)
        if rates:
            each = ", ".join(f"{fault.value} {100 * rate:g} %" for fault, rate in rates.items())
            said.append(f"{part.name} {each}")
    return "; ".join(said)


def _percent(probability: float) -> str:
    """Never rounded up to certainty or down to nothing."""
    if probability > 0.999:
        return "> 99.9 %"
    if probability < 0.0005:
        return "< 0.1 %"
    return f"{100 * probability:.1f} %"


def _opening(diagnosis: Diagnosis) -> list[str]:
    first = diagnosis.ranking[0]
    group = named_group(diagnosis)
    held = sum(w.probability for w in group)
    sure = f"{probability_words(first.probability)} sure"
    name = str(first.hypothesis)
    if is_settled(diagnosis):
        if first.hypothesis == HEALTHY:
            return [f"EVERY PART HEALTHY as far as these readings show ({sure})"]
        return [f"{name.upper()} ({sure})"]
    seen = sum(w.probability for w in group if w.hypothesis.faults and w.posterior is not None)
    if first.hypothesis == HEALTHY and seen < 0.1:
        hidden = sorted({n for w in group for n, _ in w.hypothesis.faults})
        return [
            f"NO FAULT SEEN ({sure}), but these readings cannot tell faults of {_listed(hidden)} from a healthy stage"
        ]
    names = [str(w.hypothesis) for w in group]
    lines = [f"NOT SETTLED: {name} is likeliest ({_percent(first.probability)})"]
    if len(names) > 1:
        lines.append(
            f"  These readings do not tell apart (together {_percent(min(held, 1.0))}): {_listed(names, most=8)}."
        )
    return lines


def _listed(names: Sequence[str], *, most: int = 12) -> str:
    if len(names) > most:
        return f"{', '.join(names[:most])} and {len(names) - most} more"
    return f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else names[0]


def diagnosis_lines(
    diagnosis: Diagnosis, proposals: Sequence[Proposal], *, conditions: str, line_hz: float = 50.0
) -> tuple[str, ...]:
    """The diagnosis in plain text, the verdict first.

    conditions : under what conditions the readings were taken, one sentence.
    """
    lines = _opening(diagnosis)
    if diagnosis.misfit:
        lines.append(
            "  DO NOT TRUST THIS YET: no hypothesis describes the readings. Compare the stage file with the set, check "
            "clips and probe switches."
        )
    group = {str(w.hypothesis) for w in named_group(diagnosis)}
    rows = [w for w in diagnosis.ranking if w.probability >= LEAST_SHOWN or str(w.hypothesis) in group]
    width = max(len(str(w.hypothesis)) for w in rows[:MOST_ROWS])
    lines.append(f"  {'probability':>11}  {'explanation':<{width}}  fitted (95 %)")
    for weighed in rows[:MOST_ROWS]:
        figures = "; ".join(str(f) for f in figures_of(weighed, diagnosis.stage))
        if weighed.posterior is None:
            figures = "not seen from these nodes: stands as before"
        lines.append(
            f"  {_percent(weighed.probability):>11}  {weighed.hypothesis!s:<{width}}  {figures}".rstrip()
        )
    if len(rows) > MOST_ROWS:
        lines.append(f"  {'':>11}  and {len(rows) - MOST_ROWS} more that these readings do not rule out")
    for found in electrolytics_of(diagnosis, line_hz=line_hz):
        lines.append(f"  {electrolytic_words(found)}")
    if diagnosis.unseen:
        lines.append(f"  Not seen from these nodes: {_listed(diagnosis.unseen)}.")
    lines += _next_lines(diagnosis, proposals)
    lines.append(f"  {conditions}")
    return tuple(lines)


def _next_lines(diagnosis: Diagnosis, proposals: Sequence[Proposal]) -> list[str]:
    telling = [p for p in proposals if p.expected_entropy_drop_bits > 0.01]
    if is_settled(diagnosis) or not telling:
        words = (
            "nothing more is needed to tell which part it is"
            if is_settled(diagnosis)
            else "no measurement known here would tell more; change the likeliest part and measure again"
        )
        return [f"  Next: {words}. A sweep never clears leakage at working voltage."]
    lines = [f"  Next: {telling[0].words}."]
    if telling[0].settles < HARDLY:
        lines = [
            "  Nothing that could be measured here is likely to settle it: the figures lie where good and bad parts "
            "meet. What tells most:",
            *lines,
        ]
    lines.append(f"    {_expected(telling[0])}")
    if telling[0].candidate.options:
        lines.append(f"    {_command(telling[0])}")
    lines += [f"  Or: {p.words}. {_expected(p)}" for p in telling[1:MOST_PROPOSALS]]
    return lines


def _expected(proposal: Proposal) -> str:
    return (
        f"Expected: {_percent(proposal.settles)} that one explanation then stands at 95 % or more; the true one at "
        f"{_percent(proposal.expected_top)} on average ({proposal.expected_entropy_drop_bits:.2f} bits)."
    )


def _command(proposal: Proposal) -> str:
    action = proposal.action
    if not isinstance(action, SweepAction):
        return f"twonode sweep {typed_options(proposal.candidate.options)}"
    return sweep_command(
        action.part,
        proposal.candidate.options,
        from_hz=action.from_hz,
        to_hz=action.to_hz,
        staged=proposal.kind is not MeasurementKind.LIFT,
    )


def diagnosis_document(
    diagnosis: Diagnosis,
    proposals: Sequence[Proposal],
    *,
    recordings: Sequence[str],
    conditions: Mapping[str, Any],
    line_hz: float = 50.0,
) -> dict[str, Any]:
    """The JSON object of ``twonode diagnose``: SI units, no NaN, no infinity, null for not known."""
    group = named_group(diagnosis)
    inside = {str(w.hypothesis) for w in group}
    document: dict[str, Any] = {
        "format": FORMAT,
        "recordings": list(recordings),
        "stage": diagnosis.stage.title,
        "conditions": dict(conditions),
        "settled": is_settled(diagnosis),
        "misfit": diagnosis.misfit,
        "ranking": [
            {
                "explanation": str(w.hypothesis),
                "faults": [{"part": part, "fault": fault.value} for part, fault in w.hypothesis.faults],
                "probability": w.probability,
                "prior": w.prior,
                "in_group": str(w.hypothesis) in inside,
                "seen": w.posterior is not None,
                "figures": [
                    {"part": f.part, "what": f.what, **f.quantity.document()}
                    for f in figures_of(w, diagnosis.stage)
                ],
            }
            for w in diagnosis.ranking
        ],
        "group": {
            "explanations": [str(w.hypothesis) for w in group],
            "probability": min(1.0, sum(w.probability for w in group)),
        },
        "unseen": list(diagnosis.unseen),
        "electrolytics": [electrolytic_document(e) for e in electrolytics_of(diagnosis, line_hz=line_hz)],
        "next": [_proposal_document(p) for p in proposals[:MOST_PROPOSALS]],
        "rates": {
            part.name: {fault.value: rate for fault, rate in prior_rates(part).items()}
            for part in diagnosis.stage.parts
            if prior_rates(part)
        },
    }
    return finite_document(document)


def _proposal_document(proposal: Proposal) -> dict[str, Any]:
    return {
        "kind": proposal.kind.value,
        "words": proposal.words,
        "options": list(proposal.candidate.options),
        "from_hz": getattr(proposal.action, "from_hz", None),
        "to_hz": getattr(proposal.action, "to_hz", None),
        "live_set": proposal.kind is MeasurementKind.DC,
        "expected_true_probability": proposal.expected_top,
        "expected_bits": proposal.expected_entropy_drop_bits,
        "settles_probability": proposal.settles,
    }
