"""``twonode instruments``: what is connected, what it answers, which command profile fits.

Owns the only place where the program looks for instruments on its own; everywhere else addresses are given.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Literal

import click

from twonode.console.exits import Exit
from twonode.console.options import common_options

__all__ = ["instruments"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """One address and what came of asking it.

    kind, profile, hardware_status : None where no profile fits. error, advice : why it could not be asked and what to
    do, else None. needs_return : it hears only lines that end in CR LF, which its profile has to say.
    """

    resource: str
    identity: str | None = None
    kind: str | None = None
    profile: str | None = None
    hardware_status: str | None = None
    error: str | None = None
    advice: str | None = None
    needs_return: bool = False


@click.command()
@click.argument("addresses", nargs=-1, metavar="[ADDRESS]...")
@click.option(
    "--discovery/--no-discovery", default=True, help="Look for instruments where no address is given."
)
@click.option(
    "--visa", type=click.Choice(["system", "python"]), help="VISA library.  [default: the system's, if any]"
)
@click.option(
    "--try",
    "trying",
    is_flag=True,
    help="Guided check of a new generator or scope, or of both together with a known sine; writes a report.",
)
@click.option(
    "--profile", "profiles", metavar="NAME", multiple=True, help="With --try: command profile to try."
)
@click.option("--allow-unverified", is_flag=True, help="With --try: a profile from memory may be tried, too.")
@click.option(
    "--report", type=click.Path(path_type=Path, dir_okay=False), help="With --try: file for the report."
)
@click.option("--yes", is_flag=True, help="With --try: both probes are on the generator's output already.")
@common_options
def instruments(
    addresses: tuple[str, ...],
    discovery: bool,
    visa: Literal["system", "python"] | None,
    trying: bool,
    profiles: tuple[str, ...],
    allow_unverified: bool,
    report: Path | None,
    yes: bool,
    as_json: bool,
    debug: bool,
) -> int:
    """Ask instruments who they are, and say which command profile fits.

    With addresses only those are asked. Without any, instruments are looked for: that sends a broadcast into the
    local network and takes a few seconds. Instruments on plain sockets are never found that way; give their
    addresses. Serial ports are listed and not asked, since something else may be at their other end.

    \b
    Examples:
      twonode instruments
      twonode instruments TCPIP0::192.168.1.20::5025::SOCKET
      twonode instruments --try TCPIP0::192.168.1.20::5025::SOCKET TCPIP0::192.168.1.21::5555::SOCKET

    With --try one instrument is set and read back; a generator and a scope together (in this order, or those that
    `twonode bench` remembers) also show a known sine on both channels: amplitude, frequency, polarity, overdrive,
    output off. `twonode simulate --clips trial` serves a pair to rehearse it with.

    Exit status: 0 done, 3 an address that was given did not answer, or with --try a step did not pass.
    """
    del debug  # read from the command line before anything else can fail
    if trying:
        from twonode.console.benchfile import read_bench
        from twonode.console.trial import try_instruments

        bench = read_bench() if not addresses else None
        if bench is not None and bench.generator is not None and bench.scope is not None:
            addresses = (bench.generator.address, bench.scope.address)
            visa = visa or bench.visa
            profiles = profiles or bench.generator_and_scope_profiles
            allow_unverified = allow_unverified or bench.allow_unverified
        return try_instruments(
            addresses,
            visa=visa,
            profile_names=profiles,
            allow_unverified=allow_unverified,
            report=report,
            yes=yes,
            as_json=as_json,
        )
    if profiles or allow_unverified or report is not None or yes:
        raise click.UsageError("--profile, --allow-unverified, --report and --yes go with --try")
    looked = not addresses and discovery
    if looked:
        if not as_json:
            from twonode.drivers.discovery import library_words

            click.echo(f"VISA library: {library_words(visa)}", err=True)
            click.echo("Looking for instruments (sends a broadcast into the local network) ...", err=True)
        found = [
            _Found(
                resource=address,
                error="a serial port: not asked",
                advice="If an instrument is there, name its profile: twonode instruments --try "
                f"{address} --profile NAME",
            )
            if address.upper().startswith("ASRL")
            else _ask(address, visa)
            for address in _discovered(visa)
        ]
    else:
        found = [_ask(address, visa) for address in addresses]
    if as_json:
        print(json.dumps({"format": 1, "looked": looked, "instruments": [asdict(each) for each in found]}))
    else:
        _print(found, looked=looked)
    return Exit.INSTRUMENT if addresses and any(each.error for each in found) else Exit.DONE


def _discovered(visa: Literal["system", "python"] | None) -> list[str]:
    from twonode.drivers.discovery import find_addresses

    return list(find_addresses(visa))


def _ask(address: str, visa: Literal["system", "python"] | None) -> _Found:
    from twonode.console.benches import known_profiles
    from twonode.drivers.errors import BenchError, ReplyTimeout
    from twonode.drivers.link import Terminators, open_link
    from twonode.drivers.profiles import kind_of, matching_profiles

    try:
        needs_return = False
        try:
            link = open_link(address, backend=visa)
        except ReplyTimeout:
            if address.upper().endswith("::INSTR"):
                raise  # there a message ends by itself
            # Some hear a line only where a carriage return stands ahead of the line feed.
            link = open_link(address, backend=visa, terminators=Terminators(write="\r\n"))
            needs_return = True
        link.close()
    except BenchError as exc:
        return _Found(resource=address, error=exc.what, advice=exc.do)
    found = _Found(resource=address, identity=link.identity, needs_return=needs_return)
    for profile in matching_profiles(link.identity, known_profiles()):
        return replace(
            found,
            kind=kind_of(profile).value,
            profile=profile.name,
            hardware_status=str(profile.hardware_status),
        )
    return found


def _print(found: list[_Found], *, looked: bool) -> None:
    if not found:
        click.echo("No instrument was found." if looked else "No instrument was named.")
        click.echo("Give addresses, such as: twonode instruments TCPIP0::192.168.1.20::5025::SOCKET")
        if looked:
            from twonode.drivers.discovery import NOTHING_FOUND

            click.echo("The usual reasons, and how to check each:")
            for number, reason in enumerate(NOTHING_FOUND, start=1):
                click.echo(f"  {number}. {reason}")
        return
    for each in found:
        click.secho(each.resource, bold=True)
        if each.error is not None:
            click.echo(f"  {each.error}")
            if each.advice is not None:
                click.echo(f"  {each.advice}")
            continue
        click.echo(f"  answers: {each.identity}")
        if each.profile is None:
            click.echo("  no profile fits; if one suits its manual, choose it with --profile NAME")
        else:
            click.echo(f"  {each.kind}, profile {each.profile} ({each.hardware_status})")
        if each.needs_return:
            name = each.profile or "NAME"
            click.echo(f"  it hears only lines that end in CR LF, so name its profile: --profile {name}")
