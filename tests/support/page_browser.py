"""The page as a person has it: the command as a process, and a headless Chromium that looks at what it serves.

Owns starting and ending both, waiting, clicking, and what is read from the browser: its requests, its pictures, when a
dot was painted. Also a bench in a process of its own, whose output can be asked for without the page.

Screenshots go to the folder named by TWONODE_SCREENSHOTS, else to one below the system's temporary folder.
"""

from __future__ import annotations

import base64
import contextlib
import json
import os
import pty
import re
import select
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from importlib import resources
from pathlib import Path
from tempfile import TemporaryDirectory, gettempdir
from typing import Any
from urllib.parse import urlsplit

from selenium import webdriver
from selenium.common.exceptions import WebDriverException
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement

__all__ = ["Browser", "ServedBench", "ServedPage", "missing", "until"]

_COMMAND = [sys.executable, "-c", "from twonode.console.main import main; main()"]
_HOME = "127.0.0.1"
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


def until(
    wanted: Callable[[], Any], timeout_s: float = 20.0, *, every_s: float = 0.02, what: str = ""
) -> Any:
    """What ``wanted`` returns once it is true; AssertionError where that takes too long."""
    end_s = time.monotonic() + timeout_s
    while True:
        found = wanted()
        if found:
            return found
        assert time.monotonic() < end_s, f"not within {timeout_s:g} s: {what or wanted}"
        time.sleep(every_s)


class ServedPage:
    """``twonode page`` as a process, with settings and bench file of its own.

    address : that works once. stderr : file of what it complained about.
    """

    def __init__(self, folder: Path, *options: str, archive: Path | None = None) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.archive = archive or folder / "archive"
        self.stderr = folder / "stderr.txt"
        self.settings = folder / "page.json"
        # A terminal, so that Enter asks for another address.
        self._keyboard, theirs = pty.openpty()
        environment = {
            "TWONODE_PAGE": str(self.settings),
            "TWONODE_BENCH": str(folder / "no-bench.toml"),
        }
        with self.stderr.open("w") as complaints:
            self.process = subprocess.Popen(
                [*_COMMAND, "page", "--no-browser", "--archive", str(self.archive), *options],
                stdin=theirs,
                stdout=subprocess.PIPE,
                stderr=complaints,
                text=True,
                bufsize=1,
                env=os.environ | environment,
                start_new_session=True,
            )
        os.close(theirs)
        self.address = self._next_address()
        self.base = self.address.partition("?")[0]
        self.port = int(self.base.rstrip("/").rpartition(":")[2])

    def __enter__(self) -> ServedPage:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGCONT)  # one that was held cannot end
            self.process.terminate()
            try:
                self.process.wait(20)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()
        with contextlib.suppress(OSError):
            os.close(self._keyboard)

    def _next_address(self) -> str:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            found = re.search(r"http://\S+", line)
            if found:
                return found[0]
        raise AssertionError(f"no address was printed: {self.stderr.read_text()}")

    def another_address(self) -> str:
        """Enter in the terminal."""
        os.write(self._keyboard, b"\n")
        return self._next_address()

    @property
    def resident_mb(self) -> float:
        """Resident set of the process, from /proc."""
        pages = int(Path(f"/proc/{self.process.pid}/statm").read_text(encoding="ascii").split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


class ServedBench:
    """``twonode simulate`` as a process: instruments at addresses, whose output is asked for without the page."""

    def __init__(self, *options: str) -> None:
        self.process = subprocess.Popen(
            [*_COMMAND, "simulate", "--json", *options],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            start_new_session=True,
        )
        assert self.process.stdout is not None
        said = json.loads(self.process.stdout.readline())
        self.options = ("--generator", said["generator"], "--scope", said["scope"])
        port = int(said["generator"].split("::")[2])
        self._link = socket.create_connection((_HOME, port), timeout=10)

    def __enter__(self) -> ServedBench:
        return self

    def __exit__(self, *_: object) -> None:
        self._link.close()
        self.process.terminate()
        self.process.wait(20)
        assert self.process.stdout is not None
        self.process.stdout.close()

    @property
    def output_on(self) -> bool:
        """What the generator itself answers (SCPI: OUTPut:STATe?)."""
        self._link.sendall(b"OUTP?\n")
        answer = b""
        while not answer.endswith(b"\n"):
            select.select([self._link], [], [], 10)
            answer += self._link.recv(100)
        return answer.strip() in (b"1", b"ON")

    def last_on_s(self, over: Callable[[], bool], timeout_s: float = 40.0) -> float:
        """When the output was last seen on, as `time.time` has it, once ``over`` is so: a sweep has pauses, too."""
        last_s = 0.0

        def watched() -> bool:
            nonlocal last_s
            asked_s = time.time()
            if self.output_on:
                last_s = asked_s
                return False
            return over()

        until(watched, timeout_s, every_s=0.002, what="the output off for good")
        return last_s


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
            f"--host-resolver-rules={resolve}MAP * ~NOTFOUND , EXCLUDE {_HOME}",
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
            if parts.scheme in ("http", "https", "ws", "wss") and parts.hostname != _HOME:
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
