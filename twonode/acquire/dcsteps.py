"""The second readings that tell a leak from a valve's grid current, with what has to be done before each.

Owns the words of advice. Every one of them begins with the power off.
"""

from __future__ import annotations

from twonode.acquire.dccheck import DcStep
from twonode.recordings import DcState

__all__ = ["second_reading"]

_OFF = "Switch off, pull the plug, discharge the filter capacitors and check both nodes with the meter first."


def second_reading(name: str, *, part: str, far_node: str, to_ground: bool = False) -> DcStep:
    """The step of a second reading.

    name : "far-lifted" (the far node without the capacitor), "far-valve-out" (without the valve) or "lifted" (the
        capacitor's loose end).
    to_ground : the part lies from the far node to ground, so that its grounded end is the one to lift.
    """
    end = "that is on ground" if to_ground else f"that is at {far_node!r}"
    match name:
        case "far-lifted":
            return DcStep(
                node=far_node,
                state=DcState.LIFTED,
                advice=(
                    _OFF,
                    f"Lift the end of {part} {end}; keep the loose end clear, it may be at full B+.",
                    f"Power on, warm up as before, and read {far_node!r} without it.",
                ),
            )
        case "far-valve-out":
            return DcStep(
                node=far_node,
                state=DcState.NEXT_VALVE_OUT,
                advice=(
                    "Parallel heaters only: in a series-heater set a missing valve stops all of them.",
                    _OFF,
                    "Take the next valve out; the rails rise without it, so watch the capacitors' ratings.",
                    f"Power on, and read {far_node!r}.",
                ),
            )
        case "lifted":
            return DcStep(
                node=f"{part}, loose end",
                state=DcState.LOOSE_END,
                advice=(
                    _OFF,
                    f"Lift the end of {part} {end}, its other end still fed; clip the meter to the loose end.",
                    "Power on with nothing touched: the loose end may be at full B+. Let it settle, then read.",
                ),
            )
    raise ValueError(f"name: {name!r} is no second reading")
