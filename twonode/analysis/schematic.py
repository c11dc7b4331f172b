"""A stage drawn as a schematic, worked out from its parts list alone.

Owns the SVG. Nodes stand in one row, the drive node leftmost and the far node rightmost; what leads to
ground hangs below its node, what leads to a supply stands above it, and what joins two nodes lies between them or in a
bracket over them. Colours come from the page around it (``currentColor`` and two variables); nothing is said by colour
alone.

Source of the symbols: IEC 60617 (resistor, capacitor, polarised capacitor, inductor, earth), shapes from memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from xml.sax.saxutils import quoteattr

from twonode.analysis.quantities import format_quantity
from twonode.analysis.schematic_feed import FED_WORDS, FEED, draw_feed
from twonode.analysis.schematic_layout import STEP, Branch, Column, branches_of, row_order
from twonode.analysis.schematic_pen import PART, Pen
from twonode.analysis.stage import GROUND, Part, PartKind, Stage

__all__ = ["schematic_svg"]

_GAP = 150  # between two neighbouring nodes, where a part lies on its side
_ARM = 118  # height of one part in a branch
_LEVEL = 74  # between two parts that lie over one another
_MARGIN = 46
_POLARISED = ("electrolytic",)


def schematic_svg(
    stage: Stage,
    *,
    values: Mapping[str, str] | None = None,
    marked: Iterable[str] = (),
    words: Mapping[str, str] | None = None,
    fed: bool = False,
) -> str:
    """The stage as one SVG element, with title and description for a screen reader.

    Parameters
    ----------
    values : what to write beside a part instead of its stated value.
    marked : parts to draw heavily, such as the asked or the faulty one; a word below says why where ``words`` has one.
    words : by part name, a word to write below its value, such as "open".
    fed : draw the generator too, with the DC-blocking capacitor and its bleeder ahead of channel 1: the hook-up.
    """
    drawing = _Drawing(stage, values or {}, frozenset(marked), words or {}, fed=fed)
    return drawing.svg()


class _Drawing:
    def __init__(
        self,
        stage: Stage,
        values: Mapping[str, str],
        marked: frozenset[str],
        words: Mapping[str, str],
        *,
        fed: bool = False,
    ) -> None:
        self._stage = stage
        self._fed = fed
        self._values, self._marked, self._words = values, marked, words
        self._held = {
            node: part
            for part in stage.parts
            if part.kind is PartKind.SUPPLY
            for node in part.between
            if node != GROUND
        }
        self._pen = Pen()
        self._columns: list[Column] = []
        self._lay_out()

    def _lay_out(self) -> None:
        rails = {GROUND, *self._held}
        parts = [p for p in self._stage.parts if p.kind is not PartKind.SUPPLY]
        branches, across = branches_of(parts, rails, {self._stage.drive, self._stage.far})
        row = row_order(self._stage, across, {node for node, _ in branches})
        columns = {node: Column(node=node) for node in row}
        self._between_rails: list[Branch] = []
        for node, branch in branches:
            if node in rails:
                self._between_rails.append(branch)
            elif branch.rail == GROUND:
                columns[node].down.append(branch)
            else:
                columns[node].up.append(branch)
        x = float(_MARGIN + (FEED + self._aside(columns[self._stage.drive]) if self._fed else 64))
        for node in row:
            columns[node].x = x
            x = columns[node].end_x + _GAP
        self._columns = [columns[node] for node in row]
        self._width = x - _GAP + _MARGIN + 110 + STEP * len(self._between_rails)
        self._width += self._overhang(columns[row[-1]])
        self._levels = self._arrange(across, {node: k for k, node in enumerate(row)})
        lifted = max((level for _, level in self._levels), default=0)
        tall_up = max((len(b.parts) for c in self._columns for b in c.up), default=0)
        tall_down = max((len(b.parts) for c in self._columns for b in c.down), default=0)
        # Above the row: names over parts and clips, or what leads to a supply, whichever is taller.
        above = max(_MARGIN + (80 if self._fed else 30), tall_up and tall_up * _ARM + 44)
        self._row_y = float(_LEVEL * lifted + above)
        self._ground_y = self._row_y + max(1, tall_down) * _ARM + 8
        self._lifted = lifted
        self._height = self._ground_y + 58

    @staticmethod
    def _overhang(last: Column) -> float:
        """Room for a long name beside the last branch, over what is there anyway."""
        longest = max((len(part.name) for branch in last.down[-1:] for part in branch.parts), default=0)
        return max(0.0, 9.0 * longest - 110.0)

    @staticmethod
    def _arrange(across: list[Part], place: Mapping[str, int]) -> list[tuple[Part, int]]:
        """Each part between two nodes with its level: 0 lies in the row, others over everything they span."""
        taken: dict[int, list[tuple[int, int]]] = {}
        found = []
        for part in sorted(across, key=lambda p: abs(place[p.between[0]] - place[p.between[1]])):
            low, high = sorted(place[node] for node in part.between)
            level = 0 if high - low == 1 else 1
            while any(a < high and low < b for a, b in taken.get(level, ())):
                level += 1
            taken.setdefault(level, []).append((low, high))
            found.append((part, level))
        return found

    def svg(self) -> str:
        if self._fed:
            first = self._columns[0]
            draw_feed(
                self._pen,
                start_x=first.x - self._aside(first),
                node_x=first.x,
                row_y=self._row_y,
                ground_y=self._ground_y,
            )
        self._rows()
        for part, level in self._levels:
            self._across(part, level)
        for column in self._columns:
            for place, branch in enumerate(column.down):
                self._down(column.x + place * STEP, branch)
            for place, branch in enumerate(column.up):
                self._up(column.x + place * STEP, branch)
        for place, branch in enumerate(self._between_rails):
            self._beside(self._width - _MARGIN - STEP * (place + 0.5), branch)
        described = _described(self._stage, fed=self._fed)
        return self._pen.svg(self._width, self._height, title=self._stage.title, described=described)

    # Pieces -----------------------------------------------------------------------------------------------------

    def _rows(self) -> None:
        for column in self._columns:
            self._pen.line((column.x, self._row_y), (column.end_x, self._row_y))
            clip = {self._stage.drive: 1, self._stage.far: 2}.get(column.node)
            for place in range(column.slots):
                self._pen.dot(column.x + place * STEP, self._row_y)
            if clip is not None:
                self._clip(column, clip)
            else:
                self._pen.text(column.x - 10, self._row_y + 34, column.node, anchor="end")

    def _clip(self, column: Column, channel: int) -> None:
        """A flag on the node: where a probe's tip goes."""
        left = channel == 1
        if left and self._fed:
            self._clip_above(column.x - 52 - self._aside(column), column.node)
            return
        x = column.x if left else column.end_x
        tip = x - 30 if left else x + 30
        self._pen.line((x, self._row_y), (tip, self._row_y))
        self._pen.flag(tip + (-32 if left else 32), self._row_y, channel)
        self._pen.text(
            tip + (-64 if left else 64), self._row_y - 24, column.node, anchor="start" if left else "end"
        )

    @staticmethod
    def _aside(column: Column) -> int:
        """How far channel 1's flag keeps clear of the names beside what stands above the drive node."""
        return 72 if column.up else 0

    def _clip_above(self, x: float, node: str) -> None:
        """Channel 1 on the wire that feeds the drive node."""
        self._pen.dot(x, self._row_y)
        self._pen.line((x, self._row_y), (x, self._row_y - 38))
        self._pen.flag(x, self._row_y - 53, 1)
        self._pen.text(x, self._row_y - 78, node, anchor="middle")

    def _across(self, part: Part, level: int) -> None:
        place = {column.node: column for column in self._columns}
        one, two = sorted((place[node] for node in part.between), key=lambda c: c.x)
        left, right = one.end_x, two.x
        y = self._row_y - level * _LEVEL
        if level:
            self._pen.dot(left, self._row_y)
            self._pen.dot(right, self._row_y)
            # A riser beside a branch that stands on the same dot would run over it.
            start, stop = left + 18, right - 18
            self._pen.line((left, self._row_y), (start, self._row_y), (start, y))
            self._pen.line((right, self._row_y), (stop, self._row_y), (stop, y))
            left, right = start, stop
        middle = (left + right) / 2
        self._pen.line((left, y), (middle - PART / 2, y))
        self._pen.line((middle + PART / 2, y), (right, y))
        self._symbol(part, middle, y, sideways=True)
        self._label(part, middle, y - 22, anchor="middle", rising=True)

    def _down(self, x: float, branch: Branch) -> None:
        self._chain(x, self._row_y, self._ground_y, branch, downwards=True)
        self._pen.earth(x, self._ground_y)

    def _up(self, x: float, branch: Branch) -> None:
        top = self._row_y - _LEVEL * self._lifted - len(branch.parts) * _ARM
        self._chain(x, self._row_y, top, branch, downwards=False)
        self._supply(x, top, branch.rail)

    def _beside(self, x: float, branch: Branch) -> None:
        """A part between a supply and ground: it loads no node of the row."""
        top = self._ground_y - len(branch.parts) * _ARM
        self._chain(x, top, self._ground_y, branch, downwards=True)
        self._supply(x, top, branch.rail)
        self._pen.earth(x, self._ground_y)

    def _chain(self, x: float, start: float, stop: float, branch: Branch, *, downwards: bool) -> None:
        sign = 1 if downwards else -1
        y = start if downwards else start - _LEVEL * self._lifted
        if y != start:
            self._pen.line((x, start), (x, y))
        for number, part in enumerate(branch.parts):
            middle = y + sign * _ARM / 2
            self._pen.line((x, y), (x, middle - sign * PART / 2))
            self._pen.line((x, middle + sign * PART / 2), (x, y + sign * _ARM))
            self._symbol(part, x, middle, sideways=False)
            # Above the row the right-hand side belongs to the parts that lie between two nodes.
            self._label(
                part,
                x + 20 if downwards else x - 20,
                middle - 4 if downwards else middle + 1,
                anchor="start" if downwards else "end",
                rising=not downwards,
            )
            y += sign * _ARM
            if number < len(branch.inner):
                self._pen.dot(x, y)
                self._pen.text(x + 10, y + 5, branch.inner[number])
        self._pen.line((x, y), (x, stop))

    def _supply(self, x: float, y: float, node: str) -> None:
        self._pen.line((x - 9, y + 4), (x, y - 9), (x + 9, y + 4))
        volts = format_quantity(self._held[node].value, "V") if node in self._held else ""
        self._pen.text(x, y - 18, f"{node} {volts}".strip(), anchor="middle")

    def _label(self, part: Part, x: float, y: float, *, anchor: str, rising: bool) -> None:
        value = self._values.get(part.name, format_quantity(part.value, part.kind.unit))
        lines = [part.name, value, *([self._words[part.name]] if part.name in self._words else [])]
        top = y - 18 * (len(lines) - 1) if rising else y
        for number, line in enumerate(lines):
            bold = number == 0 or number == 2
            self._pen.text(x, top + 18 * number, line, anchor=anchor, bold=bold)

    def _symbol(self, part: Part, x: float, y: float, *, sideways: bool) -> None:
        """A symbol of length PART around its middle, drawn upright and turned where the wire runs sideways."""
        width = "4" if part.name in self._marked else "2"
        half = PART / 2
        match part.kind:
            case PartKind.RESISTOR:
                shape = f'<rect x="-9" y="{-half:g}" width="18" height="{PART}"/>'
            case PartKind.CAPACITOR:
                shape = (
                    f'<path d="M0,{-half:g}V-5M-15,-5H15M-15,5H15M0,5V{half:g}"/>'
                    if not _is_polarised(part)
                    else f'<path d="M0,{-half:g}V-7M-15,-7H15V-2H-15ZM-15,7H15M0,7V{half:g}"/>'
                    '<path d="M-24,-14h8M-20,-18v8"/>'
                )
            case _:
                loops = "".join("a5.5,5.5 0 0 1 0,11" for _ in range(4))
                shape = f'<path d="M0,{-half:g}{loops}"/>'
        turn = " rotate(-90)" if sideways else ""
        self._pen.put(
            f'<g transform="translate({x:g},{y:g}){turn}" stroke-width="{width}" '
            f"data-part={quoteattr(part.name)}>{shape}</g>"
        )


def _is_polarised(part: Part) -> bool:
    return (part.dielectric or "").lower() in _POLARISED


def _described(stage: Stage, *, fed: bool = False) -> str:
    """The circuit in words, part by part."""
    sentences = [FED_WORDS] if fed else []
    sentences += [f"Channel 1 on {stage.drive}, channel 2 on {stage.far}."]
    for part in stage.parts:
        value = format_quantity(part.value, part.kind.unit)
        sentences.append(
            f"{part.name}, {part.kind.value} {value}, from {part.between[0]} to {part.between[1]}."
        )
    return " ".join(sentences)
