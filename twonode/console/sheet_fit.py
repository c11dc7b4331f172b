"""The fit behind a filed result, worked out again so that a sheet can draw it.

Owns which recordings go into it: those that the newest result names, as far as they still lie beside it. Works nothing
out itself, and stores nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from twonode.acquire.reestimate import Reestimate
    from twonode.analysis.curves import FittedCurve
    from twonode.recordings.sheet_result import Result

__all__ = ["SheetFit", "fit_for_sheet"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetFit:
    """What a sheet draws. curves : none where nothing could be fitted. notes : what the person should know of it.

    worked_out : the result of a recording that has none stored.
    """

    curves: tuple[FittedCurve, ...] = ()
    worked_out: Result | None = None
    notes: tuple[str, ...] = ()


def fit_for_sheet(folder: Path) -> SheetFit:
    """The fit of a sweep; nothing for DC readings and null runs, or where the data carries no estimate.

    Raises RecordingError where the recording's header or result cannot be read.
    """
    from twonode.analysis.curves import fitted_curves
    from twonode.recordings.anykind import read_any_header
    from twonode.recordings.sheet_result import stored_result

    header = read_any_header(folder)
    if not header.kind.tells_of_a_part:
        return SheetFit()
    stored = stored_result(folder, kind=header.kind.value, part=header.part)
    found, note = _worked_out(folder, stored.result)
    notes = () if note is None else (note,)
    if found is None:
        return SheetFit(notes=notes)
    # A loose part is worked out with the empty fixture as well; without it the curve would not pass through the points.
    loose = stored.result is not None and stored.result.finding is None
    curves = () if loose and found.estimate.misfit else tuple(fitted_curves(found.estimate))
    return SheetFit(
        curves=curves,
        worked_out=None if stored.result is not None else _result(found),
        notes=(*notes, *found.notes),
    )


def _worked_out(folder: Path, result: Result | None) -> tuple[Reestimate | None, str | None]:
    """The estimate with all that the result went by, else of the recording alone; and what could not be done."""
    from twonode.acquire.reestimate import reestimate
    from twonode.errors import TwonodeError

    beside = folder.resolve().parent
    others = [] if result is None else [name for name in result.recordings if name != folder.resolve().name]
    missing = [name for name in others if not _plain(name) or not (beside / name).is_dir()]
    tries: list[Sequence[Path]] = [[folder]]
    if others and not missing:
        tries.insert(0, [folder, *(beside / name for name in others)])
    null = None if result is None else result.conditions.null
    note = (
        f"{', '.join(missing)}: not beside it, so the curve is of {folder.name} alone." if missing else None
    )
    for paths in tries:
        try:
            found = reestimate(
                paths,
                part=None if result is None else result.part,
                null=beside / null if null and _plain(null) and (beside / null).is_dir() else None,
                use_nulls=result is None or null is not None,
            )
        except TwonodeError:
            note = None
    for paths in tries:
        try:
            found = reestimate(
                paths,
                part=None if result is None else result.part,
                null=beside / null if null and _plain(null) and (beside / null).is_dir() else None,
                use_nulls=result is None or null is not None,
            )
        except TwonodeError as exc:
            note = f"No curve is drawn for {folder.name}: {exc.what}"
            continue
        if others and len(paths) == 1:
            return found, f"The result of {folder.name} is of several sweeps; the curve is of this one alone."
        return found, None
    return None, note


def _plain(name: str) -> bool:
    """Whether a name out of a result is one of a folder beside it, and leads nowhere else."""
    return name not in ("", ".", "..") and Path(name).name == name


def _result(found: Reestimate) -> Result:
    from twonode.analysis.report import estimate_document
    from twonode.console.filing import circumstances_of
    from twonode.recordings.sheet_result import result_of_document

    circumstances = circumstances_of(found.recordings, found.nulls)
    return result_of_document(
        estimate_document(
            found.estimate,
            # As a stored result has it: a name, not where it lies on this machine.
            replace(circumstances, null=found.nulls[0].name if found.nulls else None),
            recordings=[recording.name for recording in found.recordings],
        )
    )
