"""A drawer session as the page runs it: the command's own session in a job's thread, its questions answered by clicks.

Owns the snapshot that every tab draws from, and how questions get to the page and answers back. What a session does
and says is `console.drawer_run`'s.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Any

from twonode.console.drawer_hand import Key, Leave, SimulatedHand, work_words
from twonode.console.drawer_run import SessionRun
from twonode.console.drawer_screen import bin_rows
from twonode.console.page.job import Job
from twonode.console.page.trouble import Trouble, trouble_of

if TYPE_CHECKING:
    from twonode.acquire import PointDone
    from twonode.acquire.drawer import DrawerRequest, DrawerSession
    from twonode.acquire.drawer_events import HandWork
    from twonode.acquire.drawer_table import BatchTable
    from twonode.console.drawer_hand import Hand
    from twonode.console.measuring import Watcher
    from twonode.drivers.bench import Bench

__all__ = ["Ask", "Asking", "DrawerProgress", "DrawerSaid", "drawer_work"]


class Ask(Enum):
    """What kind of answer is wanted."""

    HAND = "hand"  # something is to be clipped: done, or leave
    PART = "part"  # next, repeat, undo or finish
    YES_NO = "yes or no"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asking:
    """A question that the session waits with.

    key : what the answer is given under, another one for every question, so that a late click answers nothing else.
    number : of the part that would be next, 0 where it is no such question. more : whether there is one.
    last : of the one measured last.
    """

    key: str
    ask: Ask
    words: str
    number: int = 0
    more: bool = True
    last: int | None = None


@dataclass(frozen=True, slots=True)
class DrawerSaid:
    """The snapshot is another one now."""


@dataclass(slots=True, kw_only=True)
class DrawerProgress:
    """All that is shown of one session.

    cards : results, each in a few lines, the newest last. bins : rows of their table. said : the last thing that was
    told; trouble : of a part or step that can be tried again.
    """

    batch: str
    table: Path
    phase: str = "Connecting"
    points: int = 0
    total: int = 0
    asking: Asking | None = None
    cards: list[tuple[str, ...]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    bins: list[tuple[str, str, str]] = field(default_factory=list)
    said: str = ""
    trouble: Trouble | None = None


def drawer_work(
    request: DrawerRequest, table: BatchTable, options: dict[str, Any], archive: Path
) -> Callable[[Job], None]:
    """The work of one session. options : those of `twonode drawer`, for the bench and the simulated bag."""

    def work(job: Job) -> None:
        from twonode.acquire.drawer import DrawerSession
        from twonode.console.drawer import BAG, empty_fixture, simulated_bag

        hands: list[Hand] = []

        @contextmanager
        def bag() -> Iterator[Bench]:
            with simulated_bag(options) as (bench, fixture):
                hands.append(SimulatedHand(fixture, quiet=True))
                yield bench

        simulated = bool(options["simulated"])
        with job.bench(empty_fixture(), opened=bag() if simulated else None) as bench:
            questions = _Questions(job)
            hand = hands[0] if hands else _ClickedHand(questions)
            last = (options["parts"] or BAG) if simulated else None
            session = DrawerSession(bench, request, archive=archive, table=table)
            _PageRun(session, hand, _ClickedKeys(questions, last), job).through()
        job.progress.phase = "Finished"

    return work


class _Questions:
    """Asked one after the other."""

    def __init__(self, job: Job) -> None:
        self._job = job
        self._count = 0

    def ask(self, ask: Ask, words: str, **about: Any) -> object:
        """The answer; STOP ends the waiting with Interrupted."""
        self._count += 1
        progress: DrawerProgress = self._job.progress
        progress.asking = Asking(key=f"question {self._count}", ask=ask, words=words, **about)
        # A hand goes to the clips now.
        self._job.ask_output()
        self._job.emit(DrawerSaid())
        try:
            return self._job.wait_for(progress.asking.key)
        finally:
            progress.asking, progress.said, progress.trouble = None, "", None
            self._job.emit(DrawerSaid())


class _ClickedHand:
    """A person who says by a click that something is clipped as it should be."""

    def __init__(self, questions: _Questions) -> None:
        self._questions = questions

    def do(self, work: HandWork) -> None:
        """Return when it is done. Raises Leave."""
        words = work_words(work)
        if words is not None and self._questions.ask(Ask.HAND, words) is not True:
            raise Leave


class _ClickedKeys:
    """Keys that are clicked. last : number of the last part, None where nobody knows."""

    def __init__(self, questions: _Questions, last: int | None) -> None:
        self._questions = questions
        self._last = last

    def next_key(self, number: int, last: int | None) -> Key:
        """What was clicked."""
        more = self._last is None or number <= self._last
        words = f"Clip in part {number}." if more else "No part is left."
        answer = self._questions.ask(Ask.PART, words, number=number, more=more, last=last)
        return answer if isinstance(answer, Key) else Key.FINISH

    def go_on(self, question: str) -> bool:
        """Yes or no."""
        return self._questions.ask(Ask.YES_NO, question) is True


class _PageRun(SessionRun):
    """A session whose results go into the snapshot."""

    def __init__(self, session: DrawerSession, hand: Hand, keys: _ClickedKeys, job: Job) -> None:
        super().__init__(session, hand, keys, quiet=True, said=True)
        self._job = job
        self._table = session.table
        self._progress: DrawerProgress = job.progress
        self._progress.bins = bin_rows(self._table)

    def say(self, lines: Iterable[str]) -> None:
        """A result as a card."""
        self._progress.cards.append(tuple(line.strip() for line in lines))
        self._changed()

    def tell(self, text: str) -> None:
        """Beside the buttons, and among the results: it says which of them counts no more."""
        self._progress.said = text
        self._progress.cards.append((text,))
        self._changed()

    def show_error(self, error: Exception) -> None:
        """Above the buttons."""
        self._progress.trouble = trouble_of(error)
        self._changed()

    def can_be_mended(self, error: Exception) -> bool:
        """Something at the clips; somebody looks at the page."""
        from twonode.acquire.errors import AcquireError, UnfitRequest
        from twonode.analysis.errors import AnalysisError

        return isinstance(error, AcquireError | AnalysisError) and not isinstance(error, UnfitRequest)

    def begin(self, drawing: ExitStack, what: str) -> Watcher:
        """The phase is another one."""
        self._progress.phase, self._progress.points, self._progress.total = what, 0, 0
        self._job.output_may_be_on()
        self._changed()
        return _Watcher(self._job)

    def _changed(self) -> None:
        self._progress.bins = bin_rows(self._table)
        self._job.emit(DrawerSaid())


class _Watcher:
    """Writes a sweep's progress into the snapshot."""

    def __init__(self, job: Job) -> None:
        self._job = job
        self._progress: DrawerProgress = job.progress

    def begin(self, total: int, expected_s: float) -> None:
        del expected_s
        self._progress.points, self._progress.total = 0, total
        self._job.emit(DrawerSaid())
        self._job.check()

    def point(self, event: PointDone) -> None:
        self._progress.points = event.index
        self._job.emit(DrawerSaid())
        self._job.check()

    def say(self, text: str) -> None:
        self._progress.notes.append(text)
        self._job.emit(DrawerSaid())
