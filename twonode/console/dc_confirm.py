"""The words before every DC check, and the typed word before a meter on the bus is used on a live set.

Owns showing and asking; there is no default yes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from twonode.console import confirm

if TYPE_CHECKING:
    from twonode.acquire.dccheck import Answer, TipWanted

__all__ = ["LIVE_WORD", "acknowledge_dc_cautions", "ask_for_tip", "show_dc_cautions"]

LIVE_WORD = "live"
"""The word to type: a key pressed in passing must not be enough."""


def show_dc_cautions() -> None:
    """The cautions on standard error."""
    from twonode.cautions import DC_CAUTIONS

    click.secho("BEFORE THE METER GOES ON", bold=True, err=True)
    for caution in DC_CAUTIONS:
        click.echo(f"  ! {caution}", err=True)


def acknowledge_dc_cautions(*, given: bool) -> None:
    """Have the person at the keyboard acknowledge the cautions.

    given : --cautions-acknowledged was on the command line.

    Raises SafetyRefusal where nobody acknowledged them.
    """
    from twonode.acquire import SafetyRefusal

    if given:
        return
    typed = ""
    if confirm.interactive():
        typed = click.prompt(
            f'Type "{LIVE_WORD}" if you have read this and work by it on the live set',
            prompt_suffix=": ",
            default="",
            show_default=False,
            err=True,
        )
    if typed.strip().lower() != LIVE_WORD:
        raise SafetyRefusal(
            "The cautions were not acknowledged; the voltmeter was not touched.",
            "A DC check is work on a live set.",
            f'Start again and type "{LIVE_WORD}"; in a script give --cautions-acknowledged.',
        )


def ask_for_tip(wanted: TipWanted) -> Answer:
    """Ask for the tip on the next node, and wait for the person's answer.

    Raises UnfitRequest where nobody answers.
    """
    from twonode.acquire import UnfitRequest
    from twonode.acquire.dccheck import Answer

    for line in wanted.step.advice:
        click.echo(f"  ! {line}", err=True)
    answers = {"": Answer.READ, "s": Answer.SKIP, "r": Answer.AGAIN, "q": Answer.FINISH}
    while True:
        try:
            typed = click.prompt(
                f"{wanted.index}/{wanted.total} Tip on {wanted.step.node!r}, then Enter "
                "(s skip, r the one before again, q finish)",
                prompt_suffix=": ",
                default="",
                show_default=False,
                err=True,
            )
        except click.Abort as exc:
            if not isinstance(exc.__context__, EOFError):
                raise
            raise UnfitRequest(
                f"Nobody says that the tip is on {wanted.step.node!r}.",
                "One node is read after the other, and a person moves the tip.",
                "Run it at a keyboard, or type the readings in.",
            ) from exc
        answer = answers.get(typed.strip().lower())
        if answer is not None:
            return answer
        click.echo("Press Enter, or type s, r or q.", err=True)
