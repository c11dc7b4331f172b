"""What the program says of parts whose state is known: how often it is wrong, and how often it cannot decide.

Parts in series and shunt fixtures and in the Wrenfield stage; the one resistor beside them known to 0.1 %, a null
run done; the program's own sweep with its default plan, stopping when it will, and its own estimate.

A leak shows in a sweep as a conductance. Whether it could show is decided by the data's information alone: the
standard uncertainty of ln(leak) at the true values, worked out from the stated covariances of the points that were
taken, everything else unknown as well (a Fisher information, not the result). From `SHOWS_FROM` standard
uncertainties on a leak could show; a part whose leak could not is counted by its value, as the statement itself says
that leakage was not tested. Called leaky it is right all the same.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum
from math import inf, log
from pathlib import Path

import numpy as np

from tests.benchmarks._parts import PARTS_PER_BENCH, TEN, Wired, draw_wired, neighbours
from tests.benchmarks._runs import archive_folder, measure, measure_null
from tests.benchmarks._workers import map_cases
from tests.benchmarks.table import Row
from twonode.acquire import PointDone
from twonode.analysis.estimate import estimate_part
from twonode.analysis.findings import FindingState
from twonode.analysis.hookup import HookUp
from twonode.analysis.hypotheses import ordinary_frees
from twonode.analysis.model import Aspect, Free, Model, Sweep
from twonode.analysis.posterior import laplace
from twonode.drivers.simulated import Fault, FaultKind, SimulatedSettings
from twonode.errors import TwonodeError

FIRST_SEED = 50_000
HOOKUPS = (HookUp.SERIES, HookUp.SHUNT, HookUp.STAGE)
SHOWS_FROM = 3.0
LEAK_OHM = (100e3, 20e6)
OFF_BY = (0.05, 0.60)
HEALTHY_SPREAD = 0.05


class Kind(Enum):
    """What a simulated part is."""

    HEALTHY = "healthy"
    OFF = "off by 5 to 60 %"
    OPEN = "open"
    SHORTED = "shorted"
    LEAKY = "leaky"


KINDS = (
    *(Kind.HEALTHY,) * 6,
    *(Kind.OFF,) * 8,
    *(Kind.OPEN,) * 1,
    *(Kind.SHORTED,) * 1,
    *(Kind.LEAKY,) * 4,
)
"""In turn, so that of 20 parts 6 are healthy, 8 off, 4 leaky, 1 open and 1 shorted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One bench with the numbers of the parts measured on it."""

    seed: int
    parts: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What was said of one part.

    deviation : of the true value from the marked one. leak_ohm : None where there is none.
    leak_sigmas : how many standard uncertainties the leak's conductance amounts to; inf for other kinds.
    stated : None where the program refused to go on; `because` then holds its words.
    left_out : points that the estimate left out as foreign to the others.
    """

    number: int
    seed: int
    words: str
    hookup: HookUp
    kind: Kind
    deviation: float
    leak_ohm: float | None
    leak_sigmas: float
    stated: FindingState | None
    probability: float
    points: int
    misfit: bool
    left_out: int
    because: str

    @property
    def truth(self) -> FindingState:
        match self.kind:
            case Kind.OPEN:
                return FindingState.OPEN
            case Kind.SHORTED:
                return FindingState.SHORTED
            case Kind.LEAKY if self.leak_sigmas >= SHOWS_FROM or self.stated is FindingState.LEAKY:
                return FindingState.LEAKY
            case _:
                inside = -TEN.minus <= self.deviation <= TEN.plus
                return FindingState.WITHIN_TOLERANCE if inside else FindingState.OFF_VALUE

    @property
    def undecided(self) -> bool:
        """No statement was made: undecided, or the program would not go on."""
        return self.stated in (None, FindingState.UNDECIDED)

    @property
    def false_within(self) -> bool:
        within = FindingState.WITHIN_TOLERANCE
        return self.stated is within and self.truth is not within

    @property
    def false_alarm(self) -> bool:
        """A statement of something wrong where nothing is, or of the wrong fault."""
        if self.undecided or self.stated is FindingState.WITHIN_TOLERANCE:
            return False
        return self.stated is not self.truth

    def __str__(self) -> str:
        leak = (
            "" if self.leak_ohm is None else f", leak {self.leak_ohm:.3g} ohm ({self.leak_sigmas:.1f} sigma)"
        )
        return (
            f"part {self.number}, bench {self.seed}, {self.words}: {self.kind.value}, "
            f"{100 * self.deviation:+.2f} %{leak}"
        )

    @property
    def statement(self) -> str:
        if self.stated is None:
            return f"refused: {self.because}"
        said = "; misfit said" if self.misfit else ""
        return f"{self.stated.value} ({100 * self.probability:.1f} %), {self.points} points{said}. {self.because}"


def _draw(number: int) -> tuple[Wired, Kind, float, float | None]:
    """Part, what is true of it, deviation and leak."""
    rng = np.random.default_rng([FIRST_SEED, number])
    kind = KINDS[(number // len(HOOKUPS)) % len(KINDS)]
    wired = draw_wired(HOOKUPS[number % len(HOOKUPS)], rng)
    deviation = float(rng.uniform(-HEALTHY_SPREAD, HEALTHY_SPREAD))
    if kind is Kind.OFF:
        deviation = float(rng.uniform(*OFF_BY) * rng.choice((-1.0, 1.0)))
    leak = float(np.exp(rng.uniform(log(LEAK_OHM[0]), log(LEAK_OHM[1])))) if kind is Kind.LEAKY else None
    return wired, kind, deviation, leak


def leak_sigmas(sweeps: list[Sweep], wired: Wired, farad: float, leak_ohm: float) -> float:
    """1 over the standard uncertainty of ln(leak) that these points allow, value and all else left open."""
    frees = ordinary_frees(wired.stage.part(wired.part), wired.nominal_farad, value_sigma=inf)
    leak = Free(part=wired.part, aspect=Aspect.LEAK, mean=log(leak_ohm), sigma=inf)
    model = Model(sweeps, [*frees, leak])
    theta = model.mean.copy()
    theta[0] = log(farad)
    place = model.index(wired.part, Aspect.LEAK)
    return 1.0 / laplace(model, theta, converged=True).standard_uncertainty(place)


def _faults(kind: Kind, leak_ohm: float | None) -> Fault | None:
    match kind:
        case Kind.OPEN:
            return Fault(kind=FaultKind.OPEN)
        case Kind.SHORTED:
            return Fault(kind=FaultKind.SHORTED)
        case Kind.LEAKY:
            return Fault(kind=FaultKind.LEAKY, amount=leak_ohm)
        case _:
            return None


def measure_bench(case: Case) -> list[Outcome]:
    """The null run of a bench, then its parts one after the other.

    A bench whose null run is refused measures nothing: its parts count as undecided.
    """
    first, *_ = _draw(case.parts[0])
    with archive_folder() as archive:
        try:
            null = measure_null(
                SimulatedSettings(stage=first.stage, seed=case.seed), first.request(case.seed), archive
            )
        except TwonodeError as exc:
            return [_refused(number, case.seed, f"null run refused: {exc.what}") for number in case.parts]
        return [_measure_part(number, case.seed, archive, null) for number in case.parts]


def _refused(number: int, seed: int, because: str) -> Outcome:
    """No statement of a part."""
    wired, kind, deviation, leak_ohm = _draw(number)
    return Outcome(
        number=number,
        seed=seed,
        words=wired.words,
        hookup=wired.hookup,
        kind=kind,
        deviation=deviation,
        leak_ohm=leak_ohm,
        leak_sigmas=0.0 if kind is Kind.LEAKY else inf,
        stated=None,
        probability=0.0,
        points=0,
        misfit=False,
        left_out=0,
        because=because,
    )


def _measure_part(number: int, seed: int, archive: Path, null: Sweep) -> Outcome:
    wired, kind, deviation, leak_ohm = _draw(number)
    farad = wired.nominal_farad * (1.0 + deviation)
    fault = _faults(kind, leak_ohm)
    settings = SimulatedSettings(
        stage=wired.stage,
        seed=seed,
        noise_stream=number,
        true=neighbours(wired, FIRST_SEED + number) | {wired.part: farad},
        faults={} if fault is None else {wired.part: fault},
    )
    try:
        swept = measure(settings, wired.request(seed), archive, null=null)
        sweeps = [swept.sweep, null]
        estimate = estimate_part(sweeps, wired.part, nominal_farad=wired.nominal_farad, tolerance=TEN)
    except TwonodeError as exc:
        return _refused(number, seed, f"{type(exc).__name__}: {exc.what}")
    return replace(
        _refused(number, seed, estimate.finding.because),
        leak_sigmas=inf if leak_ohm is None else leak_sigmas(sweeps, wired, farad, leak_ohm),
        stated=estimate.finding.state,
        probability=estimate.finding.probability,
        points=sum(isinstance(event, PointDone) for event in swept.events),
        misfit=estimate.misfit is not None,
        left_out=len(estimate.left_out),
    )


def _rate(outcomes: list[Outcome], wanted: Callable[[Outcome], bool]) -> tuple[int, float]:
    count = sum(wanted(o) for o in outcomes)
    return count, count / len(outcomes)


def _kind_row(kind: Kind, outcomes: list[Outcome]) -> Row:
    own = [o for o in outcomes if o.kind is kind]
    right = sum(not o.undecided and o.stated is o.truth for o in own)
    within, alarms, open_ = (
        sum(wanted(o) for o in own)
        for wanted in (
            lambda o: o.false_within,
            lambda o: o.false_alarm,
            lambda o: o.undecided,
        )
    )
    return Row(
        figure=f"  {kind.value}: {len(own)} parts",
        target="shown",
        measured=f"right {right}, false within {within}, false alarm or wrong fault {alarms}, undecided {open_}",
        met=None,
    )


def run(*, quick: bool = False) -> list[Row]:
    count = 80 if quick else 2000
    benches = [
        Case(
            seed=FIRST_SEED + first // PARTS_PER_BENCH,
            parts=tuple(range(first, min(first + PARTS_PER_BENCH, count))),
        )
        for first in range(0, count, PARTS_PER_BENCH)
    ]
    found = [
        o for outcomes in map_cases(measure_bench, benches, name="wrong findings (benches)") for o in outcomes
    ]
    rows = []
    for words, wanted, limit in (
        ("false 'within tolerance'", lambda o: o.false_within, 0.025),
        ("false alarms and wrong faults", lambda o: o.false_alarm, 0.025),
        ("undecided", lambda o: o.undecided, 0.03),
    ):
        number, rate = _rate(found, wanted)
        rows.append(
            Row(
                figure=f"{words}, of {len(found)} parts",
                target=f"<= {100 * limit:g} %",
                measured=f"{100 * rate:.2f} % ({number})",
                met=rate <= limit,
            )
        )
    bad = [o for o in found if o.truth is not FindingState.WITHIN_TOLERANCE]
    good = [o for o in found if o.truth is FindingState.WITHIN_TOLERANCE]
    hidden = [o for o in found if o.kind is Kind.LEAKY and o.leak_sigmas < SHOWS_FROM]
    rows += [
        Row(
            figure=f"  false 'within tolerance' among the {len(bad)} parts that are not",
            target="shown",
            measured=f"{100 * _rate(bad, lambda o: o.false_within)[1]:.2f} %",
            met=None,
        ),
        Row(
            figure=f"  false alarms among the {len(good)} parts that are within tolerance",
            target="shown",
            measured=f"{100 * _rate(good, lambda o: o.false_alarm)[1]:.2f} %",
            met=None,
        ),
        *(_kind_row(kind, found) for kind in Kind),
        Row(
            figure=f"  leaks below {SHOWS_FROM:g} standard uncertainties, counted by value unless called leaky",
            target="shown",
            measured=f"{len(hidden)} of {sum(o.kind is Kind.LEAKY for o in found)}, "
            f"{sum(o.stated is FindingState.LEAKY for o in hidden)} of them called leaky",
            met=None,
        ),
        Row(
            figure="  estimates that said that the circuit does not describe the readings; that left points out",
            target="shown",
            measured=f"{sum(o.misfit for o in found)}; {sum(o.left_out > 0 for o in found)}",
            met=None,
        ),
    ]
    for hookup in HOOKUPS:
        own = [o for o in found if o.hookup is hookup]
        rows.append(
            Row(
                figure=f"  {hookup.value}: {len(own)} parts",
                target="shown",
                measured=f"false within {_rate(own, lambda o: o.false_within)[0]}, "
                f"false alarms {_rate(own, lambda o: o.false_alarm)[0]}, "
                f"undecided {_rate(own, lambda o: o.undecided)[0]}",
                met=None,
            )
        )
    for words, wanted in (
        ("false within", lambda o: o.false_within),
        ("false alarm", lambda o: o.false_alarm),
        ("undecided", lambda o: o.undecided),
    ):
        rows += [
            Row(figure=f"  {words}: {o}", target="", measured=o.statement, met=None)
            for o in found
            if wanted(o)
        ]
    return rows
