"""Which bench a command works on: instruments at addresses, or a simulated one inside the command.

Owns opening either, the checks of the options that name it, and finding the kind of a profile that is named without
one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, MutableMapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

if TYPE_CHECKING:
    from twonode.analysis.stage import Stage
    from twonode.drivers.bench import Bench
    from twonode.drivers.profile_format import Profile
    from twonode.drivers.simulated import SimulatedBench, SimulatedSettings

__all__ = [
    "bench_of",
    "bench_served_by",
    "check_bench_options",
    "known_profiles",
    "profiles_by_kind",
    "profiles_path",
    "real_bench",
    "remembered_voltmeter",
    "simulated_bench",
    "unique_tags",
]


def known_profiles() -> Mapping[str, Profile]:
    """Shipped profiles and those in the user's own profiles folder.

    Raises ProfileError for a file there that cannot be read.
    """
    from twonode.drivers.profiles import load_profiles

    return load_profiles(profiles_path())


def profiles_path() -> Path:
    """The user's own profiles folder."""
    import platformdirs

    return platformdirs.user_config_path("twonode", appauthor=False) / "profiles"


def real_bench(
    *,
    generator: str,
    scope: str,
    visa: Literal["system", "python"] | None,
    profile_names: Sequence[str],
    allow_unverified: bool = False,
) -> Bench:
    """A bench of instruments at addresses; connects when entered.

    allow_unverified : profiles that were written from memory may be used, too.
    """
    from twonode.console.hand import ScreenHand
    from twonode.drivers.bench import open_bench
    from twonode.drivers.manual import MANUAL

    profiles = known_profiles()
    named = profiles_by_kind(profile_names, profiles)
    return open_bench(
        hand=ScreenHand() if generator == MANUAL else None,
        generator=generator,
        scope=scope,
        visa=visa,
        generator_profile=named.get("generator"),
        scope_profile=named.get("scope"),
        profiles=profiles,
        allow_unverified=allow_unverified,
    )


def profiles_by_kind(names: Sequence[str], profiles: Mapping[str, Profile]) -> dict[str, str]:
    """Kind of instrument to profile name: a name says itself which instrument it is for.

    Raises ProfileError for a name that is none, UsageError for two of one kind.
    """
    from twonode.drivers.errors import ProfileError
    from twonode.drivers.profiles import kind_of

    found: dict[str, str] = {}
    for name in names:
        if name not in profiles:
            raise ProfileError(
                f"There is no profile named {name!r}.",
                f"There are: {', '.join(sorted(profiles))}.",
                "Choose one of these with `--profile`, or put your own into the profiles folder.",
            )
        kind = kind_of(profiles[name]).value
        if kind in found:
            raise click.UsageError(f"Profiles {found[kind]!r} and {name!r} are both for a {kind}")
        found[kind] = name
    return found


def simulated_bench(settings: SimulatedSettings) -> AbstractContextManager[Bench]:
    """A simulated bench served inside this process, reached over loopback sockets like any other."""
    from twonode.drivers.simulated import SimulatedBench

    return bench_served_by(SimulatedBench(settings))


@contextmanager
def bench_served_by(simulated: SimulatedBench) -> Iterator[Bench]:
    """`simulated_bench` for whoever exchanges what it is clipped to meanwhile."""
    from twonode.drivers.bench import open_bench
    from twonode.drivers.profile_format import InstrumentKind
    from twonode.drivers.profiles import profile_of_family

    family = simulated.settings.generator_family.value
    profile = profile_of_family(family, InstrumentKind.GENERATOR)
    with (
        simulated as served,
        open_bench(
            generator=served.generator_resource,
            scope=served.scope_resource,
            visa="python",
            clock=served.clock,
            # Serial families do not say who they are. Nothing can be damaged here, so nothing needs to be allowed.
            generator_profile=None if profile is None else profile.name,
            allow_unverified=True,
        ) as bench,
    ):
        yield bench


def check_bench_options(options: MutableMapping[str, Any]) -> None:
    """Put what the bench file remembers where the command line says nothing, and refuse what names no bench.

    A simulated bench is what its own options say: nothing that is remembered goes into it.

    Raises UsageError, BenchFileError.
    """
    if options["simulated"]:
        for name in ("generator", "scope"):
            if options[name]:
                raise click.UsageError(f"--{name} and --simulated exclude each other")
        return
    _fill_from_bench(options)
    for name in ("generator", "scope"):
        if not options[name]:
            raise click.UsageError(
                f"--{name} is missing; give the addresses of generator and scope, let `twonode bench` remember "
                "them, or use --simulated"
            )
    for name in ("faults", "true", "misbehave"):
        if options.get(name):
            raise click.UsageError(f"--{name.removesuffix('s')} needs --simulated: a real part is what it is")


def _fill_from_bench(options: MutableMapping[str, Any]) -> None:
    from twonode.console.benchfile import read_bench

    bench = read_bench()
    if bench is None:
        return
    remembered: dict[str, Any] = {
        "generator": bench.generator.address if bench.generator else None,
        "scope": bench.scope.address if bench.scope else None,
        "visa": bench.visa,
        "profiles": bench.generator_and_scope_profiles,
        "probes": tuple(float(factor) for factor in bench.probes),
        "line": str(bench.line_hz),
        "resistors": tuple(sorted(bench.resistors_ohm)) or None,
        "allow_unverified": bench.allow_unverified or None,
    }
    for name, value in remembered.items():
        if name in options and value is not None and not _was_written(name):
            options[name] = value
    if options.get("resistor") is not None and options.get("resistor_tolerance") is None:
        options["resistor_tolerance"] = bench.tolerance_of(options["resistor"])


def _was_written(name: str) -> bool:
    """Whether an option stands on the command line, or in a variable that names it."""
    from click.core import ParameterSource

    context = click.get_current_context(silent=True)
    source = None if context is None else context.get_parameter_source(name)
    return source not in (None, ParameterSource.DEFAULT, ParameterSource.DEFAULT_MAP)


def remembered_voltmeter(options: MutableMapping[str, Any]) -> None:
    """``--voltmeter bench`` stands for the voltmeter in the bench file. Raises UsageError, BenchFileError."""
    from twonode.console.benchfile import bench_path, read_bench

    if options["voltmeter"] != "bench":
        return
    bench = read_bench()
    if bench is None or bench.voltmeter is None:
        raise click.UsageError(
            f"--voltmeter bench: no voltmeter is remembered in {bench_path()}; `twonode bench` asks for it"
        )
    options["voltmeter"] = bench.voltmeter.address
    if options["profile"] is None:
        options["profile"] = bench.voltmeter.profile
    if options["visa"] is None:
        options["visa"] = bench.visa


def bench_of(
    options: Mapping[str, Any], stage: Stage, *, one_node: bool = False
) -> AbstractContextManager[Bench]:
    """The bench that the options name.

    stage : what a simulated bench is clipped to. one_node : both its probes on the drive node.
    """
    if options["simulated"]:
        from twonode.console.simulation import simulated_settings

        return simulated_bench(
            simulated_settings(
                stage,
                seed=options["seed"],
                true=options.get("true", ()),
                faults=options.get("faults", ()),
                line_hz=float(options["line"]),
                probe_factors=options["probes"],
                probe_nodes=(stage.drive, stage.drive) if one_node else None,
                speed=options["speed"],
                scope_family=options.get("scope_family", "S1a"),
                generator_family=options.get("generator_family", "G1"),
                misbehave=options.get("misbehave", ()),
            )
        )
    visa: Literal["system", "python"] | None = options["visa"]
    return real_bench(
        generator=options["generator"],
        scope=options["scope"],
        visa=visa,
        profile_names=options["profiles"],
        allow_unverified=bool(options.get("allow_unverified")),
    )


def unique_tags(tags: Sequence[tuple[str, str]]) -> dict[str, str]:
    """The tags by key. Raises UsageError for a key that is given twice."""
    found: dict[str, str] = {}
    for key, value in tags:
        if key in found:
            raise click.UsageError(f"--tag {key} is given twice")
        found[key] = value
    return found
