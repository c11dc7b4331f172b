"""``twonode page``: the local page, served until it is told to end.

Owns the command's options and what is said in the terminal. Loads the framework only when it runs.
"""

from __future__ import annotations

import logging
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from twonode.console.options import (
    archive_option,
    bench_options,
    common_options,
    default_archive,
    simulation_options,
)
from twonode.errors import TwonodeError

if TYPE_CHECKING:
    from twonode.console.page.guard import Access
    from twonode.console.page.server import PageServer

__all__ = ["PortTaken", "name_bench", "page"]


class PortTaken(TwonodeError):
    """The port that was asked for cannot be had."""


@click.command()
@click.option("--port", type=click.IntRange(1024, 65535), help="Port of the page.  [default: a free one]")
@click.option("--browser/--no-browser", default=True, help="Open the page in a browser.  [default: open it]")
@bench_options
@simulation_options
@archive_option
@common_options
def page(**options: Any) -> int:
    """Do the whole job on a local page: hook-up drawing, big start and STOP, the finding in large words.

    The page is for one person at this computer: it is served on 127.0.0.1 only, under an address that works once and
    opens by itself. Nothing is loaded from the internet. It ends with Ctrl-C, and the generator's output goes off.

    \b
    Examples:
      twonode page --simulated
      twonode page --archive ~/wrenfield
      twonode page --no-browser --port 8046

    Without instruments the page still reads markings, explains stages, takes DC readings and shows the archive.

    SAFETY: never sweep a powered set. The page asks for the same confirmation as `twonode sweep`: unplugged,
    discharged, both nodes checked with a meter. DC checks are meter work on a live set, which can kill.
    Untested on hardware.
    """
    from twonode.console.page.context import BenchChoice, House
    from twonode.console.page.job import JobRunner
    from twonode.console.page.seat import Seat
    from twonode.console.page.server import PageServer
    from twonode.drivers.leaving import leaving

    _quieten(debug=options["debug"])
    bench = BenchChoice(options)
    name_bench(options)
    jobs = JobRunner(bench.open)
    house = House(
        archive=options["archive"] or default_archive(),
        bench=bench,
        jobs=jobs,
        seat=Seat(),
    )
    told = threading.Event()
    foreign: list[KeyboardInterrupt] = []

    def interrupted(exc: KeyboardInterrupt) -> None:
        foreign.append(exc)
        told.set()

    jobs.on_interrupt = interrupted
    with leaving():
        try:
            server = PageServer(house, port=options["port"])
        except OSError as exc:
            raise PortTaken(
                f"Port {options['port']} cannot be had ({exc.strerror or exc}).",
                "The page cannot be served there.",
                "Leave --port out for a free one, or end what uses it.",
            ) from exc
        with server:
            _say(server, house.archive, as_json=options["as_json"], browser=options["browser"])
            while not told.is_set() and not server.ended.is_set():
                told.wait(0.5)
    if foreign:
        raise foreign[0]
    return 0


def name_bench(options: dict[str, Any]) -> None:
    """What the bench file remembers, where the command line says nothing; no bench at all is no mistake here.

    Raises UsageError for one that is named by halves, BenchFileError.
    """
    from twonode.console.benches import check_bench_options

    try:
        check_bench_options(options)
    except click.UsageError:
        if any(options[name] for name in ("simulated", "generator", "scope", "faults", "true")):
            raise


def _say(server: PageServer, archive: Path, *, as_json: bool, browser: bool) -> None:
    if as_json:
        import json

        print(json.dumps({"format": 1, "page": server.address, "port": server.port, "archive": str(archive)}))
        sys.stdout.flush()
    else:
        print(f"The page: {server.address}")
        print("This address works once. Press Enter for another one, Ctrl-C to end.", flush=True)
    if browser:
        import webbrowser

        if not webbrowser.open(server.address):
            print("No browser could be opened; open the address by hand.", file=sys.stderr)
    if sys.stdin is not None and sys.stdin.isatty() and not as_json:
        threading.Thread(target=_fresh_addresses, args=(server.access,), daemon=True).start()


def _fresh_addresses(access: Access) -> None:
    """Another address for every Enter."""
    for _ in sys.stdin:
        print(f"The page: {access.new_address()}", flush=True)


def _quieten(*, debug: bool) -> None:
    """The framework's own log belongs to --debug."""
    if not debug:
        for name in ("uvicorn", "uvicorn.error", "nicegui", "socketio", "engineio", "asyncio"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
