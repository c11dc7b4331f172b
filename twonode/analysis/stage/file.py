"""The stage file: TOML which people write, with values as on a schematic.

Owns the keys of that file, where shipped stages lie, and naming file, part and key in every complaint.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from importlib import resources
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from twonode.analysis.errors import QuantityError, StageError
from twonode.analysis.quantities import parse_measured, parse_quantity, parse_tolerance
from twonode.analysis.stage.model import Part, PartKind, Stage
from twonode.analysis.stage.wording import nearest
from twonode.tomltext import TomlError, read_toml

__all__ = ["load_stage", "parse_stage", "shipped_stage", "shipped_stage_names"]

P = ParamSpec("P")
R = TypeVar("R")

_STAGE_KEYS = ("title", "drive", "far", "part")
_PART_KEYS = (
    "name",
    "kind",
    "between",
    "value",
    "tolerance",
    "role",
    "rated",
    "measured",
    "aged",
    "loss",
    "esr",
    "leak",
    "asked",
    "dielectric",
)

# A stage file is a page of text; this bound only keeps a mistaken file name from filling the memory.
_LARGEST_FILE_BYTES = 1_000_000


def load_stage(path: str | os.PathLike[str]) -> Stage:
    """Read a stage file (TOML, UTF-8).

    Raises StageError naming the file, the part, the key, what was found and what is allowed.
    """
    where = str(path)
    try:
        with Path(path).open("rb") as file:
            raw = file.read(_LARGEST_FILE_BYTES + 1)
        if len(raw) > _LARGEST_FILE_BYTES:
            raise StageError(
                f"{where}: the file is larger than {_LARGEST_FILE_BYTES} bytes.",
                "A stage file is a page of text.",
                "Name the stage file.",
            )
        text = raw.decode("utf-8-sig")
    except OSError as exc:
        raise StageError(
            f"{where}: the stage file cannot be read ({exc.strerror or exc}).",
            "The circuit around the part comes from it.",
            "Check the name and that you may read it.",
        ) from exc
    except UnicodeDecodeError as exc:
        raise StageError(
            f"{where}: the stage file is not UTF-8 text.",
            "TOML files are UTF-8.",
            "Save it again as UTF-8.",
        ) from exc
    return parse_stage(text, where=where)


def shipped_stage_names() -> tuple[str, ...]:
    """Names of the stages that come with the program, sorted."""
    folder = resources.files("twonode.analysis") / "stages"
    return tuple(sorted(entry.name[:-5] for entry in folder.iterdir() if entry.name.endswith(".toml")))


def shipped_stage(name: str) -> Stage:
    """A stage that comes with the program, such as "wrenfield-46-driver-output".

    Raises StageError if there is none of that name.
    """
    names = shipped_stage_names()
    if name not in names:
        raise StageError(
            f"There is no shipped stage {name!r}{nearest(name, names)}",
            f"Shipped are {', '.join(names)}.",
            "Name one of these, or a stage file of your own.",
        )
    text = (resources.files("twonode.analysis") / "stages" / f"{name}.toml").read_text(encoding="utf-8")
    return parse_stage(text, where=f"{name}.toml")


def parse_stage(text: str, *, where: str = "stage file") -> Stage:
    """Read the text of a stage file; ``where`` names it in errors.

    Raises StageError as `load_stage` does.
    """
    try:
        table = read_toml(text)
    except TomlError as exc:
        raise StageError(
            f"{where}: this is not TOML: {exc}.",
            "The circuit around the part comes from this file.",
            "Correct the file there.",
        ) from exc
    try:
        return _stage_from_table(table)
    except StageError as exc:
        raise StageError(f"{where}: {exc.what}", exc.why, exc.do) from exc


def _stage_from_table(table: Mapping[str, Any]) -> Stage:
    _known_keys(table, _STAGE_KEYS, "the stage")
    sections = table.get("part", [])
    if not isinstance(sections, list) or not all(isinstance(section, dict) for section in sections):
        raise StageError("The stage: part is no list of sections.", "Each part has one.", "Write [[part]].")
    return Stage(
        title=_text(table, "title", "the stage"),
        drive=_text(table, "drive", "the stage"),
        far=_text(table, "far", "the stage"),
        parts=tuple(_part_from_table(section, place) for place, section in enumerate(sections, start=1)),
    )


def _part_from_table(table: Mapping[str, Any], place: int) -> Part:
    name = _text(table, "name", f"part number {place}")
    owner = f"part {name}"
    _known_keys(table, _PART_KEYS, owner)
    word = _text(table, "kind", owner)
    try:
        kind = PartKind(word)
    except ValueError:
        kinds = [each.value for each in PartKind]
        raise StageError(
            f"{_sentence(owner)}: kind is {word!r}{nearest(word, kinds)}",
            "The kind decides how the part is computed.",
            f"Write one of {', '.join(kinds)}.",
        ) from None
    tolerance = _optional_text(table, "tolerance", owner)
    measured = _optional_text(table, "measured", owner)
    try:
        return Part(
            name=name,
            kind=kind,
            between=_two_nodes(table, owner),
            value=_number(table, "value", kind.unit, owner),
            tolerance=None if tolerance is None else _at(owner, "tolerance", parse_tolerance, tolerance),
            role=_optional_text(table, "role", owner),
            rated_v=_number(table, "rated", "V", owner) if "rated" in table else None,
            measured=None
            if measured is None
            else _at(owner, "measured", parse_measured, measured, kind.unit),
            aged=_flag(table, "aged", owner),
            loss=_number(table, "loss", "", owner) if "loss" in table else 0.0,
            esr_ohm=_number(table, "esr", "ohm", owner) if "esr" in table else 0.0,
            leak_ohm=_number(table, "leak", "ohm", owner) if "leak" in table else None,
            asked=_flag(table, "asked", owner),
            dielectric=_optional_text(table, "dielectric", owner),
        )
    except QuantityError as exc:
        raise StageError(exc.what, exc.why, exc.do) from exc


def _at(owner: str, key: str, read: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> R:
    """Call a reader of `quantities`, adding part and key to what it complains about."""
    try:
        return read(*args, **kwargs)
    except QuantityError as exc:
        raise StageError(f"{_sentence(owner)}: {key}: {exc.what}", exc.why, exc.do) from exc


def _sentence(owner: str) -> str:
    return owner[0].upper() + owner[1:]


def _known_keys(table: Mapping[str, Any], known: tuple[str, ...], owner: str) -> None:
    for key in table:
        if key not in known:
            raise StageError(
                f"{_sentence(owner)}: unknown key {key!r}{nearest(key, known)}",
                "A key that nobody reads would be a fact that nobody uses.",
                f"Allowed are {', '.join(known)}.",
            )


def _wrong(owner: str, key: str, found: object, allowed: str) -> StageError:
    return StageError(
        f"{_sentence(owner)}: {key} is {found!r}.", f"It needs {allowed}.", f"Correct {key} in {owner}."
    )


def _text(table: Mapping[str, Any], key: str, owner: str) -> str:
    if key not in table:
        raise StageError(
            f"{_sentence(owner)}: the key {key} is missing.",
            "Nothing can stand in for it.",
            f"Add {key} = ...",
        )
    found = table[key]
    if not isinstance(found, str) or not found.strip():
        raise _wrong(owner, key, found, "a text in quotes")
    return found.strip()


def _optional_text(table: Mapping[str, Any], key: str, owner: str) -> str | None:
    return _text(table, key, owner) if key in table else None


def _flag(table: Mapping[str, Any], key: str, owner: str) -> bool:
    found = table.get(key, False)
    if not isinstance(found, bool):
        raise _wrong(owner, key, found, "true or false, without quotes")
    return found


def _number(table: Mapping[str, Any], key: str, unit: str, owner: str) -> float:
    """A value in quotes as on a schematic; a bare TOML number is read by the same rules."""
    found = table.get(key)
    if isinstance(found, (int, float)) and not isinstance(found, bool):
        found = repr(found)
    value: float = _at(
        owner, key, parse_quantity, found if isinstance(found, str) else _text(table, key, owner), unit
    )
    return value


def _two_nodes(table: Mapping[str, Any], owner: str) -> tuple[str, str]:
    found = table.get("between")
    if (
        not isinstance(found, list)
        or len(found) != 2
        or not all(isinstance(node, str) and node.strip() for node in found)
    ):
        raise _wrong(owner, "between", found, 'two node names, such as ["driver anode", "ground"]')
    return found[0].strip(), found[1].strip()
