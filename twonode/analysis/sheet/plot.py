"""The two drawings of a sheet: the measured interval on its bar, and the measured ratio with its fit.

Owns their look in black and white; sizes and places come from the page.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from twonode.analysis.curves import FittedCurve, degrees_beside
from twonode.analysis.look import INK, QUIET, decibels, hertz_words
from twonode.analysis.quantities import format_quantity
from twonode.analysis.sheet.content import Bar, Plot
from twonode.analysis.sheet.lettering import FAMILY, SMALLEST_POINTS, width_pt
from twonode.analysis.sheet.paper import Paper
from twonode.analysis.sheet.pen import Pen

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["BAR_PT", "draw_bar", "draw_plot", "drawing_png", "sheet_type"]

BAR_PT = 46.0
"""Height that a bar with its words takes up."""

_LABEL_PT = 42.0
"""Room left of a panel for its figures and label."""
_FOOT_PT = 24.0
_HEAD_PT = 14.0
_PRINTED_PT = 525.0
_PANELS_PT = {Paper.A4: 134.0, Paper.LETTER: 114.0}
_DOTS_PER_IN = 200
_MARKERS = ("o", "s", "D")
_LINES = ("-", "--", ":")


def sheet_type() -> Any:
    """Settings for `matplotlib.rc_context`: black type that a PDF keeps as text."""
    return {
        "font.family": FAMILY,
        "font.size": SMALLEST_POINTS,
        "axes.edgecolor": INK,
        "axes.labelcolor": INK,
        "text.color": INK,
        "text.parse_math": False,
        "xtick.color": INK,
        "ytick.color": INK,
        "axes.linewidth": 0.8,
        "hatch.linewidth": 0.5,
        "hatch.color": QUIET,
        "pdf.fonttype": 42,
        "axes.unicode_minus": True,
    }


def draw_bar(pen: Pen, top: float, bar: Bar) -> None:
    """Limits as a hatched band, the expected value as a dotted line, the measured interval across."""
    left, right = pen.left, pen.right
    shown = [bar.low, bar.high, *(bar.limits or ()), *(() if bar.nominal is None else (bar.nominal,))]
    least, most = min(shown), max(shown)
    logarithmic = most > 3.0 * least > 0.0
    to_scale = np.log if logarithmic else np.asarray
    start, end = float(to_scale(least)), float(to_scale(most))
    spare = 0.14 * (end - start) if end > start else 0.02 * abs(end) or 1.0

    def at(value: float) -> float:
        share = (float(to_scale(value)) - start + spare) / (end - start + 2.0 * spare)
        return left + share * (right - left)

    upper, lower = top + 14.0, top + 32.0
    middle = (upper + lower) / 2.0
    pen.rule(left, middle, right, width=0.6)
    if bar.limits is not None:
        low, high = (at(limit) for limit in bar.limits)
        pen.band(low, upper, high - low, lower - upper)
    if bar.nominal is not None:
        pen.rule(at(bar.nominal), upper, at(bar.nominal), lower, width=1.0, dotted=True)
    low, high = at(bar.low), at(bar.high)
    pen.rule(low, middle, high, width=5.0)
    for end_at in (low, high):
        pen.rule(end_at, upper + 3.0, end_at, lower - 3.0, width=1.6)
    _diamond(pen, at(bar.value), middle)
    _labels(
        pen,
        top + 2.0,
        [(at(limit), format_quantity(limit, "F")) for limit in bar.limits or ()]
        + (
            []
            if bar.nominal is None
            else [(at(bar.nominal), f"expected {format_quantity(bar.nominal, 'F')}")]
        ),
    )
    words = f"measured {format_quantity(bar.value, 'F', 4)}, 95 % interval"
    half = width_pt(words, 9.0, bold=True) / 2.0
    pen.text(
        min(max(at(bar.value), left + half), right - half),
        lower + 4.0,
        words,
        size=9.0,
        bold=True,
        align="center",
    )


def _labels(pen: Pen, top: float, wanted: Sequence[tuple[float, str]]) -> None:
    """Words over the bar, the last of them first; those that would run into one already there are left out."""
    taken: list[tuple[float, float]] = []
    for x, words in reversed(wanted):
        half = width_pt(words, SMALLEST_POINTS) / 2.0
        x = min(max(x, pen.left + half), pen.right - half)
        if all(x + half + 4.0 < low or x - half - 4.0 > high for low, high in taken):
            pen.text(x, top, words, align="center")
            taken.append((x - half, x + half))


def _diamond(pen: Pen, x: float, y: float) -> None:
    from matplotlib.lines import Line2D

    pen.figure.add_artist(
        Line2D(
            [x / pen.width],
            [1.0 - y / pen.height],
            marker="D",
            markersize=6.5,
            markerfacecolor="white",
            markeredgecolor=INK,
            markeredgewidth=1.5,
        )
    )


def draw_plot(pen: Pen, top: float, height: float, plot: Plot) -> None:
    """Size and phase side by side in ``height`` points."""
    gap = 14.0
    width = (pen.across - 2.0 * _LABEL_PT - gap) / 2.0
    inner = height - _HEAD_PT - _FOOT_PT
    size = pen.axes(pen.left + _LABEL_PT, top + _HEAD_PT, width, inner)
    angle = pen.axes(pen.right - width, top + _HEAD_PT, width, inner, sharex=size)
    _fill(size, angle, plot)
    _legend(pen, top, plot)


def drawing_png(plot: Plot, bar: Bar | None, paper: Paper) -> bytes:
    """Bar and panels as a PNG of their own, for the HTML; as wide as its print, so that the type keeps its size."""
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    panels = _PANELS_PT[paper]
    with mpl.rc_context(sheet_type()):
        pen = Pen(
            paper, width=_PRINTED_PT, height=panels + (0.0 if bar is None else BAR_PT + 4.0), margin=3.0
        )
        top = 2.0
        if bar is not None:
            draw_bar(pen, top, bar)
            top += BAR_PT + 2.0
        draw_plot(pen, top, panels - 2.0, plot)
        FigureCanvasAgg(pen.figure)
        target = io.BytesIO()
        pen.figure.savefig(target, format="png", dpi=_DOTS_PER_IN, metadata={"Software": None})
    return target.getvalue()


def _fill(size: Axes, angle: Axes, plot: Plot) -> None:
    reach: list[float] = []
    for place, curve in enumerate(plot.curves):
        line, marker = _LINES[place % 3], _MARKERS[place % 3]
        fine_degrees, degrees = curve.degrees()
        reach += [float(curve.fine_hz[0]), float(curve.fine_hz[-1])]
        for axes, fine, points, sigma in (
            (size, decibels(curve.fine_ratio), decibels(curve.ratio), 8.686 * curve.sigma_size),
            (angle, fine_degrees, degrees, np.degrees(curve.sigma_angle)),
        ):
            axes.plot(curve.fine_hz, fine, line, color=QUIET, linewidth=1.3, zorder=2)
            axes.errorbar(
                curve.frequency_hz,
                points,
                yerr=2.0 * sigma,
                fmt=marker,
                color=INK,
                ms=4.0,
                mec="white",
                mew=0.5,
                elinewidth=1.0,
                capsize=2.0,
                zorder=3,
            )
    for given, marker in ((plot.points, "o"), (plot.refused, "x")):
        if given:
            reach += _draw_points(size, angle, given, marker, beside=plot.curves[0] if plot.curves else None)
    _finish(size, angle, plot.corner_hz, (min(reach), max(reach)))


def _draw_points(
    size: Axes,
    angle: Axes,
    given: Sequence[tuple[float, complex | float]],
    marker: str,
    *,
    beside: FittedCurve | None,
) -> list[float]:
    """Points without a fit of their own; returns how far they reach, Hz."""
    frequency_hz = np.array([hz for hz, _ in given])
    ratio = np.array([ratio for _, ratio in given], dtype=np.complex128)
    look: dict[str, Any] = {"color": INK, "ms": 4.5, "mew": 1.2, "zorder": 4, "linestyle": "none"}
    size.plot(frequency_hz, decibels(ratio), marker, **look)
    known = np.array([isinstance(each, complex) for _, each in given])
    degrees = np.degrees(np.angle(ratio))
    if beside is not None:
        fine_degrees, _ = beside.degrees()
        degrees = degrees_beside(ratio, beside.fine_hz, fine_degrees, frequency_hz)
    angle.plot(frequency_hz[known], degrees[known], marker, **look)
    return [float(frequency_hz.min()) / 1.3, float(frequency_hz.max()) * 1.3]


def _finish(size: Axes, angle: Axes, corner_hz: float | None, reach_hz: tuple[float, float]) -> None:
    from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullFormatter

    size.set_xscale("log")
    size.set_xlim(*reach_hz)
    for axes, label, least in ((size, "ratio, dB", 3.0), (angle, "phase, °", 10.0)):
        low, high = axes.get_ylim()
        # A part that passes everything would otherwise fill the panel with a hundredth of a decibel.
        if high - low < least:
            axes.set_ylim((low + high - least) / 2.0, (low + high + least) / 2.0)
        axes.margins(y=0.1)
        axes.set_ylabel(label, size=SMALLEST_POINTS, labelpad=2.0)
        axes.yaxis.set_major_locator(MaxNLocator(4))
        axes.grid(visible=True, which="major", color="#c9cbd0", linewidth=0.5)
        axes.tick_params(labelsize=SMALLEST_POINTS, length=2.5, pad=2.0)
        axes.set_xlabel("frequency", size=SMALLEST_POINTS, labelpad=1.0)
        # Few enough that their words never meet in a panel of three inches.
        decades = float(np.log10(reach_hz[1] / reach_hz[0]))
        steps = (1.0, 2.0, 5.0) if decades < 1.6 else (1.0,)
        axes.xaxis.set_major_locator(LogLocator(subs=steps, numticks=5 if decades > 1.6 else 20))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda hz, _: hertz_words(hz)))
        axes.xaxis.set_minor_formatter(NullFormatter())
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        if corner_hz is not None and reach_hz[0] < corner_hz < reach_hz[1]:
            axes.axvline(corner_hz, color=INK, linewidth=0.9, linestyle=(0, (4, 3)), zorder=1)


def _legend(pen: Pen, top: float, plot: Plot) -> None:
    words = []
    if plot.curves:
        words.append("measured ± 2 standard uncertainties (marks), fitted circuit (line)")
        if not any(curve.phased.any() for curve in plot.curves):
            words.append("no phase was read")
    if plot.points:
        words.append("measured (dots), not fitted")
    if plot.refused:
        words.append(f"refused: {len(plot.refused)} (crosses)")
    if plot.corner_hz is not None:
        words.append(f"corner {format_quantity(plot.corner_hz, 'Hz')} (dashed)")
    pen.text(pen.left, top, "; ".join(words)[:1].upper() + "; ".join(words)[1:])
