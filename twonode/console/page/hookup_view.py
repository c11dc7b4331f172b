"""How the part is hooked up: what is measured, the drawing with its clips, the cautions, and START.

Owns the form that all hook-ups share, and the one for a part in its stage. What it says becomes the options of
``twonode sweep`` and goes the same way from there; nothing is checked twice but that the questions were answered.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click
from nicegui import ui

from twonode.console.page import pieces
from twonode.console.page.context import PageContext
from twonode.console.page.control import Field
from twonode.console.page.null_view import goes_by
from twonode.console.page.safety_pieces import Confirmed
from twonode.console.page.sweep_work import Progress, sweep_work

if TYPE_CHECKING:
    from twonode.acquire import SweepRequest
    from twonode.analysis.hookup import HookUp
    from twonode.analysis.stage import Stage

__all__ = ["NOTHING", "Form", "build"]

T = TypeVar("T")

_EXAMPLE = "wrenfield-46-driver-output"
_OWN = "own file"
NOTHING: dict[str, Any] = {
    **dict.fromkeys(("part", "expect", "tolerance", "resistor", "resistor_tolerance", "stage_file")),
    **dict.fromkeys(("companion", "across", "drive", "far", "through", "from_hz", "to_hz", "points")),
    **dict.fromkeys(("null", "level_vpp")),
    "plan": "information",
    "tags": (),
}
"""What ``twonode sweep`` takes for options that were not given."""


def build(context: PageContext) -> None:
    """A part in its stage."""
    _InStage(context)


class Form:
    """What the forms have in common: the order of the page, and START."""

    hookup = "stage"
    goes_by_newest_null = True
    _starting = False

    def __init__(self, context: PageContext) -> None:
        self.context = context
        self.words = context.words
        before = context.jobs.current
        self.form: Mapping[str, Any] = {}
        if "again" in context.query and before is not None and isinstance(before.progress, Progress):
            self.form = before.progress.form
        with ui.element("div").classes("beside"):
            with ui.element("div").classes("stack"):
                with pieces.panel("How it is clipped on"):
                    self._drawing = ui.element("div")
                    self._beside = pieces.text("p", "", "quiet-words")
                with pieces.panel("Before the clips go on", "caution"), ui.element("ul"):
                    for caution in self.cautions():
                        pieces.text("li", self.words.say(caution))
            with ui.element("div").classes("stack"):
                with pieces.panel("What is measured"):
                    self.ask()
                    if self.goes_by_newest_null:
                        goes_by(context)
                self.confirmed = self.confirm()
                self.box = pieces.trouble(self.words)
                pieces.button("START the sweep", self.start, "main").props("id=start")
                pieces.text("p", "STOP and Esc switch the output off at any time.", "quiet-words")
        self.redraw()

    def ask(self) -> None:
        """The questions."""
        raise NotImplementedError

    def cautions(self) -> tuple[str, ...]:
        """What is said before the clips go on."""
        raise NotImplementedError

    def confirm(self) -> Confirmed | None:
        """The questions that must be answered; None where none is."""
        return None

    def options(self) -> dict[str, Any]:
        """The answers as the command's options. Raises QuantityError, UsageError."""
        raise NotImplementedError

    def said(self) -> dict[str, Any]:
        """The answers as they were typed, to ask the same again."""
        raise NotImplementedError

    def parsed(self, field: Field, parse: Callable[[str], T]) -> T | None:
        """What stands in a field; None where nothing does. START says below it what is wrong, typing does not yet.

        Raises what ``parse`` raises.
        """
        return pieces.parsed(field, parse, marked=self._starting)

    def redraw(self) -> None:
        """Draw the hook-up that the answers describe; where they describe none yet, say why."""
        from twonode.analysis.feeding import clip_nodes
        from twonode.analysis.schematic import schematic_svg
        from twonode.analysis.schematic_feed import lead_svg
        from twonode.errors import TwonodeError

        self._drawing.clear()
        try:
            stage, _ = self.wired(self.options())
        except (TwonodeError, click.ClickException) as exc:
            with self._drawing:
                pieces.text("p", self.words.say(str(getattr(exc, "what", exc))), "quiet-words")
            self._beside.set_text("")
            return
        part = self.options()["part"]
        asked = stage.asked_part(part)
        with self._drawing:
            shown = {
                p.name: self.words.say(_value_words(p.value, p.kind.unit))
                for p in stage.parts
                if p.kind.unit == "F"
            }
            clips = self.words.say(_clip_words(stage))
            fed, alone = (
                self.words.say(schematic_svg(stage, values=shown, marked=[asked.name], fed=each))
                for each in (True, False)
            )
            pieces.figure(fed, clips, "hookup-figure wide-only")
            # Where lead and stage have no room in one row, one below the other.
            with ui.element("div").classes("narrow-only"):
                pieces.figure(alone, clips)
                lead = self.words.say(lead_svg(clip_nodes(stage)[0]))
                pieces.figure(lead, self.words.say("The generator's lead, ahead of channel 1."))
        self._beside.set_text(
            self.words.say(
                "Both ground clips go to the same ground, close to the part. Ahead of channel 1 stands a DC-blocking "
                "capacitor rated above the set's HT, with a bleeder behind it: the ratio does not see them."
            )
        )

    def wired(self, options: dict[str, Any]) -> tuple[Stage, HookUp]:
        """The circuit that the answers describe. Raises StageError, UsageError, AnalysisError."""
        from twonode.console.wiring import wired_stage

        return wired_stage(options)

    def request(self, options: dict[str, Any]) -> SweepRequest:
        """The sweep that the answers describe, confirmed and checked. Raises NotConfirmed, AcquireError."""
        from twonode.acquire import check_request
        from twonode.console.sweeping import sweep_request

        stage, hookup = self.wired(options)
        unplugged, volts = (False, None) if self.confirmed is None else self.confirmed.answers()
        request = sweep_request(options, stage, hookup, unplugged=unplugged, node_volts=volts)
        check_request(request)
        return request

    def start(self) -> None:
        """The sweep, if it can be done."""
        with self.box.catching():
            self.context.seat.require()
            self.context.bench.check()
            self._starting = True
            try:
                asked = self.options()
            finally:
                self._starting = False
            options = {**self.context.bench.options, **asked}
            progress = Progress(
                request=self.request(options),
                form={"hookup": self.hookup, **self.said()},
                with_recordings=self._earlier(),
            )
            self.context.jobs.start(
                f"Sweep of {progress.request.part}",
                sweep_work(self.context.archive, options["null"]),
                progress=progress,
            )
            ui.navigate.to("/sweep")

    def _earlier(self) -> tuple[Path, ...]:
        """The sweeps that this one is estimated together with."""
        from twonode.recordings.lookup import named_folder

        names = self.context.query.get("with", "")
        return tuple(named_folder(name, self.context.archive) for name in names.split(",") if name)


class _InStage(Form):
    def ask(self) -> None:
        from twonode.analysis.stage import shipped_stage, shipped_stage_names

        stages = {name: self.words.say(shipped_stage(name).title) for name in shipped_stage_names()}
        first = self.form.get("stage") or (_EXAMPLE if self.context.bench.simulated else "")
        offered = ({} if first else {"": "Choose one"}) | stages | {_OWN: "A stage file of your own"}
        self._stage = pieces.choice("Stage", offered, first, on_change=lambda _: self._stage_chosen())
        self._file_room = ui.element("div")
        with self._file_room:
            self._file = pieces.field(
                "Stage file (TOML)",
                self.form.get("file", ""),
                hint="Its path on this computer.",
                on_change=lambda _: self._stage_chosen(),
            )
        self._part = pieces.choice("Capacitor in question", {}, "", on_change=lambda _: self.redraw())
        self._part_values()
        together = self.context.query.get("with")
        advised = None if together is None else _advised_companion(self.context)
        details = ui.element("details")
        if advised is not None:
            details.props("open")
        with details:
            pieces.text("summary", "More: companion, set, serial number")
            self._companion = pieces.field(
                "Companion clipped on, far node to ground",
                advised or self.form.get("companion", ""),
                hint='For a second sweep of the same stage, such as "100k 0.1%": brings R and C apart.',
                on_change=lambda _: self.redraw(),
            )
            if together is not None:
                pieces.text("p", f"Estimated together with {together}.", "quiet-words")
            self._tags = {
                key: pieces.field(label, self.form.get(key, ""), hint=hint)
                for key, label, hint in (
                    ("set", "Set", "Filed with it, such as wrenfield-46."),
                    ("serial", "Serial number", ""),
                    ("operator", "Who measures", ""),
                )
            }
        self._file_room.set_visibility(first == _OWN)

    def cautions(self) -> tuple[str, ...]:
        from twonode.cautions import COMPANION_CAUTION, SWEEP_CAUTIONS

        return (*SWEEP_CAUTIONS, COMPANION_CAUTION)

    def confirm(self) -> Confirmed | None:
        if self.context.bench.simulated:
            pieces.text(
                "p",
                "Of a real set you are asked here: unplugged, discharged, volts left at both nodes.",
                "quiet-words",
            )
            return None
        with pieces.panel("Confirm it", "caution"):
            return Confirmed(self.context, self._nodes())

    def _nodes(self) -> tuple[str, str]:
        from twonode.analysis.feeding import clip_nodes
        from twonode.errors import TwonodeError

        try:
            return clip_nodes(self.wired(self.options())[0])
        except (TwonodeError, click.ClickException):
            return "drive node", "far node"

    def _stage_chosen(self) -> None:
        self._file_room.set_visibility(self._stage.value == _OWN)
        self._part_values()
        self.redraw()
        if self.confirmed is not None:
            self.confirmed.name_nodes(*self._nodes())

    def _part_values(self) -> None:
        from twonode.analysis.stage import PartKind, load_stage
        from twonode.errors import TwonodeError

        file = self._stage_file()
        try:
            stage = None if file is None else load_stage(file)
        except TwonodeError:
            stage = None  # the drawing says what is wrong with it
        if stage is None:
            self._part.options({"": "–"}, "")
            return
        parts = [p for p in stage.parts if p.kind is PartKind.CAPACITOR]
        named = {
            p.name: self.words.say(
                f"{p.name}, {_value_words(p.value, 'F')}" + (f", {p.role}" if p.role else "")
            )
            for p in parts
        }
        wanted = self.context.query.get("part") or self.form.get("part")
        asked = next((p.name for p in parts if p.asked), parts[0].name if parts else "")
        self._part.options(named or {"": "no capacitor in it"}, wanted if wanted in named else asked)

    def _stage_file(self) -> Path | None:
        if self._stage.value == _OWN:
            return Path(self._file.value).expanduser() if self._file.value.strip() else None
        if not self._stage.value:
            return None
        return Path(str(resources.files("twonode.analysis") / "stages" / f"{self._stage.value}.toml"))

    def options(self) -> dict[str, Any]:
        from twonode.analysis.companion import parse_companion

        file = self._stage_file()
        if file is None:
            raise click.UsageError("Choose the stage that the part is in")
        tags = [(key, field.value.strip()) for key, field in self._tags.items() if field.value.strip()]
        return {
            **NOTHING,
            "hookup": "stage",
            "stage_file": file,
            "part": self._part.value or None,
            "companion": self.parsed(self._companion, parse_companion),
            "tags": (*tags, ("position", self._part.value)) if self._part.value else tuple(tags),
        }

    def said(self) -> dict[str, Any]:
        return {
            "stage": self._stage.value,
            "file": self._file.value,
            "part": self._part.value,
            "companion": self._companion.value,
            **{key: field.value for key, field in self._tags.items()},
        }


def _advised_companion(context: PageContext) -> str | None:
    """The companion that the last sweep's estimate asks for, as it is typed; None where it asks for none."""
    from twonode.analysis.companion import schematic_value
    from twonode.analysis.companion_advice import BOX_TOLERANCE, best_companion
    from twonode.analysis.model import Aspect
    from twonode.analysis.stage import PartKind

    job = context.jobs.current
    if job is None or not isinstance(job.progress, Progress) or job.progress.outcome is None:
        return None
    estimate = job.progress.outcome.estimate
    model = estimate.posterior.model
    try:
        place = model.index(estimate.part, Aspect.VALUE)
    except KeyError:
        return None
    advice = best_companion(estimate.posterior, model.sweeps, estimate.part, place)
    if advice is None or advice.value is None:
        return None
    return f"{schematic_value(advice.value, PartKind.RESISTOR)} {100 * BOX_TOLERANCE.plus:g}%"


def _value_words(value: float, unit: str) -> str:
    from twonode.analysis.quantities import format_quantity

    return format_quantity(value, unit)


def _clip_words(stage: Stage) -> str:
    from twonode.analysis.feeding import clip_nodes

    drive, far = clip_nodes(stage)
    return f"Channel 1 on {drive}, channel 2 on {far}; the part in question is drawn heavily."
