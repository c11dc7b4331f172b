"""From the options of a command to the settings of the simulated bench.

Owns the choice of dialects, and reading --true and --fault against the stage. The bench itself belongs to
`drivers.simulated`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from enum import Enum
from typing import TYPE_CHECKING, Any, TypeVar

import click

from twonode.console.options import fault_of

if TYPE_CHECKING:
    from twonode.analysis.stage import Stage
    from twonode.drivers.simulated import SimulatedSettings
    from twonode.drivers.simulated.misbehave import Misbehaviour

__all__ = [
    "GENERATOR_FAMILIES",
    "SCOPE_FAMILIES",
    "Clips",
    "family_options",
    "misbehave_option",
    "profile_options_for",
    "simulated_settings",
]

SCOPE_FAMILIES = ("S1a", "S1b", "S1c", "S2", "S2-newer", "S3", "S4", "S5")
"""Values of `ScopeFamily`, here again so that a command's help needs no bench."""
GENERATOR_FAMILIES = ("G1", "G1b", "G2", "G3", "G4", "G5")
"""Values of `GeneratorFamily`."""

F = TypeVar("F", bound=Callable[..., Any])


class Clips(Enum):
    """Where both probes of a served bench are, and how their switches stand; the value is the word for it."""

    STAGE = "stage"  # drive node and far node, 10:1: for sweeps
    NULL = "null"  # both on the drive node, 10:1: for the null run
    TRIAL = "trial"  # both on the drive node, 1:1: for the guided check of new instruments

    @property
    def on_one_node(self) -> bool:
        """Whether both are on the drive node."""
        return self is not Clips.STAGE

    @property
    def probe_factors(self) -> tuple[float, float]:
        """Their switches, channel 1 first."""
        return (1.0, 1.0) if self is Clips.TRIAL else (10.0, 10.0)


def family_options(*, hidden: bool) -> Callable[[F], F]:
    """--generator-family and --scope-family: which dialects the simulated instruments speak."""

    def added(command: F) -> F:
        for kind, families in (("scope", SCOPE_FAMILIES), ("generator", GENERATOR_FAMILIES)):
            command = click.option(
                f"--{kind}-family",
                type=click.Choice(families),
                default=families[0],
                show_default=True,
                hidden=hidden,
                help=f"Dialect of the simulated {kind}.",
            )(command)
        return command

    return added


class _MisbehaviourType(click.ParamType):  # type: ignore[type-arg,unused-ignore]
    name = "name"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if not isinstance(value, str):
            return value
        from twonode.drivers.simulated.misbehave import parse_misbehaviour

        if value == "help" and ctx is not None:
            _list_misbehaviour()
            ctx.exit()
        try:
            return parse_misbehaviour(value)
        except ValueError as exc:
            self.fail(str(exc), param, ctx)


def _list_misbehaviour() -> None:
    from twonode.drivers.simulated.misbehave import Kind

    for kind in Kind:
        click.echo(f"{kind.value:21} {kind.words}")
    click.echo("NAME@3 is at the third record (a repeated point takes several), NAME alone at the second;")
    click.echo(
        "NAME@connect and NAME@closing at the beginning and the end. It happens once, and what is broken stays"
    )
    click.echo(
        "so; NAME@3,always is for good. generator:NAME and scope:NAME choose the instrument; else it is the scope"
    )
    click.echo("where both could be meant.")


def misbehave_option(*, hidden: bool) -> Callable[[F], F]:
    """--misbehave: what goes wrong on the simulated bench on purpose, and when."""

    def added(command: F) -> F:
        return click.option(
            "--misbehave",
            type=_MisbehaviourType(),
            metavar="NAME[@MOMENT]",
            multiple=True,
            hidden=hidden,
            help="Something that goes wrong, such as no-reply@3 at the third record; `--misbehave help` lists all.",
        )(command)

    return added


def simulated_settings(
    stage: Stage,
    *,
    seed: int,
    true: Sequence[tuple[str, str]] = (),
    faults: Sequence[tuple[str, str, str | None]] = (),
    line_hz: float = 50.0,
    probe_factors: tuple[float, float] = (10.0, 10.0),
    probe_nodes: tuple[str, str] | None = None,
    speed: float = 1.0,
    scope_family: str = "S1a",
    generator_family: str = "G1",
    misbehave: Sequence[Misbehaviour] = (),
) -> SimulatedSettings:
    """Settings of a simulated bench clipped to a stage.

    scope_family, generator_family : names of dialects, as in SCOPE_FAMILIES and GENERATOR_FAMILIES.
    true : part and value as typed. faults : part, kind and amount as typed. probe_nodes : None is drive and far node.

    Raises StageError for a part that is not in the stage, QuantityError for a value that is none.
    """
    from twonode.analysis.quantities import parse_quantity
    from twonode.drivers.simulated import GeneratorFamily, ScopeFamily, SimulatedSettings

    for option, names in (("--true", [each[0] for each in true]), ("--fault", [each[0] for each in faults])):
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise click.UsageError(f"{option} {twice[0]} is given twice")
    try:
        return SimulatedSettings(
            stage=stage,
            seed=seed,
            true={name: parse_quantity(text, stage.part(name).kind.unit) for name, text in true},
            faults={
                name: fault_of(kind, amount, stage.part(name).kind.unit) for name, kind, amount in faults
            },
            line_hz=line_hz,
            probe_nodes=probe_nodes,
            probe_factor=(int(probe_factors[0]), int(probe_factors[1])),
            speed=speed,
            scope_family=ScopeFamily(scope_family),
            generator_family=GeneratorFamily(generator_family),
            misbehave=tuple(misbehave),
        )
    except ValueError as exc:
        raise click.UsageError(f"The simulated bench cannot be made: {exc}") from exc


def profile_options_for(generator_family: str, scope_family: str) -> str:
    """What a command line has to say about profiles to use two served dialects; empty where nothing."""
    from twonode.drivers.profile_format import Evidence, InstrumentKind
    from twonode.drivers.profiles import profile_of_family

    generator = profile_of_family(generator_family, InstrumentKind.GENERATOR)
    scope = profile_of_family(scope_family, InstrumentKind.SCOPE)
    words = ""
    if generator is not None and generator.identification != "*IDN?":
        words += f" --profile {generator.name}"
    if any(each is not None and each.evidence is Evidence.MEMORY for each in (generator, scope)):
        words += " --allow-unverified"
    return words
