"""The picture of a comparison: both values on one bar, the later sweep drawn over the ghost of the earlier one.

Owns the layout of that PNG; its look is that of all pictures (`look`). Returns bytes.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from twonode.analysis.comparison import Comparison, comparison_lines
from twonode.analysis.curves import FittedCurve, fitted_curves
from twonode.analysis.look import (
    BAND,
    INK,
    PAPER,
    QUIET,
    SMALLEST_POINTS,
    SOUND,
    decibels,
    figure_png,
    hertz_words,
    plain_axes,
    shortened,
    type_settings,
)
from twonode.analysis.quantities import format_quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["comparison_picture_png", "draw_comparison"]

_WIDTH_IN, _HEIGHT_IN = 13.0, 11.0


def comparison_picture_png(
    comparison: Comparison, *, names: tuple[str, str], methods: Sequence[str] = ()
) -> bytes:
    """The picture as a PNG, 1300 x 1100 dots.

    names : what the two measurements are called, the earlier one first. methods : what differed between them.
    """
    return figure_png(draw_comparison(comparison, names=names, methods=methods))


def draw_comparison(comparison: Comparison, *, names: tuple[str, str], methods: Sequence[str] = ()) -> Figure:
    """The picture as a matplotlib figure."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(type_settings()):
        figure = Figure(figsize=(_WIDTH_IN, _HEIGHT_IN), facecolor=PAPER)
        headline, *others = comparison_lines(comparison, names)
        large = 28 if len(headline) <= 46 else 22
        figure.text(0.04, 0.945, shortened(headline, 60), size=large, weight="bold", va="center")
        words = [part for line in others for part in textwrap.wrap(line.strip(), 108)]
        figure.text(0.04, 0.905, "\n".join(words[:5]), size=15, va="top", linespacing=1.4)
        _draw_bars(figure.add_axes((0.2, 0.605, 0.74, 0.115)), comparison, names)
        _draw_curves(figure, comparison, names)
        what = "; ".join(methods) if methods else "nothing that is recorded"
        lines = textwrap.wrap(f"What differed in method: {what}.", 112, max_lines=2, placeholder=" …")
        figure.text(0.04, 0.045, "\n".join(lines), size=SMALLEST_POINTS, va="top", color=QUIET)
    return figure


def _draw_bars(axes: Axes, comparison: Comparison, names: tuple[str, str]) -> None:
    """Both intervals one below the other against the tolerance band."""
    shown: list[float] = []
    second = comparison.second
    if second.nominal_farad is not None and second.tolerance is not None:
        low, high = second.tolerance.limits(second.nominal_farad)
        axes.axvspan(low, high, facecolor=BAND, edgecolor=SOUND, hatch="//", lw=0, zorder=1)
        shown += [low, high]
        side: dict[str, Any] = {"textcoords": "offset points", "size": 14, "va": "bottom"}
        axes.annotate(format_quantity(low, "F"), (low, 1.0), xytext=(0, 3), ha="center", **side)
        axes.annotate(format_quantity(high, "F"), (high, 1.0), xytext=(0, 3), ha="center", **side)
    for height, colour, mark, each in (
        (0.72, QUIET, "s", comparison.first),
        (0.28, INK, "D", second),
    ):
        found = each.capacitance
        if found.value is None or found.interval95 is None:
            # A bound stands at the end it points to, on plain paper: in the band it would look like a sound value.
            place, side_of = (0.0, "left") if found.at_least is None else (1.0, "right")
            axes.text(
                place,
                height,
                str(found),
                transform=axes.transAxes,
                size=15,
                va="center",
                ha=side_of,
                bbox={"facecolor": PAPER, "edgecolor": "none"},
                zorder=6,
            )
            continue
        shown += [*found.interval95]
        axes.plot(found.interval95, [height] * 2, color=colour, linewidth=8, solid_capstyle="butt", zorder=4)
        axes.plot([found.value], [height], mark, color=PAPER, mec=colour, mew=2.5, ms=9, zorder=5)
    if shown:
        margin = max(0.12 * (max(shown) - min(shown)), 0.01 * max(shown))
        axes.set_xlim(min(shown) - margin, max(shown) + margin)
    axes.set_ylim(0.0, 1.0)
    axes.set_axis_off()
    for height, name in ((0.72, names[0]), (0.28, names[1])):
        size = 15 if len(name) <= 19 else SMALLEST_POINTS
        axes.text(
            -0.02, height, shortened(name, 26), transform=axes.transAxes, size=size, ha="right", va="center"
        )


def _draw_curves(figure: Figure, comparison: Comparison, names: tuple[str, str]) -> None:
    size = figure.add_axes((0.105, 0.335, 0.855, 0.215))
    angle = figure.add_axes((0.105, 0.125, 0.855, 0.19), sharex=size)
    found: list[FittedCurve] = []
    for place, (estimate, name) in enumerate(zip((comparison.first, comparison.second), names, strict=True)):
        curves = fitted_curves(estimate)
        if not curves:
            continue
        found.append(curves[0])
        _draw_one(size, angle, curves[0], shortened(name, 30), ghost=place == 0)
    _finish(size, angle, found)


def _draw_one(size: Axes, angle: Axes, curve: FittedCurve, name: str, *, ghost: bool) -> None:
    colour, line, mark = (QUIET, "--", "s") if ghost else (INK, "-", "D")
    fine_degrees, degrees = curve.degrees()
    for axes, fine, points in (
        (size, decibels(curve.fine_ratio), decibels(curve.ratio)),
        (angle, fine_degrees, degrees),
    ):
        axes.plot(
            curve.fine_hz,
            fine,
            line,
            color=colour,
            linewidth=1.8 if ghost else 2.6,
            alpha=0.75 if ghost else 1.0,
            zorder=2 if ghost else 3,
        )
        axes.plot(
            curve.frequency_hz,
            points,
            mark,
            color=PAPER if ghost else colour,
            mec=colour,
            mew=1.6,
            ms=7,
            zorder=4,
            label=name if axes is size else None,
        )


def _finish(size: Axes, angle: Axes, curves: Sequence[FittedCurve]) -> None:
    from matplotlib.ticker import FuncFormatter, NullFormatter

    for axes, label in ((size, "ratio, dB"), (angle, "phase, °")):
        plain_axes(axes, label, figures_below=axes is angle)
    if curves:
        size.set_xscale("log")
        size.set_xlim(min(c.fine_hz[0] for c in curves), max(c.fine_hz[-1] for c in curves))
    angle.set_xlabel("frequency", size=14)
    angle.xaxis.set_major_formatter(FuncFormatter(lambda hz, _: hertz_words(hz)))
    angle.xaxis.set_minor_formatter(NullFormatter())
    size.figure.align_ylabels([size, angle])
    size.legend(loc="lower right", bbox_to_anchor=(1.0, 0.99), ncols=2, frameon=False, fontsize=14)
