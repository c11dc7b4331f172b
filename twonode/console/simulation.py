"""From the options of a command to the settings of the simulated bench.

Owns reading --true and --fault against the stage. The bench itself belongs to `drivers.simulated`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from twonode.console.options import fault_of

if TYPE_CHECKING:
    from twonode.analysis.stage import Stage
    from twonode.drivers.simulated import SimulatedSettings

__all__ = ["simulated_settings"]


def simulated_settings(
    stage: Stage,
    *,
    seed: int,
    true: Sequence[tuple[str, str]] = (),
    faults: Sequence[tuple[str, str, str | None]] = (),
    line_hz: float = 50.0,
    probe_factors: tuple[float, float] = (10.0, 10.0),
    probe_nodes: tuple[str, str] | None = None,
    speed: float = 1.0,
    scope_family: str = "ten-field",
) -> SimulatedSettings:
    """Settings of a simulated bench clipped to a stage.

    true : part and value as typed. faults : part, kind and amount as typed. probe_nodes : None is drive and far node.

    Raises StageError for a part that is not in the stage, QuantityError for a value that is none.
    """
    from twonode.analysis.quantities import parse_quantity
    from twonode.drivers.simulated import ScopeFamily, SimulatedSettings

    families = {"ten-field": ScopeFamily.TEN_FIELD, "curve": ScopeFamily.CURVE}
    try:
        return SimulatedSettings(
            stage=stage,
            seed=seed,
            true={name: parse_quantity(text, stage.part(name).kind.unit) for name, text in true},
            faults={
                name: fault_of(kind, amount, stage.part(name).kind.unit) for name, kind, amount in faults
            },
            line_hz=line_hz,
            probe_nodes=probe_nodes,
            probe_factor=(int(probe_factors[0]), int(probe_factors[1])),
            speed=speed,
            scope_family=families[scope_family],
        )
    except ValueError as exc:
        raise click.UsageError(f"The simulated bench cannot be made: {exc}") from exc
