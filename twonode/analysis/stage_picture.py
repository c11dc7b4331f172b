"""The picture of an explained stage: where the current goes above, what a sweep and the set would show below.

Owns the layout of that PNG; its look is that of `picture`. Takes what `explain` worked out, returns bytes. No colour
stands alone: areas carry patterns and names, curves line styles and marks.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.corners import Response
from twonode.analysis.explain import StageExplained
from twonode.analysis.look import (
    BAND,
    CURVE,
    INK,
    PAPER,
    QUIET,
    SMALLEST_POINTS,
    SOUND,
    TROUBLE,
    decibels,
    figure_png,
    hertz_words,
    plain_axes,
    shortened,
    type_settings,
)
from twonode.analysis.paths import GroundBranch, fed_ratio, signal_paths
from twonode.analysis.quantities import format_quantity
from twonode.analysis.single_fault import FaultKind, SingleFault, fault_words, faulty_stage
from twonode.analysis.stage import PartKind, Stage

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_stage_picture", "stage_picture_png"]

Real = NDArray[np.float64]

_WIDTH_IN, _HEIGHT_IN = 13.0, 13.0
_FREQUENCY_HZ = np.geomspace(1.0, 1e7, 701)
_LEFT, _WIDE = 0.085, 0.605
_KEYS_AT = _LEFT + _WIDE + 0.02

# Fill and pattern of an area; neighbours in the list never share either.
_AREAS = (
    (BAND, ""),
    ("#f0dfc0", "//"),
    ("#e3e5ea", ".."),
    ("#f3cdbd", "\\\\"),
    ("#ddd2ea", "xx"),
    ("#cfe6d6", "--"),
    ("#f7f2d2", "||"),
    ("#c9d4dd", "oo"),
)
# Colour, line style and mark of a faulty stage's curve; the healthy one is the thick line in ink.
_CURVES = (
    (TROUBLE, "--", "o"),
    (SOUND, "-.", "s"),
    (CURVE, (0, (6, 1.5)), "^"),
    ("#5b3a86", (0, (3, 1, 1, 1)), "D"),
    (QUIET, ":", "v"),
)
_MOST_OTHERS = 2
# Levels further down than this below the highest are of no use to anybody.
_DEEPEST_DB = 150.0
# An area gets its name inside where it is at least this share high, over the width of a short name (grid points).
_ROOM_FOR_NAME = 0.1
_NAME_REACH = 26
_MOST_AREAS = len(_AREAS)
_MOST_NAMED = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class _Curve:
    label: str
    stage: Stage


def stage_picture_png(explained: StageExplained) -> bytes:
    """The picture as a PNG, 1300 x 1300 dots."""
    return figure_png(draw_stage_picture(explained))


def draw_stage_picture(explained: StageExplained) -> Figure:
    """The picture as a matplotlib figure, for whoever wants another format."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    stage = explained.stage
    source_ohm = explained.sound.source_ohm
    with mpl.rc_context(type_settings()):
        figure = Figure(figsize=(_WIDTH_IN, _HEIGHT_IN), facecolor=PAPER)
        title = shortened(stage.title, 84)
        size = 21 if len(title) <= 64 else 16
        figure.text(0.04, 0.965, title, size=size, weight="bold", va="center")
        figure.text(0.04, 0.94, textwrap.fill(explained.opening, 108), size=15, va="top", linespacing=1.35)
        _draw_shares(figure, explained)
        curves = _chosen_curves(explained)
        ratio = figure.add_axes((_LEFT, 0.355, _WIDE, 0.175))
        fed = figure.add_axes((_LEFT, 0.115, _WIDE, 0.175))
        _draw_levels(ratio, curves, None, f"{stage.far} against {stage.drive}: what a sweep shows")
        source = format_quantity(source_ohm, "ohm")
        _draw_levels(fed, curves, source_ohm, f"{stage.far} against a source of {source}: what the set does")
        handles, labels = ratio.get_legend_handles_labels()
        figure.legend(
            handles,
            labels,
            loc="upper left",
            bbox_to_anchor=(_KEYS_AT, 0.53),
            frameon=False,
            fontsize=14,
            handlelength=3.2,
            labelspacing=0.7,
            borderaxespad=0.0,
        )
        figure.text(
            0.04,
            0.055,
            "Worked out from the stated values, without probes: nothing was measured. "
            "Open leaves 1.5 pF, shorted 0.5 Ω.\n"
            "Shares are magnitudes: one path's current over the sum of all; "
            "a node that a supply holds is ground for the signal.",
            size=SMALLEST_POINTS,
            va="top",
            color=QUIET,
            linespacing=1.4,
        )
    return figure


def _draw_shares(figure: Figure, explained: StageExplained) -> None:
    """Stacked areas of the current that reaches ground, one area a part."""
    from matplotlib.patches import Patch

    stage = explained.stage
    axes = figure.add_axes((_LEFT, 0.605, _WIDE, 0.245))
    paths = signal_paths(stage, _FREQUENCY_HZ)
    branches = sorted(paths.ground, key=lambda branch: -float(branch.share.mean()))
    shares = [branch.share * 100.0 for branch in branches]
    names = [f"{branch.part}: {_way(branch)}" for branch in branches]
    parts = [branch.part for branch in branches]
    if len(branches) > _MOST_AREAS:
        rest = np.sum(shares[_MOST_AREAS - 1 :], axis=0)
        shares = [*shares[: _MOST_AREAS - 1], rest]
        names = [*names[: _MOST_AREAS - 1], f"{len(branches) - _MOST_AREAS + 1} others"]
        parts = [*parts[: _MOST_AREAS - 1], "others"]
    areas = axes.stackplot(_FREQUENCY_HZ, shares, edgecolor=INK, linewidth=1.0)
    for area, (fill, pattern) in zip(areas, _AREAS, strict=False):
        area.set_facecolor(fill)
        area.set_hatch(pattern)
    tops = np.cumsum(shares, axis=0)
    for part, share, top in zip(parts, shares, tops, strict=True):
        _name_area(axes, part, share, top)
    axes.set_ylim(0.0, 100.0)
    axes.set_title(
        f"How the signal current at the {stage.drive} reaches ground",
        size=15,
        weight="bold",
        loc="left",
        pad=8,
    )
    _finish(axes, "share, %")
    keys = [
        Patch(facecolor=fill, hatch=pattern, edgecolor=INK, linewidth=1.0)
        for fill, pattern in _AREAS[: len(shares)]
    ]
    figure.legend(
        # The areas lie on each other, so the list runs the same way: the lowest area last.
        list(reversed(keys)),
        [textwrap.fill(name, 30) for name in reversed(names)],
        loc="upper left",
        bbox_to_anchor=(_KEYS_AT, 0.85),
        frameon=False,
        fontsize=14,
        handlelength=2.2,
        handleheight=1.4,
        labelspacing=0.7,
        borderaxespad=0.0,
    )


def _way(branch: GroundBranch) -> str:
    """The rest of the way: "by C7 to ground", "by R1 ... R7 to ground"."""
    before = () if branch.way is None else branch.way[:-1]
    if len(before) > _MOST_NAMED:
        before = (f"{before[0]} ... {before[-1]}",)
    return f"by {', '.join(before)} to {branch.end}" if before else f"to {branch.end}"


def _name_area(axes: Axes, part: str, share: Real, top: Real) -> None:
    """The part's name where its area has most room for it; nowhere where it would cross into another."""
    reach = _NAME_REACH
    windows = np.lib.stride_tricks.sliding_window_view
    ceiling = windows(top, 2 * reach + 1).min(axis=1)
    floor = windows(top - share, 2 * reach + 1).max(axis=1)
    room = ceiling - floor
    if room.max() < 100.0 * _ROOM_FOR_NAME:
        return
    # Of a stretch that is all but as roomy, the middle.
    alike = np.flatnonzero(room > 0.97 * room.max())
    place = int(alike[alike.size // 2])
    axes.text(
        _FREQUENCY_HZ[place + reach],
        (ceiling[place] + floor[place]) / 2.0,
        part,
        size=16,
        weight="bold",
        ha="center",
        va="center",
        bbox={"boxstyle": "square,pad=0.15", "facecolor": PAPER, "edgecolor": "none"},
    )


def _chosen_curves(explained: StageExplained) -> list[_Curve]:
    """The sound stage and the faults worth a curve.

    The fault asked for; else the asked capacitor open, shorted, leaky, and the other capacitors whose loss changes
    most, open.
    """
    stage = explained.stage
    curves = [_Curve(label="as it should be", stage=stage)]
    comparison = explained.comparison
    for fault in _telling_faults(explained) if comparison is None else [comparison.fault]:
        label = f"{fault.part} {fault_words(fault, stage)}"
        curves.append(_Curve(label=label, stage=faulty_stage(stage, fault)))
    return curves


def _telling_faults(explained: StageExplained) -> list[SingleFault]:
    stage = explained.stage
    capacitors = [part for part in stage.parts if part.kind is PartKind.CAPACITOR]
    listed = {(effect.fault.part, effect.fault.kind): effect for effect in explained.effects}
    asked = next((part for part in capacitors if part.asked), capacitors[0] if capacitors else None)
    chosen = [] if asked is None else [asked.name]
    faults = [
        listed[name, kind].fault
        for name in chosen
        for kind in (FaultKind.OPEN, FaultKind.SHORTED, FaultKind.LEAKY)
    ]
    others = [
        listed[part.name, FaultKind.OPEN]
        for part in stage.parts
        if part is not asked and (part.name, FaultKind.OPEN) in listed
        if part.kind is PartKind.CAPACITOR or asked is None
    ]
    others.sort(key=lambda effect: -max(abs(change) for change in effect.change_db.values()))
    return faults + [effect.fault for effect in others[:_MOST_OTHERS]]


def _draw_levels(axes: Axes, curves: list[_Curve], source_ohm: float | None, title: str) -> None:
    levels = []
    for place, curve in enumerate(curves):
        response: Response = fed_ratio(curve.stage, source_ohm)
        level = decibels(response(_FREQUENCY_HZ))
        levels.append(level)
        if place == 0:
            axes.plot(_FREQUENCY_HZ, level, color=INK, linewidth=3.4, label=curve.label, zorder=3)
            continue
        colour, style, mark = _CURVES[(place - 1) % len(_CURVES)]
        axes.plot(
            _FREQUENCY_HZ,
            level,
            color=colour,
            linestyle=style,
            linewidth=2.2,
            marker=mark,
            # Marks of curves that lie on each other stand beside each other.
            markevery=(20 + 22 * place, 140),
            ms=8,
            mec=PAPER,
            label=curve.label,
            zorder=4 + place,
        )
    everything = np.array(levels)
    top = float(everything.max())
    bottom = max(float(everything.min()), top - _DEEPEST_DB)
    margin = max(0.06 * (top - bottom), 1.5)
    axes.set_ylim(bottom - margin, top + margin)
    axes.set_title(title, size=15, weight="bold", loc="left", pad=8)
    _finish(axes, "dB")


def _finish(axes: Axes, label: str) -> None:
    from matplotlib.ticker import FuncFormatter, MaxNLocator, NullFormatter

    axes.set_xscale("log")
    axes.set_xlim(_FREQUENCY_HZ[0], _FREQUENCY_HZ[-1])
    axes.set_xticks([10.0**power for power in range(8)])
    axes.xaxis.set_major_formatter(FuncFormatter(lambda hz, _: hertz_words(hz)))
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.yaxis.set_major_locator(MaxNLocator(5))
    axes.set_axisbelow(True)
    plain_axes(axes, label)
