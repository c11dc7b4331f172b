"""Leaving in good order: signals and a closed console unwind ``with`` blocks as Ctrl-C does.

Owns the signal handlers while `leaving` is entered, and nothing else of the process. The first signal raises
`Interrupted` in the main thread; later ones are noted and ignored, so that impatience cannot keep the generator's
output from being switched off. Inside `held_back` even the first one waits until the end of that block.
"""

from __future__ import annotations

import logging
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

__all__ = ["Interrupted", "held_back", "leaving"]

log = logging.getLogger("twonode.drivers")

# SIGHUP: the terminal was closed. SIGBREAK: Ctrl-Break on Windows. Not every system has each.
_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
# Windows ends a process 5 s after its console was closed (SetConsoleCtrlHandler); stay inside that.
_CONSOLE_GRACE_S = 4.5


class Interrupted(KeyboardInterrupt):
    """Somebody or something asked the program to end.

    reason : the signal's name, or "closed console".
    """

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


class _State:
    """What has been asked for; one per process, as signals are."""

    def __init__(self) -> None:
        self.active = False
        self.raised = False
        self.pending: str | None = None
        self.depth = 0
        self.console_closed = False
        self.done = threading.Event()


_state = _State()


@contextmanager
def leaving() -> Iterator[None]:
    """While inside, SIGINT, SIGTERM, SIGHUP, SIGBREAK and a closed console raise `Interrupted`.

    Only in the main thread, where signals arrive; elsewhere, and inside another `leaving`, it does nothing.
    A signal that was being ignored (as under nohup) stays ignored. The handlers found are put back at the end.
    """
    if _state.active or threading.current_thread() is not threading.main_thread():
        yield
        return
    _state.__init__()  # type: ignore[misc]
    _state.active = True
    before = {}
    forget_console: Callable[[], None] | None = None
    try:
        for name in _SIGNALS:
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) not in (signal.SIG_IGN, None):
                before[number] = signal.signal(number, _on_signal)
        forget_console = _watch_console()
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        _state.active = False
        _state.done.set()
        if forget_console is not None:
            forget_console()


@contextmanager
def held_back() -> Iterator[None]:
    """A signal that arrives inside raises `Interrupted` at the end of the block, not in its middle.

    For short pieces that must be finished, such as switching the output off. Needs `leaving` around it;
    without, it does nothing.
    """
    _state.depth += 1
    try:
        yield
    finally:
        _state.depth -= 1
        if _state.depth == 0 and _state.pending is not None and not _state.raised:
            reason, _state.pending = _state.pending, None
            _state.raised = True
            raise Interrupted(reason)


def _on_signal(number: int, _frame: FrameType | None) -> None:
    reason = "closed console" if _state.console_closed else signal.Signals(number).name
    if _state.raised:
        log.info("%s while already leaving: switching off comes first", reason)
    elif _state.depth > 0:
        _state.pending = reason
    else:
        _state.raised = True
        raise Interrupted(reason)


def _watch_console() -> Callable[[], None] | None:
    """On Windows, turn a closed console, logging off and shutdown into SIGINT; return what ends the watch."""
    if sys.platform != "win32":
        return None
    import ctypes
    from _thread import interrupt_main

    close_events = (2, 5, 6)  # CTRL_CLOSE_EVENT, CTRL_LOGOFF_EVENT, CTRL_SHUTDOWN_EVENT

    def on_event(event: int) -> int:
        if event not in close_events:
            return 0
        _state.console_closed = True
        interrupt_main()
        # The process ends when this returns: hold it until the main thread has left its blocks.
        _state.done.wait(_CONSOLE_GRACE_S)
        return 1

    callback = ctypes.WINFUNCTYPE(ctypes.c_int, ctypes.c_uint)(on_event)
    kernel = ctypes.windll.kernel32
    if not kernel.SetConsoleCtrlHandler(callback, 1):
        return None

    def forget() -> None:
        kernel.SetConsoleCtrlHandler(callback, 0)

    return forget
