"""One sweep on a simulated bench that misbehaves, over real sockets, and what became of it.

The bench's clock is virtual, so nothing is waited for but the link's own deadline, which is in real time and short.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

from twonode.acquire import Note, PointDone, SweepClosed, SweepRequest, estimate_recordings, run_sweep
from twonode.acquire.request import PlanKind
from twonode.analysis.hookup import HookUp, series_stage
from twonode.analysis.quantities import Tolerance
from twonode.drivers.bench import open_bench
from twonode.drivers.clock import VirtualClock
from twonode.drivers.simulated import ScopeFamily, SimulatedBench, SimulatedSettings
from twonode.drivers.simulated.misbehave import Misbehaviour
from twonode.drivers.simulated.mischief import MisbehavingWorld
from twonode.errors import TwonodeError
from twonode.recordings.errors import RecordingError
from twonode.recordings.naming import UNFINISHED
from twonode.recordings.reader import read_recording

__all__ = ["DEADLINE_S", "POINTS", "TIMEOUT_S", "Outcome", "fault_request", "run_with_faults"]

TIMEOUT_S = 0.25
"""Of one exchange, real time; the links' own is 5 s."""
DEADLINE_S = 16 * TIMEOUT_S + 6.0
"""An instrument that stays silent costs: three tries with two exchanges each at a point, switching off, leaving twice;
and some seconds for the work itself on a busy machine."""
POINTS = 5
TRUE_FARAD = 9.3e-9
SIGMAS = 4.0


def fault_request(**more: object) -> SweepRequest:
    """10 nF into 100 kΩ, five points."""
    ten = Tolerance(minus=0.1, plus=0.1)
    fields: dict[str, object] = {
        "hookup": HookUp.SERIES,
        "stage": series_stage(
            part="C1",
            value_farad=10e-9,
            tolerance=ten,
            resistor_ohm=100e3,
            resistor_tolerance=Tolerance(minus=0.001, plus=0.001),
        ),
        "part": "C1",
        "nominal_farad": 10e-9,
        "tolerance": ten,
        "simulated": True,
        "points": POINTS,
        "plan": PlanKind.EVEN,
        "seed": 11,
    }
    return SweepRequest(**(fields | more))  # type: ignore[arg-type]


@dataclass(kw_only=True)
class Outcome:
    """What a sweep with faults came to.

    hung : it did not end within the deadline. mistake : an error that is none of ours, else None.
    error : how it was refused, else None. notes : what was said while it ran.
    reported, kept : points, and those of them in closed recordings. output_on : at the end.
    records : the scope delivered with the output on, in the end.
    unknown : the program said that the output's state is unknown. wrong : the value and its distance from the
    truth in standard uncertainties, where it is further than four; warned : the estimate itself says that
    something is wrong.
    """

    spent_s: float = 0.0
    hung: bool = False
    mistake: str | None = None
    error: str | None = None
    notes: list[str] = field(default_factory=list)
    reported: int = 0
    refused: int = 0
    kept: int = 0
    output_on: bool = False
    unknown: bool = False
    finished: bool = False
    records: int = 0
    off_sigmas: float | None = None
    warned: bool = False
    farad: float | None = None

    @property
    def silent_wrong(self) -> bool:
        """A wrong number that nothing warns of."""
        return (
            self.off_sigmas is not None
            and self.off_sigmas > SIGMAS
            and not self.warned
            and self.error is None
        )

    @property
    def lost(self) -> int:
        """Reported points that are in no closed recording."""
        return max(self.reported - self.kept, 0)

    @property
    def left_on(self) -> bool:
        """The output is on and nobody said so."""
        return self.output_on and not self.unknown

    @property
    def faults(self) -> list[str]:
        """What must never be, in words."""
        found = []
        if self.hung:
            found.append("hung")
        if self.mistake:
            found.append(f"traceback: {self.mistake}")
        if self.lost:
            found.append(f"{self.lost} points lost")
        if self.left_on:
            found.append("output left on")
        if self.silent_wrong:
            found.append(f"wrong by {self.off_sigmas:.1f} sigma, silently")
        return found


def run_with_faults(
    *faults: Misbehaviour, family: ScopeFamily = ScopeFamily.TEN_FIELD, seed: int = 11
) -> Outcome:
    """Carry out a sweep; hangs and errors are told, not raised."""
    outcome = Outcome(hung=True)
    thread = threading.Thread(target=_run, args=(faults, family, seed, outcome), daemon=True)
    start_s = time.monotonic()
    thread.start()
    thread.join(DEADLINE_S + 30.0)
    outcome.hung = thread.is_alive() or outcome.spent_s > DEADLINE_S
    if outcome.hung:
        outcome.spent_s = time.monotonic() - start_s
    return outcome


def _run(faults: tuple[Misbehaviour, ...], family: ScopeFamily, seed: int, outcome: Outcome) -> None:
    request = fault_request(seed=seed)
    settings = SimulatedSettings(
        stage=request.stage, seed=seed, true={"C1": TRUE_FARAD}, scope_family=family, misbehave=faults
    )
    with TemporaryDirectory() as place:
        archive = Path(place)
        start_s = time.monotonic()
        try:
            with SimulatedBench(settings, clock=VirtualClock()) as served:
                _sweep(served, request, archive, outcome)
                outcome.spent_s = time.monotonic() - start_s
                outcome.output_on = served.world.output_on
                if isinstance(served.world, MisbehavingWorld):
                    outcome.records = served.world.run.blocks // 2
            _judge(archive, outcome)
        except BaseException as exc:  # noqa: BLE001 - whatever comes out here is a mistake in the program
            outcome.mistake = f"{type(exc).__name__}: {exc}"[:300]
            outcome.spent_s = outcome.spent_s or time.monotonic() - start_s


def _sweep(served: SimulatedBench, request: SweepRequest, archive: Path, outcome: Outcome) -> None:
    bench = open_bench(
        generator=served.generator_resource,
        scope=served.scope_resource,
        visa="python",
        clock=served.clock,
        timeout_s=TIMEOUT_S,
    )
    try:
        with bench:
            for event in run_sweep(bench, request, archive=archive):
                match event:
                    case PointDone():
                        outcome.reported += 1
                        outcome.refused += not event.used
                    case Note():
                        outcome.notes.append(event.text)
                    case SweepClosed():
                        outcome.finished = True
    except TwonodeError as exc:
        outcome.error = f"{type(exc).__name__}: {exc.what}"
        if not (exc.why and exc.do):
            outcome.mistake = f"an error without reason or advice: {exc!r}"
    outcome.unknown = bench.farewell is not None


def _judge(archive: Path, outcome: Outcome) -> None:
    """What is kept, and whether it tells the truth."""
    folders = [each for each in archive.iterdir() if each.is_dir() and not each.name.endswith(UNFINISHED)]
    for folder in folders:
        recording = read_recording(folder)
        outcome.kept += len(recording.points)
        if len(recording.used) < 3:
            continue
        try:
            estimate, _ = estimate_recordings([folder])
        except (TwonodeError, RecordingError) as exc:
            outcome.error = outcome.error or f"estimate: {exc}"
            continue
        found = estimate.capacitance
        outcome.warned = estimate.misfit is not None
        outcome.farad = found.value
        if found.value is None or found.standard_uncertainty is None:
            # Called open or shorted, which this part is not.
            outcome.off_sigmas = float("inf")
        else:
            outcome.off_sigmas = abs(found.value - TRUE_FARAD) / found.standard_uncertainty
