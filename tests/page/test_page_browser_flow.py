"""The whole job in a real browser, on the simulated bench: from the command to a saved finding, and looking it up."""

import json
import statistics
from dataclasses import dataclass, field

import pytest
from page_browser import Browser, ServedPage, missing, until

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


@dataclass
class Newcomer:
    """What somebody saw who only knows the command."""

    page: ServedPage
    browser: Browser
    clicks: int = 0
    keys: int = 0
    counts: list[int] = field(default_factory=list)
    values: list[str] = field(default_factory=list)
    left: list[str] = field(default_factory=list)
    finding: str = ""
    finding_height_px: float = 0.0
    elsewhere: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    @property
    def recording(self):
        (folder,) = (
            each for each in self.page.archive.iterdir() if each.is_dir() and "null" not in each.name
        )
        return folder


@pytest.fixture(scope="module")
def newcomer(tmp_path_factory):
    folder = tmp_path_factory.mktemp("newcomer")
    with Browser() as browser, ServedPage(folder, "--simulated", "--speed", "2") as page:
        seen = Newcomer(page, browser)
        browser.open(page.address)
        browser.picture("1-start")
        browser.click("a.choice-card", "Is this capacitor still good?")
        browser.find("#start")
        browser.ready()
        browser.picture("2-hookup")
        browser.click("#start", "START")

        def ended():
            now = browser.quietly(
                "return [location.pathname, document.querySelectorAll('.live-plot circle:not(.key)').length / 2,"
                "document.querySelector('.reading')?.innerText, document.querySelector('main')?.innerText]"
            )
            if now is None:
                return False
            where, count, value, words = now
            if where == "/sweep":
                if count not in seen.counts:
                    seen.counts.append(count)
                    if count == 3:
                        browser.picture("3-sweep")
                if value and value not in seen.values:
                    seen.values.append(value)
                seen.left += [line for line in words.splitlines() if " left" in line]
            return where == "/finding"

        until(ended, 40, what="the finding")
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
    # One by one, not all at the end; a look between two of them may miss one.
    assert len([count for count in newcomer.counts if 0 < count < total]) >= total // 2
    assert newcomer.counts == sorted(newcomer.counts)
    assert any("nF" in value for value in newcomer.values)
    assert newcomer.left


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
    # Each move ends when what it changed was painted.
    took_ms = browser.driver.execute_async_script("""
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
    """)
    browser.picture("7-explain")
    assert len(took_ms) == 16
    assert statistics.median(took_ms) <= MOST_EXPLAIN_MS


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
