"""A recording in the words of a list: value, finding, who and what.

Owns the wording that `archive list`, `find` and `show` share.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from twonode.recordings.entry import Entry, Worth

__all__ = ["about_words", "created_words", "finding_words", "one_line", "remark_words", "worth_words"]


def worth_words(worth: Worth | None) -> str:
    """ "20.99 ± 0.13 nF", "at least 5.20 GΩ", or nothing."""
    from twonode.analysis.quantities import format_plus_minus, format_quantity

    if worth is None:
        return ""
    if worth.value is not None:
        if worth.half_width is None:
            return format_quantity(worth.value, worth.unit)
        return format_plus_minus(worth.value, worth.half_width, worth.unit)
    bounds = (("at least", worth.at_least), ("at most", worth.at_most))
    return ", ".join(
        f"{words} {format_quantity(bound, worth.unit)}" for words, bound in bounds if bound is not None
    )


def finding_words(entry: Entry) -> str:
    """ "within tolerance (99 %)", never rounded up to certainty; of a folder that cannot be read, its state."""
    from twonode.recordings.entry import EntryState

    if entry.state is not EntryState.READABLE:
        return str(entry.state.value).upper()
    if entry.finding is None:
        if entry.kind == "null":
            return "null run"
        if entry.worth is not None:
            return "measured"
        return entry.step if entry.step and entry.drawer_by_work else "no result"
    if entry.probability is None:
        return entry.finding
    sure = "> 99 %" if entry.probability > 0.99 else f"{100 * entry.probability:.0f} %"
    return f"{entry.finding} ({sure})"


def about_words(entry: Entry) -> str:
    """Set or batch, serial, position, before or after: what the folder's name does not say or may say wrongly."""
    identity = entry.identity
    serial = identity.serial and f"serial {identity.serial}"
    batch = entry.drawer and f"drawer {entry.drawer}"
    return ", ".join(filter(None, (identity.set_name, serial, batch, identity.position, identity.when)))


def remark_words(entry: Entry) -> str:
    """What has to be said of a line: simulated, notes, trouble."""
    from twonode.recordings.entry import EntryState

    count = len(entry.notes)
    return "; ".join(
        filter(
            None,
            (
                "simulated" if entry.simulated else None,
                "imported" if entry.imported else None,
                "DC readings" if entry.kind == "dc" else None,
                entry.ended if entry.ended in ("interrupted", "recovered") else None,
                f"{count} note{'s' if count > 1 else ''}" if count else None,
                None if entry.state is EntryState.NO_RECORDING else entry.trouble,
            ),
        )
    )


def created_words(created_utc: str | None) -> str:
    """ "2031-04-09 18:20 UTC"."""
    return "at an unknown time" if created_utc is None else f"{created_utc[:16].replace('T', ' ')} UTC"


def one_line(text: str, longest: int) -> str:
    """A text as one line of at most so many characters, without signs that would steer the terminal."""
    line = " ".join("".join(each if each.isprintable() else " " for each in text).split())
    return line if len(line) <= longest else f"{line[: longest - 1]}…"
