"""A stage explained: paths, corners, DC and faults together, with the sentence that sums them up.

Owns what `twonode explain` says and its JSON form. Measures nothing; prints nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from twonode.analysis.corners import Corner, best_level
from twonode.analysis.dc_division import dc_share, dc_volts, has_supply
from twonode.analysis.jsonvalues import finite
from twonode.analysis.paths import (
    GroundBranch,
    PathsError,
    SignalPaths,
    decibels,
    fed_ratio,
    signal_paths,
    stage_corners,
)
from twonode.analysis.quantities import format_quantity
from twonode.analysis.single_fault import SingleFault, faulty_stage, listed_faults
from twonode.analysis.stage import GROUND, Stage
from twonode.analysis.what_if import FEED_OHM, WANTED_DB, Effect, Sound, effect_of, look_at

__all__ = [
    "DEFAULT_HZ",
    "Comparison",
    "StageExplained",
    "corner_words",
    "explain_stage",
    "explained_document",
    "node_words",
    "opening_words",
    "way_words",
]

DEFAULT_HZ = (100.0, 400.0, 1e3, 5e3, 455e3, 1e6)

_AUDIO_HZ, _RF_HZ = 1e3, 455e3
# Far more than a table can show or anybody reads.
_MOST_FREQUENCIES = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One fault beside the sound stage.

    paths : of the faulty stage, at the same frequencies and behind the same source.
    dc : volts of the faulty stage's nodes, as in `StageExplained`.
    """

    fault: SingleFault
    effect: Effect
    stage: Stage
    paths: SignalPaths
    corners: tuple[Corner, ...]
    dc: dict[str, float | None] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StageExplained:
    """Everything `twonode explain` knows of a stage.

    paths : at the frequencies asked for, fed from `sound.source_ohm`.
    ratio_corners : of far against drive node, which a sweep shows.
    fed_corners : of the far node against the source, which the set has.
    dc : node to DC volts with HT applied and no valve drawing current, None for a floating node; None altogether where
        the stage has no supply.
    effects : of every listed fault.
    comparison : of the fault asked for, if any.
    """

    stage: Stage
    sound: Sound
    paths: SignalPaths
    ratio_corners: tuple[Corner, ...]
    fed_corners: tuple[Corner, ...]
    dc: dict[str, float | None] | None
    dc_share: float | None
    effects: tuple[Effect, ...]
    comparison: Comparison | None
    opening: str


def explain_stage(
    stage: Stage,
    frequency_hz: Sequence[float] = DEFAULT_HZ,
    *,
    source_ohm: float = FEED_OHM,
    what_if: SingleFault | None = None,
) -> StageExplained:
    """Work out paths, corners, DC and the effect of every single fault.

    frequency_hz : Hz, in the order wanted. source_ohm : of what feeds the drive node.

    Raises PathsError, DcError, NetworkError, FaultError.
    """
    if len(frequency_hz) > _MOST_FREQUENCIES:
        raise PathsError(
            f"{len(frequency_hz)} frequencies are too many.",
            "Nobody reads a table of that width; the picture shows all of them.",
            f"Ask for {_MOST_FREQUENCIES} at most.",
        )
    sound = look_at(stage, source_ohm=source_ohm)
    comparison = None
    if what_if is not None:
        faulty = faulty_stage(stage, what_if)
        comparison = Comparison(
            fault=what_if,
            effect=effect_of(sound, what_if),
            stage=faulty,
            paths=signal_paths(faulty, frequency_hz, source_ohm=source_ohm),
            corners=stage_corners(faulty, source_ohm=source_ohm),
            dc=dc_volts(faulty) if has_supply(faulty) else None,
        )
    return StageExplained(
        stage=stage,
        sound=sound,
        paths=signal_paths(stage, frequency_hz, source_ohm=source_ohm),
        ratio_corners=stage_corners(stage),
        fed_corners=stage_corners(stage, source_ohm=source_ohm),
        dc=dc_volts(stage) if has_supply(stage) else None,
        dc_share=dc_share(stage),
        effects=tuple(effect_of(sound, fault) for fault in listed_faults(stage)),
        comparison=comparison,
        opening=opening_words(stage, source_ohm=source_ohm),
    )


def node_words(node: str) -> str:
    """A node as it is named in a sentence: ground needs no article."""
    return node if node == GROUND else f"the {node}"


def opening_words(stage: Stage, *, source_ohm: float = FEED_OHM) -> str:
    """Where audio and RF go, in one sentence.

    The rule: a frequency reaches the far node where its level there, fed from the source, is within `WANTED_DB` of the
    best frequency's; else it is kept off. What is kept off goes to ground by the part with the largest share; of what
    arrives, the level against the drive node is given.
    """
    response = fed_ratio(stage, source_ohm)
    _, best = best_level(response)
    paths = signal_paths(stage, [_AUDIO_HZ, _RF_HZ], source_ohm=source_ohm)
    assert paths.fed is not None
    far = paths.nodes.index(stage.far)
    reaches = np.abs(paths.fed[far]) >= best * 10 ** (-WANTED_DB / 20)
    audio, rf = (_clause(stage, paths, place, reaches=bool(reaches[place])) for place in (0, 1))
    if reaches[0] == reaches[1]:
        verb = f"reach the {stage.far}" if reaches[0] else f"are both kept off the {stage.far}"
        same = "at 1 kHz and at 455 kHz " + audio
        return f"Audio and RF {verb}: {same if audio == rf else f'at 1 kHz {audio}, at 455 kHz {rf}'}."
    verbs = [f"reaches the {stage.far}" if each else f"is kept off the {stage.far}" for each in reaches]
    return f"Audio {verbs[0]} (at 1 kHz {audio}); RF {verbs[1]} (at 455 kHz {rf})."


def _clause(stage: Stage, paths: SignalPaths, place: int, *, reaches: bool) -> str:
    if reaches:
        level = decibels(paths.ratio[paths.nodes.index(stage.far), place : place + 1])[0]
        if level > -0.1:
            return f"all of the {stage.drive}'s voltage arrives"
        return f"{10 ** (level / 20) * 100:.0f} % of the {stage.drive}'s voltage arrives"
    main = max(paths.ground, key=lambda branch: branch.share[place])
    share = f"{_percent(main.share[place])} of the signal current"
    into = "to ground" if main.end == GROUND else f"into the {main.end}, ground for the signal,"
    return f"{share} goes {into} through {main.part}"


def _percent(share: float) -> str:
    return "over 99 %" if share > 0.99 else f"{share * 100:.0f} %"


def corner_words(corners: Sequence[Corner]) -> str:
    """Corners in a line: "passes from 15.4 Hz up", "passes from 6.0 Hz to 7.3 kHz", or all of them."""
    if not corners:
        return "the same within 3 dB from 0.1 Hz to 10 MHz"
    words = [format_quantity(corner.frequency_hz, "Hz") for corner in corners]
    sides = [corner.side.value.split()[0] for corner in corners]
    match sides:
        case ["low"]:
            return f"within 3 dB of its best from {words[0]} up"
        case ["high"]:
            return f"within 3 dB of its best up to {words[0]}"
        case ["low", "high"]:
            return f"within 3 dB of its best from {words[0]} to {words[1]}"
        case _:
            named = (
                f"{'from' if side == 'low' else 'up to'} {word}"
                for side, word in zip(sides, words, strict=True)
            )
            return f"within 3 dB of its best {', '.join(named)}"


def explained_document(explained: StageExplained) -> dict[str, Any]:
    """The JSON object: SI numbers, None where there is none (a floating node, a level of nothing)."""
    stage, paths = explained.stage, explained.paths
    return {
        "format": 1,
        "title": stage.title,
        "drive": stage.drive,
        "far": stage.far,
        "source_ohm": explained.sound.source_ohm,
        "measured": False,
        "opening": explained.opening,
        "frequencies_hz": paths.frequency_hz.tolist(),
        **_paths_document(paths),
        "corners": {
            "far_to_drive": _corners_document(explained.ratio_corners),
            "far_to_source": _corners_document(explained.fed_corners),
        },
        "dc": _dc_document(explained.dc, explained.dc_share),
        "faults": {
            "bass_hz": next(iter(explained.sound.band_hz.values())),
            "wanted": sorted(band.value for band in explained.sound.wanted),
            "effects": [_effect_document(effect, stage) for effect in explained.effects],
        },
        "what_if": _comparison_document(explained),
    }


def _comparison_document(explained: StageExplained) -> dict[str, Any] | None:
    comparison = explained.comparison
    if comparison is None:
        return None
    return {
        **_effect_document(comparison.effect, explained.stage),
        **_paths_document(comparison.paths),
        "corners": {"far_to_source": _corners_document(comparison.corners)},
        "dc": _dc_document(comparison.dc, comparison.effect.far_dc_share),
    }


def _paths_document(paths: SignalPaths) -> dict[str, Any]:
    fed = paths.fed
    return {
        "currents": [
            {
                "part": branch.part,
                "from": branch.start,
                "to": branch.end,
                "share": branch.share.tolist(),
                "a_per_drive_volt": {
                    "re": branch.current.real.tolist(),
                    "im": branch.current.imag.tolist(),
                },
            }
            for branch in paths.branches
        ],
        "to_ground": [
            {
                "part": branch.part,
                "share": branch.share.tolist(),
                "way": None if branch.way is None else list(branch.way),
            }
            for branch in paths.ground
        ],
        "levels": [
            {
                "node": node,
                "db_to_drive": finite(decibels(paths.ratio[row]).tolist()),
                "db_to_source": None if fed is None else finite(decibels(fed[row]).tolist()),
            }
            for row, node in enumerate(paths.nodes)
        ],
    }


def _corners_document(corners: Sequence[Corner]) -> list[dict[str, Any]]:
    return [{"frequency_hz": corner.frequency_hz, "side": corner.side.value} for corner in corners]


def _dc_document(dc: dict[str, float | None] | None, share: float | None) -> dict[str, Any]:
    return {"volts": dc, "far_share_of_drive": share, "valve_current": "none"}


def _effect_document(effect: Effect, stage: Stage) -> dict[str, Any]:
    return {
        "part": effect.fault.part,
        "fault": effect.fault.kind.value,
        "amount": effect.fault.amount,
        "words": list(effect.words),
        "change_db": {band.value: change for band, change in effect.change_db.items()},
        "low_corner_hz": effect.low_corner_hz,
        "far_dc_v": effect.far_dc_v if has_supply(stage) else None,
        "drive_dc_v": effect.drive_dc_v if has_supply(stage) else None,
        "far_dc_share_of_drive": effect.far_dc_share,
    }


def way_words(branch: GroundBranch) -> str:
    """How the current came there: "C7, R12" where there is one way, else the part and its node."""
    if branch.way is None:
        return f"{branch.part} (from {branch.start})"
    return ", ".join(branch.way)
