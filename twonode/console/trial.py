"""``twonode instruments --try``: the guided check of new instruments, and the report a person can send in.

Owns asking for the clips, printing the steps and the report's form. What passes is decided by `acquire.trial`.
"""

from __future__ import annotations

import json
import platform
from collections.abc import Iterator
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

import twonode
from twonode.console.exits import Exit

if TYPE_CHECKING:
    from twonode.acquire.trial import TrialStep
    from twonode.drivers.profile_format import Profile

__all__ = ["try_instruments"]

_CLIPS = (
    "Nothing but the two probes may be connected: unplug every set and fixture. Set both probes to 1:1, put both tips",
    "and both ground clips on the generator's output. The output goes on for some seconds with 2 V peak-to-peak.",
)


def try_instruments(
    addresses: tuple[str, ...],
    *,
    visa: Literal["system", "python"] | None,
    profile_names: tuple[str, ...],
    allow_unverified: bool,
    report: Path | None,
    yes: bool,
    as_json: bool,
) -> int:
    """Try one instrument by itself, or a generator and a scope together; returns the exit code.

    report : file to write; None is a name in the current folder.

    Raises BenchError, UsageError, ArchiveNotWritable.
    """
    from twonode.acquire.trial import passed
    from twonode.drivers.leaving import leaving
    from twonode.drivers.manual import MANUAL

    if not 1 <= len(addresses) <= 2:
        raise click.UsageError(
            "--try takes one address, or two: a generator's and a scope's; without any, a generator and a scope that "
            "`twonode bench` remembers"
        )
    if MANUAL in addresses:
        raise click.UsageError(
            "A generator turned by hand takes no commands that could be tried; try the scope alone"
        )
    with ExitStack() as stack:
        stack.enter_context(leaving())
        if len(addresses) == 2:
            _ask_for_clips(yes=yes)
        found, steps_of = _met(stack, addresses, visa, profile_names, allow_unverified)
        steps: list[TrialStep] = []
        for step in steps_of:
            steps.append(step)
            if not as_json:
                _print(step)
    document = _document(found, steps)
    place = report or Path(f"twonode-trial-{datetime.now(UTC):%Y-%m-%dT%H-%M-%SZ}.md")
    _write(place, _report(document))
    document["report"] = str(place)
    good = passed(steps)
    if as_json:
        print(json.dumps(document))
    else:
        failed = [step.name for step in steps if not step.ok]
        click.secho(
            "Every step passed." if good else f"Not passed: {', '.join(failed)}.",
            bold=True,
        )
        if good and len(addresses) == 1:
            click.echo(
                "What it really puts out or shows is still to be seen: --try GENERATOR SCOPE, with a known sine."
            )
        click.echo(f"Report: {place}; send it in with the instrument's firmware, and the profile can say so.")
    return Exit.DONE if good else Exit.INSTRUMENT


def _ask_for_clips(*, yes: bool) -> None:
    for line in _CLIPS:
        click.echo(line, err=True)
    if yes:
        return
    answer = click.prompt("Type clipped when that is so", default="", show_default=False, err=True)
    if answer.strip().lower() != "clipped":
        raise click.UsageError("Nothing was sent; start again when both probes are on the generator's output")


def _met(
    stack: ExitStack,
    addresses: tuple[str, ...],
    visa: Literal["system", "python"] | None,
    profile_names: tuple[str, ...],
    allow_unverified: bool,
) -> tuple[list[dict[str, Any]], Iterator[TrialStep]]:
    """Who answers, and the steps to come; the instruments are let go when the stack ends."""
    from twonode.acquire.trial import try_bench
    from twonode.console.benches import real_bench

    if len(addresses) == 1:
        return _met_alone(stack, addresses[0], visa, profile_names, allow_unverified)
    bench = stack.enter_context(
        real_bench(
            generator=addresses[0],
            scope=addresses[1],
            visa=visa,
            profile_names=profile_names,
            allow_unverified=allow_unverified,
        )
    )
    found = [
        _instrument(each.resource, each.identity, each.profile) for each in (bench.generator, bench.scope)
    ]
    return found, try_bench(bench)


def _met_alone(
    stack: ExitStack,
    address: str,
    visa: Literal["system", "python"] | None,
    profile_names: tuple[str, ...],
    allow_unverified: bool,
) -> tuple[list[dict[str, Any]], Iterator[TrialStep]]:
    from twonode.acquire.trial import try_generator, try_scope
    from twonode.console.benches import known_profiles, profiles_by_kind
    from twonode.drivers.clock import SystemClock
    from twonode.drivers.errors import UnknownInstrument
    from twonode.drivers.generator import Generator
    from twonode.drivers.opening import go_on_as, open_as
    from twonode.drivers.profile_format import GeneratorProfile, ScopeProfile
    from twonode.drivers.profiles import choose_profile, kind_of, matching_profiles
    from twonode.drivers.scope import Scope

    known = known_profiles()
    profiles_by_kind(profile_names, known)
    if len(profile_names) > 1:
        raise click.UsageError("One instrument has one profile: give --profile once, or both addresses")
    name = profile_names[0] if profile_names else None
    link = open_as(address, name, visa=visa, profiles=known)
    stack.callback(link.close)
    identity = link.identity
    named = known.get(name or "")
    fitting = [named] if named is not None else list(matching_profiles(identity, known))
    if not fitting:
        raise UnknownInstrument(
            f"No profile fits an instrument that answers {identity[:80]!r}.",
            f"Without the right commands nothing can be tried; there are: {', '.join(sorted(known))}.",
            "If one of them suits its manual, choose it with `--profile NAME`.",
        )
    kind = kind_of(fitting[0])
    profile = choose_profile(identity, kind, name, profiles=known, allow_unverified=allow_unverified)
    go_on_as(link, profile)
    clock = SystemClock()
    if isinstance(profile, GeneratorProfile):
        generator = Generator(link, identity=identity, profile=profile, clock=clock)
        return [_instrument(address, identity, profile)], try_generator(generator)
    if isinstance(profile, ScopeProfile):
        scope = Scope(link, identity=identity, profile=profile, clock=clock)
        return [_instrument(address, identity, profile)], try_scope(scope, clock)
    raise click.UsageError(
        "--try is for generators and scopes; read a known battery with the voltmeter instead"
    )


def _instrument(address: str, identity: str, profile: Profile) -> dict[str, Any]:
    return {
        "resource": address,
        "identity": identity,
        "profile": profile.name,
        "evidence": profile.evidence.value,
        "hardware_status": profile.hardware_status,
    }


def _document(found: list[dict[str, Any]], steps: list[TrialStep]) -> dict[str, Any]:
    from twonode.acquire.trial import passed

    return {
        "format": 1,
        "program": f"twonode {twonode.__version__}",
        "python": platform.python_version(),
        "system": platform.system(),
        "tried_utc": f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}",
        "instruments": found,
        "passed": passed(steps),
        "steps": [
            {"name": s.name, "ok": s.ok, "asked": s.asked, "got": s.got, "advice": None if s.ok else s.advice}
            for s in steps
        ],
    }


def _report(document: dict[str, Any]) -> str:
    """The report as Markdown: readable as it is, with the same figures as the JSON."""
    lines = [
        "# Trial of instruments",
        "",
        f"{document['program']}, Python {document['python']} on {document['system']}, {document['tried_utc']}",
        "",
    ]
    for each in document["instruments"]:
        # An address tells of somebody's network, and is not needed.
        lines += [
            f"- `{each['identity']}`: profile `{each['profile']}`, {each['evidence']}, {each['hardware_status']}"
        ]
    lines += ["", "| step | passed | asked | got |", "|---|---|---|---|"]
    for step in document["steps"]:
        cells = (step["name"], "yes" if step["ok"] else "NO", step["asked"], step["got"])
        lines.append(
            "| " + " | ".join(str(cell).replace("|", "/").replace("\n", " ") for cell in cells) + " |"
        )
    lines += ["", *(f"- {s['name']}: {s['advice']}" for s in document["steps"] if s["advice"])]
    lines += ["", f"All passed: {'yes' if document['passed'] else 'no'}", ""]
    return "\n".join(lines)


def _write(place: Path, text: str) -> None:
    from twonode.recordings.disk import write_whole
    from twonode.recordings.errors import output_not_writable

    try:
        write_whole(place, text.encode("utf-8"))
    except OSError as exc:
        raise output_not_writable(place, exc) from exc


def _print(step: TrialStep) -> None:
    mark = "passed" if step.ok else "FAILED"
    click.echo(f"{mark}  {step.name}: {step.got} (asked: {step.asked})")
    if not step.ok and step.advice:
        click.echo(f"        {step.advice}")
