"""What was found of one part over the years, as one drawing: value with interval against date and tolerance band.

Owns the layout and the SVG. Colours come from the page around it (``currentColor`` and its variables); a finding has a
mark besides its colour, and words in the table that stands beside such a drawing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from xml.sax.saxutils import escape

from twonode.analysis.findings import FindingState

__all__ = ["PastFinding", "history_svg"]

_WIDTH, _HEIGHT = 720.0, 330.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 96.0, 36.0, 34.0, 62.0
_EDGE = 26.0
"""Room above and below the scale, for what lies outside."""
_CLOSE = 84.0
"""Dates nearer together than this cannot both be written."""
_LOG_ABOVE = 30.0
_MARKS = {
    FindingState.WITHIN_TOLERANCE.value: ("✓", "var(--sound)"),
    FindingState.UNDECIDED.value: ("?", "var(--ink)"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PastFinding:
    """One finding as it was filed.

    value, low, high : SI, low to high at 95 %; None where the value was not determined.
    at_least, at_most : where only a bound is known. state : the finding's word, or None.
    """

    when: datetime
    value: float | None = None
    low: float | None = None
    high: float | None = None
    at_least: float | None = None
    at_most: float | None = None
    state: str | None = None

    @property
    def determined(self) -> tuple[float, ...]:
        """Value and interval, where they are above nothing."""
        return tuple(each for each in (self.value, self.low, self.high) if each is not None and each > 0.0)

    @property
    def shown(self) -> bool:
        """Whether there is anything to draw."""
        return bool(self.determined) or any(bound for bound in (self.at_least, self.at_most))


def history_svg(
    findings: Sequence[PastFinding],
    *,
    band: tuple[float, float] | None,
    words: Callable[[float], str],
    title: str,
) -> str:
    """The drawing as one SVG element.

    findings : those of one part with a value or a bound, in any order. band : limits the part is held against.
    words : a value as it is written, such as "21.0 nF".

    The scale holds all values, intervals and limits: linear, or logarithmic where the largest is more than 30 times the
    smallest. A bound that lies outside is drawn at the edge, so that one open part does not flatten all the others.

    Raises ValueError where no finding has a figure.
    """
    order = sorted((each for each in findings if each.shown), key=lambda each: each.when)
    if not order:
        raise ValueError("findings: need one with a figure at least")
    held = [*(figure for each in order for figure in each.determined), *(band or ())]
    bounds = [bound for each in order for bound in (each.at_least, each.at_most) if bound]
    scale = _Scale(held or bounds)
    places = _places([each.when for each in order])
    out = [f"<title>{escape(title)}</title>", f"<desc>{escape(_described(order, words))}</desc>"]
    if band is not None:
        out += _band(scale, band)
    out += _axis(scale, words)
    out += _dates([each.when for each in order], places)
    steps = [(x, each.value) for x, each in zip(places, order, strict=True) if each.value is not None]
    if len(steps) > 1:
        points = " ".join(f"{x:.1f},{scale.y(value):.1f}" for x, value in steps)
        out.append(
            f'<polyline points="{points}" stroke="var(--quiet)" stroke-width="1.5" stroke-dasharray="5 5"/>'
        )
    for x, each in zip(places, order, strict=True):
        out += _finding(x, each, scale)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:g} {_HEIGHT:g}" role="img" '
        f'class="history" font-family="sans-serif" font-size="15" fill="none" stroke="currentColor" '
        f'stroke-width="2">{"".join(out)}</svg>'
    )


class _Scale:
    """Figures to heights."""

    def __init__(self, figures: Sequence[float]) -> None:
        low, high = min(figures), max(figures)
        self.logarithmic = high > _LOG_ABOVE * low
        first, last = self._of(low), self._of(high)
        margin = 0.06 * (last - first) or 0.05 * abs(first) or 1.0
        self._first, self._last = first - margin, last + margin
        if not self.logarithmic and low > 0.0:
            self._first = max(self._first, 0.0)

    def _of(self, figure: float) -> float:
        return math.log10(figure) if self.logarithmic else figure

    def y(self, figure: float) -> float:
        share = (self._of(figure) - self._first) / (self._last - self._first)
        share = min(max(share, 0.0), 1.0)
        return _HEIGHT - _BOTTOM - _EDGE - share * (_HEIGHT - _BOTTOM - _TOP - 2 * _EDGE)

    def ticks(self) -> list[float]:
        """Three to six round figures."""
        if self.logarithmic:
            decades = range(math.ceil(self._first), math.floor(self._last) + 1)
            every = max(1, len(decades) // 5)
            return [10.0**power for power in decades[::every]]
        rough = (self._last - self._first) / 4.0
        power = 10.0 ** math.floor(math.log10(rough))
        step = next(each * power for each in (1.0, 2.0, 5.0, 10.0) if each * power >= rough)
        first = math.ceil(self._first / step)
        return [k * step for k in range(first, math.floor(self._last / step) + 1) if k > 0]


def _places(dates: Sequence[datetime]) -> list[float]:
    """From left to right by date; evenly where all are within a day."""
    inner = _WIDTH - _LEFT - _RIGHT - 60.0
    whole = dates[-1] - dates[0]
    if len(dates) == 1:
        return [_LEFT + 30.0 + inner / 2.0]
    if whole < timedelta(days=1):
        return [_LEFT + 30.0 + inner * k / (len(dates) - 1) for k in range(len(dates))]
    return [_LEFT + 30.0 + inner * ((date - dates[0]) / whole) for date in dates]


def _band(scale: _Scale, band: tuple[float, float]) -> list[str]:
    top, bottom = scale.y(max(band)), scale.y(min(band))
    wide = _WIDTH - _LEFT - _RIGHT
    lines = "".join(
        f'<line x1="{_LEFT:g}" x2="{_WIDTH - _RIGHT:g}" y1="{y:.1f}" y2="{y:.1f}" stroke="var(--sound)" '
        'stroke-width="1.5" stroke-dasharray="2 4"/>'
        for y in (top, bottom)
    )
    return [
        f'<rect x="{_LEFT:g}" y="{top:.1f}" width="{wide:g}" height="{bottom - top:.1f}" fill="var(--band)" '
        f'stroke="none"/>{lines}'
        + _text(_WIDTH - _RIGHT - 6, top + 17, "expected", anchor="end", fill="var(--sound)")
    ]


def _axis(scale: _Scale, words: Callable[[float], str]) -> list[str]:
    out = []
    for figure in scale.ticks():
        y = scale.y(figure)
        out.append(
            f'<line x1="{_LEFT:g}" x2="{_WIDTH - _RIGHT:g}" y1="{y:.1f}" y2="{y:.1f}" stroke="var(--line)" '
            'stroke-width="1"/>' + _text(_LEFT - 8, y + 5, words(figure), anchor="end")
        )
    bottom = _HEIGHT - _BOTTOM
    out.append(f'<polyline points="{_LEFT:g},{_TOP:g} {_LEFT:g},{bottom:g} {_WIDTH - _RIGHT:g},{bottom:g}"/>')
    return out


def _dates(dates: Sequence[datetime], places: Sequence[float]) -> list[str]:
    """The last one always, the others where there is room before it; the hour where all are of one day."""
    form = "%H:%M" if dates[-1].date() == dates[0].date() else "%Y-%m-%d"
    out, free = [], math.inf
    for date, x in reversed(list(zip(dates, places, strict=True))):
        bottom = _HEIGHT - _BOTTOM
        out.append(f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{bottom:g}" y2="{bottom + 6:g}"/>')
        if free - x >= _CLOSE:
            out.append(_text(x, bottom + 24, f"{date.astimezone(UTC):{form}}", anchor="middle"))
            free = x
    if form == "%H:%M":
        words = f"{dates[0].astimezone(UTC):%Y-%m-%d}, UTC"
        out.append(_text(_WIDTH - _RIGHT, _HEIGHT - 12, words, anchor="end"))
    return out


def _finding(x: float, each: PastFinding, scale: _Scale) -> list[str]:
    mark, colour = _MARKS.get(each.state or "", ("✗", "var(--trouble)") if each.state else ("", "var(--ink)"))
    out = []
    if each.low is not None and each.high is not None and min(each.low, each.high) > 0.0:
        low, high = scale.y(each.low), scale.y(each.high)
        out.append(
            f'<path d="M{x:.1f},{low:.1f}V{high:.1f}M{x - 7:.1f},{low:.1f}h14M{x - 7:.1f},{high:.1f}h14" '
            f'stroke="{colour}" stroke-width="2.5"/>'
        )
    if each.value is not None and each.value > 0.0:
        y = scale.y(each.value)
        out.append(
            f'<path d="M{x:.1f},{y - 7:.1f}l7,7l-7,7l-7,-7z" fill="var(--paper)" stroke="{colour}" '
            'stroke-width="2.5"/>'
        )
        top = min(y, scale.y(each.high)) if each.high else y
    else:
        # An arrow from the bound towards where the value may be.
        bound, step = (each.at_least, -22) if each.at_least is not None else (each.at_most, 22)
        if bound is None or bound <= 0.0:
            return out
        y = scale.y(bound)
        head = 6 if step < 0 else -6
        out.append(
            f'<path d="M{x - 9:.1f},{y:.1f}h18M{x:.1f},{y:.1f}v{step}m-5,{head}l5,{-head}l5,{head}" '
            f'stroke="{colour}" stroke-width="2.5"/>'
        )
        top = y + min(step, 0)
    if mark:
        out.append(_text(x, max(top - 10.0, 16.0), mark, anchor="middle", fill=colour, bold=True))
    return out


def _text(
    x: float, y: float, words: str, *, anchor: str, fill: str = "currentColor", bold: bool = False
) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{fill}" stroke="none"{weight}>'
        f"{escape(words)}</text>"
    )


def _described(order: Sequence[PastFinding], words: Callable[[float], str]) -> str:
    said = []
    for each in order:
        bounds = (("at least", each.at_least), ("at most", each.at_most))
        value = (
            words(each.value)
            if each.value is not None
            else ", ".join(f"{name} {words(bound)}" for name, bound in bounds if bound is not None)
        )
        said.append(f"{each.when:%Y-%m-%d}: {value}{f', {each.state}' if each.state else ''}")
    return "; ".join(said)
