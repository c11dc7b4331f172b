"""A full sweep on every simulated dialect against the same sweep on S1a and G1, the same seed.

Seed and parts are the same, so are the instruments' errors; only language, steps and record lengths differ. A wrong
scale, byte order, polarity or time base would show many times the uncertainty; a wrong offset would not, as a sweep
sets none. The dialects were written from the facts page and not from the command profiles, so that a fault of either is
seen.

The noise is another one: records of other lengths cannot share theirs. What that alone does is the last pair of rows,
S1a and G1 against themselves.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot
from pathlib import Path

from tests.benchmarks._parts import TEN, TIGHT
from tests.benchmarks._runs import archive_folder
from tests.benchmarks._workers import map_cases
from tests.benchmarks.table import Row
from twonode.acquire import SweepClosed, SweepRequest, estimate_recordings, run_sweep
from twonode.acquire.request import PlanKind
from twonode.analysis.hookup import HookUp, series_stage, shunt_stage
from twonode.analysis.quantities import Measured
from twonode.analysis.stage import Stage, shipped_stage
from twonode.drivers.bench import Bench
from twonode.drivers.profile_format import InstrumentKind
from twonode.drivers.profiles import profile_of_family
from twonode.drivers.simulated import GeneratorFamily, ScopeFamily, SimulatedSettings, direct_links

REFERENCE = (ScopeFamily.TEN_FIELD, GeneratorFamily.SCPI)
JOBS = ("series", "series, even plan", "shunt", "stage")
SEEDS = range(1, 9)


@dataclass(frozen=True, slots=True)
class Case:
    """One sweep; pickled for the worker processes."""

    scope: ScopeFamily
    generator: GeneratorFamily
    job: str
    seed: int
    noise_stream: int = 0

    @property
    def name(self) -> str:
        """The two dialects."""
        return f"{self.scope.value} + {self.generator.value}" + (", other noise" if self.noise_stream else "")


@dataclass(frozen=True, slots=True)
class Found:
    """What it gave: estimate and its 95 % half-width, F, finding, points and bench seconds; or why there is none."""

    farad: float = float("nan")
    half_width: float = float("nan")
    finding: str = ""
    points: int = 0
    bench_s: float = 0.0
    output_on: bool = False
    error: str = ""


def pairs() -> list[tuple[ScopeFamily, GeneratorFamily]]:
    """The reference first, then every scope with G1 and every generator with S1a, then all that are left over."""
    scopes = [(scope, GeneratorFamily.SCPI) for scope in ScopeFamily]
    generators = [(ScopeFamily.TEN_FIELD, generator) for generator in GeneratorFamily]
    return list(dict.fromkeys([REFERENCE, *scopes, *generators]))


def job_stage(job: str) -> tuple[HookUp, Stage, str]:
    """Hook-up, circuit and part of an ordinary job."""
    if job == "stage":
        # The grid leak read with a meter: at its marked tolerance it would hide every difference.
        shipped = shipped_stage("wrenfield-46-driver-output")
        read = Measured(value=470e3, half_width=470.0)
        return HookUp.STAGE, shipped.replace_part(replace(shipped.part("R12"), measured=read)), "C7"
    make, farad, ohm, hookup = (
        (series_stage, 22e-9, 100e3, HookUp.SERIES)
        if job.startswith("series")
        else (shunt_stage, 1e-9, 100e3, HookUp.SHUNT)
    )
    stage = make(part="C1", value_farad=farad, tolerance=TEN, resistor_ohm=ohm, resistor_tolerance=TIGHT)
    return hookup, stage, "C1"


def swept(case: Case) -> Found:
    """One full sweep with the program's own planning, drivers and profiles."""
    hookup, stage, part = job_stage(case.job)
    request = SweepRequest(
        hookup=hookup,
        stage=stage,
        part=part,
        nominal_farad=stage.part(part).value,
        tolerance=TEN,
        simulated=True,
        seed=case.seed,
        plan=PlanKind.EVEN if case.job.endswith("even plan") else PlanKind.INFORMATION,
    )
    settings = SimulatedSettings(
        stage=stage,
        seed=case.seed,
        noise_stream=case.noise_stream,
        scope_family=case.scope,
        generator_family=case.generator,
    )
    links = direct_links(settings)
    with archive_folder() as archive:
        try:
            with Bench.from_links(
                generator=links.generator,
                scope=links.scope,
                clock=links.clock,
                generator_profile=_profile_name(case.generator),
                allow_unverified=True,
            ) as bench:
                events = tuple(run_sweep(bench, request, archive=archive))
            return _estimated(events[-1], links.clock.now_s(), links.world.output_on)
        except Exception as exc:  # noqa: BLE001 - a family that fails in any way is a row of the table
            return Found(error=f"{type(exc).__name__}: {exc}")


def _profile_name(family: GeneratorFamily) -> str | None:
    """Serial generators do not say who they are, so the profile has to be named."""
    profile = profile_of_family(family.value, InstrumentKind.GENERATOR)
    return None if profile is None or profile.identification == "*IDN?" else profile.name


def _estimated(last: object, bench_s: float, output_on: bool) -> Found:
    assert isinstance(last, SweepClosed)
    recording: Path = last.recording
    estimate, _ = estimate_recordings([recording])
    capacitance = estimate.capacitance
    assert capacitance.value is not None
    assert capacitance.interval95 is not None
    low, high = capacitance.interval95
    return Found(
        farad=capacitance.value,
        half_width=(high - low) / 2,
        finding=estimate.finding.state.value,
        points=last.used,
        bench_s=bench_s,
        output_on=output_on,
    )


def run(*, quick: bool = False) -> list[Row]:
    """Two rows for each family: how its estimates lie about those on S1a and G1."""
    jobs, seeds = (JOBS[:1], SEEDS[:1]) if quick else (JOBS, SEEDS)
    cases = [
        Case(scope, generator, job, seed) for scope, generator in pairs() for job in jobs for seed in seeds
    ]
    again = [Case(*REFERENCE, job, seed, noise_stream=1) for job in jobs for seed in seeds]
    cases += again
    outcomes = dict(zip(cases, map_cases(swept, cases, name="families"), strict=True))
    rows = []
    for pair in pairs()[1:]:
        rows += _rows([case for case in cases if (case.scope, case.generator) == pair], outcomes)
    return rows + _rows(again, outcomes)


def _rows(cases: list[Case], outcomes: dict[Case, Found]) -> list[Row]:
    failed = [outcomes[case].error for case in cases if outcomes[case].error]
    both = [(outcomes[case], outcomes[Case(*REFERENCE, case.job, case.seed)]) for case in cases]
    done = [(here, there) for here, there in both if not (here.error or there.error)]
    apart = [(here.farad - there.farad, here.half_width, there.half_width) for here, there in done]
    # Two sweeps do not share their noise, nor the errors of ranges only one of them used.
    of_both = [abs(difference) / hypot(own, other) for difference, own, other in apart]
    of_own = [abs(difference) / own for difference, own, _ in apart]
    within = sum(part <= 1.0 for part in of_both)
    mean = sum(difference / hypot(own, other) for difference, own, other in apart) / max(len(apart), 1)
    on = sum(here.output_on for here, _ in done)
    other_findings = sum(here.finding != there.finding for here, there in done)
    points = sum(here.points for here, _ in done) / max(len(done), 1)
    bench_s = sum(here.bench_s for here, _ in done) / max(len(done), 1)
    name = cases[0].name
    words = f"{len(failed)} failed" + (f" ({failed[0][:200]})" if failed else "")
    return [
        Row(
            figure=f"{name}: sweeps that agree with S1a + G1 within the 95 % uncertainty of the difference",
            target=">= 95 %, none failed, output off",
            measured=(
                f"{within} of {len(cases)}, largest {max(of_both, default=0.0):.2f}, mean {mean:+.2f} of it; "
                f"{words}, output left on {on} times"
            ),
            met=within >= 0.95 * len(cases) and not failed and on == 0,
        ),
        Row(
            figure=f"{name}: the same within its own 95 % half-width alone",
            target="(84 % were to be expected of independent sweeps)",
            measured=(
                f"{sum(part <= 1.0 for part in of_own)} of {len(cases)}, largest {max(of_own, default=0.0):.2f}; "
                f"{other_findings} other findings, {points:.1f} points, {bench_s:.1f} bench s a sweep"
            ),
            met=None,
        ),
    ]
