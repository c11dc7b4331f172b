"""Going on with a sweep that was interrupted: the same hook-up again, the same questions, then what is missing.

Owns the form; whether it can be gone on with, and that it is the same bench, is for `acquire.resume` to say.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click
from nicegui import ui

from twonode.console.page import pieces
from twonode.console.page.context import PageContext
from twonode.console.page.hookup_view import Form
from twonode.console.page.safety_pieces import Confirmed
from twonode.console.page.sweep_work import Progress, sweep_work

if TYPE_CHECKING:
    from twonode.acquire import SweepRequest
    from twonode.analysis.hookup import HookUp
    from twonode.analysis.stage import Stage
    from twonode.recordings import Recording

__all__ = ["build"]


def build(context: PageContext) -> None:
    """The view; recording of the address : the interrupted sweep."""
    from twonode.acquire.resume import incomplete_sweep
    from twonode.recordings.lookup import named_folder

    name = context.query.get("recording")
    if not name:
        pieces.text(
            "p", "No sweep is named here. Stopped sweeps stand in the archive, and can be gone on with there."
        )
        pieces.link("The archive", "/archive", "button")
        return
    recording = incomplete_sweep(named_folder(name, context.archive))
    _GoOn(context, recording)


class _GoOn(Form):
    goes_by_newest_null = False  # but by that of the interrupted sweep

    def __init__(self, context: PageContext, recording: Recording) -> None:
        assert recording.stage is not None, "every sweep has one, which is checked when it is read"
        assert recording.header.hookup is not None, "and a hook-up"
        self._recording = recording
        self._stage: Stage = recording.stage
        self._hookup: HookUp = recording.header.hookup
        super().__init__(context)

    @property
    def _in_set(self) -> bool:
        return self._hookup.value == "stage"

    def ask(self) -> None:
        count = len(self._recording.points)
        pieces.text("p", self._recording.name, "path")
        pieces.text(
            "p",
            f"It has {count} point{'' if count == 1 else 's'}. Clip on as before, with the same instruments: what is "
            "missing is measured, and the new recording holds the old points too.",
        )

    def cautions(self) -> tuple[str, ...]:
        from twonode.cautions import LOOSE_PART_CAUTIONS, SWEEP_CAUTIONS

        return SWEEP_CAUTIONS if self._in_set else LOOSE_PART_CAUTIONS[:3]

    def confirm(self) -> Confirmed | None:
        from twonode.analysis.feeding import clip_nodes

        if self.context.bench.simulated or not self._in_set:
            return None
        with pieces.panel("Confirm it", "caution"):
            return Confirmed(self.context, clip_nodes(self._stage))

    def options(self) -> dict[str, Any]:
        return {"part": self._recording.header.part}

    def wired(self, options: dict[str, Any]) -> tuple[Stage, HookUp]:
        del options  # the recording says it
        return self._stage, self._hookup

    def request(self, options: dict[str, Any]) -> SweepRequest:
        from twonode.acquire import check_request
        from twonode.acquire.resume import request_of

        del options
        unplugged, volts = (False, None) if self.confirmed is None else self.confirmed.answers()
        request = request_of(
            self._recording,
            node_volts=volts,
            unplugged_and_discharged=unplugged,
            places=(self.context.archive,),
        )
        check_request(request)
        return request

    def start(self) -> None:
        with self.box.catching():
            self.context.seat.require()
            self.context.bench.check()
            self._same_kind_of_bench()
            progress = Progress(request=self.request({}), resumes=self._recording)
            self.context.jobs.start(
                f"Going on with the sweep of {progress.request.part}",
                sweep_work(self.context.archive, None),
                progress=progress,
            )
            ui.navigate.to("/sweep")

    def _same_kind_of_bench(self) -> None:
        conditions, bench = self._recording.header.conditions, self.context.bench
        if conditions.simulated != bench.simulated:
            kind = "a simulated" if conditions.simulated else "a real"
            raise click.UsageError(
                f"{self._recording.name} was made on {kind} bench, and this is the other kind"
            )
        if bench.simulated and conditions.seed != bench.options["seed"]:
            raise click.UsageError(
                f"{self._recording.name} was made on the simulated bench of seed {conditions.seed}: start "
                f"`twonode page --simulated --seed {conditions.seed}`"
            )
