"""The whole job in a real browser, on the simulated bench: from the command to a saved finding, and looking it up."""

import json
import re
import statistics
from dataclasses import dataclass

import pytest
from page_browser import Browser, ServedPage, missing, until
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select

from twonode.recordings import read_recording
from twonode.recordings.model import Ended
from twonode.recordings.verify import VerifiedState, verify_recording

pytestmark = [
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.skipif(missing() is not None, reason=missing() or ""),
]

MOST_CLICKS = 6  # issue: a newcomer's path to a saved finding
MOST_EXPLAIN_MS = 100  # issue: the explain view follows a slider
TRIES = 3  # of what is timed: this computer may be busy with something else


# Drags the first slider; each move ends when what it changed was painted.
DRAG = """
const done = arguments[0];
const slider = document.querySelector(".slider input[type=range]");
const [low, high] = [Number(slider.min), Number(slider.max)];
const results = document.querySelector(".explain-results");
const took = [];
const move = (n) => {
  if (n === 16) return done(took);
  const began = performance.now();
  const seen = new MutationObserver(() => {
    seen.disconnect();
    requestAnimationFrame(() => setTimeout(() => {
      took.push(performance.now() - began);
      setTimeout(() => move(n + 1), 50);
    }, 0));
  });
  seen.observe(results, { childList: true, subtree: true, characterData: true, attributes: true });
  slider.value = low + (high - low) * (0.1 + 0.05 * n);
  slider.dispatchEvent(new Event("input", { bubbles: true }));
};
move(0);
"""


@dataclass
class Newcomer:
    """What somebody saw who only knows the command."""

    page: ServedPage
    browser: Browser
    clicks: int = 0
    keys: int = 0
    finding: str = ""
    finding_height_px: float = 0.0

    @property
    def recording(self):
        (folder,) = (
            each for each in self.page.archive.iterdir() if each.is_dir() and "null" not in each.name
        )
        return folder


@pytest.fixture(scope="module")
def newcomer(tmp_path_factory):
    folder = tmp_path_factory.mktemp("newcomer")
    with Browser() as browser, ServedPage(folder, "--simulated", "--speed", "3") as page:
        seen = Newcomer(page, browser)
        browser.open(page.address)
        browser.picture("1-start")
        browser.click("a.choice-card", "Is this capacitor still good?")
        browser.find("#start")
        browser.ready()
        browser.picture("2-hookup")
        browser.click("#start", "START")
        until(lambda: len(browser.dots()) >= 3 or browser.at("/finding"), 40, what="three dots")
        browser.picture("3-sweep")
        trouble = "return document.querySelector('main .trouble')?.innerText"
        over = until(lambda: browser.at("/finding") or browser.quietly(trouble), 60, what="the finding")
        assert over is True, over
        browser.find(".finding-line")
        seen.finding = browser.text(".finding")
        browser.ready()
        seen.clicks, seen.keys = browser.clicks, browser.keys
        seen.finding_height_px = browser.run(
            "return parseFloat(getComputedStyle(document.querySelector('.finding-line .word')).fontSize)"
        )
        browser.picture("4-finding")
        yield seen


def test_a_newcomer_comes_to_a_saved_finding_in_few_clicks_and_without_typing(newcomer):
    assert newcomer.clicks <= MOST_CLICKS
    assert newcomer.keys == 0
    assert "Saved" in newcomer.browser.text()
    # What the page calls saved is on disk, whole, with its result.
    verdict = verify_recording(newcomer.recording)
    assert verdict.state is VerifiedState.SOUND
    recording = read_recording(newcomer.recording)
    assert recording.header.ended is Ended.FINISHED
    (result,) = (newcomer.recording / "results").glob("*.json")
    state = json.loads(result.read_text())["finding"]["state"]
    assert state.upper() in newcomer.finding.upper()
    assert str(newcomer.recording) in newcomer.browser.text()


def test_the_finding_can_be_read_from_a_metre_and_a_half(newcomer):
    # A letter of 5 mm is taken as readable at 1.5 m (about 11', twice what 20/40 sight needs; ISO 9241-303 asks for
    # 16' at least); a CSS pixel is 1/96 inch, and a capital about 0.7 of the type size.
    capital_mm = newcomer.finding_height_px * 0.7 * 25.4 / 96
    arc_minutes = capital_mm / 1500 * 3437.7
    assert arc_minutes >= 16


def test_points_appear_one_by_one_while_the_value_tightens(newcomer):
    total = len(read_recording(newcomer.recording).points)
    seen = newcomer.browser.sweep_seen()
    counts = [count for count, _, _ in seen]
    # One by one, not all at the end; two that came in one frame are told together.
    assert len({count for count in counts if 0 < count < total}) >= total // 2
    assert counts == sorted(counts)
    assert any("nF" in value for _, value, _ in seen)
    assert any(left for _, _, left in seen)


def test_the_archive_has_it_and_the_search_finds_it(newcomer):
    browser, name = newcomer.browser, newcomer.recording.name
    browser.open(f"{newcomer.page.base}archive")
    browser.says("C7", ".results-room")
    browser.type("search input", "c7")
    browser.says("C7", ".results-room")
    browser.picture("5-archive")
    browser.type("search input", "r99")
    until(lambda: "C7" not in browser.text(".results-room"), what="a search that finds nothing")
    browser.open(f"{newcomer.page.base}archive?recording={name}")
    browser.says(name)
    browser.says("C7")
    browser.picture("6-recording")


def test_a_slider_moves_the_stage_while_it_is_dragged(newcomer):
    browser = newcomer.browser
    browser.open(f"{newcomer.page.base}explain")
    browser.find(".slider input[type=range]")
    browser.says("Where the signal current goes")
    # The best of a few rounds: what is slow by itself is slow in every one.
    medians_ms = []
    while len(medians_ms) < TRIES and not any(each <= MOST_EXPLAIN_MS for each in medians_ms):
        took_ms = browser.driver.execute_async_script(DRAG)
        assert len(took_ms) == 16
        medians_ms.append(statistics.median(took_ms))
    browser.picture("7-explain")
    assert min(medians_ms) <= MOST_EXPLAIN_MS


def test_a_null_run_is_done_from_the_page_and_the_next_sweep_is_said_to_go_by_it(newcomer):
    browser = newcomer.browser
    browser.open(f"{newcomer.page.base}stage")
    browser.says("No null run was made with these probes yet.")
    browser.click("a", "Do one first")
    browser.find("#start")
    browser.ready()
    drawn = browser.run("return document.querySelector('svg.schematic').textContent")
    assert "CH 1" in drawn
    assert "CH 2" in drawn
    browser.picture("8-null")
    browser.click("#start", "START")
    browser.says("Generator output: on", timeout_s=30)
    browser.find(".button.stop")
    browser.press(Keys.ESCAPE)
    browser.says("Stopped", ".null-now")
    browser.says("Generator output: off")
    browser.open(f"{newcomer.page.base}null")
    browser.click("#start", "START")
    browser.says("Channels compared", timeout_s=40)
    assert "Generator output: off" in browser.text()
    browser.picture("9-null-done")
    browser.click("a.button", "Judge a suspect in its stage")
    browser.says("Null run: made ")


def test_every_view_speaks_in_the_words_and_units_that_were_set(newcomer):
    browser = newcomer.browser
    browser.open(f"{newcomer.page.base}settings")
    try:
        for place, wanted in zip(browser.all("select"), ("mfd", "plate"), strict=False):
            Select(place).select_by_value(wanted)
            browser.says("Kept; it holds")
        until(lambda: "plate" in newcomer.page.settings.read_text(), what="the settings on disk")
        other, spoken = [], ""
        for view in (
            "",
            "stage",
            "null",
            "drawer",
            "dc",
            "replace",
            "explain",
            f"finding?recording={newcomer.recording.name}",
        ):
            browser.open(newcomer.page.base + view)
            if view == "dc":
                browser.click("label", "I have read this")
                browser.find("button", "What does it leak?")
            # What is folded away, too, and what only a screen reader says.
            said = browser.run(
                "return document.querySelector('main').textContent"
                " + [...document.querySelectorAll('main [aria-label]')].map(e => e.ariaLabel).join(' ')"
            )
            other += [
                f"{view}: {found}" for found in re.findall(r"\b(?:anode|valve|HT)\w*|\d [nµu]F\b", said)
            ]
            spoken += said
        assert other == []
        assert re.search(r"\d mfd\b", spoken)
        assert all(word in spoken for word in ("plate", "tube", "B+"))
    finally:
        browser.open(f"{newcomer.page.base}settings")
        for place, wanted in zip(browser.all("select"), ("si", "anode"), strict=False):
            Select(place).select_by_value(wanted)


def test_tags_of_other_people_are_shown_as_text(newcomer):
    browser = newcomer.browser
    browser.open(f"{newcomer.page.base}explain")
    browser.click("summary", "A stage of your own")
    # Names as somebody could have put them into a file that is handed on.
    hostile = "<img src=x onerror=window.hit=1>"
    stage = (
        f'title = "{hostile}"\ndrive = "anode {hostile}"\nfar = "grid"\n'
        f'[[part]]\nname = "C7"\nkind = "capacitor"\nbetween = ["anode {hostile}", "grid"]\nvalue = "22n"\n'
        'tolerance = "10%"\nasked = true\n'
        '[[part]]\nname = "R12"\nkind = "resistor"\nbetween = ["grid", "ground"]\nvalue = "470k"\n'
        'tolerance = "20%"\n'
    )
    area = browser.find("textarea")
    browser.run(
        "arguments[0].value = arguments[1]; arguments[0].dispatchEvent(new Event('input', {bubbles: true}))",
        area,
        stage,
    )
    browser.click("button", "Draw this stage")
    browser.says(hostile, "h2")
    assert browser.run("return document.querySelectorAll('main img').length") == 0
    assert browser.run("return window.hit") is None


def test_nothing_was_asked_of_any_other_computer(newcomer):
    # Of the whole module's visits; a browser that may look up no other name would complain, too.
    assert newcomer.browser.asked_elsewhere() == []
    assert newcomer.browser.complaints() == []
