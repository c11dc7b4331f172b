"""``twonode bench``: asks once which instruments, probes and fixture resistors there are, and remembers."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from twonode.console.exits import Exit
from twonode.console.options import common_options

if TYPE_CHECKING:
    from twonode.console.benchfile import BenchFile, Remembered

__all__ = ["bench"]

_KINDS = ("generator", "scope", "voltmeter")
_NONE = "none"


@click.command()
@click.option("--show", is_flag=True, help="Show what is remembered; ask nothing.")
@click.option("--try", "trying", is_flag=True, help="Ask every remembered instrument who it is.")
@click.option(
    "--set",
    "settings",
    metavar="KEY=VALUE",
    multiple=True,
    help="Remember one thing without being asked: generator, scope, voltmeter, generator-profile, scope-profile, "
    "voltmeter-profile, visa, probes, resistors, line, allow-unverified; VALUE none forgets it.",
)
@click.option("--forget", is_flag=True, help="Forget the whole bench.")
@common_options
def bench(
    show: bool, trying: bool, settings: tuple[str, ...], forget: bool, as_json: bool, debug: bool
) -> int:
    """Say once what stands on your bench; every command uses it, and options on its command line win.

    Without options it asks, with what is remembered as the answer to Enter. Nothing is sent to any instrument unless
    --try is given. Channel 1 is always the drive node, channel 2 the far node.

    \b
    Examples:
      twonode bench
      twonode bench --set generator=TCPIP0::192.168.1.20::5025::SOCKET --set "resistors=100k 0.1%, 1M 0.1%"
      twonode bench --show
      twonode bench --try

    Exit status: 0 done, 2 an answer that is none, 3 with --try: an instrument did not answer or is another kind.
    """
    from twonode.console.benchfile import BenchFile, bench_path, forget_bench, read_bench, write_bench

    del debug
    if forget and (show or trying or settings):
        raise click.UsageError("--forget stands alone: it takes away what the others show, try or set")
    if forget:
        place = forget_bench()
        return _done({"format": 1, "file": str(place), "bench": None}, "The bench is forgotten.", as_json)
    found = read_bench()
    if settings:
        found = _with_settings(found or BenchFile(), settings)
        write_bench(found)
    elif not show and not trying:
        if as_json or not sys.stdin.isatty():
            raise click.UsageError("Nobody is there to answer; give --set KEY=VALUE, --show or --try")
        found = _asked(found or BenchFile())
        write_bench(found)
    tried = _tried(found) if trying else {}
    if as_json:
        import msgspec

        print(
            json.dumps(
                {
                    "format": 1,
                    "file": str(bench_path()),
                    "bench": None if found is None else msgspec.to_builtins(found),
                    "tried": {kind: {"ok": ok, "says": text} for kind, (ok, text) in tried.items()},
                }
            )
        )
    else:
        _print(found, tried)
    return Exit.DONE if all(ok for ok, _ in tried.values()) else Exit.INSTRUMENT


def _done(document: dict[str, Any], words: str, as_json: bool) -> int:
    print(json.dumps(document) if as_json else words)
    return Exit.DONE


def _with_settings(found: BenchFile, settings: tuple[str, ...]) -> BenchFile:
    for text in settings:
        key, sign, value = text.partition("=")
        if not sign or not value.strip():
            raise click.UsageError(f"--set {text!r}: write a key and a value, such as line=60")
        found = _changed(found, key.strip().lower(), value.strip())
    return found


def _changed(found: BenchFile, key: str, value: str) -> BenchFile:
    """The bench with one answer changed. Raises UsageError naming what is allowed."""
    import msgspec

    from twonode.console.benchfile import Remembered
    from twonode.drivers.manual import MANUAL

    none = value.lower() == _NONE
    kind, _, what = key.partition("-")
    if kind in _KINDS and what in ("", "profile"):
        old: Remembered | None = getattr(found, kind)
        if what == "profile":
            if old is None:
                raise click.UsageError(f"--set {key}: name the {kind}'s address first")
            new = Remembered(address=old.address, profile=None if none else _profile(kind, value))
        elif none:
            new = None
        elif value.lower() == MANUAL and kind != "generator":
            raise click.UsageError(
                f"{key}: only a generator can be turned by hand; give the {kind}'s address"
            )
        else:
            new = Remembered(address=value, profile=None if old is None else old.profile)
        return msgspec.structs.replace(found, **{kind: new})
    readers: dict[str, tuple[str, Callable[[str], object]]] = {
        "visa": ("visa", _one_of("system", "python")),
        "probes": ("probes", _probes),
        "resistors": ("resistors", _resistors),
        "line": ("line_hz", lambda text: int(_one_of("50", "60")(text.lower().removesuffix("hz").strip()))),
        "allow-unverified": ("allow_unverified", lambda text: _one_of("yes", "no")(text.lower()) == "yes"),
    }
    if key not in readers:
        keys = [*_KINDS, *(f"{each}-profile" for each in _KINDS), *readers]
        raise click.UsageError(f"--set {key}: there is no such thing; there are {', '.join(keys)}")
    field, read = readers[key]
    try:
        if none:
            plain = next(f for f in msgspec.structs.fields(found) if f.name == field)
            return msgspec.structs.replace(found, **{field: plain.default})
        return msgspec.structs.replace(found, **{field: read(value)})
    except ValueError as exc:
        raise click.UsageError(f"{key}: {exc}") from exc


def _profile(kind: str, name: str) -> str:
    """The name of a profile that there is, for that kind. Raises UsageError, ProfileError."""
    from twonode.console.benches import known_profiles
    from twonode.drivers.profiles import kind_of

    fitting = [each.name for each in known_profiles().values() if kind_of(each).value == kind]
    if name not in fitting:
        raise click.UsageError(f"{name!r} is no profile for a {kind}; there are {', '.join(sorted(fitting))}")
    return name


def _one_of(*allowed: str) -> Callable[[str], str]:
    def read(text: str) -> str:
        if text not in allowed:
            raise ValueError(f"{text!r} is none of {', '.join(allowed)}")
        return text

    return read


def _probes(text: str) -> tuple[int, int]:
    from twonode.console.options import PROBES

    try:
        first, second = PROBES.convert(text, None, None)
    except click.BadParameter as exc:
        raise ValueError(exc.message) from exc
    return int(first), int(second)


def _resistors(text: str) -> tuple[str, ...]:
    from twonode.console.benchfile import resistor_of

    # A comma between two digits is a decimal one, which is refused as it stands.
    pieces = tuple(" ".join(p.split()) for p in re.split(r";|(?<!\d),|,(?!\d)", text) if p.strip())
    for piece in pieces:
        resistor_of(piece)
    return pieces


def _asked(found: BenchFile) -> BenchFile:
    """One question after the other; an answer that is none is asked for again."""
    click.echo("Enter keeps what stands in brackets; none forgets it. `twonode instruments` shows addresses.")
    for kind in _KINDS:
        remembered: Remembered | None = getattr(found, kind)
        question = f"{kind.capitalize()}'s VISA address" + (", or manual" if kind == "generator" else "")
        found = _ask(found, kind, question, remembered.address if remembered else None)
        remembered = getattr(found, kind)
        if remembered is not None:
            question = f"  its command profile, where *IDN? leads to none (the {kind})"
            found = _ask(found, f"{kind}-profile", question, remembered.profile)
    found = _ask(found, "probes", "Switch of channel 1's and 2's probe", ",".join(map(str, found.probes)))
    found = _ask(
        found, "resistors", "Known fixture resistors, such as 100k 0.1%, 1M 0.1%", ", ".join(found.resistors)
    )
    return _ask(found, "line", "Mains frequency, Hz", str(found.line_hz))


def _ask(found: BenchFile, key: str, question: str, now: str | None) -> BenchFile:
    while True:
        answer = click.prompt(question, default=now or _NONE, show_default=True).strip()
        if answer == (now or _NONE):
            return found
        try:
            return _changed(found, key, answer)
        except click.UsageError as exc:
            click.echo(exc.message, err=True)


def _tried(found: BenchFile | None) -> dict[str, tuple[bool, str]]:
    """Each instrument asked who it is: whether it answers and fits, and what there is to say."""
    if found is None:
        raise click.UsageError("There is no bench to try yet; `twonode bench` asks for it")
    return {kind: _try(kind, each, found) for kind in _KINDS if (each := getattr(found, kind)) is not None}


def _try(kind: str, remembered: Remembered, found: BenchFile) -> tuple[bool, str]:
    from twonode.console.benches import known_profiles
    from twonode.drivers.errors import BenchError
    from twonode.drivers.manual import MANUAL
    from twonode.drivers.opening import open_as
    from twonode.drivers.profile_format import InstrumentKind
    from twonode.drivers.profiles import choose_profile

    if kind == "generator" and remembered.address == MANUAL:
        return True, "turned by hand, so there is nobody to ask"
    known = known_profiles()
    try:
        link = open_as(
            remembered.address,
            remembered.profile,
            visa=found.visa,
            profiles=known,
            kind=InstrumentKind(kind),
        )
        link.close()
        profile = choose_profile(
            link.identity,
            InstrumentKind(kind),
            remembered.profile,
            profiles=known,
            allow_unverified=found.allow_unverified,
        )
    except BenchError as exc:
        return False, f"{exc.what} {exc.do}"
    return True, f"{link.identity}; profile {profile.name}, {profile.hardware_status}"


def _print(found: BenchFile | None, tried: dict[str, tuple[bool, str]]) -> None:
    from twonode.console.benches import profiles_path
    from twonode.console.benchfile import bench_path
    from twonode.drivers.manual import MANUAL

    if found is None:
        click.echo("No bench is remembered yet; `twonode bench` asks for it.")
        click.echo(f"It will be in {bench_path()}; your own command profiles belong in {profiles_path()}")
        return
    for kind in _KINDS:
        each: Remembered | None = getattr(found, kind)
        profile = f", profile {each.profile}" if each is not None and each.profile else ""
        click.echo(f"{kind:<10} {each.address + profile if each is not None else 'none'}")
        if each is not None and "::" not in each.address and each.address != MANUAL:
            click.echo(
                "           not the form of a VISA address; `twonode bench --try` shows whether it leads anywhere"
            )
        if kind in tried:
            ok, text = tried[kind]
            click.echo(f"           {'answers' if ok else 'TROUBLE'}: {text}")
    click.echo(
        f"probes     channel 1 {found.probes[0]}:1 (drive node), channel 2 {found.probes[1]}:1 (far node)"
    )
    click.echo(f"resistors  {', '.join(found.resistors) or 'none'}")
    click.echo(f"line       {found.line_hz} Hz")
    if found.visa is not None:
        click.echo(f"visa       {found.visa}")
    if found.allow_unverified:
        click.echo("profiles from memory are allowed: check what they do on your instrument")
    click.echo(f"remembered in {bench_path()}; your own command profiles belong in {profiles_path()}")
