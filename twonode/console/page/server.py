"""The local server: one port on this computer only, its start, and its end with the output off.

Owns putting the framework behind the guard, and the loop that looks after the seat and the job. The server runs in a
thread; the main thread waits for signals, as `drivers.leaving` turns them into an orderly end.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import socket
import threading
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from tempfile import gettempdir
from typing import Any

# The framework keeps a folder of its own in the current one, unless told otherwise; nothing of ours goes there.
os.environ.setdefault("NICEGUI_STORAGE_PATH", str(Path(gettempdir()) / f"twonode-page-{os.getpid()}"))

import uvicorn
from fastapi import FastAPI
from nicegui import core, ui
from nicegui.client import Client
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.staticfiles import StaticFiles

from twonode.console.page.context import House
from twonode.console.page.frame import FILES, STATIC, visit
from twonode.console.page.guard import Access, Guard
from twonode.console.page.views import VIEWS, View

__all__ = ["HOST", "PageServer"]

log = logging.getLogger("twonode.console")

HOST = "127.0.0.1"
_RECONNECT_S = 10.0
"""How long the framework keeps a visit for a browser that lost its connection."""
_PING_S = 2.0
_PONG_S = 4.0
"""A browser that does not answer for so long is taken for gone: a tab that hangs cannot press STOP either."""
_LOOK_S = 0.25
_SLEPT_S = 5.0
"""A loop that was not there for so long slept with its computer, or was held up."""
_LAST_JOB_S = 20.0


class PageServer:
    """The page, served until it is left.

    port : free one where None. address : that works once; `access.new_address()` makes another.
    """

    def __init__(self, house: House, *, port: int | None = None) -> None:
        self.house = house
        self._socket = _listening(port)
        self.port: int = self._socket.getsockname()[1]
        self.access = Access(self.port)
        self.address = self.access.new_address()
        self.ended = threading.Event()
        self._server = uvicorn.Server(
            uvicorn.Config(
                Guard(self._application(), self.access),
                log_config=None,
                access_log=False,
                server_header=False,
                proxy_headers=False,
                ws="websockets-sansio",
                # Browsers hold their connections; nobody is left to wait for.
                timeout_graceful_shutdown=1,
            )
        )
        self._thread = threading.Thread(target=self._serve, name="page", daemon=True)

    def __enter__(self) -> PageServer:
        self._thread.start()
        while not self._server.started and self._thread.is_alive():
            time.sleep(0.01)
        if not self._server.started:
            self._socket.close()
            raise RuntimeError("the page's server did not start")
        return self

    def __exit__(self, *_: object) -> None:
        """Output off first, then the server."""
        self.house.jobs.stop("twonode was told to end")
        if not self.house.jobs.wait(_LAST_JOB_S):
            log.warning("What runs on the bench did not end within %g s.", _LAST_JOB_S)
        self._server.should_exit = True
        self._thread.join(5.0)
        self._socket.close()

    def _serve(self) -> None:
        try:
            self._server.run(sockets=[self._socket])
        finally:
            self.ended.set()

    def _application(self) -> FastAPI:
        application = FastAPI(docs_url=None, redoc_url=None, openapi_url=None, lifespan=self._lifespan)
        application.mount(FILES, StaticFiles(directory=STATIC))
        for view in VIEWS:
            ui.page(view.path)(_page(self.house, view))
        ui.run_with(
            application,
            title="twonode",
            dark=None,
            language="en-GB",
            reconnect_timeout=_RECONNECT_S,
            tailwind=False,
            show_welcome_message=False,
            binding_refresh_interval=None,
        )
        core.app.add_exception_handler(404, _nothing_there)
        # The framework allows every origin; the guard refuses them before, and this would after.
        core.sio.eio.cors_allowed_origins = list(self.access.origins)
        return application

    @contextlib.asynccontextmanager
    async def _lifespan(self, _: FastAPI) -> AsyncIterator[None]:
        loop = asyncio.get_running_loop()
        core.sio.eio.ping_interval, core.sio.eio.ping_timeout = _PING_S, _PONG_S

        def dispatch(call: Callable[[], None]) -> None:
            with contextlib.suppress(RuntimeError):  # the loop has ended; nobody looks on any more
                loop.call_soon_threadsafe(call)

        self.house.jobs.dispatch = dispatch
        looking = asyncio.create_task(_look_after(self.house))
        yield
        looking.cancel()


async def _nothing_there(request: Request, _: Exception) -> Response:
    """In our own words, for an address that was mistyped."""
    return PlainTextResponse(
        f"There is no view at {request.url.path}.\nThe page begins at {request.base_url}\n", status_code=404
    )


def _page(house: House, view: View) -> Callable[..., Any]:
    async def opened(client: Client, request: Request) -> None:
        await visit(house, view, client, request)

    return opened


async def _look_after(house: House) -> None:
    """Free the seat of a tab that has gone and stop what it left running; stop after the computer slept."""
    seen_s = time.time()
    while True:
        await asyncio.sleep(_LOOK_S)
        now_s = time.time()
        slept_s, seen_s = now_s - seen_s - _LOOK_S, now_s
        if slept_s > _SLEPT_S and house.jobs.busy:
            house.jobs.stop(
                f"this computer slept or was held up for {slept_s:.0f} s; the output may have been on all that time"
            )
        gone = house.seat.look()
        if gone is not None and house.jobs.busy:
            house.jobs.stop("the tab that had the bench was closed or lost its connection")


def _listening(port: int | None) -> socket.socket:
    """A socket on this computer's own interface, and on no other. Raises OSError where the port is taken."""
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if os.name == "posix":
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((HOST, port or 0))
    except BaseException:
        made.close()
        raise
    return made
