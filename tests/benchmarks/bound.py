"""How near the estimate of C comes to the best that its data allow: the Cramér-Rao bound.

Both traces of every point are computed in this process from the model's own ratio, every parameter drawn from its
prior: no bench, no sockets. The bound is worked out here from the samples alone and never from the covariance that
the program states: per point the Fisher information of the seven-parameter model of two channels with one frequency
(Haendel, IEEE TIM 2008, doi 10.1109/TIM.2008.923782), carried over to the circuit's parameters at their true values,
with the priors as pseudo-data. Noise is white, of the simulated size, and rounding counts as 1/12 of a squared step.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks._workers import map_cases
from tests.benchmarks.table import Row
from twonode.acquire.nullchain import chain_of_ranges, first_ranges
from twonode.acquire.ranges import choose_range
from twonode.analysis.companion import COMPANION_ROLE
from twonode.analysis.hookup import series_stage, shunt_stage
from twonode.analysis.hypotheses import ordinary_model
from twonode.analysis.marginal import marginal
from twonode.analysis.model import Aspect, Model, Sweep
from twonode.analysis.posterior import maximise
from twonode.analysis.quantities import Measured, Tolerance
from twonode.analysis.ratio import RatioPoint, read_point
from twonode.analysis.stage import GROUND, Part, PartKind, Stage, shipped_stage
from twonode.analysis.traces import ChannelCodes, TracePair

Real = NDArray[np.float64]

TIGHT = Tolerance(minus=0.001, plus=0.001)
TEN = Tolerance(minus=0.1, plus=0.1)
LEVEL_VPP = 2.0
CODES_PER_DIV = 25.0
STEPS_V = tuple(m * 10.0**e for e in range(-2, 2) for m in (1.0, 2.0, 5.0))
"""V/div at the tip of a 10:1 probe."""
TRUE_SPREAD = 0.1
"""Standard deviation of the drawn ln C around the expected one; the estimate itself has no prior on C."""
POINTS = 12
NULL_HZ = (20.0, 70.0, 230.0, 800.0, 2.6e3, 9e3, 30e3, 100e3)
CHAIN_HZ = 400.0
LINE_HZ = 50.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """One hook-up; noise in codes rms, samples per channel and point."""

    name: str
    stage: Stage
    part: str
    noise: float
    samples: int
    null: bool = False
    companion_ohm: float | None = None

    @property
    def farad(self) -> float:
        return self.stage.part(self.part).value


def _fixture(make: Callable[..., Stage], farad: float, ohm: float) -> Stage:
    return make(part="C1", value_farad=farad, tolerance=TEN, resistor_ohm=ohm, resistor_tolerance=TIGHT)


def _stage(*, read: bool) -> Stage:
    stage = shipped_stage("wrenfield-46-driver-output")
    if not read:
        return stage
    return stage.replace_part(replace(stage.part("R12"), measured=Measured(value=482e3, half_width=2.41e3)))


@cache
def setups() -> tuple[Setup, ...]:
    slow, fast = _fixture(series_stage, 100e-9, 10e3), _fixture(series_stage, 22e-9, 4.7e3)
    to_ground, small = _fixture(shunt_stage, 10e-9, 100e3), _fixture(shunt_stage, 1e-9, 100e3)
    return (
        Setup(name="series, 100 nF into 10 kΩ", stage=slow, part="C1", noise=1.0, samples=2500),
        Setup(name="series, 22 nF into 4.7 kΩ", stage=fast, part="C1", noise=0.5, samples=6000),
        Setup(name="shunt, 10 nF after 100 kΩ", stage=to_ground, part="C1", noise=2.0, samples=2500),
        Setup(
            name="shunt, 1 nF after 100 kΩ, null run",
            stage=small,
            part="C1",
            noise=1.0,
            samples=2500,
            null=True,
        ),
        Setup(name="stage, R12 read to 0.5 %", stage=_stage(read=True), part="C7", noise=1.0, samples=6000),
        Setup(
            name="stage, R12 20 %, companion 100 kΩ, null run",
            stage=_stage(read=False),
            part="C7",
            noise=2.0,
            samples=2500,
            null=True,
            companion_ohm=100e3,
        ),
    )


def _corner_hz(stage: Stage, setup: Setup) -> float:
    resistors = [p.value for p in stage.parts if p.kind is PartKind.RESISTOR and stage.far in p.between]
    return sum(1.0 / ohm for ohm in resistors) / (2 * pi * setup.farad)


def _blank(hz: float, drive: float, far: float) -> RatioPoint:
    """A point without data; unit covariance leaves the model's slopes unweighted."""
    return RatioPoint(
        frequency_hz=hz,
        ratio=1j,
        ratio_cov=(1.0, 0.0, 1.0),
        quantisation_share=0.0,
        drive_volts_per_div=drive,
        far_volts_per_div=far,
    )


def _planned(stage: Stage, setup: Setup) -> tuple[Sweep, list[float]]:
    """Frequencies and ranges as a sweep would take them, and the drive node's V peak to peak."""
    hz = _corner_hz(stage, setup) * np.geomspace(10.0, 0.1, POINTS)
    drive = choose_range(LEVEL_VPP, STEPS_V)
    bare = Sweep(stage=stage, points=tuple(_blank(float(f), drive, drive) for f in hz))
    nominal = ordinary_model([bare], stage.part(setup.part), setup.farad)
    far: float | None = None
    points = []
    for f, ratio in zip(hz, nominal.evaluate(nominal.mean).ratio[0], strict=True):
        far = choose_range(LEVEL_VPP * abs(ratio), STEPS_V, far)
        points.append(_blank(float(f), drive, far))
    return replace(bare, points=tuple(points)), [LEVEL_VPP] * POINTS


def _null() -> tuple[Sweep, list[float]]:
    first = first_ranges(LEVEL_VPP, STEPS_V, STEPS_V)
    pairs = [(hz, first) for hz in NULL_HZ]
    pairs += [(CHAIN_HZ, pair) for pair in chain_of_ranges(first, STEPS_V, STEPS_V, lowest_vpp=0.02)]
    points = tuple(_blank(hz, pair.drive_volts_per_div, pair.far_volts_per_div) for hz, pair in pairs)
    return Sweep(stage=None, points=points), [pair.node_vpp for _, pair in pairs]


@cache
def plan(number: int) -> tuple[tuple[Sweep, ...], tuple[tuple[float, ...], ...]]:
    """Sweeps of a setup without data, and the drive node's volts of each point."""
    setup = setups()[number]
    found = [_planned(setup.stage, setup)]
    if setup.companion_ohm is not None:
        companion = Part(
            name="companion",
            kind=PartKind.RESISTOR,
            between=(setup.stage.far, GROUND),
            value=setup.companion_ohm,
            tolerance=TIGHT,
            role=COMPANION_ROLE,
        )
        found.append(_planned(setup.stage.with_parts(companion), setup))
    if setup.null:
        found.append(_null())
    return tuple(sweep for sweep, _ in found), tuple(tuple(volts) for _, volts in found)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Record:
    """One point's two channels before noise and rounding.

    amplitude_v : complex peak of the drive node at the first sample. step_v : V per code of both channels.
    """

    frequency_hz: float
    true_hz: float
    interval_s: float
    samples: int
    amplitude_v: complex
    ratio: complex
    step_v: tuple[float, float]

    def turning(self) -> NDArray[np.complex128]:
        return np.exp(2j * pi * self.true_hz * self.interval_s * np.arange(self.samples))

    def traces(self, noise: float, rng: np.random.Generator, volts_per_div: tuple[float, float]) -> TracePair:
        turn = self.turning()
        channels = []
        for phasor, step, range_v in zip(
            (self.amplitude_v, self.amplitude_v * self.ratio), self.step_v, volts_per_div, strict=True
        ):
            exact = (phasor * turn).real / step + rng.uniform(-3.0, 3.0)
            noisy = exact + noise * rng.standard_normal(self.samples)
            channels.append(
                ChannelCodes(
                    codes=np.clip(np.rint(noisy), -128, 127).astype(np.int16),
                    volts_per_code=step,
                    volts_at_code_zero=0.0,
                    lowest_code=-128,
                    highest_code=127,
                    volts_per_div=range_v,
                )
            )
        return TracePair(drive=channels[0], far=channels[1], sample_interval_s=self.interval_s)

    def information(self, noise: float) -> Real:
        """Fisher information on (Re ratio, Im ratio, relative frequency), shape (3, 3).

        The drive node's phasor and both offsets are unknown as well and are eliminated (Schur complement).
        """
        turn = self.turning()
        drive = self.amplitude_v * turn
        late = 2j * pi * self.true_hz * self.interval_s * np.arange(self.samples)
        nothing, ones = np.zeros(self.samples), np.ones(self.samples)
        first = np.stack([turn, 1j * turn, nothing, nothing, nothing, nothing, late * drive]).real
        second = np.stack(
            [
                self.ratio * turn,
                1j * self.ratio * turn,
                nothing,
                nothing,
                drive,
                1j * drive,
                late * self.ratio * drive,
            ]
        ).real
        first, second = first / self.step_v[0], second / self.step_v[1]
        first[2], second[3] = ones, ones
        total = (first @ first.T + second @ second.T) / (noise**2 + 1.0 / 12.0)
        beside, mixed, wanted = total[:4, :4], total[4:, :4], total[4:, 4:]
        found: Real = wanted - mixed @ np.linalg.solve(beside, mixed.T)
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    setup: int
    seed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """error : of ln C. bound : its least standard deviation. stated : what the program says that is."""

    setup: int
    error: float
    bound: float
    stated: float


def _records(
    sweep: Sweep,
    volts: tuple[float, ...],
    ratios: NDArray[np.complex128],
    off: float,
    samples: int,
    rng: np.random.Generator,
) -> list[_Record]:
    found = []
    for point, vpp, ratio in zip(sweep.points, volts, ratios, strict=True):
        # Golden cycles, as the program places its records.
        cycles = int(rng.integers(4, 11)) + 0.381966
        found.append(
            _Record(
                frequency_hz=point.frequency_hz,
                true_hz=point.frequency_hz * (1.0 + off),
                interval_s=cycles / point.frequency_hz / samples,
                samples=samples,
                amplitude_v=complex(vpp / 2.0 * np.exp(2j * pi * rng.uniform())),
                ratio=complex(ratio),
                step_v=(
                    point.drive_volts_per_div / CODES_PER_DIV,
                    point.far_volts_per_div / CODES_PER_DIV,
                ),
            )
        )
    return found


def _bound(model: Model, jacobian: Real, records: list[list[_Record]], noise: float) -> float:
    """Least standard deviation of ln C."""
    place = model.index(model.sweeps[0].bench, Aspect.FREQUENCY)
    precision = np.diag(np.where(np.isfinite(model.sigma), 1.0 / model.sigma, 0.0) ** 2)
    own = np.zeros(model.mean.size)
    own[place] = 1.0
    start = 0
    for sweep in records:
        n = len(sweep)
        for k, record in enumerate(sweep):
            slopes = np.stack([jacobian[start + k], jacobian[start + n + k], own])
            precision += slopes.T @ record.information(noise) @ slopes
        start += 2 * n
    scale = 1.0 / np.sqrt(np.diag(precision))
    return float(np.sqrt(np.linalg.inv(precision * np.outer(scale, scale))[0, 0]) * scale[0])


def simulate(case: Case) -> Outcome:
    """Draw everything, make the traces, read and estimate them as the program does."""
    setup = setups()[case.setup]
    blank, volts = plan(case.setup)
    rng = np.random.default_rng([case.setup, case.seed])
    part = setup.stage.part(setup.part)
    model = ordinary_model(blank, part, setup.farad)
    spread = np.where(np.isfinite(model.sigma), model.sigma, TRUE_SPREAD)
    truth = model.mean + spread * rng.standard_normal(model.mean.size)
    exact = model.evaluate(truth)
    off = float(truth[model.index(blank[0].bench, Aspect.FREQUENCY)])
    records = [
        _records(sweep, v, ratios, off, setup.samples, rng)
        for sweep, v, ratios in zip(blank, volts, exact.ratio, strict=True)
    ]
    measured = []
    for sweep, taken in zip(blank, records, strict=True):
        points = []
        for point, record in zip(sweep.points, taken, strict=True):
            ranges = (point.drive_volts_per_div, point.far_volts_per_div)
            reading = read_point(
                record.traces(setup.noise, rng, ranges), record.frequency_hz, line_hz=LINE_HZ
            )
            assert reading.point is not None
            points.append(reading.point)
        measured.append(replace(sweep, points=tuple(points)))
    fitted = ordinary_model(measured, part, setup.farad)
    found = marginal(maximise(fitted, [fitted.mean]), 0)
    return Outcome(
        setup=case.setup,
        error=found.mean - float(truth[0]),
        bound=_bound(model, exact.jacobian, records, setup.noise),
        stated=found.sigma,
    )


def run(*, quick: bool = False) -> list[Row]:
    each = 25 if quick else 400
    cases = [Case(setup=k, seed=seed) for seed in range(each) for k in range(len(setups()))]
    outcomes = map_cases(simulate, cases, name="bound")
    scores = np.array([o.error / o.bound for o in outcomes])
    rms = sqrt(float(np.mean(scores**2)))
    rows = [
        Row(
            figure=f"RMS error of ln C over the Cramér-Rao bound of the same samples, {len(outcomes)} sweeps",
            target="0.95 to 1.05",
            measured=f"{rms:.3f} (± {rms / sqrt(2 * len(outcomes)):.3f})",
            met=0.95 <= rms <= 1.05,
        )
    ]
    for k, setup in enumerate(setups()):
        own = [o for o in outcomes if o.setup == k]
        ratio = sqrt(float(np.mean([(o.error / o.bound) ** 2 for o in own])))
        stated = float(np.median([o.stated / o.bound for o in own]))
        bound = float(np.median([o.bound for o in own]))
        rows.append(
            Row(
                figure=f"  {setup.name}: the same; stated u over bound, median; bound of ln C, median",
                target=f"about 1 (spread of {len(own)}: {1 / sqrt(2 * len(own)):.3f})",
                measured=f"{ratio:.3f}; {stated:.3f}; {100 * bound:.3f} %",
                met=None,
            )
        )
    return rows
