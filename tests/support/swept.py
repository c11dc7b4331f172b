"""A sweep on the in-process simulated bench, start to recording, for tests."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from twonode.acquire import Event, SweepRequest, run_sweep
from twonode.analysis.hookup import HookUp, series_stage, shunt_stage
from twonode.analysis.quantities import Measured, Tolerance
from twonode.analysis.stage import Stage, shipped_stage
from twonode.drivers.bench import Bench
from twonode.drivers.profile_format import InstrumentKind
from twonode.drivers.profiles import profile_of_family
from twonode.drivers.simulated import DirectBench, SimulatedSettings, direct_links
from twonode.errors import TwonodeError

__all__ = ["HookUp", "Run", "fixture_request", "run", "stage_request", "ten_percent", "wrenfield_measured"]

ten_percent = Tolerance(minus=0.1, plus=0.1)


def wrenfield_measured() -> Stage:
    """The demo stage with its grid leak read by a meter to 0.5 %."""
    stage = shipped_stage("wrenfield-46-driver-output")
    return stage.replace_part(replace(stage.part("R12"), measured=Measured(value=482e3, half_width=2.41e3)))


def stage_request(**more) -> SweepRequest:
    fields = {
        "hookup": HookUp.STAGE,
        "stage": wrenfield_measured(),
        "part": "C7",
        "nominal_farad": 22e-9,
        "tolerance": ten_percent,
        "simulated": True,
        "points": 7,
    }
    return SweepRequest(**(fields | more))


def fixture_request(hookup: HookUp, farad: float, ohm: float, **more) -> SweepRequest:
    make = series_stage if hookup is HookUp.SERIES else shunt_stage
    fields = {
        "hookup": hookup,
        "stage": make(
            part="C1",
            value_farad=farad,
            tolerance=ten_percent,
            resistor_ohm=ohm,
            resistor_tolerance=Tolerance(minus=0.001, plus=0.001),
        ),
        "part": "C1",
        "nominal_farad": farad,
        "tolerance": ten_percent,
        "simulated": True,
        "points": 7,
    }
    return SweepRequest(**(fields | more))


@dataclass
class Run:
    """What a sweep left behind; `error` is what ended it."""

    events: list[Event]
    links: DirectBench
    error: BaseException | None

    @property
    def recording(self) -> Path:
        return self.events[-1].recording

    @property
    def output_on(self) -> bool:
        return self.links.world.output_on


def run(request: SweepRequest, archive: Path, **settings) -> Run:
    """Sweep on a fresh in-process bench; errors are kept, not raised."""
    bench_settings = SimulatedSettings(**({"stage": request.stage, "seed": 5} | settings))
    links = direct_links(bench_settings)
    # Some generators do not say who they are.
    family = bench_settings.generator_family.value
    generator = profile_of_family(family, InstrumentKind.GENERATOR)
    assert generator is not None, family
    events: list[Event] = []
    error = None
    try:
        with Bench.from_links(
            generator=links.generator,
            scope=links.scope,
            clock=links.clock,
            generator_profile=generator.name,
            allow_unverified=True,
        ) as bench:
            for event in run_sweep(bench, request, archive=archive):
                events.append(event)
    except TwonodeError as exc:
        error = exc
    return Run(events=events, links=links, error=error)
