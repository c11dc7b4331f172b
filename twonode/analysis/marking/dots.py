"""Colour dots and bands: three, four, five and six of them, by every scheme that reads them.

Owns the layouts: which place means what. Where a source does not say which of two places comes first, both orders
are layouts of their own.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum, auto
from itertools import product

from twonode.analysis.marking import colourtables as tables
from twonode.analysis.marking import sources
from twonode.analysis.marking.colourwords import Colour, colours_of, unknown_colour
from twonode.analysis.marking.model import (
    MarkedTolerance,
    MarkingError,
    Reading,
    Scheme,
    Source,
    TemperatureCharacteristic,
    Voltage,
    capacitance_words,
    figures_to_farad,
)

__all__ = ["Arrow", "read_colours"]

# Larger colour-coded parts of mica, ceramic, paper or film are not made (common practice, no source).
_LARGEST_FARAD = 10e-6
_MOST_COMBINATIONS = 36


class Arrow(Enum):
    """Which way the arrows, or the end that is read first, point."""

    RIGHT = "right"
    LEFT = "left"
    UNKNOWN = "unknown"


class _Place(Enum):
    FIGURE = auto()
    POWER = auto()
    TOLERANCE = auto()
    VOLTS = auto()
    TEMPERATURE = auto()
    CLASS = auto()
    IDENTIFIER = auto()


_F, _P, _T, _V = _Place.FIGURE, _Place.POWER, _Place.TOLERANCE, _Place.VOLTS


@dataclass(frozen=True, slots=True, kw_only=True)
class _Layout:
    """The meaning of each place. shapes : numbers of colours a row that it is written in."""

    scheme: Scheme
    source: Source
    places: tuple[_Place, ...]
    shapes: tuple[tuple[int, ...], ...]
    order: str


def _layout(scheme: Scheme, source: Source, places: Sequence[_Place], shapes: str, order: str) -> _Layout:
    return _Layout(
        scheme=scheme,
        source=source,
        places=tuple(places),
        shapes=tuple(tuple(int(each) for each in shape.split("+")) for shape in shapes.split()),
        order=order,
    )


_ROWS = "bottom row from the left: {}"
_ROUND = "bottom row from the right: {}"
_LAYOUTS = (
    _layout(
        Scheme.SIX_DOT_IDENTIFIED,
        sources.ARMY_SIX_DOT,
        (_Place.IDENTIFIER, _F, _F, _Place.CLASS, _T, _P),
        "3+3 6",
        _ROWS.format("class, tolerance, multiplier"),
    ),
    _layout(
        Scheme.SIX_DOT_IDENTIFIED,
        sources.ARMY_SIX_DOT,
        (_Place.IDENTIFIER, _F, _F, _P, _T, _Place.CLASS),
        "6",
        _ROUND.format("multiplier, tolerance, class"),
    ),
    _layout(
        Scheme.MICA_SIX,
        sources.OLD_MICA_SIX,
        (_F, _F, _F, _V, _T, _P),
        "3+3 6",
        _ROWS.format("volts, tolerance, multiplier"),
    ),
    _layout(
        Scheme.MICA_SIX,
        sources.OLD_MICA_SIX,
        (_F, _F, _F, _P, _T, _V),
        "6",
        _ROUND.format("multiplier, tolerance, volts"),
    ),
    _layout(
        Scheme.MICA_FIVE, sources.OLD_MICA, (_F, _F, _P, _V, _T), "5 3+2 2+3", "fourth volts, fifth tolerance"
    ),
    _layout(
        Scheme.MICA_FIVE, sources.OLD_MICA, (_F, _F, _P, _T, _V), "5 3+2 2+3", "fourth tolerance, fifth volts"
    ),
    _layout(Scheme.MICA_THREE, sources.OLD_MICA, (_F, _F, _P), "3", ""),
    _layout(
        Scheme.CERAMIC,
        sources.CERAMIC_COLOURS,
        (_Place.TEMPERATURE, _F, _F, _P, _T),
        "5",
        "first the temperature colour",
    ),
    _layout(Scheme.CERAMIC, sources.CERAMIC_COLOURS, (_F, _F, _P, _T), "4 2+2", "no temperature colour"),
    _layout(Scheme.CERAMIC, sources.CERAMIC_COLOURS, (_F, _F, _P), "3", "no temperature colour"),
    _layout(Scheme.PAPER_BANDS, sources.PAPER_COLOURS, (_F, _F, _P, _T, _V), "5", ""),
    _layout(Scheme.PAPER_BANDS, sources.PAPER_COLOURS, (_F, _F, _P, _T, _V, _V), "6", "two bands of volts"),
    _layout(Scheme.FILM_BANDS, sources.FILM_COLOURS, (_F, _F, _P, _T, _V), "5", ""),
)
_POWERS = {
    Scheme.CERAMIC: tables.CERAMIC_POWERS,
    Scheme.PAPER_BANDS: tables.FILM_POWERS,
    Scheme.FILM_BANDS: tables.FILM_POWERS,
}


class _NoFitError(Exception):
    """A layout that does not read these colours; the message says why."""


def read_colours(text: str, *, arrow: Arrow) -> tuple[tuple[Reading, ...], tuple[str, ...]]:
    """Every reading of colours in words, in no particular order, and notes on what was left out.

    text : one row, or two rows with a slash between them; each row from left to right.
    arrow : which way to read. LEFT turns the part round; UNKNOWN reads it both ways.

    Raises MarkingError for a word that is no colour, a number of colours that no scheme has, abbreviations that fit
    too many colours, and colours that no scheme reads in this order.
    """
    rows = _rows(text)
    shape = tuple(len(row) for row in rows)
    known = {each for layout in _LAYOUTS for each in layout.shapes}
    if shape not in known:
        count = " and ".join(str(each) for each in shape)
        raise MarkingError(
            f"{count} colour{'' if count == '1' else 's'}: no scheme known here has that many.",
            "A dot too few or too many changes the meaning of all others.",
            "Known are 3, 4, 5 and 6 colours, and two rows of 3 with / between them. Write none for a bare place.",
        )
    alternatives = [[(word, colour) for colour in found] for row in rows for word, found in row]
    combinations = 1
    for each in alternatives:
        combinations *= len(each)
    if combinations > _MOST_COMBINATIONS:
        words = sorted({each[0][0] for each in alternatives if len(each) > 1})
        raise MarkingError(
            f"{', '.join(repr(word) for word in words)} can mean several colours each: {combinations} markings in all.",
            "Such a list would answer nothing.",
            "Write these colours out: black, brown, blue; green, grey, gold.",
        )
    readings: list[Reading] = []
    large: list[Reading] = []
    reasons: list[str] = []
    for chosen in product(*alternatives):
        taken = tuple(
            f"colour {place}, {word}, read as {colour.value}"
            for place, ((word, colour), each) in enumerate(zip(chosen, alternatives, strict=True), start=1)
            if len(each) > 1
        )
        colours = [colour for _, colour in chosen]
        for way, remark in _ways(colours, arrow):
            for layout in _LAYOUTS:
                if shape not in layout.shapes:
                    continue
                try:
                    found = tuple(_read(layout, way, (*taken, *remark)))
                except _NoFitError as exc:
                    reasons.append(f"{layout.scheme.value}: {exc}")
                    continue
                for reading in found:
                    too_large = (reading.capacitance_farad or 0) > _LARGEST_FARAD
                    (large if too_large else readings).append(reading)
    if not readings:
        raise _unreadable(text, reasons, large)
    notes = tuple(
        dict.fromkeys(
            f"Left out: {_size(reading)} by {reading.scheme.value}; "
            "no colour-coded part is above 10 µF (common practice, no source)."
            for reading in large
        )
    )
    return tuple(dict.fromkeys(readings)), notes


def _size(reading: Reading) -> str:
    return capacitance_words(reading.capacitance_farad or 0.0)


def _unreadable(text: str, reasons: Sequence[str], large: Sequence[Reading]) -> MarkingError:
    shown = text if len(text) <= 60 else text[:57] + "..."
    reasons = [f"{each.scheme.value}: {_size(each)} is above any colour-coded part" for each in large] + [
        *reasons
    ]
    return MarkingError(
        f"No scheme reads {shown!r}: {'; '.join(dict.fromkeys(reasons[:3]))}.",
        "Nothing is guessed: a wrong value put in a set does harm.",
        "Check the arrow's direction (--arrow left turns the part round), gold against yellow, silver against grey.",
    )


_FILLERS = frozenset({"dot", "dots", "band", "bands", "and", "row", "top", "bottom"})
_BARE = re.compile(r"\bno[\s_-]*(?:dot|band|colou?r|mark)s?\b", re.I)


def _rows(text: str) -> list[list[tuple[str, tuple[Colour, ...]]]]:
    rows = []
    for part in re.split(r"[/|;]", _BARE.sub("none", text)):
        words = [word for word in re.split(r"[\s,.:_+-]+", part.lower()) if word and word not in _FILLERS]
        row = [(word, colours_of(word)) for word in words]
        for word, found in row:
            if not found:
                raise unknown_colour(word)
        if row:
            rows.append(row)
    return rows


def _ways(colours: list[Colour], arrow: Arrow) -> Iterator[tuple[list[Colour], tuple[str, ...]]]:
    """The colours in the order they are read; turned round, the last becomes the first, in one row or two."""
    if arrow is not Arrow.LEFT:
        yield colours, (() if arrow is Arrow.RIGHT else ("read from the left",))
    if arrow is not Arrow.RIGHT:
        yield colours[::-1], ("read from the right: the part turned round",)


def _read(layout: _Layout, colours: Sequence[Colour], remarks: tuple[str, ...]) -> Iterator[Reading]:
    """The readings of one layout; several where a colour's tolerance is printed differently.

    Raises _NoFitError where a colour has no meaning at its place.
    """
    placed: dict[_Place, list[Colour]] = {}
    for place, colour in zip(layout.places, colours, strict=True):
        placed.setdefault(place, []).append(colour)
    remarks += (layout.order,) if layout.order else ()
    farad, leading_zero = _capacitance(layout, placed)
    if leading_zero:
        remarks += ("the first figure is 0: check the direction",)
    more: tuple[str, ...] = ()
    temperature: TemperatureCharacteristic | None = None
    voltage: Voltage | None = None
    if layout.scheme is Scheme.SIX_DOT_IDENTIFIED:
        more, temperature, voltage = _identified(placed, farad)
    elif layout.scheme is Scheme.MICA_THREE:
        voltage = Voltage(volts=500.0, source=sources.OLD_MICA)
        more = ("500 V by the scheme, not marked",)
    elif _Place.TEMPERATURE in placed:
        colour = placed[_Place.TEMPERATURE][0]
        temperature = tables.ceramic_temperature(colour)
        more = () if temperature else (f"temperature colour {colour.value}: meaning not known here",)
    if _Place.VOLTS in placed:
        voltage = _volts(layout, placed[_Place.VOLTS])
    for tolerance in _tolerances(layout, placed, farad):
        yield Reading(
            scheme=layout.scheme,
            source=layout.source,
            capacitance_farad=farad,
            tolerance=tolerance,
            voltage=voltage,
            temperature=temperature,
            remarks=(*remarks, *more),
        )


def _capacitance(layout: _Layout, placed: dict[_Place, list[Colour]]) -> tuple[float, bool]:
    """Farads, and whether the first figure is 0."""
    figures = ""
    for colour in placed[_Place.FIGURE]:
        if colour.digit is None:
            raise _NoFitError(f"{colour.value} is no figure")
        figures += str(colour.digit)
    if not figures.strip("0"):
        raise _NoFitError("its figures are all 0")
    if layout.scheme is Scheme.MICA_SIX and figures[0] == "0":
        raise _NoFitError("its first figure would be 0")
    colour = placed[_Place.POWER][0]
    power = _POWERS.get(layout.scheme, tables.MICA_POWERS).get(colour)
    if power is None:
        raise _NoFitError(f"{colour.value} is no multiplier")
    return figures_to_farad(figures, power - 12), figures[0] == "0"


def _identified(
    placed: dict[_Place, list[Colour]], farad: float
) -> tuple[tuple[str, ...], TemperatureCharacteristic | None, Voltage | None]:
    """What the first dot and the class dot say: remarks, temperature class, volts."""
    identifier, class_dot = placed[_Place.IDENTIFIER][0], placed[_Place.CLASS][0]
    if identifier is Colour.BLACK:
        temperature, remark = tables.mica_class(class_dot, trade=False)
        volts = 500.0 if farad < 6800e-12 else 300.0
        remarks = ("military mica", remark, f"{volts:g} V by the scheme, not marked")
        return remarks, temperature, Voltage(volts=volts, source=sources.MIL_MICA_VOLTS)
    if identifier is Colour.WHITE:
        temperature, remark = tables.mica_class(class_dot, trade=True)
        return ("trade mica", remark), temperature, None
    if identifier in (Colour.SILVER, Colour.NONE):
        return ("paper", f"class dot {class_dot.value}: not known here for paper"), None, None
    raise _NoFitError(f"{identifier.value} is no identifier")


def _volts(layout: _Layout, colours: Sequence[Colour]) -> Voltage:
    if layout.scheme is Scheme.PAPER_BANDS:
        voltage = tables.paper_volts(colours[0], colours[1] if len(colours) > 1 else None)
    elif layout.scheme is Scheme.FILM_BANDS:
        voltage = tables.film_volts(colours[0])
    else:
        voltage = tables.mica_volts(colours[0])
    if voltage is None:
        raise _NoFitError(f"{colours[-1].value} is no working voltage")
    return voltage


def _tolerances(
    layout: _Layout, placed: dict[_Place, list[Colour]], farad: float
) -> tuple[MarkedTolerance, ...]:
    if _Place.TOLERANCE not in placed:
        return (tables.unmarked_tolerance(layout.source),)
    colour = placed[_Place.TOLERANCE][0]
    if layout.scheme is Scheme.CERAMIC:
        found = tables.ceramic_tolerances(colour, farad)
    elif layout.scheme in (Scheme.SIX_DOT_IDENTIFIED, Scheme.MICA_SIX):
        found = tables.six_dot_tolerances(colour)
    elif layout.scheme is Scheme.PAPER_BANDS:
        found = tables.paper_tolerances(colour)
    elif layout.scheme is Scheme.FILM_BANDS:
        found = tables.film_tolerances(colour)
    else:
        found = tables.mica_tolerances(colour)
    if not found:
        raise _NoFitError(f"{colour.value} is no tolerance")
    return found
