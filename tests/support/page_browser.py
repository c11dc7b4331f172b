"""The page as a person has it: a headless Chromium that looks at what the command serves.

Owns starting and ending it, clicking, and what is read from it: its requests, its pictures, when a dot was painted.
The command itself is `page_served`'s.

Screenshots go to the folder named by TWONODE_SCREENSHOTS, else to one below the system's temporary folder.
"""

from __future__ import annotations

import base64
import contextlib
import json
import os
import shutil
import signal
from collections.abc import Iterator
from importlib import resources
from pathlib import Path
from tempfile import TemporaryDirectory, gettempdir
from typing import Any
from urllib.parse import urlsplit

from page_served import HOME, ServedBench, ServedPage, until
from selenium import webdriver
from selenium.common.exceptions import WebDriverException
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement

__all__ = ["Browser", "ServedBench", "ServedPage", "missing", "until"]

_WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]

# When a dot is on the screen, which is after the frame that follows it, and when something was clicked. The browser's
# clock is this computer's. What a sweep showed is kept for the tab, from view to view: a look from outside comes late.
_WATCH_PAGE = """
window.paintedDots = {};
new MutationObserver(() => {
  const side = document.querySelector(".live-side");
  if (side) {
    const state = JSON.stringify([
      document.querySelectorAll(".live-plot .dot").length / 2,
      side.querySelector(".reading")?.textContent,
      side.textContent.match(/about [^.]*? left/)?.[0] ?? "",
    ]);
    if (state !== window.lastState) {
      window.lastState = state;
      sessionStorage.sweepSeen = (sessionStorage.sweepSeen ?? "") + state + "\\n";
    }
  }
  for (const dot of document.querySelectorAll(".live-plot .dot")) {
    const n = dot.dataset.n;
    if (n in window.paintedDots) continue;
    window.paintedDots[n] = null;
    requestAnimationFrame(() => setTimeout(() => { window.paintedDots[n] = Date.now(); }, 0));
  }
}).observe(document, { childList: true, subtree: true, characterData: true });
window.addEventListener("click", () => { window.clickedAt = Date.now(); }, { capture: true });
"""


def missing() -> str | None:
    """Why no browser test can run here; None where one can."""
    absent = [name for name in ("chromium", "chromedriver") if shutil.which(name) is None]
    return f"needs {' and '.join(absent)} (Debian: chromium, chromium-driver)" if absent else None


class Browser:
    """A headless Chromium of its own.

    clicks, keys : how often the person clicked or pressed a key, as far as it went through here.
    resolve : rules before the one that finds no other computer than this one.
    """

    def __init__(self, *, size: tuple[int, int] = (1280, 900), resolve: str = "") -> None:
        self.clicks = 0
        self.keys = 0
        self._profile = TemporaryDirectory(prefix="twonode-browser-", ignore_cleanup_errors=True)
        options = webdriver.ChromeOptions()
        options.binary_location = shutil.which("chromium") or ""
        for argument in (
            "--headless=new",
            "--no-sandbox",
            "--disable-dev-shm-usage",
            f"--window-size={size[0]},{size[1]}",
            f"--host-resolver-rules={resolve}MAP * ~NOTFOUND , EXCLUDE {HOME}",
            "--disable-background-networking",
            f"--user-data-dir={self._profile.name}",
        ):
            options.add_argument(argument)
        options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
        service = Service(shutil.which("chromedriver"), popen_kw={"start_new_session": True})
        self._service = service
        self.driver = webdriver.Chrome(options=options, service=service)
        self._tabs = [self.driver.current_window_handle]
        self._killed = False
        self.driver.set_script_timeout(20)
        self._watch()

    def __enter__(self) -> Browser:
        return self

    def __exit__(self, *_: object) -> None:
        # Asking it to quit can take a minute on a busy computer, and nothing of it is wanted any more.
        if not self._killed:
            self.kill()
        self.driver.command_executor.close()
        self._profile.cleanup()

    def _watch(self) -> None:
        """Of this tab, from its next page on."""
        self.command("Page.addScriptToEvaluateOnNewDocument", source=_WATCH_PAGE)

    def new_tab(self, address: str) -> None:
        """Another tab, which is looked at from now on."""
        self.driver.switch_to.new_window("tab")
        self._tabs.append(self.driver.current_window_handle)
        self._watch()
        self.open(address)

    def to_tab(self, number: int) -> None:
        """Look at another tab; number : in the order they were opened."""
        self.driver.switch_to.window(self._tabs[number])

    def back_to_first_tab(self) -> None:
        """Close the tab that was opened last, which is looked at."""
        self.driver.close()
        self._tabs.pop()
        self.to_tab(0)

    def kill(self) -> None:
        """As if its process had died; driver and browser are a process group of their own."""
        self._killed = True
        os.killpg(self._service.process.pid, signal.SIGKILL)
        self._service.process.wait()

    def command(self, name: str, **parameters: Any) -> Any:
        """A command of the browser's own debugging protocol."""
        return self.driver.execute_cdp_cmd(name, parameters)

    def run(self, script: str, *arguments: Any) -> Any:
        """JavaScript; what it returns."""
        return self.driver.execute_script(script, *arguments)

    # Going about -------------------------------------------------------------------------------------------------

    def open(self, address: str) -> None:
        """Go there, and wait until the page answers clicks."""
        self.driver.get(address)
        self.ready()

    def at(self, path: str) -> bool:
        """Whether the view on the screen has this path."""
        return bool(self.quietly("return location.pathname") == path)

    def ready(self) -> None:
        """Until the page on the screen is connected."""
        until(
            lambda: self.quietly("return window.did_handshake === true && !!document.querySelector('h1')"),
            what="the page's connection",
        )

    def quietly(self, script: str) -> Any:
        """As `run`; None on the way from one view to the next, where there is nothing to ask."""
        with contextlib.suppress(WebDriverException):
            return self.run(script)
        return None

    def all(self, css: str) -> list[WebElement]:
        """What fits, now."""
        return self.driver.find_elements(By.CSS_SELECTOR, css)

    def text(self, css: str = "main") -> str:
        """All words of the first that fits and is shown, once there is one."""
        found: list[str] = []
        until(lambda: found.append(self._text(css)) or found[-1] is not None, what=f"words in {css}")
        return found[-1]

    def _text(self, css: str) -> str | None:
        return self.quietly(
            f"return [...document.querySelectorAll({json.dumps(css)})].find(e => e.checkVisibility())?.innerText"
        )

    def says(self, words: str, css: str = "main", timeout_s: float = 20.0) -> str:
        """All words of what fits, once they hold these."""
        with_them: list[str] = []

        def said() -> bool:
            found = self.quietly(
                # What is not shown would be told as well, were it not left out.
                f"return [...document.querySelectorAll({json.dumps(css)})].filter(e => e.checkVisibility())"
                ".map(e => e.innerText).join('\\n')"
            )
            with_them[:] = [found or ""]
            return words in with_them[0]

        try:
            until(said, timeout_s)
        except AssertionError:
            raise AssertionError(f"{words!r} is not said in {css}: {with_them[0][:1500]}") from None
        return with_them[0]

    def find(self, css: str, words: str | None = None, timeout_s: float = 20.0) -> WebElement:
        """The first that fits and is shown, once there is one; words : that it says."""

        def found() -> WebElement | None:
            with contextlib.suppress(WebDriverException):
                for each in self.all(css):
                    if each.is_displayed() and (words is None or words in each.text):
                        return each
            return None

        return until(found, timeout_s, what=f"{css} {words or ''} at {self.driver.current_url}")

    def click(self, css: str, words: str | None = None) -> None:
        """One click on the first that fits."""
        self.find(css, words).click()
        self.clicks += 1

    def press(self, *keys: str) -> None:
        """Keys on whatever has the focus."""
        webdriver.ActionChains(self.driver, duration=0).send_keys(*keys).perform()
        self.keys += len(keys)

    def type(self, css: str, words: str) -> None:
        """Words in place of those that are there."""
        place = self.find(css)
        place.clear()
        place.send_keys(words)
        self.keys += len(words)

    @property
    def clicked_s(self) -> float:
        """When something was clicked last on this tab's page, as `time.time` has it."""
        return float(self.run("return window.clickedAt")) / 1000.0

    def dots(self) -> list[int]:
        """Numbers of the points that are drawn, in either panel."""
        found = self.quietly(
            "return [...document.querySelectorAll('.live-plot .dot')].map(e => +e.dataset.n)"
        )
        return sorted(set(found or ()))

    def sweep_seen(self) -> list[tuple[int, str, str]]:
        """Everything that sweeps showed in this tab, in order: number of dots, value, time left."""
        lines = self.run("return sessionStorage.sweepSeen ?? ''").splitlines()
        return [tuple(json.loads(line)) for line in lines]

    # What is read off --------------------------------------------------------------------------------------------

    def look(
        self, *, width: int, height: int, dark: bool = False, scale: float = 1.0, touch: bool = False
    ) -> None:
        """Another screen: its size in CSS pixels, and what the person prefers."""
        self.command(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=scale,
            mobile=touch,
        )
        self.prefer(dark=dark)

    def prefer(self, *, dark: bool) -> None:
        """Light or dark, as the system would ask for."""
        value = "dark" if dark else "light"
        self.command(
            "Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": value}]
        )

    def picture(self, name: str) -> Path:
        """The whole page as PNG, kept as the test's artefact."""
        folder = Path(os.environ.get("TWONODE_SCREENSHOTS") or Path(gettempdir()) / "twonode-screenshots")
        folder.mkdir(parents=True, exist_ok=True)
        wide, tall = until(
            lambda: self.quietly("return [innerWidth, Math.max(innerHeight, document.body.scrollHeight)]"),
            what="a page to take a picture of",
        )
        shot = self.command(
            "Page.captureScreenshot",
            captureBeyondViewport=True,
            optimizeForSpeed=True,
            clip={"x": 0, "y": 0, "width": wide, "height": min(tall, 4000), "scale": 1},
        )
        place = folder / f"{name}.png"
        place.write_bytes(base64.b64decode(shot["data"]))
        return place

    def log(self) -> Iterator[dict[str, Any]]:
        """What the network did since the last time that was asked."""
        for entry in self.driver.get_log("performance"):
            message = json.loads(entry["message"])["message"]
            if message["method"].startswith("Network."):
                yield message

    def asked_elsewhere(self) -> list[str]:
        """Addresses on any other computer that something was asked of since the last time."""
        found = []
        for message in self.log():
            parameters = message["params"]
            address = parameters.get("request", {}).get("url") or (
                parameters.get("url", "") if message["method"] == "Network.webSocketCreated" else ""
            )
            parts = urlsplit(address)
            if parts.scheme in ("http", "https", "ws", "wss") and parts.hostname != HOME:
                found.append(address)
        return found

    def barriers(self, *rules: str) -> list[str]:
        """What axe-core finds serious or critical on the page as it stands; rules : those of WCAG A and AA."""
        if not self.run("return !!window.axe"):
            script = resources.files("axe_core_python").joinpath("axe.min.js").read_text(encoding="utf-8")
            # Through the debugging protocol: the page itself may load no foreign script.
            self.command("Runtime.evaluate", expression=script)
        only = {"type": "rule", "values": rules} if rules else {"type": "tag", "values": _WCAG}
        found = self.driver.execute_async_script(
            "const [only, done] = arguments;"
            "axe.run(document, {runOnly: only, resultTypes: ['violations', 'passes']}).then(done)",
            only,
        )
        assert found["passes"], "nothing was looked at"
        return [
            f"{each['id']}: {each['nodes'][0]['html'][:150]} {each['nodes'][0].get('failureSummary', '')[:200]}"
            for each in found["violations"]
            if each["impact"] in ("serious", "critical")
        ]

    def complaints(self) -> list[str]:
        """What the browser's console holds of errors since the last time."""
        return [entry["message"] for entry in self.driver.get_log("browser") if entry["level"] == "SEVERE"]
