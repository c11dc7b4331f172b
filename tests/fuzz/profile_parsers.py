"""Command profiles, and finding an answer in a reply as they say: parsers with sound samples."""

from __future__ import annotations

import math
from functools import cache
from importlib import resources

import msgspec

from tests.fuzz.fuzzing import Parser, finite, first_that
from tests.fuzz.mutations import Form
from twonode.drivers.instrument import _answer_in
from twonode.drivers.profile_format import Profile, ReplyForm
from twonode.drivers.profiles import matching_profiles, parse_profile, shipped_profiles
from twonode.drivers.scpi_text import parse_number


@cache
def _reply_forms() -> tuple[ReplyForm, ...]:
    """Every way in which a shipped profile finds an answer in a reply."""
    found: dict[ReplyForm, None] = {}

    def look(piece: object) -> None:
        if isinstance(piece, ReplyForm):
            found[piece] = None
        elif isinstance(piece, msgspec.Struct):
            for name in piece.__struct_fields__:
                look(getattr(piece, name))
        elif isinstance(piece, tuple):
            for each in piece:
                look(each)

    for profile in shipped_profiles().values():
        look(profile)
    return tuple(found)


def _answers(text: str) -> float:
    what = "the frequency"
    forms = _reply_forms()
    return float(
        first_that(
            lambda form=form: parse_number(_answer_in(text, form, what=what), what=what) for form in forms
        )
    )


def _profile(text: str) -> Profile:
    profile = parse_profile(text, where="a.toml")
    if profile.identify is not None:
        profile.identify.accepts("SG 1")
    for match in matching_profiles("TWONODE,SIM-S2,1,1.0", {profile.name: profile}):
        if match is not profile:
            raise AssertionError("another profile than was given")
    return profile


@cache
def _profile_samples() -> tuple[str, ...]:
    """The shipped profiles without their comments, which nothing reads."""
    folder = resources.files("twonode.drivers") / "profiles"
    texts = (each.read_text(encoding="utf-8") for each in folder.iterdir() if each.name.endswith(".toml"))
    return tuple(
        sorted("".join(f"{line}\n" for line in t.splitlines() if line and line[0] != "#") for t in texts)
    )


PARSERS: tuple[Parser, ...] = (
    Parser(
        name="answers as profiles read them",
        form=Form.TEXT,
        samples=(
            "1000.0",
            "FRQ,1000HZ",
            "C1:BSWV WVTP,SINE,FRQ,1000HZ,AMP,2V",
            "cf000100000",
            "FREQ 1.0E3",
            "WMF 00001000000000",
        ),
        read=_answers,
        sound=math.isfinite,
    ),
    Parser(name="profiles", form=Form.TEXT, samples=_profile_samples(), read=_profile, sound=finite),
)
