"""Options that several commands share, and values as they are written on a schematic.

Owns the parameter types and the shared decorators. Loads nothing slow: values are parsed by `analysis.quantities`
when a command line holds one.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from twonode.analysis.companion import CompanionValue
    from twonode.analysis.quantities import Tolerance
    from twonode.drivers.simulated import Fault

    _ParamType = click.ParamType[Any]
else:
    _ParamType = click.ParamType  # a generic class only in newer versions of click

__all__ = [
    "ARCHIVE_VARIABLE",
    "COMPANION",
    "FAULT",
    "NODE_VOLTS",
    "NO_NULL",
    "PROBES",
    "RESISTORS",
    "TAG",
    "TOLERANCE",
    "TRUE_VALUE",
    "Pair",
    "Quantity",
    "archive_option",
    "bench_options",
    "check_option",
    "common_options",
    "default_archive",
    "existing_archive_option",
    "fault_of",
    "named_null",
    "picture_option",
    "simulation_options",
]

F = TypeVar("F", bound=Callable[..., Any])

ARCHIVE_VARIABLE = "TWONODE_ARCHIVE"


def _naming_option(error: Exception, param: click.Parameter | None) -> Exception:
    """The same error with the option in front of its first sentence."""
    from twonode.errors import TwonodeError

    if isinstance(error, TwonodeError) and param is not None:
        name = param.opts[-1] if param.param_type_name == "option" else (param.name or "").upper()
        return type(error)(f"{name}: {error.what}", error.why, error.do)
    return error


def _shown(text: str) -> str:
    return repr(text if len(text) <= 80 else f"{text[:77]}...")


class _Parsed(_ParamType):
    """A type whose parser raises our own three-part errors."""

    def parse(self, text: str) -> Any:
        raise NotImplementedError

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if not isinstance(value, str):
            return value
        from twonode.errors import TwonodeError

        try:
            return self.parse(value)
        except TwonodeError as exc:
            raise _naming_option(exc, param) from exc


class Quantity(_Parsed):
    """A value of one unit, such as 22n, 4k7 or 20Hz, in SI."""

    def __init__(self, unit: str) -> None:
        self.unit = unit
        self.name = {"F": "capacitance", "ohm": "resistance", "Hz": "frequency", "V": "volts"}.get(
            unit, "value"
        )

    def parse(self, text: str) -> float:
        """The value of a text, SI."""
        from twonode.analysis.quantities import parse_quantity

        return parse_quantity(text, self.unit)


class _ToleranceType(_Parsed):
    name = "tolerance"

    def parse(self, text: str) -> Tolerance:
        from twonode.analysis.quantities import parse_tolerance

        return parse_tolerance(text)


class _CompanionType(_Parsed):
    name = "value tolerance"

    def parse(self, text: str) -> CompanionValue:
        from twonode.analysis.companion import parse_companion

        return parse_companion(text)


class _NodeVolts(_Parsed):
    name = "volts,volts"

    def parse(self, text: str) -> tuple[float, float]:
        from twonode.analysis.quantities import parse_quantity

        pieces = text.split(",")
        if len(pieces) != 2:
            raise click.BadParameter(
                f"{_shown(text)}: two readings are needed, drive node first, such as 0.3,0.1"
            )
        return parse_quantity(pieces[0], "V"), parse_quantity(pieces[1], "V")


class _Resistors(_Parsed):
    name = "resistance,..."

    def parse(self, text: str) -> tuple[float, ...]:
        from twonode.analysis.quantities import parse_quantity

        return tuple(sorted({parse_quantity(piece, "ohm") for piece in text.split(",")}))


_FACTORS = {"1": 1.0, "10": 10.0, "1x": 1.0, "10x": 10.0, "1:1": 1.0, "10:1": 10.0}

# Fault to the unit of its amount; None is the unit of the part's own value.
_FAULT_UNITS = {"leaky": "ohm", "esr": "ohm", "lossy": "", "off": None}


class _Probes(_ParamType):
    name = "factor,factor"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if not isinstance(value, str):
            return value
        found = [_FACTORS.get(piece.strip().lower()) for piece in value.split(",")]
        if len(found) != 2 or None in found:
            self.fail(
                f"{_shown(value)}: write the switch of both probes, channel 1 first, such as 10,10 or 10,1"
            )
        return tuple(found)


class Pair(_ParamType):
    """Two texts with = between them; where the second is a value, its unit is known once the stage is.

    name : in the usage line, such as "part=value". write : what to write instead, for the error.
    """

    def __init__(self, name: str, write: str) -> None:
        self.name = name
        self._write = write

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Both texts, stripped."""
        if not isinstance(value, str):
            return value
        first, sign, second = value.partition("=")
        if not sign or not first.strip() or not second.strip():
            self.fail(f"{_shown(value)}: write {self._write}", param, ctx)
        return first.strip(), second.strip()


class _FaultType(_Parsed):
    name = "part=fault"

    def parse(self, text: str) -> tuple[str, str, str | None]:
        part, sign, words = text.partition("=")
        kind, colon, amount = words.partition(":")
        kinds = {"open", "shorted", *_FAULT_UNITS}
        if (
            not sign
            or not part.strip()
            or kind not in kinds
            or (kind in _FAULT_UNITS) != bool(colon and amount)
        ):
            raise click.BadParameter(
                f"{_shown(text)}: write C7=open, C7=shorted, C7=leaky:2M, C7=off:15n, C7=lossy:0.1 or C11=esr:30"
            )
        return part.strip(), kind, amount or None


TOLERANCE = _ToleranceType()
COMPANION = _CompanionType()
NODE_VOLTS = _NodeVolts()
PROBES = _Probes()
RESISTORS = _Resistors()
TAG = Pair("key=value", "a key and a value, such as set=wrenfield-46")
TRUE_VALUE = Pair("part=value", "a part and its true value, such as C7=18n")
FAULT = _FaultType()


def fault_of(kind: str, amount: str | None, unit: str) -> Fault:
    """The fault that --fault asks for; unit is that of the part's own value."""
    from twonode.analysis.quantities import parse_quantity
    from twonode.drivers.simulated import Fault, FaultKind

    if amount is None:
        return Fault(kind=FaultKind(kind))
    amount_unit = _FAULT_UNITS[kind]
    return Fault(
        kind=FaultKind(kind), amount=parse_quantity(amount, unit if amount_unit is None else amount_unit)
    )


NO_NULL = "none"
"""The word that stands for no null run in --null."""


def named_null(text: str | None) -> Path | None:
    """The recording that --null names; None where it names none or was not given."""
    return None if text is None or text == NO_NULL else Path(text)


def default_archive() -> Path:
    """Where recordings go when nobody says: a folder a person finds, not a hidden one."""
    import platformdirs

    return platformdirs.user_documents_path() / "twonode" / "archive"


def common_options(command: F) -> F:
    """--json and --debug, on every command."""
    command = click.option(
        "--debug", is_flag=True, help="Log every message to the instruments; traceback on error."
    )(command)
    return click.option(
        "--json", "as_json", is_flag=True, help="One JSON object on standard output, nothing else."
    )(command)


def archive_option(command: F) -> F:
    """--archive of a command that files a recording, with the documents folder as default."""
    return _archive_option(command, "Folder the recording is filed in.")


def existing_archive_option(command: F) -> F:
    """--archive of a command that goes by what is filed already."""
    return _archive_option(command, "The archive: the folder that holds the recordings.")


def _archive_option(command: F, meaning: str) -> F:
    return click.option(
        "--archive",
        type=click.Path(path_type=Path, file_okay=False),
        envvar=ARCHIVE_VARIABLE,
        show_envvar=True,
        help=f"{meaning}  [default: twonode/archive in your documents folder]",
    )(command)


def bench_options(command: F) -> F:
    """--probes, --line, --generator, --scope, --visa, --profile and --simulated: which bench, and how it is set.

    For `console.benches`, which checks and opens it.
    """
    for option in (
        click.option(
            "--simulated", is_flag=True, help="Use a simulated bench: no hardware, no confirmation."
        ),
        click.option(
            "--profile",
            "profiles",
            metavar="NAME",
            multiple=True,
            help="Command profile, where *IDN? is unknown.",
        ),
        click.option(
            "--allow-unverified",
            is_flag=True,
            help="Use a command profile that was written from memory; try it first by `twonode instruments --try`.",
        ),
        click.option(
            "--visa",
            type=click.Choice(["system", "python"]),
            help="VISA library.  [default: the system's, if any]",
        ),
        click.option("--scope", metavar="RESOURCE", help="VISA address of the scope."),
        click.option(
            "--generator",
            metavar="RESOURCE",
            help="VISA address of the generator, or `manual` for one that is dialled by hand.",
        ),
        click.option(
            "--line",
            type=click.Choice(["50", "60"]),
            default="50",
            show_default=True,
            help="Mains frequency, Hz.",
        ),
        click.option(
            "--probes",
            type=PROBES,
            default="10,10",
            show_default=True,
            help="Switch of channel 1's and 2's probe.",
        ),
    ):
        command = option(command)
    return command


def check_option(command: F) -> F:
    """--check."""
    return click.option(
        "--check", is_flag=True, help="Exit with status 1 unless the part is within tolerance."
    )(command)


def picture_option(command: F) -> F:
    """--picture / --no-picture."""
    return click.option(
        "--picture/--no-picture", default=True, help="Draw the result as a PNG.  [default: draw it]"
    )(command)


def simulation_options(command: F) -> F:
    """--true, --fault and --seed: what the simulated parts are."""
    for option in (
        click.option("--speed", type=click.FloatRange(0.01, 100.0), default=1.0, hidden=True),
        click.option(
            "--seed", type=click.IntRange(0), default=1, show_default=True, help="All chance comes from it."
        ),
        click.option(
            "--fault",
            "faults",
            type=FAULT,
            multiple=True,
            help="What is wrong with a simulated part: C7=open, C7=shorted, C7=leaky:2M, C7=off:15n.",
        ),
        click.option(
            "--true",
            "true",
            type=TRUE_VALUE,
            multiple=True,
            help="True value of a simulated part, such as C7=18n.",
        ),
    ):
        command = option(command)
    return command
