"""What stands around every view: head, navigation, who has the bench, what is still to be closed, and the page's ends.

Owns the frame and the way a visit is opened. What is inside belongs to the views.
"""

from __future__ import annotations

import inspect
import logging
from pathlib import Path

from nicegui import ui
from nicegui.client import Client
from nicegui.element import Element
from starlette.requests import Request

import twonode
from twonode.console.page import pieces
from twonode.console.page.context import House, PageContext, SeatVisit
from twonode.console.page.job import JobChanged, JobState, OutputState
from twonode.console.page.running import stop_button
from twonode.console.page.settings import Theme
from twonode.console.page.views import VIEWS, View
from twonode.console.page.words import Words

__all__ = ["FILES", "visit"]

log = logging.getLogger("twonode.console")

FILES = "/twonode"
"""Where our own style sheets and scripts are served."""
STATIC = Path(__file__).parent / "static"


async def visit(house: House, view: View, client: Client, request: Request) -> None:
    """Fill one visit's page."""
    context = PageContext(
        house=house,
        client=client,
        query=dict(request.query_params),
        words=Words(house.settings),
        seat=SeatVisit(house.seat, client),
    )
    _seat_follows(context)
    _head(context)
    client.title = f"{view.title} – twonode"
    with client.layout:
        above = ui.element("div").classes("page-width")
        with above:
            pieces.link("Skip to the content", "#content", "skip")
            _top(view)
            with ui.element("section").props('aria-label="The bench"'):
                _bands(context)
        # The framework's page is the <main> element; head and bands stand before it.
        above.move(client.layout, target_index=0)
        with ui.element("footer").classes("page-width"):
            pieces.text(
                "p",
                f"twonode {twonode.__version__}, untested on hardware. Sweeps only on a set that is unplugged, "
                "discharged and checked. Local codes and licensed practice come first.",
            )
    _main_of(client).props("id=content tabindex=-1").classes("page-width")
    pieces.text("h1", view.title)
    await _fill(context, view)


def _main_of(client: Client) -> Element:
    slot = client.content.parent_slot
    assert slot is not None, "the framework puts the content into its page"
    return slot.parent


async def _fill(context: PageContext, view: View) -> None:
    try:
        build = view.builder()
    except ImportError as exc:
        log.warning("view %s is not there: %s", view.path, exc)
        pieces.text("p", "This view is not part of this version; the command line has it.")
        return
    box = pieces.trouble(context.words)
    try:
        made = build(context)
        if inspect.isawaitable(made):
            await made
    except Exception as exc:
        # The head stays, so that the way to other views does.
        log.debug("view %s could not be built", view.path, exc_info=True)
        box.show(exc)


def _seat_follows(context: PageContext) -> None:
    """The seat hears of this visit's arrivals and departures."""
    seat, client = context.house.seat, context.client
    known: list[str] = []
    # Before anything is sent: until the browser has this page, the one it replaces keeps its connection.
    seat.expect(client.id)

    def arrived() -> None:
        if client.tab_id is not None:
            known.append(client.tab_id)
            seat.arrive(client.tab_id, client.id)
            for callback in tuple(seat.on_change):
                callback()

    def left() -> None:
        if known:
            seat.depart(known.pop())

    client.on_connect(arrived)
    client.on_disconnect(left)


def _head(context: PageContext) -> None:
    theme = context.settings.theme
    forced = "" if theme is Theme.AUTO else f'document.documentElement.dataset.theme = "{theme.value}";'
    # Quasar's own styles lie in layers, which ours, without one, always win against.
    ui.add_head_html(
        f'<link rel="stylesheet" href="{FILES}/page.css?{twonode.__version__}">'
        f'<link rel="stylesheet" href="{FILES}/views.css?{twonode.__version__}">'
        f'<script src="{FILES}/page.js?{twonode.__version__}"></script>'
        f'<script>document.documentElement.lang = "en"; {forced}</script>'
    )


def _top(view: View) -> None:
    with ui.element("header").classes("top"):
        pieces.link("twonode", "/", "brand").props('aria-label="twonode: start"')
        with ui.element("nav").props('aria-label="Views"'):
            for each in VIEWS:
                if each.short is None:
                    continue
                made = pieces.link(each.short, each.path, "nav")
                if each is view:
                    made.props("aria-current=page")


def _bands(context: PageContext) -> None:
    """What holds for the whole page: a simulated bench, who has it, what runs or went wrong."""
    if context.bench.named:
        kind = "simulated" if context.bench.simulated else "named"
        pieces.text("p", context.bench.words() + ".", f"band {kind}")
    _seat_band(context)
    _job_band(context)
    _connection_band()


def _seat_band(context: PageContext) -> None:
    band = ui.element("div").classes("band seat").props("role=status aria-live=polite")

    def show() -> None:
        if context.client.is_deleted or not context.client.has_socket_connection:
            return
        band.clear()
        if context.seat.mine:
            return
        with band:
            if context.seat.seat.holder is None:
                pieces.text("p", "Nobody has the bench now.")

                def take() -> None:
                    if context.client.tab_id is not None:
                        context.seat.seat.take(context.client.tab_id)

                pieces.button("Use the bench here", take)
            else:
                pieces.text(
                    "p",
                    "Another tab has the bench; this one looks on and cannot act on it. "
                    "Close that tab to use the bench here.",
                )

    context.seat.on_change(show)
    context.client.on_connect(show)


def _job_band(context: PageContext) -> None:
    """On every view but its own: that something runs, with STOP; and an output of which nothing is known."""
    band = ui.element("div").classes("band job")

    def show() -> None:
        band.clear()
        job = context.jobs.current
        if job is None:
            return
        with band:
            if job.output is OutputState.UNKNOWN:
                with ui.element("div").classes("trouble").props("role=alert"):
                    pieces.text("p", "The state of the generator's output is UNKNOWN.", "what")
                    pieces.text("p", "A signal may still be applied to the circuit.")
                    pieces.text("p", "Switch the output off at the generator itself.")
            elif not job.state.over and context.client.page.path != job.view:
                output = (
                    "" if job.output is OutputState.NOT_USED else f" Generator output: {job.output.value}."
                )
                pieces.text("p", f"{job.title}: {job.state.value}.{output}")
                if job.state is JobState.RUNNING:
                    stop_button(job)
                pieces.link("Look at it", job.view)

    def heard(event: object) -> None:
        if isinstance(event, JobChanged):
            show()

    show()
    context.listen(heard)


def _connection_band() -> None:
    """Said by the browser itself when the program does not answer any more."""
    with ui.element("div").classes("band lost").props("id=connection-lost role=alert hidden"):
        pieces.text("p", "The connection to twonode is lost.", "what")
        pieces.text(
            "p",
            "STOP does not reach the generator from here any more. If twonode was ended, it switched the output off. "
            "If it was killed, nobody did: look at the generator, and switch its output off there. Measured points "
            "are kept on disk.",
        )
        pieces.text("p", "Start `twonode page` again; it names what was left unfinished.")
