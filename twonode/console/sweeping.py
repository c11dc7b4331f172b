"""From the options of a sweep to its request, and to the null run it goes by: shared by the command and the page.

Owns these two steps. Asking the person, and showing what was found, belong to whoever calls.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from twonode.console.benches import unique_tags
from twonode.console.options import NO_NULL, named_null

if TYPE_CHECKING:
    from twonode.acquire import SweepRequest
    from twonode.analysis.hookup import HookUp
    from twonode.analysis.stage import Stage
    from twonode.drivers.bench import Bench
    from twonode.recordings import Recording

__all__ = ["null_to_go_by", "sweep_request"]


def sweep_request(
    options: Mapping[str, Any],
    stage: Stage,
    hookup: HookUp,
    *,
    unplugged: bool,
    node_volts: tuple[float, float] | None,
) -> SweepRequest:
    """The request that the options describe.

    stage, hookup : as `wiring.wired_stage` gives them. unplugged, node_volts : what the person confirmed.

    Raises UsageError for a tag that is given twice, StageError.
    """
    from twonode.acquire import PlanKind, SweepRequest
    from twonode.analysis.hookup import HookUp

    asked = stage.asked_part(options["part"])
    tags = unique_tags(options["tags"])
    return SweepRequest(
        hookup=hookup,
        stage=stage,
        part=asked.name,
        nominal_farad=None if hookup is not HookUp.STAGE and options["expect"] is None else asked.value,
        tolerance=asked.tolerance,
        plan=PlanKind(options["plan"]),
        from_hz=options["from_hz"],
        to_hz=options["to_hz"],
        points=options["points"],
        level_vpp=options["level_vpp"],
        probe_factors=options["probes"],
        line_hz=float(options["line"]),
        tags=tags,
        operator=tags.get("operator"),
        node_volts=node_volts,
        unplugged_and_discharged=unplugged,
        simulated=options["simulated"],
        seed=options["seed"] if options["simulated"] else None,
    )


def null_to_go_by(
    bench: Bench, request: SweepRequest, wanted: str | None, *, archive: Path
) -> tuple[Recording | None, str | None]:
    """The null run to go by, and the words that say so or that there is none; no words where none is wanted.

    wanted : a recording, "none", or None for the newest that fits.

    Raises RecordingError, UnfitRequest.
    """
    from datetime import UTC, datetime

    from twonode.acquire import age_words, null_for_sweep

    if wanted == NO_NULL:
        return None, None
    null = null_for_sweep(bench, request, archive=archive, wanted=named_null(wanted))
    if null is None:
        return (
            None,
            "No null run in the archive fits this scope and these probes; `twonode null` makes one.",
        )
    age = age_words(null.header.created_utc, datetime.now(UTC))
    return null, f"Going by the null run made {age}: {null.folder}"
