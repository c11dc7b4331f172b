"""Shortcuts of the tests that speak a simulated dialect by hand."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from simulated_stages import fit_phasors, series, start_generator

from twonode.drivers.simulated import DirectBench, ScopeFamily, SimulatedSettings, direct_links

FREQUENCY_HZ = 1000.0


def dialect_settings(**changes: object) -> SimulatedSettings:
    """A bench without errors of its own and almost without noise: what it shows is what is there."""
    fields: dict[str, object] = {
        "stage": series(),
        "seed": 3,
        "imperfection": 0.0,
        "hum_scale": 0.0,
        "noise_lsb": 0.3,
        **changes,
    }
    return SimulatedSettings(**fields)  # type: ignore[arg-type]


def dialect_bench(**changes: object) -> DirectBench:
    return direct_links(dialect_settings(**changes))


def scope_bench(family: ScopeFamily, lines: tuple[str, ...], **changes: object) -> DirectBench:
    """A bench whose generator gives 1 V peak at 1 kHz, with the scope told these lines."""
    bench = dialect_bench(scope_family=family, **changes)
    for line in lines:
        bench.scope.write(line)
    start_generator(bench, FREQUENCY_HZ, 2.0)
    bench.clock.sleep_s(0.5)
    return bench


def wait_until(bench: DirectBench, done: Callable[[], bool]) -> None:
    for _ in range(1000):
        if done():
            return
        bench.clock.sleep_s(0.005)
    raise AssertionError("the scope never finished")


def drive_and_far(volts: NDArray[np.float64], interval_s: float) -> tuple[complex, complex]:
    """Phasors of both channels, V."""
    drive, far = fit_phasors(volts, interval_s, FREQUENCY_HZ)
    return complex(drive), complex(far)


def true_far_over_drive(bench: DirectBench) -> complex:
    """Ratio of the series fixture as it truly is: C7 into R1 with the far probe on it."""
    truth = bench.world.truth
    farad = next(part.value for part in truth.parts if part.name == "C7")
    ohm = next(part.value for part in truth.parts if part.name != "C7")
    probe = truth.probes[1]
    angular = 2 * np.pi * FREQUENCY_HZ
    load = 1 / (1 / ohm + 1 / probe.ohm + 1j * angular * probe.farad)
    return complex(load / (load + 1 / (1j * angular * farad)))


def drive_peak_v(bench: DirectBench) -> float:
    """Volts at the drive node once all has settled, measured past all instruments."""
    bench.clock.sleep_s(0.5)
    start_s = bench.world.now_s() - 0.01
    window = bench.world.window(start_s, start_s + 0.01)
    return float(np.abs(bench.world.sample(0, window, start_s=start_s, step_s=1e-6, count=10000)).max())
