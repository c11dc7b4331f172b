"""The fitted stage of filed sweeps as a deck for a circuit simulator.

Owns what the deck says of where it comes from; its lines are `analysis.deck`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import twonode
from twonode.acquire.reestimate import Reestimate, reestimate
from twonode.analysis.deck import spice_deck

__all__ = ["FittedDeck", "fitted_deck"]

_ASCII = str.maketrans({"±": "+/-", "Ω": "ohm", "µ": "u", "δ": "delta"})

_BEYOND = 10.0
"""The deck reaches so many times beyond the lowest and the highest point."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedDeck:
    """A deck with the estimate it was made of. from_hz, to_hz : what its analysis spans."""

    text: str
    found: Reestimate
    from_hz: float
    to_hz: float


def fitted_deck(
    paths: Sequence[Path], *, part: str | None = None, null: Path | None = None, use_nulls: bool = True
) -> FittedDeck:
    """Estimate recordings, jointly where there are several, and write the circuit of the first as it was fitted.

    Raises RecordingError, UnfitRequest, AnalysisError, as `reestimate`.
    """
    found = reestimate(paths, part=part, null=null, use_nulls=use_nulls)
    posterior = found.estimate.posterior
    # Sweeps come first in the model, in the order given.
    sweep = posterior.model.sweeps[0]
    assert sweep.stage is not None, "what a part is estimated from has a stage"
    hertz = [point.frequency_hz for point in sweep.points]
    from_hz, to_hz = min(hertz) / _BEYOND, max(hertz) * _BEYOND
    parts, losses = posterior.model.fitted_parts(posterior.theta, 0)
    text = spice_deck(
        parts,
        losses=losses,
        drive=sweep.stage.drive,
        far=sweep.stage.far,
        title=f"{sweep.stage.title}, as fitted",
        from_hz=from_hz,
        to_hz=to_hz,
        remarks=_remarks(found),
    )
    return FittedDeck(text=text, found=found, from_hz=from_hz, to_hz=to_hz)


def _remarks(found: Reestimate) -> list[str]:
    estimate, names = found.estimate, [recording.name for recording in found.recordings]
    conditions = [recording.header.conditions for recording in found.recordings]
    lines = [f"fitted by twonode {twonode.__version__} to {names[0]}"]
    lines += [f"  together with {name}; this is the circuit of the first" for name in names[1:]]
    lines += [f"  null run {null.name}" for null in found.nulls]
    if any(each.simulated for each in conditions):
        lines.append("measured on a simulated bench")
    if any(each.imported for each in conditions):
        lines.append("readings imported, not measured by twonode")
    lines.append(f"{estimate.part}: {estimate.capacitance} (95 %); {estimate.finding.state.value}")
    lines += [f"{name}: {quantity} (95 %)" for name, quantity in estimate.others.items()]
    lines.append(
        "the ratio is far over drive node with the probe at the far node; the channels' errors are not in it"
    )
    return [line.translate(_ASCII) for line in lines]
