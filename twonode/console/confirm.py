"""The questions before a sweep inside a set: cautions on the screen, a typed word, both nodes' residual volts.

Owns asking. What is refused belongs to `acquire.request`; there is no default yes anywhere.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from twonode.analysis.stage import Stage

__all__ = [
    "CONFIRMATION",
    "Confirmation",
    "confirm_node_without_power",
    "confirm_without_power",
    "interactive",
    "show_cautions",
]

CONFIRMATION = "unplugged"
"""The word to type: a key pressed in passing must not be enough."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirmation:
    """What the person answered; both go into the recording.

    node_volts : residual DC at drive and far node, V.
    """

    unplugged_and_discharged: bool
    node_volts: tuple[float, float] | None


def interactive() -> bool:
    """Whether somebody can be asked."""
    return sys.stdin is not None and sys.stdin.isatty()


def show_cautions(*, companion: bool = False) -> None:
    """The cautions on standard error; companion : one is clipped on for this sweep."""
    from twonode.cautions import COMPANION_CAUTION, SWEEP_CAUTIONS

    click.secho("BEFORE THE CLIPS GO ON", bold=True, err=True)
    for caution in (*SWEEP_CAUTIONS, *([COMPANION_CAUTION] if companion else [])):
        click.echo(f"  ! {caution}", err=True)


def confirm_without_power(
    stage: Stage, *, given: bool, node_volts: tuple[float, float] | None
) -> Confirmation:
    """Get what is missing of the confirmation from the person at the keyboard.

    given : --unplugged-and-discharged was on the command line. node_volts : --node-volts.

    Where nobody can be asked it returns what is there, and the request is refused for what is missing.

    Raises UnfitRequest where the word was not typed.
    """
    if not interactive():
        return Confirmation(unplugged_and_discharged=given, node_volts=node_volts)
    _confirm_word(given)
    if node_volts is None:
        from twonode.analysis.feeding import clip_nodes

        drive, far = clip_nodes(stage)
        drive_v = _ask_volts(drive)
        node_volts = (drive_v, drive_v if far == drive else _ask_volts(far))
    return Confirmation(unplugged_and_discharged=True, node_volts=node_volts)


def confirm_node_without_power(
    node: str, *, given: bool, node_volts: float | None
) -> tuple[bool, float | None]:
    """`confirm_without_power` for one node that carries both clips."""
    if not interactive():
        return given, node_volts
    _confirm_word(given)
    return True, _ask_volts(node) if node_volts is None else node_volts


def _confirm_word(given: bool) -> None:
    if given:
        return
    typed = click.prompt(
        f'Type "{CONFIRMATION}" if the plug is out and in view, the set discharged and checked with a meter',
        prompt_suffix=": ",
        default="",
        show_default=False,
        err=True,
    )
    if typed.strip().lower() != CONFIRMATION:
        from twonode.acquire.errors import UnfitRequest

        raise UnfitRequest(
            "It was not confirmed; nothing was switched on.",
            "Measuring inside a set is only done without power.",
            "Pull the plug, discharge, check with a meter, then start again.",
        )


def _ask_volts(node: str) -> float:
    from twonode.analysis.errors import QuantityError
    from twonode.analysis.quantities import parse_quantity

    while True:
        text = click.prompt(
            f"Volts left at {node!r}, read with a meter just now", prompt_suffix=": ", err=True
        )
        try:
            return parse_quantity(text, "V")
        except QuantityError as exc:
            click.echo(str(exc), err=True)
