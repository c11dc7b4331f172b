"""From closed recordings to what is shown and kept: estimate, JSON object, picture, lines on the screen.

Owns the order of these for every command that ends with an estimate. Measures nothing and works nothing out.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

import twonode
from twonode.console.exits import Exit

if TYPE_CHECKING:
    from twonode.analysis.estimate import Estimate
    from twonode.analysis.report import Circumstances
    from twonode.recordings import Recording

__all__ = ["Outcome", "circumstances_of", "conclude", "keep", "show"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """An estimate with everything that was made of it.

    document : the JSON object of the command. picture : its path; None where none was drawn.
    notes : what the person has to know of how it was worked out.
    """

    estimate: Estimate
    circumstances: Circumstances
    document: dict[str, Any]
    recordings: tuple[Path, ...]
    picture: Path | None
    notes: tuple[str, ...] = ()

    @property
    def passed(self) -> bool:
        """Whether the finding clears the part as far as this measurement can."""
        from twonode.analysis.findings import FindingState

        return self.estimate.finding.state is FindingState.WITHIN_TOLERANCE


def conclude(
    paths: Sequence[Path],
    *,
    part: str | None = None,
    picture: bool,
    save: bool = True,
    null: Path | None = None,
    use_nulls: bool = True,
    places: Sequence[Path] = (),
) -> Outcome:
    """Estimate recordings jointly; keep result and picture beside the first one.

    null, use_nulls, places : as in `acquire.reestimate`; a null run that cannot be used is said on standard error.
    save : False leaves the recordings as they are; an archive that cannot be written is said and passed over.

    Raises RecordingError, UnfitRequest, AnalysisError.
    """
    from twonode.acquire import reestimate
    from twonode.analysis.report import estimate_document
    from twonode.recordings.errors import RecordingError

    found = reestimate(paths, part=part, null=null, use_nulls=use_nulls, places=places)
    for note in found.notes:
        print(note, file=sys.stderr)
    estimate, recordings = found.estimate, found.recordings
    circumstances = circumstances_of(recordings, found.nulls)
    folders = tuple(recording.folder for recording in recordings)
    drawn = None
    if save:
        try:
            drawn = keep(estimate, circumstances, recordings, picture=picture)
        except (RecordingError, OSError) as exc:
            print(
                f"The result was not kept beside the recording: {str(exc).splitlines()[0]}", file=sys.stderr
            )
    document = estimate_document(
        estimate,
        circumstances,
        recordings=[str(folder) for folder in folders],
        picture=None if drawn is None else str(drawn),
    )
    return Outcome(
        estimate=estimate,
        circumstances=circumstances,
        document=document,
        recordings=folders,
        picture=drawn,
        notes=found.notes,
    )


def circumstances_of(recordings: Sequence[Recording], nulls: Sequence[Recording] = ()) -> Circumstances:
    """What a result has to say of how it was measured; the first recording leads.

    recordings : sweeps. nulls : the null runs that were used.
    """
    from twonode.analysis.companion import companions_of
    from twonode.analysis.report import Circumstances, RefusedReading
    from twonode.recordings import PointState

    first = recordings[0].header
    assert first.hookup is not None, "every sweep has one, which is checked when it is read"
    return Circumstances(
        title=first.title,
        hookup=first.hookup,
        level_vpp=first.conditions.level_vpp,
        bias_v=first.conditions.bias_v,
        null=str(nulls[0].folder) if nulls else None,
        null_age=_age_of(nulls[0], recordings[0]) if nulls else None,
        simulated=any(_on_simulated_bench(recording) for recording in recordings),
        imported=any(recording.header.conditions.imported for recording in recordings),
        refused=tuple(
            RefusedReading(frequency_hz=row.frequency_hz, ratio=row.ratio, reason=row.reason or "")
            for recording in recordings
            for row in recording.points
            if row.state is PointState.REFUSED
        ),
        sweeps=len(recordings),
        line_hz=next((row.line_hz for row in recordings[0].points if row.line_hz), 50.0),
        companions=tuple(
            dict.fromkeys(
                part.name
                for recording in recordings
                if recording.stage is not None
                for part in companions_of(recording.stage)
            )
        ),
    )


def _age_of(null: Recording, sweep: Recording) -> str:
    """How old the null run was when the sweep was made."""
    from twonode.acquire import age_words

    return age_words(null.header.created_utc, sweep.header.created_utc)


def _on_simulated_bench(recording: Recording) -> bool:
    """Simulated inside the command, or served by `twonode simulate` and reached like hardware."""
    header = recording.header
    return header.conditions.simulated or any(instrument.is_simulated for instrument in header.instruments)


def keep(
    estimate: Estimate, circumstances: Circumstances, recordings: Sequence[Recording], *, picture: bool
) -> Path | None:
    """Add result and picture to the first recording; returns the picture's path."""
    from twonode.analysis.report import estimate_document
    from twonode.recordings import add_picture, add_result

    folder = recordings[0].folder
    drawn = None
    if picture:
        from twonode.analysis.picture import picture_png

        drawn = add_picture(folder, f"picture_{estimate.part}", picture_png(estimate, circumstances))
    null = circumstances.null
    document = estimate_document(
        estimate,
        # Names, not paths: a recording may be moved.
        replace(circumstances, null=None if null is None else Path(null).name),
        recordings=[recording.name for recording in recordings],
        picture=None if drawn is None else drawn.name,
    )
    document["program"] = f"twonode {twonode.__version__}"
    add_result(folder, f"estimate_{estimate.part}", document)
    return drawn


def show(outcome: Outcome, *, as_json: bool, check: bool) -> int:
    """Print an outcome on standard output; returns the exit code."""
    if as_json:
        print(json.dumps(outcome.document))
    else:
        from twonode.analysis.report import report_lines

        first, *others = report_lines(outcome.estimate, outcome.circumstances)
        click.secho(first, bold=True)
        for line in others:
            click.echo(line)
        click.echo(f"Recording: {outcome.recordings[0]}")
        if outcome.picture is not None:
            click.echo(f"Picture:   {outcome.picture}")
    return Exit.NOT_PASSED if check and not outcome.passed else Exit.DONE
