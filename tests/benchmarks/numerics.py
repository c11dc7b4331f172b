"""The numerical cores against outside programs: network solver, sensitivities, sine fit."""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import mpmath
import numpy as np

from tests.benchmarks.table import Row
from twonode.analysis.network import Network
from twonode.analysis.sinefit import fit_sines

# The circuits and the ngspice runner are shared with the tests.
sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from network_stages import FIVE_STAGES
from spice import run_ac

FREQUENCIES_HZ = np.logspace(0, 7, 204)  # 29 a decade, 1 Hz to 10 MHz


def solver_difference() -> float:
    """Largest relative difference of any node voltage to ngspice, five stages."""
    worst = 0.0
    for stage in FIVE_STAGES:
        network = Network(stage.parts, forced=stage.drive)
        ours = network.voltages(2j * np.pi * FREQUENCIES_HZ).T
        with tempfile.TemporaryDirectory() as folder:
            theirs = run_ac(
                stage.parts,
                forced=stage.drive,
                watch=network.nodes,
                frequency_hz=FREQUENCIES_HZ,
                folder=Path(folder),
            )
        worst = max(worst, float(np.abs(ours / theirs - 1).max()))
    return worst


def sensitivity_difference(*, frequencies: int) -> float:
    """Largest relative difference of any sensitivity to a central difference in forty digits."""
    worst = 0.0
    for stage in FIVE_STAGES:
        network = Network(stage.parts, forced=stage.drive)
        far = network.free_nodes.index(stage.far)
        for hz in np.geomspace(1.0, 1e7, frequencies):
            y = network.admittances(np.array([2j * np.pi * hz]))
            _, exact = network.transfer_with_sensitivity(y, stage.far)
            for row, by_y in enumerate(exact[:, 0]):
                numeric = _central_difference(network, y[:, 0], row, far)
                # A part that only loads the drive node has no influence at all, in both.
                if abs(numeric * y[row, 0]) > 1e-12:
                    worst = max(worst, abs(by_y / numeric - 1))
    return worst


def _central_difference(network: Network, y: np.ndarray, row: int, far: int) -> complex:
    with mpmath.workdps(40):
        step = mpmath.mpc(complex(y[row])) * mpmath.mpf("1e-12")
        ends = []
        for sign in (1, -1):
            values = [mpmath.mpc(complex(v)) for v in y]
            values[row] += sign * step
            size = len(network.free_nodes)
            matrix, right = mpmath.matrix(size, size), mpmath.matrix(size, 1)
            for value, incidence, forced in zip(values, network.incidence, network.to_forced, strict=True):
                touched = [int(i) for i in np.flatnonzero(incidence)]
                for i in touched:
                    right[i] -= value * float(incidence[i] * forced)
                    for j in touched:
                        matrix[i, j] += value * float(incidence[i] * incidence[j])
            ends.append(mpmath.lu_solve(matrix, right)[far])
        return complex((ends[0] - ends[1]) / (2 * step))


def sine_fit(*, rounds: int) -> tuple[float, float, float]:
    """Median speed ratio to numpy.linalg.lstsq, our median time in s, largest difference."""
    n, interval_s, hz = 1_000_000, 1e-6, 1234.567
    rng = np.random.default_rng(1)
    t = np.arange(n) * interval_s
    traces = np.stack([np.cos(2 * np.pi * hz * t + 0.3) + 0.1, 0.5 * np.cos(2 * np.pi * hz * t + 1.2) - 0.2])
    traces += 0.01 * rng.standard_normal(traces.shape)
    design = np.stack([np.cos(2 * np.pi * hz * t), np.sin(2 * np.pi * hz * t), np.ones(n)], axis=1)
    ratios, own, worst = [], [], 0.0
    for _ in range(rounds):
        # The design matrix stands ready: only the solver itself is timed. Both are called twice and the second call
        # counts, so that neither pays for what the other left in the processor's cache.
        for _ in range(2):
            start = time.perf_counter()
            (a, b, c), *_ = np.linalg.lstsq(design, traces.T, rcond=None)
            general_s = time.perf_counter() - start
        for _ in range(2):
            start = time.perf_counter()
            fits = fit_sines(traces, interval_s, hz)
            own_s = time.perf_counter() - start
        ratios.append(general_s / own_s)
        own.append(own_s)
        worst = max(
            worst, float(np.abs(fits.phasor - (a - 1j * b)).max()), float(np.abs(fits.offset - c).max())
        )
    return float(np.median(ratios)), float(np.median(own)), worst


def run(*, quick: bool = False) -> list[Row]:
    """Rows of all three."""
    solver = solver_difference()
    sensitivity = sensitivity_difference(frequencies=5 if quick else 29)
    ratio, own_s, difference = sine_fit(rounds=5 if quick else 25)
    return [
        Row(
            figure="network solver against ngspice .ac, 5 stages, 204 frequencies 1 Hz to 10 MHz",
            target="<= 1e-6",
            measured=f"{solver:.1e}",
            met=solver <= 1e-6,
        ),
        Row(
            figure="sensitivities against central differences in 40 digits",
            target="<= 1e-6",
            measured=f"{sensitivity:.1e}",
            met=sensitivity <= 1e-6,
        ),
        Row(
            figure="sine fit of 2 x 1,000,000 samples against numpy.linalg.lstsq",
            target=">= 20 times faster",
            measured=f"{ratio:.1f} times ({own_s * 1e3:.2f} ms)",
            met=ratio >= 20,
        ),
        Row(
            figure="sine fit: largest difference to lstsq",
            target="<= 1e-10",
            measured=f"{difference:.1e}",
            met=difference <= 1e-10,
        ),
    ]
