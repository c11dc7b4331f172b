"""What ``twonode dc`` is asked of which capacitor: from options and stage file, before any reading.

Owns reading the options together and the header of the recording. Takes no reading.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import click

import twonode
from twonode.console.dc_forming import Forming, forming_of
from twonode.console.dc_options import conditions_of, meter_of_options, tags_of

if TYPE_CHECKING:
    from twonode.analysis.leakage import GridCurrent, KnownResistor, LeakRole, Meter
    from twonode.analysis.leakage_limits import LeakageLimits
    from twonode.analysis.stage import Stage
    from twonode.recordings import DcHeader, Instrument

__all__ = ["LeakAsked", "asked_of", "header_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LeakAsked:
    """What is asked of which part, before any reading."""

    part: str
    role: LeakRole
    drive_node: str
    far_node: str
    resistor: KnownResistor | None
    drive_source: KnownResistor | None
    far_source: KnownResistor | None
    grid_current: GridCurrent
    bias_v: float | None
    meter: Meter
    limits: LeakageLimits
    forming: Forming | None
    stage: Stage | None
    title: str

    @property
    def to_ground(self) -> bool:
        """Whether the part lies from the far node to ground."""
        from twonode.analysis.leakage_readings import Position

        return self.role.position is Position.TO_GROUND


def asked_of(options: Mapping[str, Any]) -> LeakAsked:
    """What the options and the stage file ask.

    Raises StageError, LeakageError, QuantityError, UsageError.
    """
    from twonode.analysis.leak_setting import leak_setting
    from twonode.analysis.leakage import leak_role
    from twonode.analysis.leakage_limits import load_limits, shipped_limits
    from twonode.analysis.leakage_readings import Position

    role = None if options["role"] is None else leak_role(options["role"])
    limits = shipped_limits() if options["limits_file"] is None else load_limits(options["limits_file"])
    stage = _stage_of(options)
    meter = meter_of_options(options)
    forming = forming_of(options, meter)
    common: dict[str, Any] = {
        "grid_current": _grid_current(options["grid_current"]),
        "bias_v": options["bias_v"],
        "meter": meter,
        "forming": forming,
        "limits": limits,
        "stage": stage,
    }
    resistor = _resistor(options, "grid_leak", "--grid-leak")
    source = _resistor(options, "drive_source", "--drive-source")
    if stage is None:
        part = options["part"] or "the capacitor"
        role = role or leak_role("coupling" if forming is None else "filter")
        # The node that a bypass hangs on is fed through its own resistor.
        feed = resistor if role.position is Position.TO_GROUND else None
        return LeakAsked(
            part=part,
            role=role,
            drive_node="drive node" if forming is None else f"across {part}",
            far_node="far node" if forming is None else "across the series resistor",
            resistor=resistor,
            drive_source=source,
            far_source=source or feed,
            title=f"DC check of {part}",
            **common,
        )
    found = leak_setting(stage, stage.part(options["part"] or _only_asked(stage)), role=role)
    return LeakAsked(
        part=found.part,
        role=found.role,
        drive_node=found.drive_node,
        far_node=found.far_node,
        resistor=resistor or found.resistor,
        drive_source=source or found.drive_source,
        far_source=source or found.far_source,
        title=stage.title,
        **common,
    )


def _stage_of(options: Mapping[str, Any]) -> Stage | None:
    from twonode.analysis.stage import load_stage, shipped_stage

    if options["stage_file"] is not None:
        return load_stage(options["stage_file"])
    return shipped_stage("wrenfield-46-driver-output") if options["simulated"] else None


def _only_asked(stage: Stage) -> str:
    asked = [part.name for part in stage.parts if part.asked]
    if len(asked) == 1:
        return asked[0]
    raise click.UsageError("--part is missing: the stage file marks no single part as asked")


def _grid_current(text: str | None) -> GridCurrent:
    from twonode.analysis.leakage import NO_GRID_CURRENT, GridCurrent
    from twonode.analysis.quantities import parse_quantity
    from twonode.errors import TwonodeError

    if text is None:
        return GridCurrent()
    if text.strip().lower() == "none":
        return NO_GRID_CURRENT
    try:
        return GridCurrent(share=1.0, scale_a=parse_quantity(text, "A"))
    except TwonodeError as exc:
        raise type(exc)(f"--grid-current: {exc.what}", exc.why, exc.do) from exc


def _resistor(options: Mapping[str, Any], name: str, option: str) -> KnownResistor | None:
    from twonode.analysis.resistor_words import parse_resistor
    from twonode.errors import TwonodeError

    if options[name] is None:
        return None
    try:
        return parse_resistor(options[name])
    except TwonodeError as exc:
        raise type(exc)(f"{option}: {exc.what}", exc.why, exc.do) from exc


def header_of(options: Mapping[str, Any], asked: LeakAsked, instruments: tuple[Instrument, ...]) -> DcHeader:
    """The header of the recording; instruments : the voltmeter, where one was read."""
    from twonode.acquire.dccheck import filed_meter
    from twonode.acquire.filed import filed_versions
    from twonode.recordings import DcHeader

    tags = tags_of(options)
    return DcHeader(
        title=asked.title,
        created_utc=datetime.now(UTC),
        operator=tags.get("operator"),
        program_version=twonode.__version__,
        part=None if asked.part == "the capacitor" else asked.part,
        role=asked.role.value,
        meter=filed_meter(asked.meter),
        instruments=instruments,
        conditions=conditions_of(options, instruments),
        asked={
            "kind": "leakage",
            "drive_node": asked.drive_node,
            "far_node": asked.far_node,
            "resistor": None if asked.resistor is None else _resistor_document(asked.resistor),
            "drive_source": None if asked.drive_source is None else _resistor_document(asked.drive_source),
            "far_source": None if asked.far_source is None else _resistor_document(asked.far_source),
            "grid_current": {"share": asked.grid_current.share, "scale_a": asked.grid_current.scale_a},
            "bias_v": asked.bias_v,
            "limits": asked.limits.where,
            "forming": None if asked.forming is None else asked.forming.document(),
        },
        tags=tags,
        versions=filed_versions(),
    )


def _resistor_document(resistor: KnownResistor) -> dict[str, Any]:
    tolerance, measured = resistor.tolerance, resistor.measured
    return {
        "ohm": resistor.ohm,
        "tolerance": None if tolerance is None else {"minus": tolerance.minus, "plus": tolerance.plus},
        "measured": None
        if measured is None
        else {"value": measured.value, "half_width": measured.half_width},
        "aged": resistor.aged,
    }
