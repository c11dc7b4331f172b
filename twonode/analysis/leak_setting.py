"""What a stage file knows of the DC check of one capacitor: its role, the two nodes, the resistors around.

Owns reading them off the circuit. Where the circuit is not one of the two that `leakage_readings` draws, it says so
and asks for the resistor by hand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

from twonode.analysis.leakage_readings import (
    KnownResistor,
    LeakageError,
    LeakRole,
    Position,
    leak_role,
)
from twonode.analysis.quantities import Tolerance
from twonode.analysis.stage import GROUND, Part, PartKind, Stage

__all__ = ["LeakSetting", "leak_setting"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LeakSetting:
    """Where to put the meter, and what lies around the part.

    drive_node : what drives the leak: the other side of a coupling capacitor, the feed of a bypass; the far node
        itself where a bypass has no single feed.
    far_node : where the leak shows.
    resistor : grid leak or feed; None where the stage has none that can be read off.
    drive_source : what feeds the drive node. far_source : what feeds a bypass's own node, for its lifted test.
    to_supply : the grid leak ends on a supply (fixed bias), so that only the change tells.
    """

    part: str
    role: LeakRole
    drive_node: str
    far_node: str
    resistor: KnownResistor | None
    drive_source: KnownResistor | None
    far_source: KnownResistor | None = None
    to_supply: bool = False


def leak_setting(stage: Stage, part: Part, *, role: LeakRole | None = None) -> LeakSetting:
    """The DC check of a capacitor of the stage.

    role : None takes the stage file's word for it.

    Raises LeakageError for another kind of part, a part without a role that is known, or a place that does not fit
    its role.
    """
    if part.kind is not PartKind.CAPACITOR:
        raise LeakageError(
            f"{part.name} is a {part.kind.value}.",
            "A leak is judged for a capacitor.",
            "Name a capacitor of the stage with --part.",
        )
    if role is None:
        if part.role is None:
            raise LeakageError(
                f"The stage does not say what {part.name} is for.",
                "How much leakage is too much depends on it.",
                "Give --role, such as coupling, or write role into the stage file.",
            )
        role = leak_role(part.role)
    grounded = GROUND in part.between
    if (role.position is Position.BETWEEN) is grounded:
        where = "to ground" if grounded else "between two nodes"
        raise LeakageError(
            f"{part.name} goes {where}, which is no {role.value} capacitor's place.",
            "Where a capacitor lies decides how its leak is worked out.",
            "Correct the stage file's between or role, or give another --role.",
        )
    return _shunt(stage, part, role) if grounded else _between(stage, part, role)


def _between(stage: Stage, part: Part, role: LeakRole) -> LeakSetting:
    first, second = part.between
    # The clip's far node is where the leak shows; else the side that a resistor ties to ground.
    tied = [node for node in part.between if _from(stage, node, _held(stage), _NOT_FEEDING)]
    far = stage.far if stage.far in part.between else (tied[0] if tied else second)
    drive = first if far == second else second
    held = _held(stage)
    to_supply = any(_other(p, far) != GROUND for p in _from(stage, far, held, ()))
    return LeakSetting(
        part=part.name,
        role=role,
        drive_node=drive,
        far_node=far,
        resistor=_together(_from(stage, far, held, ())),
        drive_source=_together(_from(stage, drive, held, ())),
        to_supply=to_supply,
    )


def _shunt(stage: Stage, part: Part, role: LeakRole) -> LeakSetting:
    far = part.between[0] if part.between[1] == GROUND else part.between[1]
    around = [p for p in _resistors(stage) if far in p.between]
    # A divider or a cathode's resistor is another circuit: there only the part alone tells, one end lifted.
    feed = around[0] if len(around) == 1 and _other(around[0], far) != GROUND else None
    drive = far if feed is None else _other(feed, far)
    resistor = None if feed is None else _known(feed)
    held = _held(stage)
    return LeakSetting(
        part=part.name,
        role=role,
        drive_node=drive,
        far_node=far,
        resistor=resistor,
        drive_source=None if feed is None else _together(_from(stage, drive, held, (feed.name,))),
        # An AVC line is fed from no node that a supply holds: what feeds it is its resistor all the same.
        far_source=_together(_from(stage, far, held, ())) or resistor,
    )


# Resistors that feed an anode or a rail do not make a node the far one.
_NOT_FEEDING = ("load", "feed", "source")


def _resistors(stage: Stage) -> list[Part]:
    return [part for part in stage.parts if part.kind is PartKind.RESISTOR]


def _held(stage: Stage) -> set[str]:
    """Ground and every node that a supply holds."""
    supplies = (part.between for part in stage.parts if part.kind is PartKind.SUPPLY)
    return {GROUND, *(node for between in supplies for node in between)}


def _from(stage: Stage, node: str, held: set[str], leave_out: Sequence[str]) -> list[Part]:
    """The resistors from a node to ground or a supply, but those of a role or name that is left out."""
    return [
        part
        for part in _resistors(stage)
        if node in part.between
        and _other(part, node) in held
        and part.name not in leave_out
        and (part.role or "") not in leave_out
    ]


def _other(part: Part, node: str) -> str:
    first, second = part.between
    return second if first == node else first


def _known(part: Part) -> KnownResistor:
    return KnownResistor(ohm=part.value, tolerance=part.tolerance, measured=part.measured, aged=part.aged)


def _together(parts: Sequence[Part]) -> KnownResistor | None:
    """Resistors side by side as one, their limits added by squares for the share that each has."""
    if not parts:
        return None
    if len(parts) == 1:
        return _known(parts[0])
    ohms = [p.measured.value if p.measured is not None else p.value for p in parts]
    total = 1.0 / sum(1.0 / ohm for ohm in ohms)
    limits = 0.0
    for part, ohm in zip(parts, ohms, strict=True):
        share = total / ohm
        if part.measured is not None:
            relative = part.measured.half_width / part.measured.value
        else:
            tolerance = part.tolerance_or_default()
            relative = max(tolerance.minus, tolerance.plus)
        limits += (share * relative) ** 2
    limit = min(sqrt(limits), 0.99)
    return KnownResistor(
        ohm=total, tolerance=Tolerance(minus=limit, plus=limit), aged=any(part.aged for part in parts)
    )
