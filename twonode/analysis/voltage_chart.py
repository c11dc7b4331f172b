"""A set's voltage chart: what its book says each node should read, with which meter and at which line voltage.

Owns the chart, its TOML file with its keys, and naming file, node and key in every complaint. What is to be expected
today belongs to `voltage_expected`.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from math import inf
from pathlib import Path
from typing import Any

import msgspec

from twonode.analysis.errors import AnalysisError, QuantityError
from twonode.analysis.leakage_readings import KnownResistor, LeakageError
from twonode.analysis.quantities import Tolerance, parse_quantity, parse_tolerance
from twonode.analysis.resistor_words import parse_resistor
from twonode.analysis.stage.wording import nearest
from twonode.tomltext import TomlError, read_toml

__all__ = [
    "USUAL_RANGES_V",
    "BookMeter",
    "ChartError",
    "ChartNode",
    "NodeLimits",
    "VoltageChart",
    "chart_to_document",
    "load_chart",
    "parse_chart",
    "parse_limits",
    "shipped_chart",
]

USUAL_RANGES_V = (2.5, 10.0, 50.0, 250.0, 500.0, 1000.0)
"""Ranges of an ordinary multimeter, tried where the book does not say (common practice, no source)."""

_CHART_KEYS = ("title", "line", "reference", "condition", "tolerance", "book_meter", "node")
_METER_KEYS = ("ohms_per_volt", "range", "ranges", "resistance")
_NODE_KEYS = (
    *("name", "volts", "tolerance", "range", "source_resistance", "follows_line", "reading", "note"),
)
_LARGEST_FILE_BYTES = 1_000_000
_HIGHEST_VOLTS = 1e5


class ChartError(AnalysisError):
    """A voltage chart that cannot be used, or a reading that fits none of its nodes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeLimits:
    """How far a node may lie from its figure: a share of it, or volts. Exactly one of the two is given."""

    share: Tolerance | None = None
    volts: float | None = None

    def around(self, expected_v: float) -> tuple[float, float]:
        """Lowest and highest allowed volts, in this order."""
        if self.volts is not None:
            return expected_v - self.volts, expected_v + self.volts
        assert self.share is not None
        ends = expected_v * (1 - self.share.minus), expected_v * (1 + self.share.plus)
        return min(ends), max(ends)

    @property
    def words(self) -> str:
        """For a sentence."""
        return f"±{self.volts:g} V" if self.volts is not None else str(self.share)


@dataclass(frozen=True, slots=True, kw_only=True)
class BookMeter:
    """The meter the book's figures were read with.

    ohms_per_volt : of a pointer instrument. range_v : the one range of all figures, where the book names it.
    ranges_v : ranges it had. resistance_ohm : of a valve voltmeter, the same on all ranges; alone.
    """

    ohms_per_volt: float | None = None
    range_v: float | None = None
    ranges_v: tuple[float, ...] = USUAL_RANGES_V
    resistance_ohm: float | None = None

    def loads_ohm(self, volts: float, range_v: float | None) -> tuple[float, ...]:
        """Every resistance that this meter may have had while it showed ``volts``, rising; V, ohm.

        range_v : of this node, where the book says; else the meter's one range, else every range that holds the volts.
        """
        if self.resistance_ohm is not None:
            return (self.resistance_ohm,)
        if self.ohms_per_volt is None:
            return ()
        stated = range_v if range_v is not None else self.range_v
        if stated is not None:
            return (self.ohms_per_volt * stated,)
        holding = tuple(r for r in sorted(self.ranges_v) if r >= abs(volts))
        return tuple(self.ohms_per_volt * r for r in holding or (max(self.ranges_v),))


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartNode:
    """One line of the chart.

    book_v : as printed. limits : how far it may be off. range_v : the book meter's range there.
    source : resistance the meter sees at the node; None is not known, and loading is then not corrected.
    follows_line : False for what does not rise and fall with the mains. reading : as typed in the file.
    """

    name: str
    book_v: float
    limits: NodeLimits
    range_v: float | None = None
    source: KnownResistor | None = None
    follows_line: bool = True
    reading: str | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class VoltageChart:
    """A set's chart.

    line_v : mains the book's figures were taken at; None where the book does not say.
    book_meter : None where the book does not say. reference : the meter's other tip.
    """

    title: str
    nodes: tuple[ChartNode, ...]
    line_v: float | None = None
    book_meter: BookMeter | None = None
    reference: str = "B-minus"
    condition: str | None = None

    def node(self, name: str) -> ChartNode:
        """The node of a name, capitals ignored. Raises ChartError with the nearest one."""
        wanted = " ".join(name.lower().split())
        for each in self.nodes:
            if " ".join(each.name.lower().split()) == wanted:
                return each
        names = [each.name for each in self.nodes]
        raise ChartError(
            f"There is no node {name!r} in the chart{nearest(name, names)}",
            f"It has {', '.join(names)}.",
            'Write a node and its volts, such as "driver anode=121V".',
        )


def load_chart(path: str | os.PathLike[str]) -> VoltageChart:
    """Read a chart's file (TOML, UTF-8).

    Raises ChartError naming the file, the node, the key, what was found and what is allowed.
    """
    where = str(path)
    try:
        with Path(path).open("rb") as file:
            raw = file.read(_LARGEST_FILE_BYTES + 1)
        text = raw.decode("utf-8-sig")
    except OSError as exc:
        raise ChartError(
            f"{where}: the voltage chart cannot be read ({exc.strerror or exc}).",
            "What each node should read comes from it.",
            "Check the name and that you may read it.",
        ) from exc
    except UnicodeDecodeError as exc:
        raise ChartError(
            f"{where}: the voltage chart is not UTF-8 text.", "TOML files are UTF-8.", "Save it as UTF-8."
        ) from exc
    if len(raw) > _LARGEST_FILE_BYTES:
        raise ChartError(
            f"{where}: the file is larger than {_LARGEST_FILE_BYTES} bytes.",
            "A voltage chart is a page of text.",
            "Name the chart's file.",
        )
    return parse_chart(text, where=where)


def shipped_chart(name: str) -> VoltageChart:
    """A chart that comes with the program, such as "wrenfield-46". Raises ChartError if there is none."""
    folder = resources.files("twonode.analysis") / "charts"
    names = sorted(entry.name[:-5] for entry in folder.iterdir() if entry.name.endswith(".toml"))
    if name not in names:
        raise ChartError(
            f"There is no shipped chart {name!r}{nearest(name, names)}",
            f"Shipped are {', '.join(names)}.",
            "Name one of these, or a chart's file of your own.",
        )
    return parse_chart((folder / f"{name}.toml").read_text(encoding="utf-8"), where=f"{name}.toml")


def parse_chart(text: str, *, where: str = "voltage chart") -> VoltageChart:
    """Read the text of a chart's file; ``where`` names it in errors. Raises ChartError as `load_chart` does."""
    try:
        table = read_toml(text)
    except TomlError as exc:
        raise ChartError(
            f"{where}: this is not TOML: {exc}.",
            "What each node should read comes from this file.",
            "Correct the file there.",
        ) from exc
    try:
        return _chart(table)
    except (ChartError, QuantityError, LeakageError) as exc:
        raise ChartError(f"{where}: {exc.what}", exc.why, exc.do) from exc


def chart_to_document(chart: VoltageChart) -> dict[str, Any]:
    """The chart as plain dicts, lists, texts and SI numbers, ready for JSON; no field is left out."""
    document: dict[str, Any] = msgspec.to_builtins(chart)
    return document


def _chart(table: Mapping[str, Any]) -> VoltageChart:
    _known(table, _CHART_KEYS, "the chart")
    sections = table.get("node")
    if not isinstance(sections, list) or not sections or not all(isinstance(s, dict) for s in sections):
        raise ChartError(
            "The chart has no nodes.", "Each node with its volts has a section.", "Write [[node]] sections."
        )
    meter = table.get("book_meter")
    if meter is not None and not isinstance(meter, dict):
        raise ChartError(
            "book_meter is no section.", "It says what the book's meter was.", "Write [book_meter]."
        )
    default = _text(table, "tolerance", "the chart", needed=False)
    limits = None if default is None else _limits(default, "the chart")
    chart = VoltageChart(
        title=_text(table, "title", "the chart") or "",
        line_v=_above_zero(table, "line", "V", "the chart"),
        reference=_text(table, "reference", "the chart", needed=False) or "B-minus",
        condition=_text(table, "condition", "the chart", needed=False),
        book_meter=None if meter is None else _book_meter(meter),
        nodes=tuple(_node(section, place, limits) for place, section in enumerate(sections, start=1)),
    )
    seen: set[str] = set()
    for node in chart.nodes:
        folded = " ".join(node.name.lower().split())
        if folded in seen:
            raise ChartError(
                f"Node {node.name!r} stands twice in the chart.",
                "A reading belongs to one line.",
                "Give every node a name of its own.",
            )
        seen.add(folded)
    return chart


def _book_meter(table: Mapping[str, Any]) -> BookMeter:
    owner = "the book's meter"
    _known(table, _METER_KEYS, owner)
    per_volt = _above_zero(table, "ohms_per_volt", "ohm", owner)
    resistance = _above_zero(table, "resistance", "ohm", owner)
    if (per_volt is None) == (resistance is None):
        raise ChartError(
            "The book's meter needs ohms_per_volt or resistance, and not both.",
            "A pointer instrument has ohms per volt; a valve voltmeter has one resistance on all ranges.",
            'Write ohms_per_volt = "1k", or resistance = "11M".',
        )
    ranges = table.get("ranges")
    if ranges is not None and (not isinstance(ranges, list) or not ranges):
        raise ChartError(
            "The book's meter: ranges is no list.",
            "A list names the ranges the meter had.",
            'Write ranges = ["10V", "250V"].',
        )
    return BookMeter(
        ohms_per_volt=per_volt,
        resistance_ohm=resistance,
        range_v=_above_zero(table, "range", "V", owner),
        ranges_v=USUAL_RANGES_V
        if ranges is None
        else tuple(_above_zero({"ranges": each}, "ranges", "V", owner) or inf for each in ranges),
    )


def _node(table: Mapping[str, Any], place: int, default: NodeLimits | None) -> ChartNode:
    name = _text(table, "name", f"node number {place}") or ""
    owner = f"node {name}"
    _known(table, _NODE_KEYS, owner)
    book_v = _quantity(_text(table, "volts", owner) or "", "V", owner, "volts")
    if abs(book_v) > _HIGHEST_VOLTS:
        raise ChartError(
            f"Node {name}: {book_v:g} V is no voltage of a receiver.",
            "The figure comes from the book's chart.",
            "Check the figure and its unit.",
        )
    written = _text(table, "tolerance", owner, needed=False)
    limits = default if written is None else _limits(written, owner)
    if limits is None:
        raise ChartError(
            f"Node {name} has no tolerance, nor has the chart.",
            "A deviation is judged against it; ±10 % was usual after the war, ±20 % before (common practice).",
            'Write tolerance = "10%" at the top of the chart or for the node.',
        )
    if limits.share is not None and book_v == 0:
        raise ChartError(
            f"Node {name}: the book says 0 V and the tolerance is a percentage.",
            "A share of nothing is nothing.",
            'Give this node a tolerance in volts, such as tolerance = "0.3V".',
        )
    source = _text(table, "source_resistance", owner, needed=False)
    follows = table.get("follows_line", True)
    if not isinstance(follows, bool):
        raise ChartError(
            f"Node {name}: follows_line is {follows!r}.",
            "It says whether the node rises with the mains.",
            "Write follows_line = false, or leave it out.",
        )
    range_v = _above_zero(table, "range", "V", owner)
    if range_v is not None and abs(book_v) > range_v:
        raise ChartError(
            f"Node {name}: {book_v:g} V does not fit on the book meter's range of {range_v:g} V.",
            "The range decides how much that meter loaded the node.",
            "Correct the volts or the range.",
        )
    return ChartNode(
        name=name,
        book_v=book_v,
        limits=limits,
        range_v=range_v,
        source=None if source is None else _resistor(source, owner),
        follows_line=follows,
        reading=_text(table, "reading", owner, needed=False),
        note=_text(table, "note", owner, needed=False),
    )


def parse_limits(text: str) -> NodeLimits:
    """A tolerance in per cent or in volts: "10%", "-20/+10%", "0.3V". Raises QuantityError, ChartError."""
    if "%" in text:
        return NodeLimits(share=parse_tolerance(text))
    written = text.replace("±", "", 1).strip()
    if not written[-1:].isalpha():
        raise ChartError(
            f"{text!r} could be a percentage or volts.",
            "It says how far a node may lie from the book's figure.",
            "Write it like 10% or 0.3V.",
        )
    volts = parse_quantity(written, "V")
    if not 0 < volts <= _HIGHEST_VOLTS:
        raise ChartError(
            f"A tolerance of {volts:g} V is not possible.",
            "It says how far a node may lie from the book's figure.",
            "Write it like 10% or 0.3V.",
        )
    return NodeLimits(volts=volts)


def _limits(text: str, owner: str) -> NodeLimits:
    try:
        return parse_limits(text)
    except (QuantityError, ChartError) as exc:
        raise ChartError(f"{_sentence(owner)}: tolerance: {exc.what}", exc.why, exc.do) from exc


def _resistor(text: str, owner: str) -> KnownResistor:
    try:
        return parse_resistor(text)
    except (QuantityError, LeakageError) as exc:
        raise ChartError(f"{_sentence(owner)}: source_resistance: {exc.what}", exc.why, exc.do) from exc


def _quantity(text: str, unit: str, owner: str, key: str) -> float:
    try:
        return parse_quantity(text, unit)
    except QuantityError as exc:
        raise ChartError(f"{_sentence(owner)}: {key}: {exc.what}", exc.why, exc.do) from exc


def _above_zero(table: Mapping[str, Any], key: str, unit: str, owner: str) -> float | None:
    text = _text(table, key, owner, needed=False)
    if text is None:
        return None
    value = _quantity(text, unit, owner, key)
    if not 0 < value < 1e12:
        raise ChartError(
            f"{_sentence(owner)}: {key} is {text!r}.",
            "It must lie above zero and be possible.",
            f"Correct {key}, or leave it out.",
        )
    return value


def _known(table: Mapping[str, Any], keys: Sequence[str], owner: str) -> None:
    for key in table:
        if key not in keys:
            raise ChartError(
                f"{_sentence(owner)} has a key {key!r}{nearest(key, keys)}",
                f"Known are {', '.join(keys)}.",
                "Correct the key, or leave it out.",
            )


def _text(table: Mapping[str, Any], key: str, owner: str, *, needed: bool = True) -> str | None:
    value = table.get(key)
    if value is None and not needed:
        return None
    if not isinstance(value, str) or not value.strip():
        found = "missing" if value is None else f"{value!r}"
        raise ChartError(
            f"{_sentence(owner)}: {key} is {found}.",
            "Names and values are written as text in quotes.",
            f'Write {key} = "...", with its unit where it has one.',
        )
    return " ".join(value.split())


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]
