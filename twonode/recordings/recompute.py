"""Every ratio of a recording worked out again from its raw codes, and held against the one that was filed.

Owns the tolerance and the comparison. How a ratio is made from codes is `analysis.ratio`; quick ways there are tried
first, and where none arrives at the filed ratio, the way the sweep itself took decides.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from twonode.analysis.ratio_again import ratio_again, ratio_at_refined_frequency
from twonode.analysis.traces import TracePair
from twonode.recordings.model import PointRow, RecordingKind
from twonode.recordings.reader import Recording

__all__ = ["Recomputed", "recompute"]

RELATIVE_TOLERANCE = 1e-9
"""Of the ratio: other libraries and processors add up in another order; found are some 1e-14."""
SIGMA_TOLERANCE = 1e-3
"""Of its standard uncertainty: where the frequency was refined, the last step may end elsewhere."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recomputed:
    """One point worked out again.

    because : how the filed ratio differs from the one that the codes give; None where it does not.
    """

    point: int
    because: str | None


def recompute(recording: Recording) -> Iterator[Recomputed]:
    """Each point's ratio from its codes, one point in memory at a time; nothing for a table, which has no codes.

    Raises DamagedRecording where codes do not fit their row.
    """
    if recording.header.kind is RecordingKind.POINTS:
        return
    for row, traces in recording.all_traces():
        fits = any(
            _near(ratio, row)
            for way in (ratio_again, ratio_at_refined_frequency)
            if row.ratio is not None
            and (ratio := way(traces, row.frequency_hz, line_hz=row.line_hz)) is not None
        )
        yield Recomputed(point=row.point, because=None if fits else _slowly(row, traces))


def _near(ratio: complex, row: PointRow) -> bool:
    filed = row.ratio
    if filed is None:
        return False
    sigma = max((row.var_re or 0.0) + (row.var_im or 0.0), 0.0) ** 0.5
    # Written so that NaN differs.
    return bool(abs(ratio - filed) <= RELATIVE_TOLERANCE * abs(filed) + SIGMA_TOLERANCE * sigma)


def _slowly(row: PointRow, traces: TracePair) -> str | None:
    """What differs, with the fit that made the filed ratio."""
    from twonode.analysis.ratio import read_point

    try:
        point = read_point(traces, row.frequency_hz, line_hz=row.line_hz).point
    except (ValueError, ArithmeticError) as exc:
        return f"its codes give no ratio ({exc})"
    if point is None:
        return None if row.ratio is None else f"its codes give no ratio, filed is {_words(row.ratio)}"
    if row.ratio is None:
        return f"its codes give the ratio {_words(point.ratio)}, filed is none"
    if _near(point.ratio, row):
        return None
    return f"its codes give the ratio {_words(point.ratio)}, filed is {_words(row.ratio)}"


def _words(ratio: complex) -> str:
    return f"{ratio:.9g}"
