"""Where to clip on before anything is measured, so that one suspected part can be judged.

Owns the expected misfit: data a fault would give are predicted without noise, the best healthy explanation (every
neighbour free within its tolerance) is fitted to them, and what is left over is counted in standard uncertainties. A
bypass seen from its own node leaves nothing; behind a known resistor it leaves tens.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import log, sqrt

import numpy as np

from twonode.analysis.clip_candidates import clip_candidates
from twonode.analysis.errors import AnalysisError
from twonode.analysis.measurement_action import (
    Candidate,
    MeasurementKind,
    SweepAction,
    informative_hz,
    probed,
)
from twonode.analysis.model import Model, Sweep, UnseenPart
from twonode.analysis.part_faults import STRAY_FARAD, PartFault, circuit_part, faults_of
from twonode.analysis.posterior import maximise
from twonode.analysis.prior import family_of
from twonode.analysis.ratio import RatioPoint
from twonode.analysis.single_fault import LEAK_OHM, SHORT_OHM, FaultError
from twonode.analysis.stage import Part, PartKind, Stage
from twonode.analysis.stage.wording import nearest
from twonode.analysis.sweep_command import typed_options

__all__ = ["TELLING_SIGMA", "ClipProposal", "check_seen", "misfit_sigma", "propose_clips"]

NOISE = 1e-3
"""Relative standard uncertainty of a ratio at one point, in each component (what sweeps of this bench come to)."""
FLOOR_RATIO = 1e-3
TELLING_SIGMA = 4.0
"""From here on a fault shows."""
USUAL_OFF = (0.5, 2.0)
RAISED_ESR, RAISED_LOSS = 10.0, 0.08
"""Faults as they commonly are (common practice, no source); leak, short and stray are those of `single_fault`."""
_DRIVE_RANGE_V = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipProposal:
    """A way of clipping on, with what it would show of the suspect.

    drive, far : nodes of generator and channel 2. via_ohm : the known resistor that feeds the drive node, channel 1 on
        the generator's side of it; None where channel 1 is on the drive node itself.
    sigma : by how much each fault of the suspect misfits the best healthy explanation.
    stage : the circuit as it would be swept. present : it is how the stage says it is clipped.
    """

    drive: str
    far: str
    via_ohm: float | None
    sigma: Mapping[PartFault, float]
    stage: Stage
    from_hz: float
    to_hz: float
    options: tuple[str, ...]
    words: str
    present: bool = False

    @property
    def shown(self) -> int:
        """How many of the faults would show."""
        return sum(s >= TELLING_SIGMA for s in self.sigma.values())


def propose_clips(stage: Stage, suspect: str, *, fault: str | None = None) -> tuple[ClipProposal, ...]:
    """Every way of clipping on, the one that shows most faults of the suspect first.

    Among those that show equally many, the smallest of their misfits decides (by factors of two), then the labour.

    fault : the word of one fault to look for; None is all that the part can have.

    Raises StageError for a part that is not in the stage, UnseenPart for one that has no faults to look for,
    FaultError for a fault that the kind of part does not have.
    """
    part = stage.part(suspect)
    faults = faults_of(part)
    if not faults:
        raise UnseenPart(
            f"{suspect} is no part that breaks.",
            "Supplies, strays and what is clipped on for a sweep are taken as they are.",
            "Name a capacitor, a resistor or a coil of the set.",
        )
    if fault is not None:
        faults = (_named_fault(part, fault, faults),)
    found = []
    hz = informative_hz(stage, [suspect])
    if hz is not None:
        present = Candidate(
            kind=MeasurementKind.CHANNEL_2,
            words=f"clip generator and channel 1 to {stage.drive!r}, channel 2 to {stage.far!r}, as the stage says",
            action=SweepAction(
                stage=stage,
                part=suspect,
                from_hz=float(hz[0]),
                to_hz=float(hz[-1]),
                frequencies_hz=tuple(hz.tolist()),
            ),
        )
        found.append(_judged(present, stage, part, faults, present=True))
    found += [_judged(c, stage, part, faults) for c in clip_candidates(stage, [suspect])]
    return tuple(sorted(found, key=lambda f: (-f.shown, -_worth(f), not f.present, f.via_ohm is not None)))


def _named_fault(part: Part, word: str, faults: Sequence[PartFault]) -> PartFault:
    named = next((f for f in faults if f.value == word.lower()), None)
    if named is None:
        words = [f.value for f in faults]
        raise FaultError(
            f"Part {part.name} cannot be {word!r}{nearest(word, words)}",
            f"Faults of a {part.kind.value} are {', '.join(words)}.",
            f"Write {part.name}={words[0]}, for example.",
        )
    return named


def _worth(found: ClipProposal) -> int:
    """The least of the misfits that show, in steps of a factor of two."""
    showing = [s for s in found.sigma.values() if s >= TELLING_SIGMA]
    return round(log(min(showing), 2)) if showing else 0


def _judged(
    candidate: Candidate, stage: Stage, part: Part, faults: Sequence[PartFault], *, present: bool = False
) -> ClipProposal:
    action = candidate.action
    assert isinstance(action, SweepAction)
    feed = next((p for p in action.stage.parts if p.name not in {q.name for q in stage.parts}), None)
    fed = action.stage.drive
    if feed is not None:
        fed = next(n for n in feed.between if n != action.stage.drive)
    return ClipProposal(
        drive=fed,
        far=action.stage.far,
        via_ohm=None if feed is None else feed.value,
        sigma={fault: misfit_sigma(action, part.name, fault) for fault in faults},
        stage=action.stage,
        from_hz=action.from_hz,
        to_hz=action.to_hz,
        options=candidate.options,
        words=candidate.words.removesuffix(" and sweep again").removesuffix(","),
        present=present,
    )


def misfit_sigma(action: SweepAction, suspect: str, fault: PartFault) -> float:
    """Misfit of the best healthy explanation of what a usual fault would give, in standard uncertainties.

    A value that is off counts by the lesser of halved and doubled.
    """
    part = action.stage.part(suspect)
    return min(_misfit(action, faulty) for faulty in _usual(part, fault))


def _usual(part: Part, fault: PartFault) -> list[Part]:
    """The part with a fault as it usually is."""
    match fault:
        case PartFault.OPEN:
            open_part = circuit_part(part, fault)
            return [replace(open_part, value=STRAY_FARAD, loss=0.0, esr_ohm=0.0)]
        case PartFault.SHORTED:
            if part.kind is PartKind.CAPACITOR:
                return [replace(part, leak_ohm=SHORT_OHM)]
            return [replace(part, value=SHORT_OHM if part.kind is PartKind.RESISTOR else 1e-6)]
        case PartFault.LEAKY:
            return [replace(part, leak_ohm=LEAK_OHM)]
        case PartFault.OFF_VALUE:
            return [replace(part, value=factor * part.value) for factor in USUAL_OFF]
        case PartFault.LOSSY:
            esr = part.esr_ohm or family_of(part.value).esr_ohm
            return [replace(part, esr_ohm=RAISED_ESR * esr) if esr else replace(part, loss=RAISED_LOSS)]
        case PartFault.NONE:
            return [part]


def _misfit(action: SweepAction, faulty: Part) -> float:
    stage = action.stage.replace_part(faulty)
    ratios = probed(stage).ratio(np.array(action.frequencies_hz), stage.far)
    points = []
    for hz, ratio in zip(action.frequencies_hz, ratios.tolist(), strict=True):
        sigma = NOISE * max(abs(ratio), FLOOR_RATIO)
        points.append(
            RatioPoint(
                frequency_hz=hz,
                ratio=ratio,
                ratio_cov=(sigma**2, 0.0, sigma**2),
                quantisation_share=0.3,
                drive_volts_per_div=_DRIVE_RANGE_V,
                far_volts_per_div=_DRIVE_RANGE_V if abs(ratio) > 0.4 else _DRIVE_RANGE_V / 5.0,
            )
        )
    model = Model([Sweep(stage=action.stage, points=tuple(points))])
    best = maximise(model, [model.mean])
    return sqrt(best.data_chi_square + best.prior_chi_square)


def check_seen(stage: Stage, suspect: str) -> None:
    """Refuse a stage in which the ratio of the two nodes does not change with the part, and say where to clip on.

    Raises UnseenPart.
    """
    if informative_hz(stage, [suspect]) is not None:
        return
    what = f"{suspect} cannot be seen between {stage.drive!r} and {stage.far!r}."
    why = "The ratio of the two nodes does not change with it"
    part = stage.part(suspect)
    if stage.drive in part.between:
        why += ": it only loads the drive node, and load cancels from the ratio"
    try:
        best = next((p for p in propose_clips(stage, suspect) if p.shown), None)
    except AnalysisError:
        best = None
    if best is None:
        raise UnseenPart(what, f"{why}.", f"Lift one end of {suspect} and sweep it alone: --hookup series.")
    given = typed_options(best.options)
    sigma = max(best.sigma.values())
    raise UnseenPart(
        what,
        f"{why}.",
        f"{best.words[:1].upper()}{best.words[1:]} ({given}): a fault of it then misfits by up to {sigma:.0f} sigma.",
    )
