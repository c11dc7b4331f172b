"""What happens to the output and to the points when a person, a browser, a computer or the program stops a sweep.

The instruments are a simulated bench in a process of its own; whether its output is on is asked of the generator
itself, over its own socket, and not of the page.
"""

import threading
from contextlib import ExitStack
from importlib import resources

import pytest
from click.testing import CliRunner
from page_browser import Browser, ServedBench, ServedPage, missing, until
from page_faults import (
    NODES,
    STAGE,
    ended_program,
    fill_in,
    held_computer,
    is_closed,
    kept,
    killed_browser,
    killed_program,
    sweep_until,
)
from selenium.webdriver.common.keys import Keys

from twonode.console.main import cli
from twonode.console.page.seat import GONE_S

pytestmark = [
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.skipif(missing() is not None, reason=missing() or ""),
]

STOP_S = 0.2  # issue: STOP switches the output off within 200 ms
TRIES = 3  # of what is timed: this computer may be busy with something else
BUSY_S = 4.0  # on top of what is promised, where something else than STOP has to notice first


class Aside(threading.Thread):
    """A scenario that mostly waits, beside the tests; what it found is read after `found()`."""

    def __init__(self, scenario, *arguments):
        super().__init__(daemon=True)
        self._scenario, self._arguments = scenario, arguments
        self._error = None
        self._found = None
        self.start()

    def run(self):
        try:
            self._found = self._scenario(*self._arguments)
        except BaseException as exc:  # noqa: BLE001 - raised again by who asks for it
            self._error = exc

    def found(self):
        self.join(90)
        assert not self.is_alive()
        if self._error is not None:
            raise self._error
        return self._found


@pytest.fixture(scope="module", autouse=True)
def asides(tmp_path_factory):
    """Both scenarios that wait for seconds, begun before everything else."""
    begun = {
        "killed": Aside(killed_browser, tmp_path_factory.mktemp("killed")),
        "held": Aside(held_computer, tmp_path_factory.mktemp("held")),
    }
    yield begun
    for each in begun.values():
        each.join(90)  # so that it ends its own programs


@pytest.fixture(scope="module")
def at_bench(tmp_path_factory):
    """Instruments at addresses, the page for them, and a browser that was let in."""
    with ExitStack() as stack:
        bench = stack.enter_context(ServedBench("--speed", "0.4"))
        page = stack.enter_context(ServedPage(tmp_path_factory.mktemp("bench"), *bench.options))
        browser = stack.enter_context(Browser())
        browser.open(page.address)
        yield bench, page, browser


def test_a_sweep_is_refused_where_the_command_refuses_it_and_in_its_words(at_bench, tmp_path):
    bench, page, browser = at_bench
    fill_in(browser, page, volts=("", ""))
    browser.click("#start")
    browser.says("Nobody has confirmed", ".trouble")
    for place, words in zip(browser.all(NODES), ("12", "0.2"), strict=True):
        place.send_keys(words)
    browser.click("#start")
    shown = browser.says("12", ".trouble")
    browser.picture("refused")
    assert browser.barriers() == []
    file = tmp_path / "stage.toml"
    file.write_text((resources.files("twonode.analysis") / "stages" / f"{STAGE}.toml").read_text())
    asked = ("--stage", str(file), "--part", "C7", "--unplugged-and-discharged", "--node-volts", "12,0.2")
    said = CliRunner().invoke(cli, ["sweep", *bench.options, *asked])
    assert said.exit_code != 0
    # The last paragraph; before it the command draws the hook-up.
    lines = said.stderr.strip().splitlines()[-3:]
    assert "12.0 V" in lines[0]
    for line in lines:
        assert line in shown
    assert not bench.output_on
    assert not page.archive.exists() or not any(page.archive.iterdir())


def test_stop_has_the_output_off_at_once_and_keeps_every_point(at_bench):
    bench, page, browser = at_bench
    took_s = []
    # The best of a few: what is slow by itself is slow every time.
    while len(took_s) < TRIES and not any(each <= STOP_S for each in took_s):
        sweep_until(browser, page, 1)
        assert bench.output_on
        browser.click("#stop")
        took_s.append(bench.last_on_s(lambda: is_closed(page)) - browser.clicked_s)
    assert min(took_s) <= STOP_S
    words = browser.says("The sweep was stopped: STOP pressed.")
    browser.picture("stopped")
    assert browser.barriers() == []
    assert "Generator output: off" in words
    seen = browser.dots()
    recording = kept(page)
    assert len(recording.points) == len(seen) >= 1
    assert recording.header.conditions.node_volts == (0.3, 0.2)

    browser.click("a.button", "Sweep again")
    browser.find("#start")
    browser.ready()
    # The plug may be in again: nothing is confirmed by an earlier answer.
    assert not any(tick.is_selected() for tick in browser.all("input[type=checkbox]"))
    assert [place.get_attribute("value") for place in browser.all(NODES)] == ["", ""]


def test_a_reload_shows_where_it_is_and_a_second_tab_looks_on(at_bench):
    bench, page, browser = at_bench
    fill_in(browser, page)
    browser.new_tab(f"{page.base}stage")
    browser.says("Another tab has the bench; this one looks on", ".band.seat")
    browser.click("#start")
    browser.says("Another tab has the bench", ".trouble")
    browser.to_tab(0)
    browser.click("#start")
    until(browser.dots, 30, what="a dot")
    before = browser.dots()
    browser.driver.refresh()
    browser.ready()
    assert set(browser.dots()) >= set(before)
    assert "Generator output: on" in browser.text()
    assert browser.find("#stop").is_displayed()

    browser.to_tab(1)
    browser.says("Sweep of C7: running. Generator output: on.", ".band.job")
    # Whoever sees danger may stop it.
    browser.click(".band.job button", "STOP")
    bench.last_on_s(lambda: is_closed(page))
    browser.picture("second-tab")
    assert browser.barriers() == []
    browser.back_to_first_tab()
    browser.says("The sweep was stopped: STOP pressed.")
    assert set(browser.dots()) >= set(before)
    kept(page)


def test_escape_is_stop_and_what_was_measured_can_be_gone_on_with(at_bench):
    bench, page, browser = at_bench
    sweep_until(browser, page, 1)
    browser.press(Keys.ESCAPE)
    bench.last_on_s(lambda: is_closed(page))
    browser.says("The sweep was stopped: STOP pressed.")
    recording = kept(page)
    browser.click("a.button", "Go on with it")
    browser.find("#start")
    browser.ready()
    assert recording.folder.name in browser.text()
    browser.picture("continue")
    assert browser.barriers() == []


def test_a_program_that_is_told_to_end_switches_the_output_off(at_bench, tmp_path_factory):
    bench, _, browser = at_bench
    found = ended_program(bench, browser, tmp_path_factory.mktemp("ended"))
    assert found.on_before
    assert found.off_s < BUSY_S
    assert len(found.recording.points) >= found.seen >= 1
    assert "If twonode was ended, it switched the output off." in found.words


def test_a_program_that_is_killed_says_at_its_next_start_what_it_left(at_bench, tmp_path_factory):
    bench, _, browser = at_bench
    found = killed_program(bench, browser, tmp_path_factory.mktemp("killed-program"))
    # Nobody is left who could switch it off: so that is what has to be said, at once and at the next start.
    assert found.on_before
    assert found.on_while
    assert "If it was killed, nobody did: look at the generator" in found.words
    assert "STOP does not reach the generator from here any more" in found.words
    assert "STOP can be pressed: False" in found.words
    assert "nobody switched it off: look at it" in found.words
    assert f"{found.dots} point" in found.words
    assert len(found.recording.points) == found.dots >= found.seen >= 1


def test_a_killed_browser_does_not_keep_the_output_on_and_loses_no_point(asides):
    found = asides["killed"].found()
    assert found.on_before
    assert found.off_s < GONE_S + BUSY_S
    assert len(found.recording.points) >= found.seen >= 1
    assert "the tab that had the bench was closed or lost its connection" in found.words
    assert "Generator output: off" in found.words
    assert found.dots == len(found.recording.points)


def test_a_computer_that_slept_switches_the_output_off_as_it_wakes(asides):
    found = asides["held"].found()
    assert found.on_before
    assert found.on_while, "nothing can be done while it sleeps"
    assert found.off_s < BUSY_S
    assert len(found.recording.points) >= found.seen >= 1
    assert "slept or was held up" in found.words
    assert "the output may have been on all that time" in found.words
