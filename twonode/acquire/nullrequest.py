"""What a null run is asked to be, and whether it may be done at all.

Owns the request and the checks that need no instrument.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isfinite

from twonode.acquire.errors import SafetyRefusal, UnfitRequest
from twonode.acquire.request import POLARISED_LEVEL_VPP, SAFE_NODE_VOLTS
from twonode.analysis.quantities import format_quantity

__all__ = ["NullRequest", "check_null_request"]

USUAL_LEVEL_VPP = 2.0
"""That of an ordinary sweep; the chain of ranges covers every lower level as well."""

HIGHEST_LEVEL_VPP = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class NullRequest:
    """A null run as the person asked for it.

    node : name of the node that both probes are on, for the words.
    in_set : that node is inside a set, which must then be unplugged and discharged; False is the generator's lead
        alone.
    level_vpp : generator setting into an open circuit; None is chosen. polarised : such a part is at the node.
    node_volts : residual DC at the node as read with a meter, V.
    """

    node: str = "drive"
    in_set: bool = False
    probe_factors: tuple[float, float] = (10.0, 10.0)
    line_hz: float = 50.0
    level_vpp: float | None = None
    polarised: bool = False
    node_volts: float | None = None
    unplugged_and_discharged: bool = False
    tags: Mapping[str, str] = field(default_factory=dict)
    operator: str | None = None
    simulated: bool = False
    seed: int | None = None

    @property
    def generator_vpp(self) -> float:
        """The generator setting to use, V peak-to-peak into an open circuit."""
        if self.level_vpp is not None:
            return self.level_vpp
        return POLARISED_LEVEL_VPP if self.polarised else USUAL_LEVEL_VPP


def check_null_request(request: NullRequest) -> None:
    """Refuse what cannot or must not be done, before any instrument is touched.

    Raises
    ------
    SafetyRefusal : residual volts of 5 V or more at the node.
    UnfitRequest : no confirmation for a node inside a set; a level that makes no sense.
    """
    volts = request.node_volts
    if volts is not None and not abs(volts) < SAFE_NODE_VOLTS:
        stated = format_quantity(abs(volts), "V") if isfinite(volts) else "no sensible voltage"
        raise SafetyRefusal(
            f"Node {request.node!r} still has {stated}.",
            f"A null run is refused from {SAFE_NODE_VOLTS:g} V on: it endangers you and the instruments.",
            "Leave the plug out, discharge the filter capacitors, check with a meter, start again.",
        )
    if (
        request.in_set
        and not request.simulated
        and not (request.unplugged_and_discharged and volts is not None)
    ):
        raise UnfitRequest(
            "Nobody has confirmed that the set is unplugged, discharged and checked with a meter.",
            "A null run inside a set is only done without power; the node's residual volts are kept with it.",
            "Take the clips off the set and do it on the generator's lead alone, or confirm when asked.",
        )
    limit_vpp = POLARISED_LEVEL_VPP if request.polarised else HIGHEST_LEVEL_VPP
    if not 0.01 <= request.generator_vpp <= limit_vpp:
        raise UnfitRequest(
            f"A level of {format_quantity(request.generator_vpp, 'V')} peak-to-peak is not used here.",
            "A polarised part gets at most 0.3 V peak; otherwise 10 mV to 20 V peak-to-peak are used.",
            "Leave --level out, or name the level of the sweeps that are to follow.",
        )
