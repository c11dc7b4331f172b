"""Where to clip on, to a reader: the lines of a screen and the JSON object.

Owns the keys of that object and the wording. Works nothing out and prints nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from twonode.analysis.clips import TELLING_SIGMA, ClipProposal
from twonode.analysis.diagnosis_report import FORMAT
from twonode.analysis.jsonvalues import finite_document
from twonode.analysis.stage import Stage
from twonode.analysis.sweep_command import sweep_command

__all__ = ["clips_document", "clips_lines"]


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
        typed = sweep_command(suspect, each.options, from_hz=each.from_hz, to_hz=each.to_hz)
        lines.append(f"     {typed}")
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
