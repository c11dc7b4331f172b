"""What a browser test talks to, as processes of their own: the page as somebody starts it, and a bench to measure on.

Owns starting and ending both, waiting, and asking the bench's generator for its output without the page.
"""

from __future__ import annotations

import contextlib
import json
import os
import pty
import re
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

__all__ = ["HOME", "ServedBench", "ServedPage", "until"]

HOME = "127.0.0.1"
_COMMAND = [sys.executable, "-c", "from twonode.console.main import main; main()"]


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
        self._link = socket.create_connection((HOME, port), timeout=10)

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
