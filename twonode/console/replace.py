"""``twonode replace``: what may go in instead of a capacitor, and what may not.

Owns the command's options. Works nothing out itself; the only file it reads is the list of parts at hand.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from twonode.console.options import TOLERANCE, Quantity, common_options

if TYPE_CHECKING:
    from twonode.analysis.quantities import Tolerance
    from twonode.analysis.replacement import Replacement, StockPart

__all__ = ["replace", "replacement_advice"]

_MOST_BYTES = 1_000_000


@click.command(
    epilog="Values are written as on a schematic: .05uF, 22n, 250 mmf, 470k. Exit status: 0 done, 2 wrong usage, bad "
    "file, or no safe answer."
)
@click.option(
    "--value", "value_farad", type=Quantity("F"), required=True, help="Of the old part, as on the schematic."
)
@click.option(
    "--role",
    required=True,
    metavar="TEXT",
    help="What it is for: coupling, cathode bypass, screen bypass, plate bypass, AVC filter, tone control, output "
    "plate, first filter, power filter, tuned circuit; at the mains: across the line, line to chassis, aerial "
    "isolation.",
)
@click.option(
    "--voltage",
    metavar="TEXT",
    help="DC volts of the supply behind it, such as 'B+ 265V', not the lower ones of a warm valve. Unused at the line.",
)
@click.option(
    "--next",
    "next_ohm",
    type=Quantity("ohm"),
    help="The resistance it works with: the grid leak it feeds, the resistor it bypasses, the one that feeds it.",
)
@click.option(
    "--source",
    "source_ohm",
    type=Quantity("ohm"),
    help="The resistance of what feeds it: anode load in parallel with the valve's anode resistance.",
)
@click.option(
    "--tolerance",
    type=TOLERANCE,
    help="How far the value may move, such as 10%.  [default: what is usual for the role]",
)
@click.option(
    "--at",
    "at_hz",
    type=Quantity("Hz"),
    multiple=True,
    help="A frequency to look at; may be repeated.  [default: what is usual for the role]",
)
@click.option(
    "--secondary",
    metavar="TEXT",
    help="The transformer's secondary, such as 250-0-250V: says how high B+ rises while valves are cold.",
)
@click.option(
    "--line-rise",
    type=Quantity("%"),
    help="How far the line may rise above the one the volts were taken at.  [default: 8%]",
)
@click.option(
    "--rated", "rated_v", type=Quantity("V"), help="A rated voltage you have in mind: is it enough?"
)
@click.option("--line", "line_v", type=Quantity("V"), help="Mains volts, for roles at the mains.")
@click.option(
    "--line-frequency", "line_hz", type=Quantity("Hz"), help="Mains frequency.  [default: 60Hz, the worse]"
)
@click.option(
    "--stock",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Parts at hand, CSV: value,voltage and if wanted tolerance,dielectric,quantity.",
)
@common_options
def replace(
    value_farad: float,
    role: str,
    voltage: str | None,
    next_ohm: float | None,
    source_ohm: float | None,
    tolerance: Tolerance | None,
    at_hz: tuple[float, ...],
    secondary: str | None,
    line_rise: float | None,
    rated_v: float | None,
    line_v: float | None,
    line_hz: float | None,
    stock: Path | None,
    as_json: bool,
    debug: bool,
) -> int:
    """Suggest what may go in instead of a capacitor: value, rated voltage, dielectric.

    Preferred values are those of IEC 60063. Some take the nearest, others the next higher within 20 %: both are
    shown, with what they do to the corner and the lows. The rated voltage counts the warm-up surge and a high line.
    At the mains nothing but the safety class is suggested.

    \b
    Examples:
      twonode replace --value .05uF --voltage "B+ 265V" --role coupling --next 470k
      twonode replace --value 25uF --voltage 8V --role "cathode bypass" --next 270
      twonode replace --value .05uF --role "line to chassis" --line 120V --line-frequency 60Hz
      twonode replace --value 22n --voltage "HT 250V" --role coupling --stock parts.csv

    SAFETY: soldering is done with the set unplugged, discharged and checked with a meter. Local electrical codes and
    licensed practice come first; this program permits nothing.
    """
    del debug  # read from the command line before anything else can fail
    from twonode.analysis.replacement import replacement_document
    from twonode.cautions import SOLDERING_CAUTIONS

    advice = replacement_advice(
        {
            "value_farad": value_farad,
            "role": role,
            "voltage": voltage,
            "next_ohm": next_ohm,
            "source_ohm": source_ohm,
            "tolerance": tolerance,
            "at_hz": at_hz,
            "secondary": secondary,
            "line_rise": line_rise,
            "rated_v": rated_v,
            "line_v": line_v,
            "line_hz": line_hz,
        },
        None if stock is None else _read_stock(stock),
    )
    if as_json:
        document = replacement_document(advice)
        document["cautions"] = list(SOLDERING_CAUTIONS)
        print(json.dumps(document, allow_nan=False))
    else:
        from twonode.console.replace_screen import show_replacement

        show_replacement(advice, SOLDERING_CAUTIONS)
    return 0


def replacement_advice(options: Mapping[str, Any], stock: Sequence[StockPart] | None) -> Replacement:
    """The advice on what was asked; options : by name, those of the command. stock : parts at hand.

    Raises ReplacementError, QuantityError.
    """
    from twonode.analysis.replacement import (
        ReplacementRequest,
        Surroundings,
        advise_replacement,
        parse_role,
        parse_secondary,
        parse_working_voltage,
    )
    from twonode.analysis.replacement.rating import DEFAULT_LINE_RISE

    voltage, secondary, line_rise = options["voltage"], options["secondary"], options["line_rise"]
    return advise_replacement(
        ReplacementRequest(
            value_farad=options["value_farad"],
            role=parse_role(options["role"]),
            working=None if voltage is None else parse_working_voltage(voltage),
            surroundings=Surroundings(
                next_ohm=options["next_ohm"], source_ohm=options["source_ohm"], at_hz=options["at_hz"]
            ),
            tolerance=options["tolerance"],
            rated_asked_v=options["rated_v"],
            secondary_v=None if secondary is None else parse_secondary(secondary),
            line_rise=DEFAULT_LINE_RISE if line_rise is None else line_rise,
            line_v=options["line_v"],
            line_hz=options["line_hz"],
            stock=None if stock is None else tuple(stock),
        )
    )


def _read_stock(path: Path) -> tuple[StockPart, ...]:
    from twonode.analysis.replacement import StockError, parse_stock

    try:
        with path.open("rb") as file:
            content = file.read(_MOST_BYTES + 1)
        text = content.decode("utf-8")
    except OSError as exc:
        raise StockError(
            f"The list of parts {path} cannot be read ({exc.strerror or exc}).",
            "Without it nothing at hand can be offered.",
            "Name a CSV file that exists, or leave --stock out.",
        ) from exc
    except UnicodeDecodeError as exc:
        raise StockError(
            f"{path.name} is no text in UTF-8.",
            "The list cannot be read.",
            "Save it as CSV in UTF-8.",
        ) from exc
    if len(content) > _MOST_BYTES:
        raise StockError(
            f"{path.name} is longer than 1 MB.",
            "No list of parts at hand is that long.",
            "Name the right file, or give a list of parts near the value wanted.",
        )
    return parse_stock(text, path.name)
