"""The bench file: which instruments, probes and fixture resistors there are, remembered between commands.

Owns the file's place, form and checks. Asking a person belongs to `bench`; using it to `options`, where what is written
on the command line wins.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import msgspec

from twonode.errors import TwonodeError

if TYPE_CHECKING:
    from twonode.analysis.quantities import Tolerance

__all__ = [
    "BENCH_VARIABLE",
    "BenchFile",
    "BenchFileError",
    "Remembered",
    "bench_path",
    "forget_bench",
    "read_bench",
    "write_bench",
]

BENCH_VARIABLE = "TWONODE_BENCH"
_LARGEST_BYTES = 100_000
_SAME_VALUE = 1e-6
_ALLOWED = {"format": "1", "line_hz": "50 and 60", "probes": "1 and 10", "visa": '"system" and "python"'}


class BenchFileError(TwonodeError):
    """The bench file cannot be read, written, or believed."""


class Remembered(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One instrument.

    address : VISA resource string. profile : its command profile, where *IDN? does not lead to one.
    """

    address: str
    profile: str | None = None

    def __post_init__(self) -> None:
        if not self.address.strip():
            raise ValueError("address: an address is not empty")


class BenchFile(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """All of the file. Channel 1 is always the drive node and channel 2 the far node.

    visa : which VISA library. probes : switch of channel 1's and 2's probe. resistors : known fixture resistors at
    hand, each written like "100k 0.1%". line_hz : mains frequency. allow_unverified : profiles from memory may be used.
    """

    format: Literal[1] = 1
    generator: Remembered | None = None
    scope: Remembered | None = None
    voltmeter: Remembered | None = None
    visa: Literal["system", "python"] | None = None
    probes: tuple[Literal[1, 10], Literal[1, 10]] = (10, 10)
    resistors: tuple[str, ...] = ()
    line_hz: Literal[50, 60] = 50
    allow_unverified: bool = False

    def __post_init__(self) -> None:
        seen: list[float] = []
        for text in self.resistors:
            try:
                ohm, _ = resistor_of(text)
            except ValueError as exc:
                raise ValueError(f"resistors: {exc}") from exc
            if any(abs(ohm - other) <= _SAME_VALUE * ohm for other in seen):
                raise ValueError(
                    f"resistors: two have the value of {text!r}, so a value does not say which one is clipped in; "
                    "keep the better known one"
                )
            seen.append(ohm)

    @property
    def generator_and_scope_profiles(self) -> tuple[str, ...]:
        """Names of the profiles that were chosen by hand for these two."""
        found = (each.profile for each in (self.generator, self.scope) if each is not None)
        return tuple(name for name in found if name)

    @property
    def resistors_ohm(self) -> tuple[float, ...]:
        """Stated values of the fixture resistors at hand."""
        return tuple(resistor_of(text)[0] for text in self.resistors)

    def tolerance_of(self, ohm: float) -> Tolerance | None:
        """How well the resistor of this value at hand is known; None where there is none."""
        for text in self.resistors:
            value, tolerance = resistor_of(text)
            if abs(value - ohm) <= _SAME_VALUE * ohm:
                return tolerance
        return None


def resistor_of(text: str) -> tuple[float, Tolerance]:
    """Ohms and tolerance of a text like "100k 0.1%". Raises ValueError."""
    from twonode.analysis.quantities import parse_quantity, parse_tolerance

    value, _, tolerance = text.strip().partition(" ")
    if not tolerance.strip():
        raise ValueError(f"{text!r} has no tolerance; write a value and a tolerance, such as 100k 0.1%")
    try:
        return parse_quantity(value, "ohm"), parse_tolerance(tolerance)
    except TwonodeError as exc:
        raise ValueError(f"{text!r}: {exc.what} Write a value and a tolerance, such as 100k 0.1%") from exc


def bench_path() -> Path:
    """Where the bench is remembered: the settings folder, or the file that TWONODE_BENCH names."""
    named = os.environ.get(BENCH_VARIABLE)
    if named:
        return Path(named)
    import platformdirs

    return platformdirs.user_config_path("twonode", appauthor=False) / "bench.toml"


def read_bench(path: Path | None = None) -> BenchFile | None:
    """What is remembered; None where nothing is.

    Raises BenchFileError naming file and key.
    """
    from twonode.tomltext import TomlError, read_toml

    place = bench_path() if path is None else path
    try:
        with place.open("rb") as file:
            content = file.read(_LARGEST_BYTES + 1)
    except FileNotFoundError:
        return None
    except OSError as exc:
        raise _unreadable(place, f"it cannot be read ({exc.strerror or exc})") from exc
    if len(content) > _LARGEST_BYTES:
        raise _unreadable(place, f"it is longer than {_LARGEST_BYTES} bytes")
    try:
        return msgspec.convert(read_toml(content.decode("utf-8")), type=BenchFile)
    except msgspec.ValidationError as exc:
        what, _, where = str(exc).partition(" - at `$")
        key = where.strip("`.")
        allowed = _ALLOWED.get(key.partition("[")[0])
        at = f" (at {key}{f'; allowed are {allowed}' if allowed else ''})" if key else ""
        raise _unreadable(place, f"{what}{at}") from exc
    except (TomlError, UnicodeDecodeError) as exc:
        raise _unreadable(place, f"it is no TOML: {exc}") from exc


def write_bench(bench: BenchFile, path: Path | None = None) -> Path:
    """Remember a bench. Raises BenchFileError."""
    from twonode.recordings.disk import write_whole

    place = bench_path() if path is None else path
    lines = ["# The bench as `twonode bench` remembers it; what is written on a command line wins."]
    lines += [
        f"{key} = {_toml(value)}" for key, value in _plain(bench).items() if not isinstance(value, dict)
    ]
    for key, value in _plain(bench).items():
        if isinstance(value, dict):
            lines += ["", f"[{key}]", *(f"{name} = {_toml(each)}" for name, each in value.items())]
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        write_whole(place, ("\n".join(lines) + "\n").encode("utf-8"))
    except OSError as exc:
        raise BenchFileError(
            f"{place} cannot be written ({exc.strerror or exc}).",
            "The bench would have to be named in every command.",
            f"Check your rights to that folder, or name another file in {BENCH_VARIABLE}.",
        ) from exc
    return place


def forget_bench() -> Path:
    """Take the bench file away, sound or not. Raises BenchFileError."""
    place = bench_path()
    try:
        place.unlink(missing_ok=True)
    except OSError as exc:
        raise BenchFileError(
            f"{place} cannot be taken away ({exc.strerror or exc}).",
            "Every command would go on using it.",
            f"Check your rights to that folder, or name another file in {BENCH_VARIABLE}.",
        ) from exc
    return place


def _plain(bench: BenchFile) -> dict[str, object]:
    found: dict[str, object] = msgspec.to_builtins(bench)
    named = {key: value for key, value in found.items() if value is not None}
    for key, value in named.items():
        if isinstance(value, dict):
            named[key] = {name: each for name, each in value.items() if each is not None}
    return {"format": 1, **named}


def _toml(value: object) -> str:
    # JSON's strings, numbers, booleans and arrays are TOML's, but for one character that TOML wants escaped.
    return msgspec.json.encode(value).decode("utf-8").replace("\x7f", "\\u007f")


def _unreadable(place: Path, because: str) -> BenchFileError:
    return BenchFileError(
        f"The bench file {place} is not sound: {because}.",
        "It says which instruments every command uses.",
        f"Correct it, take it away with `twonode bench --forget`, or name another file in {BENCH_VARIABLE}.",
    )
