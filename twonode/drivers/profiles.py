"""Command profiles: reading the files and choosing the one that fits an instrument.

Owns where profiles come from and how ``*IDN?`` leads to one. Their form belongs to `profile_format`.
"""

from __future__ import annotations

import difflib
import functools
import re
from collections.abc import Iterable, Mapping
from importlib import resources
from pathlib import Path

import msgspec

from twonode.drivers.errors import ProfileError, UnknownInstrument, UnverifiedProfile, WrongInstrument
from twonode.drivers.profile_format import (
    Evidence,
    GeneratorProfile,
    InstrumentKind,
    Profile,
    ScopeProfile,
    VoltmeterProfile,
)
from twonode.drivers.scpi_text import parse_identity
from twonode.tomltext import TomlError, read_toml

__all__ = [
    "choose_profile",
    "identification_for",
    "kind_of",
    "load_profiles",
    "matching_profiles",
    "parse_profile",
    "profile_of_family",
    "shipped_profiles",
]

_KIND = {
    GeneratorProfile: InstrumentKind.GENERATOR,
    ScopeProfile: InstrumentKind.SCOPE,
    VoltmeterProfile: InstrumentKind.VOLTMETER,
}

_COULD_GO_WRONG = {
    InstrumentKind.GENERATOR: "it may do something else than it is told, its level may be wrong by a factor, and "
    "its output may stay on",
    InstrumentKind.SCOPE: "its volts, their sign or its time base may be wrong without any error",
    InstrumentKind.VOLTMETER: "its volts may be wrong without any error",
}


def kind_of(profile: Profile) -> InstrumentKind:
    """What the profile's instrument is for."""
    return _KIND[type(profile)]


def parse_profile(text: str, *, where: str = "profile") -> Profile:
    """Read one profile from TOML text.

    Raises
    ------
    ProfileError : no TOML, an unknown key, a missing key or a value that is not allowed; names file and key.
    """
    try:
        profile: Profile = msgspec.convert(read_toml(text), type=Profile)
    except msgspec.ValidationError as exc:
        what, _, path = str(exc).partition(" - at `$")
        key = path.strip("`.") or "the top level"
        raise ProfileError(
            f"{where}: {what} (at {key}).",
            "A profile with a mistake could send the instrument a wrong command.",
            "Correct that key; the profiles that come with twonode are examples.",
        ) from exc
    except TomlError as exc:
        raise ProfileError(
            f"{where} is no TOML: {exc}.",
            "A profile that cannot be read whole is not used in part.",
            "Correct the file; the profiles that come with twonode are examples.",
        ) from exc
    return profile


@functools.cache
def shipped_profiles() -> Mapping[str, Profile]:
    """The profiles that come with the program, by name."""
    folder = resources.files("twonode.drivers") / "profiles"
    files = sorted((f for f in folder.iterdir() if f.name.endswith(".toml")), key=lambda f: f.name)
    return _by_name((parse_profile(f.read_text(encoding="utf-8"), where=f.name), f.name) for f in files)


def load_profiles(folder: Path | None = None) -> Mapping[str, Profile]:
    """The shipped profiles and those of a folder; a user's profile replaces a shipped one of the same name.

    Raises ProfileError as `parse_profile`, or for a file that cannot be read.
    """
    if folder is None or not folder.is_dir():
        return shipped_profiles()
    own = []
    for path in sorted(folder.glob("*.toml")):
        try:
            text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as exc:
            raise ProfileError(
                f"The profile {path} cannot be read: {exc}.",
                "It may describe the instrument that is connected.",
                "Check the file, or move it out of the profiles folder.",
            ) from exc
        own.append((parse_profile(text, where=str(path)), str(path)))
    return {**shipped_profiles(), **_by_name(own)}


def _by_name(profiles: Iterable[tuple[Profile, str]]) -> dict[str, Profile]:
    found: dict[str, Profile] = {}
    for profile, where in profiles:
        if profile.name in found:
            raise ProfileError(
                f"{where}: a second profile is named {profile.name!r}.",
                "A name must lead to one profile.",
                "Rename one of them.",
            )
        found[profile.name] = profile
    return found


def matching_profiles(identity: str, profiles: Mapping[str, Profile] | None = None) -> tuple[Profile, ...]:
    """The profiles whose identity fits a reply to ``*IDN?``; usually none or one."""
    parsed = parse_identity(identity)
    return tuple(
        profile
        for profile in (shipped_profiles() if profiles is None else profiles).values()
        if any(
            match.maker in parsed.maker.upper()
            and re.fullmatch(match.model, parsed.model, re.IGNORECASE) is not None
            for match in profile.identity
        )
    )


def profile_of_family(
    family: str, kind: InstrumentKind, profiles: Mapping[str, Profile] | None = None
) -> Profile | None:
    """The first profile of that family; None if there is none."""
    known = shipped_profiles() if profiles is None else profiles
    return next((p for p in known.values() if p.family == family and kind_of(p) is kind), None)


def identification_for(name: str | None, profiles: Mapping[str, Profile] | None = None) -> str:
    """The question who an instrument is: ``*IDN?`` unless a profile is named that knows another.

    An unknown name gives ``*IDN?`` too; `choose_profile` refuses it.
    """
    named = (shipped_profiles() if profiles is None else profiles).get(name or "")
    return "*IDN?" if named is None else named.identification


def choose_profile(
    identity: str,
    kind: InstrumentKind,
    name: str | None = None,
    *,
    profiles: Mapping[str, Profile] | None = None,
    allow_unverified: bool = False,
) -> Profile:
    """The profile for an instrument of the wanted kind.

    Parameters
    ----------
    identity : its reply to ``*IDN?``, or to the question of the profile chosen by hand (`identification_for`).
    kind : what it is to be used as.
    name : a profile chosen by hand; then the identity may be unknown.
    allow_unverified : use a profile that was written from memory.

    Raises
    ------
    ProfileError : no profile of that name, or one of another kind.
    UnverifiedProfile : the profile that fits was written from memory, and nobody asked for such a one.
    WrongInstrument : the identity belongs to an instrument of another kind.
    UnknownInstrument : no profile fits and none was named.
    """
    known = shipped_profiles() if profiles is None else profiles
    chosen = _fitting(identity, kind, name, known)
    if chosen.evidence is Evidence.MEMORY and not allow_unverified:
        raise UnverifiedProfile(
            f"The profile {chosen.name!r} for the {kind.value} ({identity[:60]!r}) was written from memory.",
            f"Most of it comes from no document and nobody has tried it: {_COULD_GO_WRONG[kind]}.",
            "Check it first, with nothing but a resistor connected: "
            "`twonode instruments --try ADDRESS --allow-unverified`. Then add `--allow-unverified`.",
        )
    return chosen


def _fitting(identity: str, kind: InstrumentKind, name: str | None, known: Mapping[str, Profile]) -> Profile:
    fitting = matching_profiles(identity, known)
    of_kind = [p for p in fitting if kind_of(p) is kind]
    if fitting and not of_kind:
        other = kind_of(fitting[0]).value
        raise WrongInstrument(
            f"At the address given for the {kind.value} answers a {other}: {identity[:80]!r}.",
            f"It cannot be used as a {kind.value}; the two addresses may be swapped.",
            f"Swap the addresses of {kind.value} and {other}, or correct the one for the {kind.value}.",
        )
    if name is not None:
        named = _named(name, kind, known)
        if named.identify is not None and not named.identify.accepts(identity):
            raise UnknownInstrument(
                f"Asked {named.identify.ask!r}, the {kind.value} answers {identity[:80]!r}.",
                f"The instruments of profile {named.name!r} answer otherwise, so it is something else.",
                "Check the address, the port and its speed, and which profile suits the instrument.",
            )
        return named
    if not of_kind:
        names = sorted(p.name for p in known.values() if kind_of(p) is kind)
        raise UnknownInstrument(
            f"No {kind.value} profile fits an instrument that answers {identity[:80]!r}.",
            f"Without the right commands it cannot be used; there are: {', '.join(names) or 'none'}.",
            "If one of them suits its manual, choose it with `--profile NAME`.",
        )
    return of_kind[0]


def _named(name: str, kind: InstrumentKind, known: Mapping[str, Profile]) -> Profile:
    profile = known.get(name)
    names = sorted(p.name for p in known.values() if kind_of(p) is kind)
    if profile is None:
        near = difflib.get_close_matches(name, list(known), n=1)
        raise ProfileError(
            f"There is no profile named {name!r}.",
            f"For a {kind.value} there are: {', '.join(names) or 'none'}.",
            f"Did you mean {near[0]!r}?" if near else "Choose one of these with `--profile`.",
        )
    if kind_of(profile) is not kind:
        raise ProfileError(
            f"The profile {name!r} is for a {kind_of(profile).value}, and a {kind.value} is wanted.",
            f"For a {kind.value} there are: {', '.join(names) or 'none'}.",
            "Choose one of these with `--profile`.",
        )
    return profile
