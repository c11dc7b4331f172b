"""What a sweep is asked to be, and whether it can be done at all.

Owns the request and the checks that need no instrument: safety answers, fixture resistor against expected part.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import Enum
from math import isfinite, pi
from pathlib import Path

import numpy as np

from twonode.acquire.errors import SafetyRefusal, UnfitRequest
from twonode.analysis.channel import PROBE_10
from twonode.analysis.hookup import HookUp
from twonode.analysis.quantities import Tolerance, format_quantity
from twonode.analysis.stage import Part, PartKind, Stage

__all__ = [
    "POLARISED_LEVEL_VPP",
    "SAFE_NODE_VOLTS",
    "PlanKind",
    "SweepRequest",
    "advised_resistor",
    "check_request",
    "informative_band",
    "is_polarised",
    "resistor_advice",
    "with_value",
]

SAFE_NODE_VOLTS = 5.0
"""Residual volts above which a sweep is refused (design)."""

POLARISED_LEVEL_VPP = 0.6
"""0.3 V peak (design): what a polarised part stands either way round."""

ORDINARY_LEVEL_VPP = 2.0
"""Cold valves do not conduct, so a few volts do no harm (common practice, no source)."""

LOWEST_CORNER_HZ = 0.5
HIGHEST_CORNER_HZ = 200e3
"""Below, a point takes minutes; above, scope bandwidth and leads decide (trade: corners of 0.1 to 10 kHz)."""

_DECADES_OHM = tuple(10.0**n for n in range(2, 7))


class PlanKind(Enum):
    """How the frequencies are chosen; the value is the word on the command line."""

    INFORMATION = "information"
    EVEN = "even"
    GIVEN = "given"


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepRequest:
    """A sweep as the person asked for it.

    stage : circuit with drive and far node; for the fixtures made by `analysis.hookup`.
    part : the asked capacitor; its value in the stage is where planning starts.
    nominal_farad, tolerance : what it is held against; None where nothing is known.
    from_hz, to_hz, points : explicit range and count; None is chosen.
    frequencies_hz : exactly these points, in this order, moved a little where rounding or hum would hurt; then plan,
        range and count do not matter. Empty leaves them to the plan.
    samples : wanted length of each record; None is chosen. More average noise and rounding away.
    level_vpp : generator setting into an open circuit; None is chosen.
    probe_factors : division of channel 1's and channel 2's probe.
    node_volts : residual DC at drive and far node as read with a meter, V.
    null : folder of the null run that says what the two channels do differently; None goes by the class of scope.
    """

    hookup: HookUp
    stage: Stage
    part: str
    nominal_farad: float | None = None
    tolerance: Tolerance | None = None
    from_hz: float | None = None
    to_hz: float | None = None
    points: int | None = None
    frequencies_hz: tuple[float, ...] = ()
    samples: int | None = None
    level_vpp: float | None = None
    probe_factors: tuple[float, float] = (10.0, 10.0)
    line_hz: float = 50.0
    tags: Mapping[str, str] = field(default_factory=dict)
    operator: str | None = None
    node_volts: tuple[float, float] | None = None
    unplugged_and_discharged: bool = False
    simulated: bool = False
    seed: int | None = None
    null: Path | None = None
    plan: PlanKind = PlanKind.INFORMATION

    @property
    def asked(self) -> Part:
        """The asked part."""
        return self.stage.asked_part(self.part)

    @property
    def generator_vpp(self) -> float:
        """The generator setting to use, V peak-to-peak into an open circuit."""
        if self.level_vpp is not None:
            return self.level_vpp
        return POLARISED_LEVEL_VPP if is_polarised(self.asked) else ORDINARY_LEVEL_VPP


def is_polarised(part: Part) -> bool:
    """Whether a part must be taken for an electrolytic: said so, or one microfarad and more with nothing said."""
    if part.dielectric is not None:
        return "electrolytic" in part.dielectric or "tantalum" in part.dielectric
    return part.value >= 1e-6


def fixture_resistor(request: SweepRequest) -> Part | None:
    """The known resistor of a fixture hook-up; None in a stage."""
    if request.hookup is HookUp.STAGE:
        return None
    return next(p for p in request.stage.parts if p.kind is PartKind.RESISTOR)


def advised_resistor(farad: float) -> float:
    """Decade resistor whose corner with the part is the highest one below 200 Hz, else the largest there is, ohm.

    Below 200 Hz a probe that is trimmed off hardly matters (design).
    """
    fitting = [ohm for ohm in _DECADES_OHM if 1.0 / (2 * pi * ohm * farad) <= 200.0]
    return fitting[0] if fitting else _DECADES_OHM[-1]


def check_request(request: SweepRequest) -> None:
    """Refuse what cannot or must not be done, before any instrument is touched.

    Raises
    ------
    SafetyRefusal : residual volts of 5 V or more at a node.
    UnfitRequest : no confirmation for a stage; resistor that does not suit; level or range that makes no sense.
    """
    _check_safety(request)
    asked = request.asked
    if request.level_vpp is not None:
        limit = POLARISED_LEVEL_VPP if is_polarised(asked) else 20.0
        if not 0.01 <= request.level_vpp <= limit:
            raise UnfitRequest(
                f"A level of {format_quantity(request.level_vpp, 'V')} peak-to-peak is not used on {asked.name}.",
                "A polarised part gets at most 0.3 V peak; others from 10 mV to 20 V peak-to-peak.",
                "Leave --level out, or name one within these limits.",
            )
    if request.points is not None and not 3 <= request.points <= 500:
        raise UnfitRequest(
            f"{request.points} points are not a sweep.",
            "Value, loss and gain take at least three, and 500 take a day.",
            "Ask for 3 to 500 points, or leave it out: the program chooses.",
        )
    for name, hz in (("--from", request.from_hz), ("--to", request.to_hz)):
        if hz is not None and not hz > 0:
            raise UnfitRequest(f"{name} is {hz:g} Hz.", "A frequency is above zero.", f"Correct {name}.")
    if request.from_hz is not None and request.to_hz is not None and request.from_hz >= request.to_hz:
        raise UnfitRequest(
            f"The range runs from {format_quantity(request.from_hz, 'Hz')} "
            f"to {format_quantity(request.to_hz, 'Hz')}.",
            "The lower end has to come first.",
            "Swap --from and --to.",
        )
    _check_resistor(request, asked)


def resistor_advice(request: SweepRequest) -> str | None:
    """A sentence where another fixture resistor would tell much more, else None.

    Near the time constant of a 10:1 probe a change of C, of the trimming and of the gain look alike.
    """
    resistor = fixture_resistor(request)
    if resistor is None or request.nominal_farad is None or PROBE_10.factor not in request.probe_factors:
        return None
    corner_hz = 1.0 / (2 * pi * resistor.value * request.asked.value)
    probe_hz = 1.0 / (2 * pi * PROBE_10.time_constant_s)
    suits = advised_resistor(request.asked.value)
    if suits == resistor.value or not probe_hz / 3.0 < corner_hz < 3.0 * probe_hz:
        return None
    return (
        f"With {format_quantity(resistor.value, 'ohm')} the corner lies at {format_quantity(corner_hz, 'Hz')}, "
        f"near the probe's own {format_quantity(probe_hz, 'Hz')}: trimming errors hide in the value. "
        f"{format_quantity(suits, 'ohm')} would tell more."
    )


def _check_safety(request: SweepRequest) -> None:
    if request.node_volts is not None:
        for side, volts in zip((request.stage.drive, request.stage.far), request.node_volts, strict=True):
            if not abs(volts) < SAFE_NODE_VOLTS:
                stated = format_quantity(abs(volts), "V") if isfinite(volts) else "no sensible voltage"
                raise SafetyRefusal(
                    f"Node {side!r} still has {stated}.",
                    f"A sweep is refused from {SAFE_NODE_VOLTS:g} V on: it endangers you and the instruments.",
                    "Leave the plug out, discharge the filter capacitors, check with a meter, start again.",
                )
    if request.hookup is not HookUp.STAGE or request.simulated:
        return
    if not (request.unplugged_and_discharged and request.node_volts is not None):
        raise UnfitRequest(
            "Nobody has confirmed that the set is unplugged, discharged and checked with a meter.",
            "A sweep inside a set is only done without power; both nodes' residual volts are kept with it.",
            "Confirm when asked, or give --unplugged-and-discharged and --node-volts A,B.",
        )


def _check_resistor(request: SweepRequest, asked: Part) -> None:
    resistor = fixture_resistor(request)
    if resistor is None or request.nominal_farad is None:
        return
    corner_hz = 1.0 / (2 * pi * resistor.value * asked.value)
    suits = advised_resistor(asked.value)
    if LOWEST_CORNER_HZ <= corner_hz <= HIGHEST_CORNER_HZ:
        return
    size = "large" if corner_hz < LOWEST_CORNER_HZ else "small"
    raise UnfitRequest(
        f"{format_quantity(resistor.value, 'ohm')} is far too {size} for about {format_quantity(asked.value, 'F')}.",
        f"Their corner lies at {format_quantity(corner_hz, 'Hz')}, out of reach of a sweep.",
        f"Clip in {format_quantity(suits, 'ohm')} and say --resistor {_plain(suits)}.",
    )


def _plain(ohm: float) -> str:
    return f"{ohm / 1e6:g}M" if ohm >= 1e6 else f"{ohm / 1e3:g}k" if ohm >= 1e3 else f"{ohm:g}"


def with_value(request: SweepRequest, farad: float) -> SweepRequest:
    """The request with another value to plan with."""
    return replace(request, stage=request.stage.replace_part(replace(request.asked, value=farad)))


def informative_band(
    request: SweepRequest, *, lowest_hz: float, highest_hz: float
) -> tuple[float, float, float]:
    """Where the ratio tells most about the part: lower end, corner and upper end, Hz.

    The phase of d ln(ratio) / d ln C is largest at the corner (references: sensitivity of an RC high-pass).
    """
    from twonode.acquire.levels import loaded_network

    network = loaded_network(request)
    grid = np.geomspace(lowest_hz, highest_hz, 400)
    s = np.asarray(2j * np.pi * grid, dtype=np.complex128)
    row = next(i for i, p in enumerate(network.parts) if p.name == request.part)
    y = network.admittances(s)
    ratio, by_y = network.transfer_with_sensitivity(y, request.stage.far)
    slope = by_y[row] * y[row] / ratio
    seen = np.abs(slope.imag) * np.minimum(1.0, np.abs(ratio) / 0.02)
    corner_hz = float(grid[np.argmax(seen)])
    return max(lowest_hz, corner_hz / 10.0), corner_hz, min(highest_hz, corner_hz * 12.0)
