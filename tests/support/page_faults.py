"""A sweep from the page that something ends: a browser, a computer that sleeps, the program told to end, or killed.

Owns the four scenarios and what is found after each. The instruments are a simulated bench in a process of its own;
whether its output is on is asked of the generator itself, and not of the page.
"""

from __future__ import annotations

import signal
import time
from dataclasses import dataclass
from pathlib import Path

from page_browser import Browser, ServedBench, ServedPage, until
from selenium.webdriver.support.ui import Select

from twonode.recordings import Recording, find_unfinished, read_recording
from twonode.recordings.model import Ended
from twonode.recordings.verify import VerifiedState, recordings_in, verify_recording

__all__ = [
    "NODES",
    "STAGE",
    "Fault",
    "ended_program",
    "fill_in",
    "held_computer",
    "is_closed",
    "kept",
    "killed_browser",
    "killed_program",
    "sweep_until",
]

STAGE = "wrenfield-46-driver-output"
NODES = ".caution input[type=text]"
_HELD_S = 6.5
_SLOW = "0.4"
"""Speed of a bench whose sweep outlasts what is done to it; a slower one is too slow for the waiting of a sweep."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """What was found after one scenario.

    on_before, on_while : of the generator's output, just before it and while nothing could be done.
    seen : points that the page had shown by then.
    off_s : how long afterwards the output was off for good, s; None: it stayed on.
    recording : closed by then, sound, with the end that it has. words : what the page said. dots : points it showed.
    """

    on_before: bool
    on_while: bool
    seen: int
    off_s: float | None
    recording: Recording
    words: str
    dots: int = 0


def fill_in(browser: Browser, page: ServedPage, *, volts: tuple[str, str] = ("0.3", "0.2")) -> None:
    """The questions before a sweep in a set, answered."""
    browser.open(f"{page.base}stage")
    Select(browser.find("select")).select_by_value(STAGE)
    browser.says("driver anode", ".caution label")
    for tick in browser.all("input[type=checkbox]"):
        tick.click()
    for place, words in zip(browser.all(NODES), volts, strict=True):
        place.send_keys(words)


def sweep_until(browser: Browser, page: ServedPage, dots: int) -> None:
    """A sweep that has shown so many points.

    On a busy machine a bench that is served slowly may not keep its own deadlines, and a sweep then ends in words
    before its first point; it is begun once more, for what is looked at here comes afterwards.
    """
    said = []
    for _ in range(2):
        fill_in(browser, page)
        browser.click("#start")
        try:
            until(lambda: len(browser.dots()) >= dots, 20, what=f"{dots} dots")
        except AssertionError:
            said.append(browser.text()[:1500])
            if page.archive.exists() and not is_closed(page):
                break
        else:
            browser.ready()
            return
    raise AssertionError(f"no {dots} dots; the page said: {said}")


def is_closed(page: ServedPage) -> bool:
    """Whether every recording is closed."""
    return not find_unfinished(page.archive)


def kept(page: ServedPage, ended: Ended = Ended.INTERRUPTED) -> Recording:
    """The recording that was closed last, once all are; checked byte by byte."""
    until(lambda: is_closed(page), what="the end of the recording")
    folder = max(
        recordings_in(page.archive), key=lambda each: (each / "data" / "recording.json").stat().st_mtime_ns
    )
    assert verify_recording(folder).state is VerifiedState.SOUND
    recording = read_recording(folder)
    assert recording.header.ended is ended
    return recording


def killed_browser(folder: Path) -> Fault:
    """The browser dies during a sweep; somebody comes back with another one."""
    with ServedBench("--speed", _SLOW) as bench, ServedPage(folder, *bench.options) as page:
        with Browser() as browser:
            browser.open(page.address)
            sweep_until(browser, page, 1)
            seen, on_before = len(browser.dots()), bench.output_on
            browser.kill()
        killed_s = time.time()
        on_while = bench.output_on
        off_s = bench.last_on_s(lambda: is_closed(page)) - killed_s
        recording = kept(page)
        with Browser() as browser:
            browser.open(page.another_address())
            browser.open(f"{page.base}sweep")
            words = browser.says("stopped")
            browser.picture("killed-browser-came-back")
            dots = len(browser.dots())
    return Fault(
        on_before=on_before,
        on_while=on_while,
        seen=seen,
        off_s=off_s,
        recording=recording,
        words=words,
        dots=dots,
    )


def held_computer(folder: Path) -> Fault:
    """The lid is closed: the program does not run for a while, the instruments do."""
    with (
        ServedBench("--speed", _SLOW) as bench,
        ServedPage(folder, *bench.options) as page,
        Browser() as browser,
    ):
        browser.open(page.address)
        sweep_until(browser, page, 1)
        seen, on_before = len(browser.dots()), bench.output_on
        page.process.send_signal(signal.SIGSTOP)
        time.sleep(_HELD_S)
        on_while = bench.output_on
        page.process.send_signal(signal.SIGCONT)
        woken_s = time.time()
        off_s = bench.last_on_s(lambda: is_closed(page)) - woken_s
        words = browser.says("held up")
        browser.picture("computer-slept")
        dots = len(browser.dots())
        recording = kept(page)
    return Fault(
        on_before=on_before,
        on_while=on_while,
        seen=seen,
        off_s=off_s,
        recording=recording,
        words=words,
        dots=dots,
    )


def ended_program(bench: ServedBench, browser: Browser, folder: Path) -> Fault:
    """The program is told to end (SIGTERM) during a sweep."""
    with ServedPage(folder, *bench.options) as page:
        browser.open(page.address)
        sweep_until(browser, page, 1)
        on_before = bench.output_on
        page.process.send_signal(signal.SIGTERM)
        told_s = time.time()
        off_s = bench.last_on_s(lambda: is_closed(page)) - told_s
        seen = len(browser.dots())
        page.process.wait(20)
        words = browser.says("The connection to twonode is lost.", "#connection-lost")
        browser.picture("program-ended")
        recording = kept(page)
    return Fault(
        on_before=on_before, on_while=False, seen=seen, off_s=off_s, recording=recording, words=words
    )


def killed_program(bench: ServedBench, browser: Browser, folder: Path) -> Fault:
    """The program is killed (SIGKILL) during a sweep, and started again; what it left is closed by a click."""
    with ServedPage(folder, *bench.options) as page:
        browser.open(page.address)
        sweep_until(browser, page, 1)
        seen, on_before = len(browser.dots()), bench.output_on
        page.process.kill()
        page.process.wait()
        words = browser.says("The connection to twonode is lost.", "#connection-lost")
        words += f" STOP can be pressed: {browser.run('return !document.getElementById(`stop`).disabled')}"
        on_while = bench.output_on
    (left,) = find_unfinished(page.archive)
    with ServedPage(folder, *bench.options) as page:
        browser.open(page.address)
        words += browser.says(left.folder.name)
        browser.picture("left-unfinished")
        browser.click("button", "Close it")
        recording = kept(page, Ended.RECOVERED)
    return Fault(
        on_before=on_before,
        on_while=on_while,
        seen=seen,
        off_s=None,
        recording=recording,
        words=words,
        dots=left.points,
    )
