"""The ``twonode`` command: finds the subcommand, runs it, and turns every end into an exit code.

Owns the list of commands with their one-line summaries, so that ``twonode --help`` loads none of them, and the one
place where errors become text. What the commands do is left to their modules.
"""

from __future__ import annotations

import logging
import os
import sys
from collections.abc import Sequence
from typing import Any

import click

import twonode
from twonode.console.exits import Exit, report_error, report_interrupt, report_usage
from twonode.console.lazygroup import LazyGroup

__all__ = ["COMMANDS", "cli", "main"]

# Command name to module, attribute and summary.
COMMANDS: dict[str, tuple[str, str, str]] = {
    "demo": ("twonode.console.demo", "demo", "The whole job once, on the simulated bench."),
    "sweep": ("twonode.console.sweep", "sweep", "Measure one capacitor, file it, say what it is worth."),
    "null": ("twonode.console.null", "null", "Compare the two channels with each other, before sweeps."),
    "estimate": ("twonode.console.estimate", "estimate", "Work out filed sweeps again from their raw data."),
    "explain": ("twonode.console.explain", "explain", "Where each frequency goes, what each fault would do."),
    "diagnose": ("twonode.console.diagnose", "diagnose", "Which part has which fault, what to measure next."),
    "dc": ("twonode.console.dc", "dc", "A capacitor's leakage from a meter's DC readings; voltage charts."),
    "marking": ("twonode.console.marking", "marking", "Read a part's marking: every reading it allows."),
    "replace": ("twonode.console.replace", "replace", "What may go in instead, and what may not."),
    "drawer": ("twonode.console.drawer", "drawer", "Measure and sort unmarked parts, one after the other."),
    "archive": ("twonode.console.archive", "archive", "Find, show, verify, compare and hand on recordings."),
    "sheet": ("twonode.console.sheet", "sheet", "The one-page printable result, or a set's whole history."),
    "instruments": (
        "twonode.console.instruments",
        "instruments",
        "What is connected, and which profile fits.",
    ),
    "bench": ("twonode.console.bench", "bench", "Say once what stands on your bench."),
    "page": ("twonode.console.pagecommand", "page", "The same job on a local page."),
    "simulate": ("twonode.console.simulate", "simulate", "Serve a simulated bench until interrupted."),
}


class _Commands(LazyGroup):
    """All commands; the one place where the program ends."""

    table = COMMANDS

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        windows_expand_args: bool = True,
        **extra: Any,
    ) -> Any:
        given = list(sys.argv[1:] if args is None else args) or ["--help"]
        as_json, debug = "--json" in given, "--debug" in given
        if debug:
            logging.basicConfig(stream=sys.stderr, level=logging.DEBUG, format="%(name)s: %(message)s")
            logging.getLogger("matplotlib").setLevel(logging.WARNING)
        code: int
        try:
            result = super().main(given, prog_name or "twonode", complete_var, standalone_mode=False, **extra)
            code = result if isinstance(result, int) else Exit.DONE
        except click.ClickException as exc:
            code = report_usage(exc, as_json=as_json, debug=debug)
        except (KeyboardInterrupt, click.Abort) as exc:
            # click turns Ctrl-C into its own Abort; ours says why and what was kept.
            code = report_interrupt(exc.__cause__ or exc)
        except BrokenPipeError:
            # Whoever read our output has gone; point it elsewhere so that closing it does not complain again.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            code = Exit.DONE
        except Exception as exc:  # noqa: BLE001 - the last stop: every error gets words and an exit code
            code = report_error(exc, as_json=as_json, debug=debug)
        sys.exit(int(code))


@click.group(
    cls=_Commands, context_settings={"help_option_names": ["--help", "-h"], "max_content_width": 100}
)
@click.version_option(twonode.__version__, prog_name="twonode")
def cli() -> None:
    """Judge capacitors in valve radios and amplifiers without taking them out.

    A generator drives one node, a two-channel scope reads two nodes, and twonode works out the capacitance between
    or behind them in the circuit, how sure that is, and what is likely wrong.

    \b
    Start here, no hardware needed:
      twonode demo
    Then, for a loose 22 nF capacitor and a known 100 k resistor:
      twonode sweep --hookup series --expect 22n --tolerance 10%
                    --resistor 100k --resistor-tolerance 0.1% --simulated

    SAFETY: sweeps are done with the set unplugged, discharged and checked with a meter. Never sweep a powered set.
    Everything here is untested on hardware so far.
    """


def main() -> None:
    """Entry point of the ``twonode`` script."""
    for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        # Before numpy is loaded: our matrices are so small that a second thread only waits for the first.
        os.environ.setdefault(variable, "1")
    for stream in (sys.stdout, sys.stderr):
        # A console that cannot show Ω or µ shows a question mark rather than a traceback.
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
    cli()
