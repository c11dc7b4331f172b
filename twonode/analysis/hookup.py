"""How a part is wired for a sweep: the two fixtures with a known resistor, the stage, and a drawing of each.

Owns the `HookUp` words, the stages that the two fixtures amount to, and the hook-up drawing for the console.
Leaves the probes and the generator's impedance to the model, and the safety cautions to the console.
"""

from __future__ import annotations

from enum import Enum

from twonode.analysis.quantities import Tolerance, format_quantity
from twonode.analysis.stage import GROUND, Part, PartKind, Stage

__all__ = [
    "COMPANION_ROLE",
    "DRIVE_NODE",
    "FAR_NODE",
    "KNOWN_RESISTOR_ROLE",
    "HookUp",
    "hookup_drawing",
    "series_stage",
    "shunt_stage",
]

DRIVE_NODE = "drive"
FAR_NODE = "far"
KNOWN_RESISTOR_ROLE = "known resistor"
COMPANION_ROLE = "companion"


class HookUp(Enum):
    """How the part is wired for a sweep; the value is the word in commands, files and on screen."""

    SERIES = "series"
    SHUNT = "shunt"
    STAGE = "stage"


def series_stage(
    *,
    part: str,
    value_farad: float,
    tolerance: Tolerance | None,
    resistor_ohm: float,
    resistor_tolerance: Tolerance | None,
) -> Stage:
    """The part from drive to far, the known resistor from far to ground: a high-pass.

    part : the capacitor's name; the resistor is called R, or Rk where the part itself is called R.
    value_farad, tolerance : what is expected of the part, F; tolerance None where nothing is marked.
    resistor_ohm, resistor_tolerance : the fixture's resistor, ohm.

    Raises StageError for values that are not above zero.
    """
    return Stage(
        title=f"{part} in series, known resistor to ground",
        drive=DRIVE_NODE,
        far=FAR_NODE,
        parts=(
            _asked(part, (DRIVE_NODE, FAR_NODE), value_farad, tolerance),
            _known(part, (FAR_NODE, GROUND), resistor_ohm, resistor_tolerance),
        ),
    )


def shunt_stage(
    *,
    part: str,
    value_farad: float,
    tolerance: Tolerance | None,
    resistor_ohm: float,
    resistor_tolerance: Tolerance | None,
) -> Stage:
    """The known resistor from drive to far, the part from far to ground: a low-pass.

    Arguments and errors as for `series_stage`.
    """
    return Stage(
        title=f"{part} to ground, known resistor in series",
        drive=DRIVE_NODE,
        far=FAR_NODE,
        parts=(
            _asked(part, (FAR_NODE, GROUND), value_farad, tolerance),
            _known(part, (DRIVE_NODE, FAR_NODE), resistor_ohm, resistor_tolerance),
        ),
    )


def _asked(name: str, between: tuple[str, str], value_farad: float, tolerance: Tolerance | None) -> Part:
    return Part(
        name=name,
        kind=PartKind.CAPACITOR,
        between=between,
        value=value_farad,
        tolerance=tolerance,
        asked=True,
    )


def _known(part: str, between: tuple[str, str], ohm: float, tolerance: Tolerance | None) -> Part:
    return Part(
        name="Rk" if part == "R" else "R",
        kind=PartKind.RESISTOR,
        between=between,
        value=ohm,
        tolerance=tolerance,
        role=KNOWN_RESISTOR_ROLE,
    )


# Large enough to pass the lowest sweep frequencies, small enough for the bleeder to empty it in a few seconds
# (common practice, no source).
_BLOCKING = "1 uF or more, film, rated above the set's HT"
_BLEEDER = "1 Mohm"

_LONGEST_NAME = 22


def hookup_drawing(hookup: HookUp, stage: Stage) -> str:
    """Where generator and clips go, as lines of plain ASCII (but for names that are not).

    Shows the generator with its blocking capacitor and bleeder ahead of channel 1, both clips at their nodes,
    the parts between the nodes and from the far node on, and the common ground; below it the parts not drawn.
    """
    between = [part for part in stage.parts if set(part.between) == {stage.drive, stage.far}]
    onward = [part for part in stage.parts if set(part.between) == {stage.far, GROUND}]
    drawn = {part.name for part in (*between, *onward)}

    drive, far = _clip(stage.drive), _clip(stage.far)
    lead = " generator o--||---"
    middle = " + ".join(map(_label, between)) if between else "rest of the stage"
    top = f"{lead}+---{drive}---[{middle}]---{far}---+"
    left, right = len(lead), len(top) - 1
    leg = " + ".join(map(_label, onward)) if onward else "nothing: probe only"

    columns = (left, right)
    over_drive = top.index(drive) + len(drive) // 2
    over_far = top.rindex(far) + len(far) // 2
    bottom = "".join("+" if column in columns else "-" for column in range(right + 1))
    bottom = " shield    o" + bottom[len(" shield    o") :]
    lines = [
        _placed((over_drive, "CHANNEL 1"), (over_far, "CHANNEL 2")),
        _placed((over_drive, "tip"), (over_far, "tip")),
        _placed((over_drive, "V"), (over_far, "V")),
        top,
        _placed((left, "|"), (right, "|")),
        _placed((left, f"[{_BLEEDER}]"), (right, f"[{leg}]")),
        _placed((left, "|"), (right, "|")),
        _overlaid(bottom, (left + right) // 2, " ground: both ground clips here "),
        "",
        f" --||--  blocking capacitor, {_BLOCKING}",
        f" [{_BLEEDER}]  bleeder: empties it; both stand ahead of channel 1, so the ratio does not see them",
    ]
    lines += [
        f" Clip the {_label(part)} on, {part.between[0]} to {part.between[1]}, only with the set unplugged."
        for part in stage.parts
        if part.role == COMPANION_ROLE
    ]
    if hookup is HookUp.STAGE:
        rest = [part for part in stage.parts if part.name not in drawn]
        lines += [f" not drawn: {_label(part)}, {part.between[0]} to {part.between[1]}" for part in rest]
        lines.append(" The set is unplugged, discharged and checked with a meter before any clip goes on.")
    return "\n".join(line.rstrip() for line in lines)


def _label(part: Part) -> str:
    value = format_quantity(part.value, part.kind.unit)
    # A companion has its value in its name, and so has the resistor a stage is fed through.
    named = part.role == COMPANION_ROLE or (
        part.role == KNOWN_RESISTOR_ROLE and part.name.startswith("feed ")
    )
    label = part.name if named else f"{part.name} {value}"
    return label.replace("Ω", "ohm").replace("µ", "u")


def _clip(node: str) -> str:
    shown = node if len(node) <= _LONGEST_NAME else node[: _LONGEST_NAME - 2] + ".."
    return f"<{shown}>"


def _placed(*texts: tuple[int, str]) -> str:
    """One line, each text centred on its column; a text that would touch the one before moves right."""
    line = ""
    for column, text in texts:
        start = max(column - len(text) // 2, len(line) + 1 if line else 0)
        line = line.ljust(start) + text
    return line


def _overlaid(line: str, column: int, text: str) -> str:
    start = column - len(text) // 2
    return line[:start] + text + line[start + len(text) :]
