"""Where each frequency goes: a stage drawn, with knobs for its values and faults, and what that does at once.

Owns the places of it. What a turn does is worked out in `analysis.turned`.
"""

from __future__ import annotations

from nicegui import ui

from twonode.analysis.explain import corner_words
from twonode.analysis.quantities import format_quantity, parse_quantity
from twonode.analysis.response_svg import response_svg
from twonode.analysis.schematic import schematic_svg
from twonode.analysis.stage import PartKind, Stage, parse_stage, shipped_stage, shipped_stage_names
from twonode.analysis.turned import SHOWN_HZ, See, Seen, Turned, knobs_of, see
from twonode.analysis.what_if import volts_words
from twonode.cautions import DC_CAUTIONS
from twonode.console.page import pieces
from twonode.console.page.context import PageContext
from twonode.console.page.knobs import KnobRow
from twonode.console.page.looks import Bands, Drawing, TextFile

__all__ = ["build"]

_USUAL = "wrenfield-46-driver-output"
_SOURCES = {
    "1M": "a pentode, about 1 MΩ",
    "60k": "a triode of high mu, about 60 kΩ",
    "10k": "a triode of low mu, about 10 kΩ",
    "50": "a generator, 50 Ω",
}


def build(context: PageContext) -> None:
    """The view; of the query: stage, the name of one that comes with the program."""
    names = shipped_stage_names()
    asked = context.query.get("stage", _USUAL)
    say = context.words.say

    def draw(stage: Stage) -> None:
        place.clear()
        with place:
            _StageView(context, stage).build()

    def shipped(name: str) -> None:
        with box.catching():
            draw(shipped_stage(name))

    def typed(text: str, where: str) -> None:
        with box.catching():
            draw(parse_stage(text, where=where))

    with pieces.panel(classes="choose-stage"):
        titles = {name: say(shipped_stage(name).title) for name in names}
        pieces.choice("Stage", titles, asked if asked in names else _USUAL, shipped)
        box = pieces.trouble(context.words)
        with ui.element("details"):
            pieces.text("summary", "A stage of your own")
            TextFile(
                "Stage file",
                hint="TOML, as `twonode explain --help` and the README show it.",
                accept=".toml,text/plain",
                chosen=lambda name, text: typed(text, name),
                trouble=box,
            )
            area = pieces.area("Or paste its text")
            pieces.button("Draw this stage", lambda: typed(area.value, "pasted text"))
    place = ui.element("div")
    shipped(asked)


class _StageView:
    """One stage on one visit."""

    def __init__(self, context: PageContext, stage: Stage) -> None:
        self._context = context
        self._turned = Turned(stage=stage)
        self._kept: See | None = None

    def build(self) -> None:
        """All of it, as stated."""
        stage, say = self._turned.stage, self._context.words.say
        with ui.element("div").classes("explain-grid"):
            with ui.element("div").classes("explain-picture"), pieces.panel(say(stage.title)):
                self._schematic = Drawing(
                    "CH 1 and CH 2 are where a sweep's probes go. A part that is not as stated is drawn heavily.",
                    "schematic-room",
                )
                self._sentence = pieces.status("", "sentence")
                self._effects = ui.element("ul").classes("effects").props("role=status aria-live=polite")
            with ui.element("div").classes("explain-knobs"):
                self._build_knobs()
            with ui.element("div").classes("explain-results"):
                self._build_results()
        self._show()

    def _build_knobs(self) -> None:
        stage = self._turned.stage
        with pieces.panel("Turn and break", "knobs"):
            self._rows = [KnobRow(self._context, knob, self._turn) for knob in knobs_of(stage)]
            with pieces.row():
                pieces.button("All as stated", self._reset)
            pieces.choice(
                "Fed by", _SOURCES, "1M", self._feed, hint="The resistance of what feeds the drive node."
            )

    def _build_results(self) -> None:
        stage, say = self._turned.stage, self._context.words.say
        with pieces.panel("Where the signal current goes"):
            pieces.text(
                "p", "Audio at 1 kHz, RF at 455 kHz; the thin mark is the share as stated.", "quiet-words"
            )
            self._leaving = Bands(say(f"Leaving the {stage.drive} through"))
            self._ground = Bands("Reaching ground by way of")
        with pieces.panel(say(f"Level of the {stage.far} against the source")):
            self._curve = Drawing("Dashed: as stated. Solid: now. Worked out, not measured.")
            self._corners = pieces.text("p", "")
        with pieces.panel("DC with the set on"):
            self._dc = ui.element("div")

    # Turning -----------------------------------------------------------------------------------------------------

    def _turn(self, row: KnobRow) -> None:
        self._turned = self._turned.with_fault(row.name, row.fault)
        self._show()

    def _feed(self, ohm: str) -> None:
        self._turned = Turned(
            stage=self._turned.stage, faults=self._turned.faults, source_ohm=parse_quantity(ohm, "ohm")
        )
        self._show()

    def _reset(self) -> None:
        for row in self._rows:
            row.reset()
        self._turned = Turned(stage=self._turned.stage, source_ohm=self._turned.source_ohm)
        self._show()

    def _show(self) -> None:
        words, stage = self._context.words, self._turned.stage
        seen, self._kept = see(self._turned, self._kept)
        kinds = {part.name: part.kind for part in stage.parts}
        drawn = schematic_svg(
            stage,
            values={
                name: format_quantity(value, kinds[name].unit)
                for name, value in seen.values.items()
                if kinds[name] is not PartKind.SUPPLY
            },
            marked=self._turned.faults,
            words=seen.words,
        )
        self._schematic.show(words.say(drawn))
        self._sentence.set_text(words.say(seen.sentence))
        self._show_effects(seen)
        self._leaving.show(seen.leaving, words.say)
        self._ground.show(seen.ground, words.say)
        self._ground.set_visibility(bool(seen.ground))
        self._curve.show(
            response_svg(
                SHOWN_HZ,
                seen.stated_db,
                seen.now_db,
                corners=seen.corners,
                title=words.say(f"Level of the {stage.far} over frequency, as stated and now"),
            )
        )
        self._corners.set_text(
            words.say(f"The {stage.far} against the source: {corner_words(seen.corners)}.")
        )
        self._show_dc(seen)

    def _show_effects(self, seen: Seen) -> None:
        said = [self._context.words.say(each) for each in seen.effects]
        if len(said) > 1:
            said.insert(0, "Each by itself:")
        self._put_lines(said)

    def _put_lines(self, said: list[str]) -> None:
        # Lines are kept where they are, so that a screen reader hears what changed and no more.
        lines = list(self._effects.default_slot.children)
        for line, words in zip(lines, said, strict=False):
            assert isinstance(line, pieces.Text)
            line.set_text(words)
        for line in lines[len(said) :]:
            line.delete()
        with self._effects:
            for words in said[len(lines) :]:
                pieces.text("li", words)

    def _show_dc(self, seen: Seen) -> None:
        say = self._context.words.say
        if seen.dc is None:
            if not self._dc.default_slot.children:
                with self._dc:
                    pieces.text("p", "The stage names no supply.")
            return
        if not self._dc.default_slot.children:
            with self._dc:
                pieces.text("p", say("Volts of the resistors alone: no valve draws current."), "quiet-words")
                self._cells = self._make_table(seen)
                with ui.element("div").classes("caution"):
                    pieces.text("p", say("Before any of these is checked: " + " ".join(DC_CAUTIONS)))
        for cell, (_, now) in zip(self._cells, seen.dc.values(), strict=True):
            cell.set_text("floating" if now is None else volts_words(now))

    def _make_table(self, seen: Seen) -> list[pieces.Text]:
        assert seen.dc is not None
        cells = []
        with ui.element("div").classes("table-room"), ui.element("table"):
            pieces.text("caption", "DC volts to ground")
            with ui.element("thead"), ui.element("tr"):
                for header in ("node", "as stated", "now"):
                    pieces.text("th", header).props("scope=col")
            with ui.element("tbody"):
                for node, (stated, _) in seen.dc.items():
                    with ui.element("tr"):
                        pieces.text("th", self._context.words.say(node)).props("scope=row")
                        pieces.text("td", "floating" if stated is None else volts_words(stated))
                        cells.append(pieces.text("td", ""))
        return cells
