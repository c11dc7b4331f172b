"""``twonode archive``: the group of commands that look after filed recordings."""

from __future__ import annotations

import click

from twonode.console.lazygroup import LazyGroup

__all__ = ["SUBCOMMANDS", "archive"]

# Name to module, attribute and summary.
SUBCOMMANDS: dict[str, tuple[str, str, str]] = {
    "list": ("twonode.console.archive_find", "list_", "Every recording, newest first."),
    "find": ("twonode.console.archive_find", "find", "Recordings by words and by conditions."),
    "show": ("twonode.console.archive_show", "show", "One recording in twenty lines."),
    "note": ("twonode.console.archive_note", "note", "Add a note, or a correction with its reason."),
    "verify": ("twonode.console.archive_verify", "verify", "Show that recordings are unchanged."),
    "compare": ("twonode.console.archive_compare", "compare", "Before and after, this year and last."),
    "import": ("twonode.console.archive_import", "import_", "Readings made by hand or by any other means."),
    "export": (
        "twonode.console.archive_export",
        "export",
        "CSV, JSON, MATLAB, or a circuit simulator's deck.",
    ),
    "rebuild": ("twonode.console.archive_find", "rebuild", "Make the search index anew from the folders."),
    "discard": ("twonode.console.archive_trash", "discard", "Put recordings aside; nothing is deleted."),
    "restore": ("twonode.console.archive_trash", "restore", "Bring a discarded recording back."),
    "recover": ("twonode.console.archive_recover", "recover", "Close what a killed run left."),
}


class _Archive(LazyGroup):
    """The archive's commands."""

    table = SUBCOMMANDS


@click.group(cls=_Archive)
def archive() -> None:
    """Find, check and hand on what was measured.

    A recording is a folder that any BagIt tool can check; the search index beside them can be made anew at any time.

    \b
    Examples:
      twonode archive find coupling --set wrenfield-46 --value 20n..25n
      twonode archive verify
    """
