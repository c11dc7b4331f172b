"""Who can use the page, and who must not be able to: eyes, keyboard, zoom and phone; other sites and foreign words.

Outside references: the rules of axe-core for WCAG 2.0 to 2.2, levels A and AA (axe-core 4.4 knows none of 2.2's own, so
2.5.8, 2.4.11 and 1.4.10 are looked at here); W3C Fetch and HTML for what a browser sends along from another origin.
"""

import http.server
import shutil
import socketserver
import threading
from importlib import resources
from pathlib import Path

import pytest
from click.testing import CliRunner
from page_browser import Browser, ServedPage, missing, until
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select

from twonode.console.main import cli

pytestmark = [
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.skipif(missing() is not None, reason=missing() or ""),
]

STAGE = "wrenfield-46-driver-output"
HOSTILE = "<img src=x onerror=window.hit=1>"


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    """Two sweeps of one part, the second by somebody who means harm, and a DC check."""
    place = tmp_path_factory.mktemp("archive")
    stage = resources.files("twonode.analysis") / "stages" / f"{STAGE}.toml"
    for number, set_name in enumerate(("wrenfield-46", HOSTILE), start=1):
        options = ["--simulated", "--speed", "100", "--seed", str(number), "--archive", str(place)]
        asked = ["--stage", str(stage), "--part", "C7", "--tag", f"set={set_name}"]
        asked += ["--no-picture"] if number > 1 else []
        done = CliRunner().invoke(cli, ["sweep", *options, *asked])
        assert done.exit_code == 0, done.output
    example = resources.files("twonode.recordings") / "examples" / "format-1-dc"
    shutil.copytree(Path(str(example)), place / "2031-04-05T10-00-00Z_C7")
    return place


@pytest.fixture(scope="module")
def page(tmp_path_factory, archive):
    with ServedPage(
        tmp_path_factory.mktemp("page"), "--simulated", "--speed", "4", archive=archive
    ) as served:
        yield served


@pytest.fixture(scope="module")
def browser(page):
    with Browser(resolve="MAP evil.example 127.0.0.1 , ") as started:
        started.open(page.address)
        yield started


def _replace(browser):
    browser.find(".form-grid input")
    Select(browser.find(".form-grid select")).select_by_value("coupling")
    for place, words in zip(browser.all(".form-grid input"), ("22n", "265V", "470k"), strict=False):
        place.clear()
        place.send_keys(words)
    browser.click("button", "What may go in?")
    browser.says("In short")


def _marking(browser):
    browser.find(".panel input[type=text]").send_keys("473K 400V")
    browser.says("47")


def _dc(browser):
    browser.click("label", "I have read this")
    until(lambda: len(browser.all("main input")) > 1, what="the form")


def views(archive):
    """Address of every view, as it stands filled in, and what is done there first."""
    # Both may be of the same second, so their order by name says nothing of which is which.
    folders = [each.name for each in archive.iterdir() if each.is_dir()]
    (plain,) = (name for name in folders if "_wrenfield-46_" in name)
    (hostile,) = (name for name in folders if "_img-" in name)
    dc = next(each.name for each in archive.iterdir() if each.name >= "2031")
    return {
        "start": ("", None),
        "look": ("look", None),
        "stage": ("stage", None),
        "loose": ("loose", None),
        "continue": ("continue?recording=none", None),
        "null": ("null", None),
        "sweep": ("sweep", None),
        "finding": (f"finding?recording={plain}", None),
        "drawer": ("drawer", None),
        "dc": ("dc", _dc),
        "archive": ("archive", lambda browser: browser.says("C7", ".results-room")),
        "recording": (f"archive?recording={hostile}", None),
        "dc-recording": (f"archive?recording={dc}", None),
        "compare": (f"archive?compare={plain},{hostile}", None),
        "history": ("archive?part=C7", None),
        "explain": ("explain", None),
        "marking": ("marking", _marking),
        "replace": ("replace", _replace),
        "settings": ("settings", None),
    }


# WCAG 2.2, 2.5.8 target size (minimum): 24 by 24 CSS px, or that much room around it, or a link inside a sentence.
SMALL_TARGETS = """
const found = [];
const all = [...document.querySelectorAll("a[href], button, input, select, textarea, summary")]
  .filter((e) => e.checkVisibility() && !e.matches(".skip"));
const boxes = all.map((e) => (e.type === "checkbox" ? e.closest("label") ?? e : e).getBoundingClientRect());
all.forEach((e, place) => {
  const box = boxes[place];
  if (box.width >= 24 && box.height >= 24) return;
  if (e.matches("p a, li a, td a")) return;
  const [x, y] = [box.x + box.width / 2, box.y + box.height / 2];
  const near = boxes.some((other, there) => {
    if (there === place) return false;
    const dx = Math.max(other.left - x, 0, x - other.right), dy = Math.max(other.top - y, 0, y - other.bottom);
    return Math.hypot(dx, dy) < 12;
  });
  if (near) found.push(e.outerHTML.slice(0, 120) + ` ${box.width.toFixed()} x ${box.height.toFixed()}`);
});
return found;
"""

# What the page is wider than, and what makes it so.
TOO_WIDE = """
const root = document.documentElement;
if (root.scrollWidth <= root.clientWidth) return [];
return [`${root.scrollWidth} px in ${root.clientWidth} px`, ...[...document.querySelectorAll("main *, header *")]
  .filter((e) => e.getBoundingClientRect().right > root.clientWidth + 1)
  .slice(0, 3).map((e) => e.outerHTML.slice(0, 100))];
"""


def test_every_view_is_for_everybody_in_light_and_dark_zoomed_and_on_a_phone(browser, page, archive):
    problems = []
    for name, (address, act) in views(archive).items():
        browser.look(width=1280, height=900)
        browser.open(page.base + address)
        if act is not None:
            act(browser)
        until(lambda: "Looking" not in browser.text(), what=f"{name} at rest")
        browser.run("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
        problems += [f"{name}, light: {each}" for each in browser.barriers()]
        problems += [f"{name}, target: {each}" for each in browser.run(SMALL_TARGETS)]
        browser.picture(f"view-{name}")
        # 200 % of 1280 px is a page of 640; a phone beside the chassis; 320 is 400 % (WCAG 1.4.10).
        for width, height, touch in ((640, 450, False), (360, 740, True), (320, 256, False)):
            browser.look(width=width, height=height, scale=2, touch=touch)
            problems += [f"{name}, {width} px: {each}" for each in browser.run(TOO_WIDE)]
            if touch:
                browser.look(width=width, height=height, scale=2, touch=touch, dark=True)
                problems += [f"{name}, phone, dark: {each}" for each in browser.barriers("color-contrast")]
                problems += [f"{name}, phone, target: {each}" for each in browser.run(SMALL_TARGETS)]
                browser.picture(f"view-{name}-phone-dark")
    browser.look(width=1280, height=900)
    assert problems == []


def test_what_these_checks_are_for_is_found_by_them(browser, page):
    browser.open(f"{page.base}look")
    assert browser.barriers() == []
    browser.run(
        "document.querySelector('main').insertAdjacentHTML('beforeend', `<p style='color: #bbb; background: #fff'>faint"
        "</p><input type='text'><div style='width: 2000px'>wide</div><button style='all: unset'>a</button>"
        "<button style='all: unset'>b</button>`)"
    )
    found = " ".join(browser.barriers())
    assert "color-contrast" in found
    assert "label" in found
    assert browser.run(TOO_WIDE)
    assert len(browser.run(SMALL_TARGETS)) == 2


def test_a_finding_that_is_opened_again_has_its_picture(browser, page, archive):
    browser.open(page.base + views(archive)["finding"][0])
    assert browser.find("img.picture").get_attribute("src").startswith("data:image/png")


def test_tags_from_the_archive_are_shown_as_text(browser, page, archive):
    for name in ("archive", "recording", "compare", "history"):
        browser.open(page.base + views(archive)[name][0])
        browser.says(HOSTILE)
        assert browser.run("return document.querySelectorAll('img[src=x]').length") == 0
        assert browser.run("return window.hit") is None


FOCUSED = """
const e = document.activeElement;
const style = getComputedStyle(e);
const box = e.getBoundingClientRect();
return {
  tag: e.tagName, id: e.id, words: (e.innerText || e.getAttribute("aria-label") || "").trim(),
  key: [...document.querySelectorAll("*")].indexOf(e),
  seen: (style.outlineStyle !== "none" && parseFloat(style.outlineWidth) > 0) || style.boxShadow !== "none",
  there: box.bottom > 0 && box.top < innerHeight,
};
"""


def tab_to(browser, wanted, most=60):
    """Tab until what has the focus is wanted; all stops on the way can be seen."""
    for _ in range(most):
        browser.press(Keys.TAB)
        stop = browser.run(FOCUSED)
        assert stop["seen"], f"no focus mark on {stop}"
        assert stop["there"], f"focus outside the screen on {stop}"
        if wanted(stop):
            return stop
    raise AssertionError("not reached by Tab")


def test_keyboard_alone_gets_from_the_start_to_a_finding(browser, page):
    clicks = browser.clicks
    browser.open(page.base)
    tab_to(browser, lambda stop: "Is this capacitor still good?" in stop["words"])
    browser.press(Keys.ENTER)
    browser.find("#start")
    browser.ready()
    # Every control of the form is a stop on the way.
    reached = []
    tab_to(browser, lambda stop: reached.append(stop["key"]) or stop["id"] == "start")
    missed = browser.run(
        "return [...document.querySelectorAll('main a[href], main button, main input, main select, main summary')]"
        ".filter(e => e.checkVisibility())"
        ".filter(e => !arguments[0].includes([...document.querySelectorAll('*')].indexOf(e)))"
        ".map(e => e.outerHTML.slice(0, 120))",
        reached,
    )
    assert missed == []
    browser.press(Keys.ENTER)
    browser.find("#stop")
    assert browser.barriers() == []
    browser.prefer(dark=True)
    assert browser.barriers("color-contrast") == []
    browser.prefer(dark=False)
    browser.find(".finding-line", timeout_s=40)
    assert browser.clicks == clicks


# Other sites and foreign words --------------------------------------------------------------------------------------

FOREIGN_PAGE = """<!doctype html><title>another page of this computer</title>
<img src="{there}" onload="answers.push('image')">
<iframe src="{there}stage"></iframe>
<form id="form" method="post" action="{there}_nicegui_ws/socket.io/?EIO=4&transport=polling" target="into">
  <input name="x" value="1"></form><iframe name="into"></iframe>
<script>
  var answers = [], done = 0;
  const poll = "{there}_nicegui_ws/socket.io/?EIO=4&transport=polling";
  const asked = [
    fetch("{there}", {{ credentials: "include" }}),
    fetch(poll, {{ credentials: "include" }}),
    fetch(poll, {{ method: "POST", mode: "no-cors", credentials: "include", body: "40" }})
      .then((answer) => {{ if (answer.type !== "opaque") return answer; throw "opaque"; }}),
    new Promise((yes, no) => {{
      const socket = new WebSocket("{socket}_nicegui_ws/socket.io/?EIO=4&transport=websocket");
      socket.onopen = yes; socket.onerror = no;
    }}),
  ];
  document.getElementById("form").submit();
  Promise.allSettled(asked).then((all) => {{
    answers.push(...all.filter((each) => each.status === "fulfilled").map(String));
    done = 1;
  }});
</script>"""


class _Foreign(http.server.BaseHTTPRequestHandler):
    content = b""

    def do_GET(self):
        self.send_response(200)
        self.send_header("Content-Type", "text/html")
        self.end_headers()
        self.wfile.write(self.content)

    def log_message(self, *_):
        pass


def test_a_page_of_another_port_gets_nothing_although_its_browser_has_the_cookie(browser, page):
    # Another port of this computer is the same site: the browser sends the cookie along, SameSite or not.
    list(browser.log())
    _Foreign.content = FOREIGN_PAGE.format(
        there=page.base, socket=page.base.replace("http://", "ws://")
    ).encode()
    with socketserver.TCPServer(("127.0.0.1", 0), _Foreign) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        try:
            browser.driver.get(f"http://127.0.0.1:{server.server_address[1]}/")
            until(lambda: browser.run("return done"), what="all answers")
            until(lambda: browser.run("return document.readyState") == "complete")
            assert browser.run("return answers") == []
        finally:
            server.shutdown()
    addresses, statuses, with_cookie = {}, {}, set()
    for message in browser.log():
        said, method = message["params"], message["method"]
        if method in ("Network.requestWillBeSent", "Network.webSocketCreated"):
            addresses[said["requestId"]] = said.get("url") or said["request"]["url"]
        elif method == "Network.responseReceivedExtraInfo":
            statuses[said["requestId"]] = said["statusCode"]
        elif method == "Network.requestWillBeSentExtraInfo":
            sent = [each for each in said["associatedCookies"] if not each["blockedReasons"]]
            with_cookie |= {said["requestId"]} if sent else set()
    here = {
        number: address.partition(f":{page.port}/")[2]
        for number, address in addresses.items()
        if f":{page.port}/" in address
    }
    # Of a websocket that was not opened nothing is told but that; it is in the answers if it was.
    sockets = {number for number, address in here.items() if "websocket" in address}
    assert len(sockets) == 1
    assert {statuses.get(number) for number in here if number not in sockets} == {403}
    assert with_cookie & set(here), "the browser had nothing that could have opened the page"
    assert {"", "stage"} < set(here.values())
    browser.open(page.base)  # and it still works for whom it is


def test_an_address_that_was_mistyped_is_said_in_plain_words(browser, page):
    browser.driver.get(f"{page.base}swep")
    assert browser.text("body").startswith("There is no view at /swep.")
    assert page.base in browser.text("body")


def test_a_foreign_name_for_this_computer_is_refused(browser, page):
    # As when a site's name is made to point here after it was loaded (DNS rebinding).
    browser.driver.get(f"http://evil.example:{page.port}/")
    assert "Refused. The Host header names another computer or port." in browser.text("body")


class _Liar(socketserver.StreamRequestHandler):
    """An instrument that answers every question with markup."""

    def handle(self):
        for line in self.rfile:
            if b"?" in line:
                self.wfile.write(HOSTILE.encode() + b"\n")


def test_what_an_instrument_answers_is_shown_as_text(browser, tmp_path):
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), _Liar) as server:
        server.daemon_threads = True
        threading.Thread(target=server.serve_forever, daemon=True).start()
        address = f"TCPIP0::127.0.0.1::{server.server_address[1]}::SOCKET"
        try:
            with ServedPage(tmp_path, "--generator", address, "--scope", address) as page:
                browser.open(page.address)
                browser.open(f"{page.base}loose")
                browser.find(".control input")
                for label, words in (("Known resistor", "100k"), ("Marked value", "22n")):
                    browser.run(
                        "const place = [...document.querySelectorAll('.control')]"
                        ".find(e => e.innerText.startsWith(arguments[0])).querySelector('input');"
                        "place.value = arguments[1]; place.dispatchEvent(new Event('input'))",
                        label,
                        words,
                    )
                browser.click("#start")
                browser.says("onerror=window.hit=1", ".trouble")
                browser.picture("hostile-instrument")
                assert browser.run("return document.querySelectorAll('img[src=x]').length") == 0
                assert browser.run("return window.hit") is None
        finally:
            server.shutdown()
