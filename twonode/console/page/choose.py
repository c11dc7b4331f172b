"""The first view: what do you want to know?

Owns the five ways to begin, what was left unfinished, and what to do where no bench is named.
"""

from __future__ import annotations

from nicegui import ui

from twonode.console.page import pieces
from twonode.console.page.context import PageContext

__all__ = ["build"]

_WAYS: tuple[tuple[str, str, str], ...] = (
    (
        "/stage",
        "Is this capacitor still good?",
        "Judge a suspect in its stage: the set unplugged and discharged, two clips, one sweep.",
    ),
    (
        "/loose",
        "How large is this loose capacitor?",
        "Its value on the bench, with a known resistor beside it.",
    ),
    (
        "/drawer",
        "What is in my drawer?",
        "Unmarked parts, one after the other: value, likely family, what to write on the bag.",
    ),
    (
        "/dc",
        "Does it leak at working voltage?",
        "DC check from meter readings on the live set. Meter work only: never clip scope or generator on.",
    ),
    (
        "/look",
        "Look something up",
        "A marking, what may go in instead, where each frequency goes in a stage, or an old recording.",
    ),
)


def build(context: PageContext) -> None:
    """The view."""
    _unfinished(context)
    if not context.bench.named:
        _no_bench(context)
    with ui.element("ul").classes("choices five"):
        for path, name, about in _WAYS:
            with ui.element("li"), ui.element("a").classes("choice-card") as card:
                card.props["href"] = path
                pieces.text("span", name, "name")
                pieces.text("span", context.words.say(about), "about")


def build_look(context: PageContext) -> None:
    """What can be looked up."""
    ways = (
        ("/archive", "The archive", "Find, compare and print what was measured."),
        ("/marking", "A part's marking", "Letters, digits or colour dots: every reading they allow."),
        ("/replace", "A replacement", "What may go in instead, and what may not."),
        ("/explain", "A stage", "Where audio and radio frequency go, and what each fault would do."),
    )
    with ui.element("ul").classes("choices four"):
        for path, name, about in ways:
            with ui.element("li"), ui.element("a").classes("choice-card") as card:
                card.props["href"] = path
                pieces.text("span", name, "name")
                pieces.text("span", about, "about")


def _no_bench(context: PageContext) -> None:
    with pieces.panel("No bench is named yet"):
        pieces.text(
            "p",
            "Sweeps need to know which generator and scope to use: let `twonode bench` ask once, or start "
            "`twonode page` with --generator and --scope. Looking things up and DC readings need no instruments.",
        )

        def practise() -> None:
            context.bench.options["simulated"] = True
            context.client.run_javascript("location.reload()")

        pieces.button("Practise on the simulated bench", practise)


def _unfinished(context: PageContext) -> None:
    """Runs that were killed, with a button that closes them."""
    from twonode.recordings.unfinished import find_unfinished

    left = [each for each in find_unfinished(context.archive) if not each.in_use]
    if not left:
        return
    with pieces.panel("Left unfinished", "caution") as panel:
        pieces.text(
            "p",
            "A run was killed before its recording was closed. Every point it reported is on disk. If the generator "
            "was on then, nobody switched it off: look at it.",
        )
        box = pieces.trouble(context.words)
        for each in left:
            with pieces.row():
                count = f"{each.points} point{'' if each.points == 1 else 's'}"
                line = pieces.text("p", f"{each.folder.name}: {count}", "path")

                async def close(folder: object = each.folder, line: pieces.Text = line) -> None:
                    from pathlib import Path

                    from twonode.recordings.recover import recover_folder

                    with box.catching():
                        context.seat.require()
                        found = await context.in_thread(recover_folder, Path(str(folder)))
                        if found.error is not None:
                            raise found.error
                        line.set_text(
                            f"{found.folder.name}: {found.state.value}"
                            + (f", now {found.closed.name}" if found.closed is not None else "")
                        )

                pieces.button("Close it", close)
    del panel
