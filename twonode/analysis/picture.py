"""The picture of an estimate: the part first, the measured ratio with its fit second.

Owns the layout and look of the PNG. Takes an estimate and its circumstances, returns bytes; writes no file and
shows no window. Colours stay apart for every common kind of colour blindness (blue, vermilion, ink) and never
carry a meaning alone: words, marks and line styles say the same.
"""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.curves import FittedCurve, degrees_beside, fitted_curves
from twonode.analysis.estimate import Estimate
from twonode.analysis.findings import FindingState
from twonode.analysis.look import (
    BAND,
    CURVE,
    INK,
    PAPER,
    QUIET,
    SMALLEST_POINTS,
    SOUND,
    decibels,
    figure_png,
    finding_mark,
    hertz_words,
    plain_axes,
    shortened,
    type_settings,
)
from twonode.analysis.quantities import format_quantity
from twonode.analysis.report import (
    Circumstances,
    against_words,
    because_words,
    certainty_words,
    conditions_words,
    value_words,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_picture", "picture_png"]

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Share of the bar's width that half of "expected 22.0 nF -20/+100 %" takes up.
_ROOM_FOR_WORDS = 0.16
_WIDTH_IN, _HEIGHT_IN = 13.0, 13.0

_POINTS = ("#00589b", "#1b2230", "#5b3a86")
_MARKERS = ("o", "s", "D")
_LINES = ("-", "--", ":")


def picture_png(estimate: Estimate, circumstances: Circumstances) -> bytes:
    """The picture as a PNG, 1300 x 1300 dots."""
    return figure_png(draw_picture(estimate, circumstances))


def draw_picture(estimate: Estimate, circumstances: Circumstances) -> Figure:
    """The picture as a matplotlib figure, for whoever wants another format."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(type_settings()):
        figure = Figure(figsize=(_WIDTH_IN, _HEIGHT_IN), facecolor=PAPER)
        _draw_words(figure, estimate, circumstances)
        if estimate.capacitance.value is not None and estimate.capacitance.interval95 is not None:
            _draw_bar(figure.add_axes((0.06, 0.657, 0.88, 0.06)), estimate)
        else:
            _draw_sentence(figure, estimate)
        _draw_measured(figure, estimate, circumstances)
        _draw_footnote(figure, estimate, circumstances)
    return figure


def _draw_words(figure: Figure, estimate: Estimate, circumstances: Circumstances) -> None:
    from matplotlib.patches import Rectangle

    mark, colour = finding_mark(estimate.finding.state)
    figure.text(0.04, 0.972, shortened(circumstances.title, 68), size=15, color=QUIET, va="center")
    if circumstances.simulated:
        figure.text(
            0.96,
            0.972,
            "SIMULATED BENCH",
            size=14,
            weight="bold",
            ha="right",
            va="center",
            bbox={"boxstyle": "square,pad=0.35", "facecolor": PAPER, "edgecolor": INK, "linewidth": 1.5},
        )
    name = shortened(estimate.part, 12)
    value = value_words(estimate).removesuffix(" (95 %)")
    figure.text(
        0.04,
        0.912,
        f"{name}   {value}",
        size=46 if len(name) + len(value) <= 26 else 34,
        weight="bold",
        va="center",
    )
    figure.add_artist(Rectangle((0.04, 0.823), 0.044, 0.044, facecolor=colour, transform=figure.transFigure))
    figure.text(0.062, 0.8435, mark, size=30, weight="bold", color=PAPER, ha="center", va="center")
    figure.text(
        0.1, 0.844, estimate.finding.state.value.upper(), size=31, weight="bold", color=colour, va="center"
    )
    figure.text(0.96, 0.844, certainty_words(estimate), size=18, ha="right", va="center")
    lines = [because_words(estimate)] if _explains_itself(estimate) else []
    if estimate.misfit is not None:
        lines = [f"Do not trust this yet: {estimate.misfit}"]
    lines.append(f"Next: {estimate.finding.action}")
    wrapped = [part for line in lines for part in textwrap.wrap(line, 110)]
    text = "\n".join(wrapped[:3])
    figure.text(0.04, 0.811, text, size=15, va="top", linespacing=1.35)


def _explains_itself(estimate: Estimate) -> bool:
    """Whether the reason belongs above the bar: where neither the bar nor the sentence in its place says it."""
    state = estimate.finding.state
    if estimate.capacitance.value is None:
        return state is FindingState.UNDECIDED
    return state not in (FindingState.WITHIN_TOLERANCE, FindingState.OFF_VALUE)


def _draw_bar(axes: Axes, estimate: Estimate) -> None:
    """One bar: tolerance band, expected value as a tick, the measured interval across it."""
    found = estimate.capacitance
    assert found.value is not None
    assert found.interval95 is not None
    low, high = found.interval95
    shown = [low, high]
    limits = None
    if estimate.nominal_farad is not None:
        shown.append(estimate.nominal_farad)
        if estimate.tolerance is not None:
            limits = estimate.tolerance.limits(estimate.nominal_farad)
            shown += limits
    least, most = min(shown), max(shown)
    wide = most > 3.0 * least
    if wide:
        axes.set_xscale("log")
        reach = (most / least) ** 0.18
        axes.set_xlim(least / reach, most * reach)
    else:
        margin = max(0.18 * (most - least), 0.02 * most)
        axes.set_xlim(least - margin, most + margin)
    axes.set_ylim(0.0, 1.0)
    axes.axhline(0.5, color=QUIET, linewidth=1.0, zorder=1)
    if limits is not None:
        axes.axvspan(
            *limits, ymin=0.08, ymax=0.92, facecolor=BAND, edgecolor=SOUND, hatch="//", zorder=2, lw=0
        )
        for limit in limits:
            axes.plot([limit, limit], [0.02, 0.98], color=INK, linewidth=2.0, zorder=3)
    if estimate.nominal_farad is not None:
        axes.plot(
            [estimate.nominal_farad] * 2, [0.08, 0.92], color=INK, linewidth=1.6, linestyle=":", zorder=3
        )
    _label_expected(axes, estimate, limits)
    axes.plot([low, high], [0.5, 0.5], color=INK, linewidth=9, solid_capstyle="butt", zorder=5)
    for end in (low, high):
        axes.plot([end, end], [0.22, 0.78], color=INK, linewidth=3, zorder=5)
    axes.plot(
        [found.value], [0.5], "D", color=PAPER, markeredgecolor=INK, markeredgewidth=2.5, ms=9, zorder=6
    )
    axes.annotate(
        "measured, 95 % interval",
        (found.value, 0.0),
        xytext=(0, -6),
        textcoords="offset points",
        ha=_towards_middle(axes, found.value),
        va="top",
        size=15,
        weight="bold",
    )
    axes.set_axis_off()


def _label_expected(axes: Axes, estimate: Estimate, limits: tuple[float, float] | None) -> None:
    """Words above the bar; the limits only where their figures do not run into the expected value."""
    if estimate.nominal_farad is None:
        return
    above: dict[str, Any] = {"textcoords": "offset points", "size": 15}
    expected = f"expected {format_quantity(estimate.nominal_farad, 'F')}"
    if estimate.tolerance is not None:
        expected += f" {estimate.tolerance}"
    middle = _place(axes, estimate.nominal_farad)
    if limits is not None and min(abs(_place(axes, limit) - middle) for limit in limits) > _ROOM_FOR_WORDS:
        for limit, side, shift in zip(limits, ("right", "left"), (-4, 4), strict=True):
            axes.annotate(format_quantity(limit, "F"), (limit, 1.0), xytext=(shift, 5), ha=side, **above)
    elif limits is not None:
        expected = against_words(estimate)
    side = _towards_middle(axes, estimate.nominal_farad)
    axes.annotate(expected, (estimate.nominal_farad, 1.0), xytext=(0, 5), ha=side, **above)


def _place(axes: Axes, value: float) -> float:
    """Where a value lies across the bar, 0 to 1."""
    across: float = axes.transAxes.inverted().transform(axes.transData.transform((value, 0.0)))[0]
    return across


def _towards_middle(axes: Axes, value: float) -> str:
    """Which way a label beside a value runs so that it stays on the picture."""
    place = _place(axes, value)
    return "left" if place < 0.2 else "right" if place > 0.8 else "center"


def _draw_sentence(figure: Figure, estimate: Estimate) -> None:
    """What stands where the bar would be: there is no value to draw."""
    against = against_words(estimate)
    words = [because_words(estimate)] if estimate.finding.state is not FindingState.UNDECIDED else []
    words += [against[:1].upper() + against[1:] + "."]
    figure.text(
        0.5,
        0.682,
        "\n".join(textwrap.fill(line, 84) for line in words),
        size=18,
        ha="center",
        va="center",
        linespacing=1.4,
        bbox={"boxstyle": "square,pad=0.6", "facecolor": PAPER, "edgecolor": INK, "linewidth": 1.8},
    )


def _draw_measured(figure: Figure, estimate: Estimate, circumstances: Circumstances) -> None:
    size = figure.add_axes((0.105, 0.40, 0.855, 0.19))
    angle = figure.add_axes((0.105, 0.245, 0.855, 0.135), sharex=size)
    left = figure.add_axes((0.105, 0.125, 0.855, 0.10), sharex=size)
    curves = fitted_curves(estimate, [point.frequency_hz for point in circumstances.refused if point.ratio])
    several = len(curves) > 1
    for place, curve in enumerate(curves):
        colour, marker = _POINTS[place % 3], _MARKERS[place % 3]
        line = _LINES[place % 3]
        suffix = f", sweep {place + 1}" if several else ""
        fine_degrees, degrees = curve.degrees()
        bars: dict[str, Any] = {
            "fmt": marker,
            "color": colour,
            "ms": 7,
            "mec": PAPER,
            "mew": 0.8,
            "elinewidth": 2,
            "capsize": 4,
            "zorder": 4,
        }
        for axes, fine, points, sigma, label in (
            (size, decibels(curve.fine_ratio), decibels(curve.ratio), 8.686 * curve.sigma_size, suffix),
            (angle, fine_degrees, degrees, np.degrees(curve.sigma_angle), None),
        ):
            axes.plot(
                curve.fine_hz,
                fine,
                line,
                color=CURVE,
                linewidth=2.4,
                zorder=3,
                label=None if label is None else f"fitted circuit{label}",
            )
            axes.errorbar(
                curve.frequency_hz,
                points,
                yerr=2.0 * sigma,
                label=None if label is None else f"measured{label}",
                **bars,
            )
        left.plot(curve.frequency_hz, curve.residual_size, marker, color=colour, ms=6, zorder=4)
        left.plot(
            curve.frequency_hz,
            curve.residual_angle,
            marker,
            color=colour,
            mfc=PAPER,
            mew=1.6,
            ms=6,
            zorder=4,
        )
    _draw_refused(size, angle, curves, circumstances)
    if curves:
        size.set_xscale("log")
        size.set_xlim(min(c.fine_hz[0] for c in curves), max(c.fine_hz[-1] for c in curves))
    _finish_axes(size, angle, left, curves, estimate.corner_hz)


def _draw_refused(size: Axes, angle: Axes, curves: list[FittedCurve], circumstances: Circumstances) -> None:
    taken = [point for point in circumstances.refused if point.ratio]
    if not taken or not curves:
        return
    frequency_hz = np.array([point.frequency_hz for point in taken])
    ratio = np.array([point.ratio for point in taken], dtype=np.complex128)
    fine_degrees = np.degrees(np.unwrap(np.angle(curves[0].fine_ratio)))
    look: dict[str, Any] = {"color": QUIET, "ms": 9, "mew": 2.0, "zorder": 5, "linestyle": "none"}
    size.plot(frequency_hz, decibels(ratio), "x", label=f"refused ({len(circumstances.refused)})", **look)
    angle.plot(
        frequency_hz,
        degrees_beside(ratio, curves[0].fine_hz, fine_degrees, frequency_hz),
        "x",
        **look,
    )


def _finish_axes(
    size: Axes, angle: Axes, left: Axes, curves: list[FittedCurve], corner_hz: float | None
) -> None:
    from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullFormatter

    for axes, label in ((size, "ratio, dB"), (angle, "phase, °"), (left, "residual, u")):
        plain_axes(axes, label, figures_below=axes is left)
    low, high = size.get_ylim()
    # A part that passes everything would otherwise fill the panel with a hundredth of a decibel.
    if high - low < 3.0:
        size.set_ylim((low + high) / 2.0 - 2.0, (low + high) / 2.0 + 1.0)
    low, high = angle.get_ylim()
    if high - low < 10.0:
        angle.set_ylim((low + high) / 2.0 - 5.0, (low + high) / 2.0 + 5.0)
    for axes in (size, angle):
        axes.yaxis.set_major_locator(MaxNLocator(5))
    reach = max([3.0, *(float(np.nanmax(np.abs([c.residual_size, c.residual_angle]))) for c in curves)])
    left.set_ylim(-1.15 * reach, 1.15 * reach)
    left.axhspan(-2.0, 2.0, facecolor="#eceef2", zorder=0)
    left.axhline(0.0, color=INK, linewidth=1.0)
    left.set_yticks([-2, 0, 2] if reach < 8.0 else [-round(0.8 * reach), 0, round(0.8 * reach)])
    left.set_xlabel(
        "frequency (residual in standard uncertainties: filled size, hollow phase; band ±2)", size=14
    )
    low_hz, high_hz = left.get_xlim()
    if high_hz < 500.0 * low_hz:
        left.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    left.xaxis.set_major_formatter(FuncFormatter(lambda hz, _: hertz_words(hz)))
    left.xaxis.set_minor_formatter(NullFormatter())
    size.figure.align_ylabels([size, angle, left])
    if corner_hz is not None and curves and low_hz < corner_hz < high_hz:
        _mark_corner(size, angle, curves[0], corner_hz)
    size.legend(
        loc="lower right",
        bbox_to_anchor=(1.0, 0.99),
        ncols=5,
        frameon=False,
        fontsize=14,
        borderaxespad=0.0,
        handletextpad=0.4,
        columnspacing=1.4,
    )


def _mark_corner(size: Axes, angle: Axes, curve: FittedCurve, corner_hz: float) -> None:
    for axes in (size, angle):
        axes.axvline(corner_hz, color=INK, linewidth=1.6, linestyle=(0, (5, 3)), zorder=2)
    # A rising curve leaves the lower right free, a falling one the lower left.
    place = _place(size, corner_hz)
    rightwards = abs(curve.fine_ratio[-1]) > abs(curve.fine_ratio[0])
    rightwards = (rightwards and place < 0.8) or place < 0.2
    size.annotate(
        f"corner {format_quantity(corner_hz, 'Hz')}",
        (corner_hz, 0.06),
        xycoords=size.get_xaxis_transform(),
        xytext=(8 if rightwards else -8, 0),
        textcoords="offset points",
        size=15,
        weight="bold",
        ha="left" if rightwards else "right",
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 2},
        zorder=6,
    )


def _draw_footnote(figure: Figure, estimate: Estimate, circumstances: Circumstances) -> None:
    not_tested = ", ".join(estimate.finding.not_tested)
    lines = textwrap.wrap(conditions_words(circumstances), 132)[:2]
    lines.append(f"Not tested: {not_tested}. Points are shown less the fitted channel errors, bars are ±2 u.")
    figure.text(0.04, 0.072, "\n".join(lines), size=SMALLEST_POINTS, va="top", color=QUIET, linespacing=1.4)
