"""Something that runs on the bench: its thread, its events, STOP, and what is said of the output.

Owns the life of one job at a time. It measures nothing: a job's work calls the same functions as the command line, in
a thread of its own, and what it emits is handed to the page's loop at once. STOP reaches the generator from another
thread, so that a scope that is slow cannot keep the output on.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Any

from twonode.console.page.memory import give_back
from twonode.console.page.trouble import Trouble, trouble_of
from twonode.drivers.leaving import Interrupted
from twonode.errors import TwonodeError

if TYPE_CHECKING:
    from twonode.analysis.stage import Stage
    from twonode.drivers.bench import Bench

__all__ = ["BenchBusy", "Job", "JobChanged", "JobRunner", "JobState", "OutputState"]

log = logging.getLogger("twonode.console")

Opener = Callable[["Stage", bool], AbstractContextManager["Bench"]]


class BenchBusy(TwonodeError):
    """Something runs on the bench already."""


class JobState(Enum):
    """How a job stands."""

    RUNNING = "running"
    STOPPING = "stopping"
    DONE = "done"
    STOPPED = "stopped"
    FAILED = "failed"

    @property
    def over(self) -> bool:
        """Whether its thread has ended."""
        return self not in (JobState.RUNNING, JobState.STOPPING)


class OutputState(Enum):
    """What is known of the generator's output; the value is the word on the page."""

    NOT_USED = "not switched on"
    ON = "on"
    OFF = "off"
    TOLD_OFF = "told to be off (this generator cannot be asked)"
    UNKNOWN = "UNKNOWN"


@dataclass(frozen=True, slots=True)
class JobChanged:
    """State, output or trouble of a job is another one now."""

    job: Job


class Job:
    """One run on the bench. Made by `JobRunner.start`.

    progress : the work's own object, which a reloaded tab draws from; changed by the work only, before it emits.
    view : address of the view that shows it.
    output : what is known of the generator's output. trouble : why it ended, unless it simply did.
    stopped_because : the words STOP was given.
    off_after_s : how long STOP took until the generator, its relay included, said that the output is off, s.
    """

    def __init__(
        self, title: str, progress: Any, view: str, opener: Opener, emit: Callable[[object], None]
    ) -> None:
        self.title = title
        self.progress = progress
        self.view = view
        self.state = JobState.RUNNING
        self.output = OutputState.NOT_USED
        self.trouble: Trouble | None = None
        self.stopped_because: str | None = None
        self.off_after_s: float | None = None
        self._open = opener
        self._emit = emit
        self._bench: Bench | None = None
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self._answered = threading.Condition()
        self._answers: dict[str, object] = {}

    # For the work, in its thread ---------------------------------------------------------------------------------

    def emit(self, event: object) -> None:
        """Hand an event to whoever looks on; it is there within milliseconds."""
        self._emit(event)

    def check(self) -> None:
        """Raises Interrupted where somebody pressed STOP."""
        if self._stop.is_set():
            raise Interrupted(self.stopped_because or "STOP")

    @contextmanager
    def bench(
        self, stage: Stage, *, one_node: bool = False, opened: AbstractContextManager[Bench] | None = None
    ) -> Iterator[Bench]:
        """The page's bench, entered; STOP switches its output off and interrupts this thread at its next wait.

        one_node : both channels on the drive node. opened : to be entered instead of the page's own.
        """
        self.check()
        bench: Bench | None = None
        confirmed = True
        try:
            with opened or self._open(stage, one_node) as bench:
                confirmed = bench.generator.output_confirmed
                with self._lock:
                    self._bench = bench
                # From here on it may be on at any time.
                self._now(output=OutputState.ON)
                self.check()
                yield bench
        finally:
            with self._lock:
                self._bench = None
            if bench is not None:
                off = OutputState.OFF if confirmed else OutputState.TOLD_OFF
                self._now(output=off if bench.farewell is None else OutputState.UNKNOWN)

    def ask_output(self) -> None:
        """Between two measurements, as while a hand is at the clips: what the generator itself says of its output.

        Raises ReplyError, LinkError.
        """
        if self._bench is None:
            return
        off = self._bench.generator.output_is_off()
        if off is None:
            self._now(output=OutputState.TOLD_OFF)
        else:
            self._now(output=OutputState.OFF if off else OutputState.ON)

    def output_may_be_on(self) -> None:
        """The next measurement begins."""
        if self.output is not OutputState.ON:
            self._now(output=OutputState.ON)

    def wait_for(self, key: str) -> object:
        """What the person answers under this key; STOP ends the waiting with Interrupted."""
        with self._answered:
            while key not in self._answers:
                self.check()
                self._answered.wait(0.5)
            return self._answers.pop(key)

    # For the page ------------------------------------------------------------------------------------------------

    def answer(self, key: str, value: object = True) -> None:
        """What `wait_for` waits for."""
        with self._answered:
            self._answers[key] = value
            self._answered.notify_all()

    def stop(self, because: str) -> None:
        """Output off, then an orderly end: what was measured is kept."""
        began_s = time.monotonic()
        with self._lock:
            if self.state is not JobState.RUNNING:
                return
            self.stopped_because = because
            self.state = JobState.STOPPING
            self._stop.set()
            bench = self._bench
        if bench is not None:
            # First of all, and not in the thread that may be waiting for a record.
            threading.Thread(
                target=self._switch_off, args=(bench, because, began_s), name="stop", daemon=True
            ).start()
        with self._answered:
            self._answered.notify_all()
        self._emit(JobChanged(self))

    def _switch_off(self, bench: Bench, because: str, began_s: float) -> None:
        try:
            bench.stop(because)
            confirmed = bench.generator.output_confirmed
        except RuntimeError:
            return  # the bench was left meanwhile, which switches off as well
        except TwonodeError as exc:
            log.warning("STOP could not reach the generator: %s", exc)
            if not self.state.over:
                self._now(output=OutputState.UNKNOWN)
            return
        self.off_after_s = time.monotonic() - began_s
        if not self.state.over:
            self._now(output=OutputState.OFF if confirmed else OutputState.TOLD_OFF)

    def _now(self, *, output: OutputState) -> None:
        self.output = output
        self._emit(JobChanged(self))

    def run(self, work: Callable[[Job], None]) -> KeyboardInterrupt | None:
        """Do the work to its end, whatever that is; what did not come from STOP is returned."""
        end, foreign = JobState.DONE, None
        try:
            work(self)
        except KeyboardInterrupt as exc:
            end, self.trouble = JobState.STOPPED, trouble_of(exc)
            foreign = None if self._stop.is_set() else exc
        except Exception as exc:
            # A record that never came after STOP is no fault of the scope.
            end = JobState.STOPPED if self._stop.is_set() else JobState.FAILED
            self.trouble = trouble_of(exc)
            log.debug("job %r ended by an error", self.title, exc_info=True)
        with self._lock:
            self.state = end
        self._emit(JobChanged(self))
        return foreign


class JobRunner:
    """The bench's one job at a time.

    current : the job that runs, else the last one that did.
    """

    def __init__(self, opener: Opener) -> None:
        self._open = opener
        self._lock = threading.Lock()
        self._listeners: list[Callable[[object], None]] = []
        self._thread: threading.Thread | None = None
        self.dispatch: Callable[[Callable[[], None]], None] = lambda call: call()
        self.on_interrupt: Callable[[KeyboardInterrupt], None] = lambda exc: None
        self.current: Job | None = None

    @property
    def busy(self) -> bool:
        """Whether a job runs."""
        return self.current is not None and not self.current.state.over

    def start(
        self, title: str, work: Callable[[Job], None], *, progress: Any = None, view: str = "/sweep"
    ) -> Job:
        """Run a job's work in a thread of its own. Raises BenchBusy where one runs."""
        with self._lock:
            if self.busy:
                assert self.current is not None
                raise BenchBusy(
                    f"The bench is busy: {self.current.title}.",
                    "One thing at a time runs on it.",
                    "Wait until it is done, or press STOP.",
                )
            job = Job(title, progress, view, self._open, self._emit)
            self.current = job
        self._thread = threading.Thread(target=self._run, args=(job, work), name="bench", daemon=True)
        self._thread.start()
        return job

    def _run(self, job: Job, work: Callable[[Job], None]) -> None:
        foreign = job.run(work)
        give_back()
        if foreign is not None:
            # A signal that had to wait until the output was off surfaced in this thread.
            self.on_interrupt(foreign)

    def stop(self, because: str) -> None:
        """STOP, whatever runs; nothing where nothing does."""
        if self.current is not None:
            self.current.stop(because)

    def wait(self, timeout_s: float) -> bool:
        """Wait until nothing runs; whether that is so in the end."""
        if self._thread is not None:
            self._thread.join(timeout_s)
        return not self.busy

    def listen(self, callback: Callable[[object], None]) -> Callable[[], None]:
        """Hear every event from now on; call what is returned to hear no more."""
        self._listeners.append(callback)

        def forget() -> None:
            if callback in self._listeners:
                self._listeners.remove(callback)

        return forget

    def _emit(self, event: object) -> None:
        self.dispatch(lambda: self._hand_out(event))

    def _hand_out(self, event: object) -> None:
        for callback in tuple(self._listeners):
            try:
                callback(event)
            except Exception:
                log.exception("a view could not show %s", type(event).__name__)
