"""What a diagnosis is to a reader: the named group, the JSON object, the lines of a screen.

Owns the keys of that object and the wording. Weighs nothing and prints nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import exp
from typing import Any

from twonode.analysis.clips import TELLING_SIGMA, ClipProposal
from twonode.analysis.diagnose import HEALTHY, Diagnosis, Weighed
from twonode.analysis.electrolytic import (
    Electrolytic,
    electrolytic_document,
    electrolytic_figures,
    electrolytic_words,
    is_electrolytic,
)
from twonode.analysis.estimate import Quantity
from twonode.analysis.jsonvalues import finite_document
from twonode.analysis.measurement_candidates import MeasurementKind, SweepAction
from twonode.analysis.model import STRAYED, Aspect
from twonode.analysis.next_measurement import SETTLED, Proposal
from twonode.analysis.part_faults import PartFault, prior_rates
from twonode.analysis.quantities import format_quantity
from twonode.analysis.stage import Part, PartKind, Stage

__all__ = [
    "FORMAT",
    "Figure",
    "clips_document",
    "clips_lines",
    "diagnosis_document",
    "diagnosis_lines",
    "electrolytics_of",
    "figures_of",
    "is_settled",
    "named_group",
    "rates_words",
]

FORMAT = 1
"""Of the JSON object; a change of meaning takes a new number."""
NOT_TOLD = 3.0
"""Readings that favour one hypothesis by less than this in log evidence (20 to 1) do not tell it from another."""
NORMAL_95 = 1.959963984540054
LEAST_SHOWN = 0.005
MOST_ROWS = 12
MOST_PROPOSALS = 3
HARDLY = 0.1
WIDE_SIGMA = 0.35
"""From this uncertainty of a logarithm on, a range says more than a value with a half-width."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A fitted figure of a fault: what of which part."""

    part: str
    what: str
    quantity: Quantity

    def __str__(self) -> str:
        found = self.quantity
        if found.interval95 is None or found.value is None:
            return f"{self.what} {found}"
        low, high = found.interval95
        if high > found.value * exp(NORMAL_95 * WIDE_SIGMA):
            return (
                f"{self.what} {format_quantity(low, found.unit, 2)} to {format_quantity(high, found.unit, 2)}"
            )
        return f"{self.what} {found}"


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


_ASPECTS = {
    PartFault.LEAKY: (Aspect.LEAK, Aspect.VALUE),
    PartFault.LOSSY: (Aspect.ESR, Aspect.LOSS),
}
_WORDS = {Aspect.VALUE: "value", Aspect.LEAK: "leak", Aspect.ESR: "ESR", Aspect.LOSS: "tan δ"}


def figures_of(weighed: Weighed, stage: Stage) -> tuple[Figure, ...]:
    """The fitted figures of a hypothesis' faults; none for a part that nothing shows."""
    if weighed.posterior is None:
        return ()
    found = []
    model = weighed.posterior.model
    for name, fault in weighed.hypothesis.faults:
        part = stage.part(name)
        for aspect in _ASPECTS.get(fault, (Aspect.VALUE,)):
            try:
                place = model.index(name, aspect)
            except KeyError:
                continue
            found.append(
                Figure(
                    part=name,
                    what=_what(aspect, fault),
                    quantity=_log_quantity(weighed, place, _unit(part, aspect, fault)),
                )
            )
            if fault is PartFault.LOSSY:
                break
    return tuple(found)


def _what(aspect: Aspect, fault: PartFault) -> str:
    if aspect is Aspect.VALUE and fault is PartFault.OPEN:
        return "left across its leads"
    if aspect is Aspect.VALUE and fault is PartFault.SHORTED:
        return "left of it"
    return _WORDS[aspect]


def _unit(part: Part, aspect: Aspect, fault: PartFault) -> str:
    match aspect:
        case Aspect.LEAK | Aspect.ESR:
            return "ohm"
        case Aspect.LOSS:
            return ""
        case _:
            # An open resistor leaves a stray capacitance, a shorted capacitor some resistance.
            if fault is PartFault.OPEN:
                return "F"
            shorted = fault is PartFault.SHORTED and part.kind is PartKind.CAPACITOR
            return "ohm" if shorted else part.kind.unit


def _log_quantity(weighed: Weighed, place: int, unit: str) -> Quantity:
    posterior = weighed.posterior
    assert posterior is not None
    centre, sigma = float(posterior.theta[place]), posterior.standard_uncertainty(place)
    if abs(centre - float(posterior.model.mean[place])) > STRAYED or sigma > STRAYED:
        return Quantity(unit=unit)  # the fit ran away: the data say nothing of this figure
    value = exp(centre)
    return Quantity(
        unit=unit,
        value=value,
        standard_uncertainty=value * sigma,
        interval95=(value * exp(-NORMAL_95 * sigma), value * exp(NORMAL_95 * sigma)),
    )


def electrolytics_of(diagnosis: Diagnosis, *, line_hz: float = 50.0) -> tuple[Electrolytic, ...]:
    """Figures of every electrolytic that the best fit carries."""
    best = next((w.posterior for w in diagnosis.ranking if w.posterior is not None), None)
    if best is None:
        return ()
    found = []
    for part in diagnosis.stage.parts:
        if is_electrolytic(part):
            figures = electrolytic_figures(best, part, line_hz=line_hz)
            if figures is not None and electrolytic_words(figures) is not None:
                found.append(figures)
    return tuple(found)


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
    sure = "more than 99.9 % sure" if first.probability > 0.999 else f"{100 * first.probability:.1f} % sure"
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
        lines.append(f"    twonode sweep {_options(telling[0])}")
    lines += [f"  Or: {p.words}. {_expected(p)}" for p in telling[1:MOST_PROPOSALS]]
    return lines


def _expected(proposal: Proposal) -> str:
    return (
        f"Expected: {_percent(proposal.settles)} that one explanation then stands at 95 % or more; the true one at "
        f"{_percent(proposal.expected_top)} on average ({proposal.expected_entropy_drop_bits:.2f} bits)."
    )


def _options(proposal: Proposal) -> str:
    given = [f'"{o}"' if " " in o else o for o in proposal.candidate.options]
    action = proposal.action
    if not isinstance(action, SweepAction):
        return " ".join(given)
    stage = [] if proposal.kind is MeasurementKind.LIFT else ["--stage", "FILE"]
    part = ["--part", action.part]
    low, high = (f"{_two(hz)}Hz" for hz in (action.from_hz, action.to_hz))
    return " ".join([*stage, *part, *given, "--from", low, "--to", high, "--plan", "even"])


def _two(hz: float) -> str:
    """Two figures, as typed: "4.0", "12", "10k", "1M"."""
    number, _, symbol = format_quantity(hz, "Hz", 2).rpartition(" ")
    return f"{number}{symbol.removesuffix('Hz')}"


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


def clips_lines(stage: Stage, suspect: str, found: Sequence[ClipProposal]) -> tuple[str, ...]:
    """Where to clip on for a suspect, the best first; the way the stage says is always among them."""
    lines = [
        f"Where to clip on to judge {suspect}: by how many standard uncertainties each fault would misfit the best "
        f"healthy explanation ({TELLING_SIGMA:g} and more show)."
    ]
    shown = list(found[:4])
    shown += [f for f in found if f.present and f not in shown]
    if not any(f.present for f in found):
        lines.append(f"  As the stage says ({stage.drive} to {stage.far}) {suspect} cannot be seen at all.")
    for place, each in enumerate(shown, start=1):
        figures = ", ".join(f"{fault.value} {_sigma(sigma)}" for fault, sigma in each.sigma.items())
        lines.append(f"  {place}. {each.words[:1].upper()}{each.words[1:]}.")
        lines.append(f"     {figures}")
        given = " ".join(f'"{o}"' if " " in o else o for o in each.options)
        low, high = _two(each.from_hz), _two(each.to_hz)
        option = f"{given} " if given else ""
        lines.append(
            f"     twonode sweep --stage FILE --part {suspect} {option}--from {low}Hz --to {high}Hz --plan even"
        )
    return tuple(lines)


def _sigma(sigma: float) -> str:
    return f"{sigma:.1f}" if sigma < 10 else f"{sigma:.0f}"


def clips_document(stage: Stage, suspect: str, found: Sequence[ClipProposal]) -> dict[str, Any]:
    """The JSON object of ``twonode diagnose --before``."""
    document: dict[str, Any] = {
        "format": FORMAT,
        "stage": stage.title,
        "suspect": suspect,
        "seen_as_it_is": any(f.present for f in found),
        "clips": [
            {
                "words": f.words,
                "drive": f.drive,
                "far": f.far,
                "through_ohm": f.via_ohm,
                "options": list(f.options),
                "from_hz": f.from_hz,
                "to_hz": f.to_hz,
                "as_it_is": f.present,
                "misfit_sigma": {fault.value: sigma for fault, sigma in f.sigma.items()},
            }
            for f in found
        ],
    }
    return finite_document(document)
