"""The local page in a headless Chromium: clicks, waiting, faults during a sweep, memory.

Needs chromium and chromedriver. All times are by one clock: page and browser run on this computer, and a dot counts
as shown after the frame that it was painted in. The faults are those of the tests, on instruments in a process of
their own.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from tests.benchmarks.table import Row

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

if TYPE_CHECKING:
    from page_browser import Browser, ServedPage
    from page_faults import Fault

SWEEPS = 50
QUICK_SWEEPS = 6
OPENED = 5
QUICK_OPENED = 2
STOPS = 10
QUICK_STOPS = 3
MOVES = 30

MOST_CLICKS = 6
MOST_DOT_MS = 150.0
MOST_OPEN_S = 4.0
MOST_STOP_S = 0.2
MOST_EXPLAIN_MS = 100.0
MOST_GROWTH = 1.3

_MOVE = """
const [moves, done] = arguments;
const slider = document.querySelector(".slider input[type=range]");
const [low, high] = [Number(slider.min), Number(slider.max)];
const results = document.querySelector(".explain-results");
const took = [];
const move = (n) => {
  if (n === moves) return done(took);
  const began = performance.now();
  const seen = new MutationObserver(() => {
    seen.disconnect();
    requestAnimationFrame(() => setTimeout(() => {
      took.push(performance.now() - began);
      setTimeout(() => move(n + 1), 50);
    }, 0));
  });
  seen.observe(results, { childList: true, subtree: true, characterData: true, attributes: true });
  slider.value = low + ((high - low) * (n + 1)) / (moves + 1);
  slider.dispatchEvent(new Event("input", { bubbles: true }));
};
move(0);
"""


def _watched_sweep(browser: Browser, page: ServedPage, delays_ms: list[float]) -> None:
    """One sweep by a newcomer's two clicks, looked at to its finding; how long each dot took is added."""
    from page_browser import until

    browser.click("a.choice-card", "Is this capacitor still good?")
    browser.find("#start")
    browser.ready()
    browser.click("#start")
    shown: dict[str, float] = {}
    made: dict[str, float] = {}

    def over() -> bool:
        found = browser.quietly("return [location.pathname, window.paintedDots, window.twonodeDots]")
        if found is None:
            return False
        where, painted, noted = found
        shown.update({number: at for number, at in (painted or {}).items() if at is not None})
        made.update({str(dot["n"]): dot["at_ms"] for dot in noted or () if dot.get("at_ms")})
        return bool(where == "/finding")

    until(over, 60, every_s=0.05, what="the finding")
    browser.find(".finding-line")
    browser.ready()
    delays_ms += [shown[number] - made[number] for number in made if number in shown]


def _watched(sweeps: int) -> list[Row]:
    from page_browser import Browser, ServedPage

    delays_ms: list[float] = []
    with (
        TemporaryDirectory() as folder,
        Browser() as browser,
        ServedPage(Path(folder), "--simulated", "--speed", "4") as page,
    ):
        browser.open(page.address)
        _watched_sweep(browser, page, delays_ms)
        saved = "Saved" in browser.text()
        clicks, keys = browser.clicks, browser.keys
        first_mb = page.resident_mb
        for number in range(1, sweeps):
            browser.open(page.base)
            _watched_sweep(browser, page, delays_ms)
            if number % 10 == 9:
                print(f"   sweep {number + 1}: {page.resident_mb:.0f} MB", file=sys.stderr, flush=True)
        last_mb = page.resident_mb
        elsewhere = browser.asked_elsewhere()
        browser.open(f"{page.base}explain")
        browser.says("Where the signal current goes")
        explained_ms = browser.driver.execute_async_script(_MOVE, MOVES)
    dot_ms = statistics.median(delays_ms)
    moved_ms = statistics.median(explained_ms)
    return [
        Row(
            figure="from the command to a saved finding",
            target=f"<= {MOST_CLICKS} clicks, no typing",
            measured=f"{clicks} clicks, {keys} keys" if saved else "not saved",
            met=saved and clicks <= MOST_CLICKS and keys == 0,
        ),
        Row(
            figure=f"from a measured point to its dot, median of {len(delays_ms)}",
            target=f"<= {MOST_DOT_MS:g} ms",
            measured=f"{dot_ms:.0f} ms (slowest {max(delays_ms):.0f} ms)",
            met=dot_ms <= MOST_DOT_MS,
        ),
        Row(
            figure=f"a slider of the explain view to its change, median of {len(explained_ms)}",
            target=f"<= {MOST_EXPLAIN_MS:g} ms",
            measured=f"{moved_ms:.0f} ms (slowest {max(explained_ms):.0f} ms)",
            met=moved_ms <= MOST_EXPLAIN_MS,
        ),
        Row(
            figure=f"memory after {sweeps} sweeps watched live, against the first",
            target=f"<= {MOST_GROWTH:g}",
            measured=f"{last_mb / first_mb:.2f} ({first_mb:.0f} to {last_mb:.0f} MB)",
            met=last_mb <= MOST_GROWTH * first_mb,
        ),
        Row(
            figure="requests that left this computer",
            target="0",
            measured=str(len(elsewhere)),
            met=not elsewhere,
        ),
    ]


def _opened(count: int) -> Row:
    """From the command to a page that answers clicks, the browser started in between; the slowest counts."""
    from page_browser import Browser, ServedPage

    took_s = []
    for _ in range(count):
        began_s = time.monotonic()
        with (
            TemporaryDirectory() as folder,
            ServedPage(Path(folder), "--simulated") as page,
            Browser() as browser,
        ):
            browser.open(page.address)
            took_s.append(time.monotonic() - began_s)
    return Row(
        figure=f"page open in a browser after the command, slowest of {count}",
        target=f"<= {MOST_OPEN_S:g} s",
        measured=f"{max(took_s):.1f} s",
        met=max(took_s) <= MOST_OPEN_S,
    )


def _stopped(count: int) -> Row:
    """From the click on STOP until the generator itself says that its output is off."""
    from page_browser import Browser, ServedBench, ServedPage
    from page_faults import is_closed, sweep_until

    took_s = []
    with (
        TemporaryDirectory() as folder,
        ServedBench() as bench,
        ServedPage(Path(folder), *bench.options) as page,
        Browser() as browser,
    ):
        browser.open(page.address)
        for number in range(count):
            # After another point each time, so that it meets the measurement in different moments.
            sweep_until(browser, page, 1 + number % 3)
            browser.click("#stop")
            off_s = bench.last_on_s(lambda: is_closed(page))
            took_s.append(max(0.0, off_s - browser.clicked_s))
            browser.says("The sweep was stopped")
    return Row(
        figure=f"STOP to output off, slowest of {count}",
        target=f"<= {1000 * MOST_STOP_S:g} ms",
        measured=f"{1000 * max(took_s):.0f} ms (median {1000 * statistics.median(took_s):.0f} ms)",
        met=max(took_s) <= MOST_STOP_S,
    )


def _fault_row(figure: str, found: Fault, *, said: str) -> Row:
    lost = found.seen - len(found.recording.points)
    off = "stays on" if found.off_s is None else f"off after {found.off_s:.1f} s"
    told = said in found.words
    return Row(
        figure=figure,
        target="output off or said to be unknown, no point lost, said on coming back",
        measured=f"output {off}, {max(0, lost)} lost, {'said' if told else 'NOT SAID'}",
        met=found.on_before and lost <= 0 and told,
    )


def _faults() -> list[Row]:
    from page_browser import Browser, ServedBench
    from page_faults import ended_program, held_computer, killed_browser, killed_program

    alone: tuple[tuple[str, Callable[[Path], Fault], str], ...] = (
        ("browser killed", killed_browser, "the tab that had the bench was closed or lost its connection"),
        ("computer asleep for 6 s (lid)", held_computer, "the output may have been on all that time"),
    )
    rows = []
    for figure, scenario, said in alone:
        with TemporaryDirectory() as folder:
            rows.append(_fault_row(figure, scenario(Path(folder)), said=said))
    with ServedBench() as bench, Browser() as browser:
        with TemporaryDirectory() as folder:
            found = ended_program(bench, browser, Path(folder))
            rows.append(_fault_row("server told to end", found, said="it switched the output off"))
        with TemporaryDirectory() as folder:
            found = killed_program(bench, browser, Path(folder))
            rows.append(_fault_row("server killed", found, said="nobody switched it off: look at it"))
    return rows


def run(*, quick: bool = False) -> list[Row]:
    """All of it; a browser that is missing is said as a missed row."""
    from page_browser import missing

    if missing() is not None:
        return [Row(figure="the page in a browser", target="looked at", measured=str(missing()), met=False)]
    return [
        *_watched(QUICK_SWEEPS if quick else SWEEPS),
        _opened(QUICK_OPENED if quick else OPENED),
        _stopped(QUICK_STOPS if quick else STOPS),
        *_faults(),
    ]
