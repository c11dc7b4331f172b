"""The ratio of one record alone, some thirty times faster than reading the point anew: to check many of them.

Owns the shortcut. With the slow terms of the fit in an orthonormal basis, which depends on length, interval and mains
frequency only and is kept from record to record, what is left is two small matrix products. No covariance and no
checks; where the result is not the ratio that `ratio.read_point` gave, that function has the last word.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Hashable
from math import pi

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.beside import Beside, terms_beside
from twonode.analysis.sinefit import common_frequency
from twonode.analysis.traces import TracePair

__all__ = ["LONGEST_SAMPLES", "RATIO_READING", "ratio_again", "ratio_at_refined_frequency"]

Real = NDArray[np.float64]

RATIO_READING = 1
"""Number of the way in which `ratio.read_point` makes a ratio, filed with every sweep. Raise it where the same codes
come to give another ratio, by more than rounding: what was filed before is then no damage."""

LONGEST_SAMPLES = 200_000
"""Longer records are left to `ratio.read_point`: their basis would take more memory than the time is worth."""
LONG_SAMPLES = 20_000
KEPT_ROWS_BYTES = 10_000_000
KEPT_BASES_BYTES = 9_000_000


class _Kept:
    """Arrays worked out before, the longest unused dropped first beyond a number of bytes."""

    def __init__(self, most_bytes: int) -> None:
        self._most_bytes = most_bytes
        self._arrays: OrderedDict[Hashable, tuple[Real, ...]] = OrderedDict()
        self._bytes = 0

    def get(self, key: Hashable) -> tuple[Real, ...] | None:
        arrays = self._arrays.get(key)
        if arrays is not None:
            self._arrays.move_to_end(key)
        return arrays

    def put(self, key: Hashable, *arrays: Real) -> tuple[Real, ...]:
        self._arrays[key] = arrays
        self._bytes += sum(array.nbytes for array in arrays)
        while self._bytes > self._most_bytes and len(self._arrays) > 1:
            _, dropped = self._arrays.popitem(last=False)
            self._bytes -= sum(array.nbytes for array in dropped)
        return arrays


_rows = _Kept(KEPT_ROWS_BYTES)
_bases = _Kept(KEPT_BASES_BYTES)


def ratio_again(pair: TracePair, frequency_hz: float, *, line_hz: float | None = None) -> complex | None:
    """Far over drive as fitted at exactly ``frequency_hz``, V/V.

    None where the record is too long or too short for this, or holds no such sine. Not safe for several threads.
    """
    if not 4 <= pair.samples <= LONGEST_SAMPLES:
        return None
    turns = frequency_hz * pair.sample_interval_s
    if not (turns < 0.4 and pair.samples * turns >= 1.0):
        return None
    key = (pair.samples, pair.sample_interval_s, frequency_hz, line_hz)
    found = _projected(pair, *key) if pair.samples >= LONG_SAMPLES else _together(pair, *key)
    # Least squares with what is orthogonal to the slow terms: cosine and sine, 2 by 2.
    (xc, xs), (yc, ys), (cc, cs), (_, ss) = found.tolist()
    drive = complex(ss * xc - cs * xs, cs * xc - cc * xs) * pair.drive.volts_per_code
    far = complex(ss * yc - cs * ys, cs * yc - cc * ys) * pair.far.volts_per_code
    return far / drive if drive != 0 else None


def ratio_at_refined_frequency(
    pair: TracePair, frequency_hz: float, *, line_hz: float | None = None
) -> complex | None:
    """The same at the frequency that both traces fit best, as `ratio.read_point` takes it where it must."""
    if not 4 <= pair.samples <= LONGEST_SAMPLES:
        return None
    try:
        refined_hz, _ = common_frequency(_codes(pair), pair.sample_interval_s, frequency_hz)
    except (ValueError, np.linalg.LinAlgError):
        return None
    return ratio_again(pair, refined_hz, line_hz=line_hz)


def _codes(pair: TracePair) -> Real:
    codes = np.empty((2, pair.samples))
    codes[0], codes[1] = pair.drive.codes, pair.far.codes
    return codes


def _together(
    pair: TracePair, samples: int, interval_s: float, frequency_hz: float, line_hz: float | None
) -> Real:
    """Products of drive, far, cosine and sine with cosine and sine, shape (4, 2), the slow terms taken out of all."""
    basis = _slow_basis(samples, interval_s, terms_beside(samples, interval_s, frequency_hz, line_hz))
    rows = _turning(samples, 2.0 * pi * frequency_hz * interval_s)
    rows[0], rows[1] = pair.drive.codes, pair.far.codes
    slow = rows @ basis.T
    products: Real = rows @ rows[2:].T - slow @ slow[2:].T
    return products


def _projected(
    pair: TracePair, samples: int, interval_s: float, frequency_hz: float, line_hz: float | None
) -> Real:
    """The same for a long record: null runs take the same frequencies again and again, so the rows are kept."""
    key = (samples, interval_s, frequency_hz, line_hz)
    kept = _rows.get(key)
    if kept is None:
        basis = _slow_basis(samples, interval_s, terms_beside(samples, interval_s, frequency_hz, line_hz))
        rows = _turning(samples, 2.0 * pi * frequency_hz * interval_s)[2:].copy()
        rows -= (rows @ basis.T) @ basis
        kept = _rows.put(key, rows, rows @ rows.T)
    rows, products = kept
    return np.concatenate([_codes(pair) @ rows.T, products])


def _turning(samples: int, turn: float) -> Real:
    """Shape (4, samples): cosine and sine of ``turn`` times the sample's number in the last two rows.

    The phasors of a block are those of the first one, turned: angles add.
    """
    block = 64 if samples < 10_000 else 256
    blocks = -(-samples // block)
    coarse, fine = (turn * block) * np.arange(blocks), turn * np.arange(block)
    left = np.stack([np.cos(coarse), np.sin(coarse)], axis=1)
    right = np.stack([np.cos(fine), np.sin(fine)])
    rows = np.empty((4, blocks * block))
    np.matmul(left * (1.0, -1.0), right, out=rows[2].reshape(blocks, block))
    np.matmul(left[:, ::-1], right, out=rows[3].reshape(blocks, block))
    return rows[:, :samples]


def _slow_basis(samples: int, interval_s: float, terms: Beside) -> Real:
    """Orthonormal rows that span what is fitted beside the sine, shape (terms, samples)."""
    key = (samples, interval_s, terms)
    kept = _bases.get(key)
    if kept is not None:
        return kept[0]
    centred = np.linspace(-1.0, 1.0, samples)
    angle = 2.0 * pi * interval_s * np.arange(samples)
    basis = np.empty((1 + 2 * len(terms.sines_hz) + 2 * len(terms.drifting_hz) + terms.drift_order, samples))
    rows = iter(basis)
    next(rows)[:] = 1.0
    for hz in terms.sines_hz:
        next(rows)[:], next(rows)[:] = np.cos(hz * angle), np.sin(hz * angle)
    for hz in terms.drifting_hz:
        next(rows)[:], next(rows)[:] = centred * np.cos(hz * angle), centred * np.sin(hz * angle)
    for order in range(1, terms.drift_order + 1):
        next(rows)[:] = centred**order
    _make_orthonormal(basis)
    _bases.put(key, basis)
    return basis


def _make_orthonormal(rows: Real) -> None:
    """Gram-Schmidt in place, each row twice.

    Near copies, as short records make them, then stay orthogonal to rounding: "twice is enough" (Giraud, Langou and
    Rozloznik, 2005; from memory).
    """
    for count, row in enumerate(rows):
        before = rows[:count]
        row /= np.linalg.norm(row)
        for _ in range(2):
            row -= (before @ row) @ before
            row /= np.linalg.norm(row)
