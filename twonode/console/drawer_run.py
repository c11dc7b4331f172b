"""A drawer session on the screen: events to whoever draws or does them, keys to what they ask for.

Owns the order of asking and what may be tried again. An error of a single part does not end a session in which a
person can mend it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import click

from twonode.console.drawer_hand import Key, Leave, PersonsKeys
from twonode.console.drawer_screen import fixture_lines, known_line, part_lines

if TYPE_CHECKING:
    from twonode.acquire.drawer import DrawerSession
    from twonode.acquire.drawer_events import DrawerEvent
    from twonode.console.drawer_hand import Hand, Keys
    from twonode.console.measuring import Watcher

__all__ = ["SessionRun"]


class SessionRun:
    """Carries one session through.

    quiet : no progress and notes. said : results on standard output. logged : the archive whose recordings are to
    have the log of their exchanges; None without a log.

    What is shown goes through `say`, `tell`, `show_error` and `begin`, which another kind of screen replaces.
    """

    def __init__(
        self,
        session: DrawerSession,
        hand: Hand,
        keys: Keys,
        *,
        quiet: bool,
        said: bool,
        logged: Path | None = None,
    ) -> None:
        self._session = session
        self._hand = hand
        self._keys = keys
        self._quiet = quiet
        self._said = said
        self._logged = logged
        self._agreed: bool | None = None

    def through(self) -> None:
        """From the null run to the last part; returns when the person has finished.

        Raises whatever the session raises where nobody can mend it.
        """
        try:
            self._until_done(self._session.compare_channels)
            self._until_done(self._session.look_at_empty_fixture)
            self._check_known()
            self._parts()
        except Leave:
            return

    def _check_known(self) -> None:
        from twonode.acquire.errors import FixtureDoubtful

        while True:
            self._agreed = None
            self._until_done(self._session.check_known)
            if self._agreed is not False:
                return
            if self._keys.go_on("Measure the known part again?"):
                continue
            if self._keys.go_on("Go on although it does not agree?"):
                return
            raise FixtureDoubtful(
                "The known part does not read as it should, and nothing was measured after it.",
                "Every part of the batch would be wrong by as much.",
                "Check the resistor that is clipped in, --resistor-tolerance, the probe switches and the known part.",
            )

    def _parts(self) -> None:
        session = self._session
        while True:
            last = session.table.last
            match self._keys.next_key(session.table.next_number, None if last is None else last.number):
                case Key.FINISH:
                    return
                case Key.UNDO:
                    self._undo()
                case Key.REPEAT:
                    if last is None:
                        self.tell("Nothing was measured yet.")
                    else:
                        self._measure(last.number)
                case Key.NEXT:
                    self._measure(session.table.next_number)

    def _measure(self, number: int) -> None:
        try:
            self._follow(self._session.measure(number))
        except Exception as exc:
            if not self.can_be_mended(exc):
                raise
            self.show_error(exc)

    def _undo(self) -> None:
        row = self._session.undo()
        if row is None:
            self.tell("There is nothing to take back.")
        else:
            self.tell(f"Part {row.number} is taken back; its recording stays, with a note: {row.recording}")

    def _until_done(self, step: Callable[[], Iterator[DrawerEvent]]) -> None:
        """A step before the first part, again until it went well or the person has had enough."""
        while True:
            try:
                self._follow(step())
                return
            except Exception as exc:
                if not self.can_be_mended(exc):
                    raise
                self.show_error(exc)
                if not self._keys.go_on("Try again?"):
                    raise

    def can_be_mended(self, error: Exception) -> bool:
        """Something at the clips, and a person there who can see to it."""
        from twonode.acquire.errors import AcquireError, UnfitRequest
        from twonode.analysis.errors import AnalysisError

        at_the_clips = isinstance(error, AcquireError | AnalysisError) and not isinstance(error, UnfitRequest)
        return at_the_clips and isinstance(self._keys, PersonsKeys)

    def show_error(self, error: Exception) -> None:
        """Say what went wrong with a part or a step that can be tried again."""
        click.echo(str(error), err=True)
        for note in getattr(error, "__notes__", ()):
            click.echo(note, err=True)

    def _follow(self, run: Iterator[DrawerEvent]) -> None:
        from twonode.acquire.drawer_events import (
            FixtureChecked,
            KnownChecked,
            PartDone,
            ProbesTogether,
            PutIn,
            PutInKnown,
            StepBegins,
            TakeOut,
            WireFixture,
        )
        from twonode.acquire.events import Note, PointDone, SweepStarted

        # Closing it is what switches the output off.
        with self._logging(), closing(cast(Any, run)), ExitStack() as drawing:
            watcher: Watcher | None = None
            for event in run:
                match event:
                    case ProbesTogether() | WireFixture() | TakeOut() | PutInKnown() | PutIn():
                        drawing.close()
                        self._hand.do(event)
                    case StepBegins():
                        drawing.close()
                        watcher = self.begin(drawing, event.what)
                    case SweepStarted() if watcher is not None:
                        watcher.begin(event.total, event.expected_s)
                    case PointDone() if watcher is not None:
                        watcher.point(event)
                    case Note() if watcher is not None:
                        watcher.say(event.text)
                    case FixtureChecked():
                        drawing.close()
                        self.say(fixture_lines(event))
                    case KnownChecked():
                        drawing.close()
                        self._agreed = event.check.agrees
                        self.say([known_line(event)])
                    case PartDone():
                        drawing.close()
                        self.say(part_lines(event.row))

    @contextmanager
    def _logging(self) -> Iterator[None]:
        """File what goes over the links inside with the recordings made inside: a step's, not the whole session's."""
        from twonode.console.debuglog import debug_log
        from twonode.console.measuring import recordings_in
        from twonode.recordings.naming import UNFINISHED

        before = set() if self._logged is None else recordings_in(self._logged)
        with debug_log(self._logged is not None) as log:
            try:
                yield
            finally:
                made = set() if self._logged is None else recordings_in(self._logged) - before
                for folder in sorted(made):
                    if not folder.name.endswith(UNFINISHED):
                        log.belongs_to(folder)

    def begin(self, drawing: ExitStack, what: str) -> Watcher:
        """Say which sweep begins, and who watches it; drawing : closed when the sweep is over."""
        import sys

        from twonode.console.measuring import watching

        if not self._quiet and sys.stderr.isatty():
            click.echo(f"{what} ...", err=True)
        return drawing.enter_context(watching(self._quiet))

    def tell(self, text: str) -> None:
        """Answer a key."""
        click.echo(text, err=True)

    def say(self, lines: Iterable[str]) -> None:
        """A result, in a few lines."""
        if self._said:
            for line in lines:
                click.echo(line)
