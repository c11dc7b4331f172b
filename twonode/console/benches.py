"""Which bench a command works on: instruments at addresses, or a simulated one inside the command.

Owns opening either, the checks of the options that name it, and finding the kind of a profile that is named without
one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from typing import TYPE_CHECKING, Any, Literal

import click

if TYPE_CHECKING:
    from twonode.analysis.stage import Stage
    from twonode.drivers.bench import Bench
    from twonode.drivers.profile_format import Profile
    from twonode.drivers.simulated import SimulatedSettings

__all__ = [
    "bench_of",
    "check_bench_options",
    "known_profiles",
    "real_bench",
    "simulated_bench",
    "unique_tags",
]


def known_profiles() -> Mapping[str, Profile]:
    """Shipped profiles and those in the user's own profiles folder.

    Raises ProfileError for a file there that cannot be read.
    """
    import platformdirs

    from twonode.drivers.profiles import load_profiles

    return load_profiles(platformdirs.user_config_path("twonode", appauthor=False) / "profiles")


def real_bench(
    *,
    generator: str,
    scope: str,
    visa: Literal["system", "python"] | None,
    profile_names: Sequence[str],
) -> Bench:
    """A bench of instruments at addresses; connects when entered."""
    from twonode.drivers.bench import open_bench

    profiles = known_profiles()
    named = _by_kind(profile_names, profiles)
    return open_bench(
        generator=generator,
        scope=scope,
        visa=visa,
        generator_profile=named.get("generator"),
        scope_profile=named.get("scope"),
        profiles=profiles,
    )


def _by_kind(names: Sequence[str], profiles: Mapping[str, Profile]) -> dict[str, str]:
    """Kind of instrument to profile name: a name says itself which instrument it is for."""
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


@contextmanager
def simulated_bench(settings: SimulatedSettings) -> Iterator[Bench]:
    """A simulated bench served inside this process, reached over loopback sockets like any other."""
    from twonode.drivers.bench import open_bench
    from twonode.drivers.simulated import SimulatedBench

    with (
        SimulatedBench(settings) as served,
        open_bench(
            generator=served.generator_resource,
            scope=served.scope_resource,
            visa="python",
            clock=served.clock,
        ) as bench,
    ):
        yield bench


def check_bench_options(options: Mapping[str, Any]) -> None:
    """Refuse options that do not say which bench to use. Raises UsageError."""
    if options["simulated"]:
        for name in ("generator", "scope"):
            if options[name]:
                raise click.UsageError(f"--{name} and --simulated exclude each other")
        return
    for name in ("generator", "scope"):
        if not options[name]:
            raise click.UsageError(
                f"--{name} is missing; give the addresses of generator and scope, or --simulated"
            )
    for name in ("faults", "true"):
        if options.get(name):
            raise click.UsageError(f"--{name.removesuffix('s')} needs --simulated: a real part is what it is")


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
            )
        )
    visa: Literal["system", "python"] | None = options["visa"]
    return real_bench(
        generator=options["generator"],
        scope=options["scope"],
        visa=visa,
        profile_names=options["profiles"],
    )


def unique_tags(tags: Sequence[tuple[str, str]]) -> dict[str, str]:
    """The tags by key. Raises UsageError for a key that is given twice."""
    found: dict[str, str] = {}
    for key, value in tags:
        if key in found:
            raise click.UsageError(f"--tag {key} is given twice")
        found[key] = value
    return found
