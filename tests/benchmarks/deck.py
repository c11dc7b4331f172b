"""The deck of the fitted stage, run by ngspice, against our own fitted curve: many stages, parts, faults and hook-ups.

Each circuit is drawn from a seed, its ratios are computed with noise, the part is estimated from them as from any
sweep, and ngspice runs the deck of what was fitted. A finding is no matter here, but all of them have to occur.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

from tests.benchmarks._workers import map_cases
from tests.benchmarks.table import Row
from twonode.analysis.channel import PROBE_1, PROBE_10, probe_parts
from twonode.analysis.deck import OUTPUT_FILE, spice_deck
from twonode.analysis.errors import AnalysisError
from twonode.analysis.estimate import estimate_part
from twonode.analysis.hookup import series_stage, shunt_stage
from twonode.analysis.model import Sweep
from twonode.analysis.network import Network
from twonode.analysis.quantities import Tolerance
from twonode.analysis.ratio import RatioPoint
from twonode.analysis.stage import GROUND, Part, PartKind, Stage

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from network_stages import FIVE_STAGES

TARGET = 1e-6
CIRCUITS, QUICK_CIRCUITS = 400, 24
TEN, FIVE = Tolerance(minus=0.1, plus=0.1), Tolerance(minus=0.05, plus=0.05)
FAULTS = ("none", "none", "off", "open", "shorted", "leaky", "lossy")


def _drawn_stage(rng: np.random.Generator) -> tuple[Stage, str]:
    """A circuit with every part somewhere inside a decade of its value, and the capacitor asked for."""
    which = int(rng.integers(len(FIVE_STAGES) + 2))
    if which >= len(FIVE_STAGES):
        farad = 10.0 ** rng.uniform(-10, -5)
        build = series_stage if which == len(FIVE_STAGES) else shunt_stage
        ohm = 10.0 ** rng.uniform(-0.5, 0.5) / (2 * np.pi * 10.0 ** rng.uniform(1.3, 3.0) * farad)
        stage = build(part="C1", value_farad=farad, tolerance=TEN, resistor_ohm=ohm, resistor_tolerance=FIVE)
        return stage, "C1"
    stage = FIVE_STAGES[which]
    for part in stage.parts:
        if part.kind is not PartKind.SUPPLY:
            scaled = replace(part, value=float(part.value * 10.0 ** rng.uniform(-0.5, 0.5)), tolerance=TEN)
            stage = stage.replace_part(scaled)
    held = {stage.drive, GROUND}
    choices = [
        part.name for part in stage.parts if part.kind is PartKind.CAPACITOR and not set(part.between) <= held
    ]
    return stage, str(rng.choice(choices))


def _as_it_is(stage: Stage, name: str, fault: str, rng: np.random.Generator) -> Stage:
    """The circuit with its parts off by their tolerances and the asked one as the fault has it."""
    for part in stage.parts:
        if part.kind is not PartKind.SUPPLY:
            stage = stage.replace_part(
                replace(part, value=float(part.value * (1 + rng.uniform(-0.05, 0.05))))
            )
    part = stage.part(name)
    match fault:
        case "off":
            part = replace(part, value=part.value * float(rng.choice([0.3, 0.6, 1.6, 3.0])))
        case "open":
            part = replace(part, value=1.5e-12)
        case "shorted":
            wire = Part(
                name="wire", kind=PartKind.RESISTOR, between=part.between, value=float(rng.uniform(0.1, 5))
            )
            return stage.with_parts(wire)
        case "leaky":
            part = replace(part, leak_ohm=float(10.0 ** rng.uniform(4, 7)))
        case "lossy":
            part = replace(part, loss=float(rng.uniform(0.05, 0.4)))
        case _:
            pass
    return stage.replace_part(part)


def _sweep(stage: Stage, truth: Stage, rng: np.random.Generator) -> Sweep:
    probe = PROBE_10 if rng.uniform() < 0.8 else PROBE_1
    middle = 10.0 ** rng.uniform(1.5, 3.5)
    hertz = np.geomspace(middle / 30, middle * 30, 12)
    network = Network([*truth.parts, *probe_parts(probe, truth.far, "far probe")], forced=truth.drive)
    points = []
    for hz, exact in zip(hertz, network.ratio(hertz, truth.far), strict=True):
        sigma = 2e-3 * max(abs(exact), 1e-4)
        points.append(
            RatioPoint(
                frequency_hz=float(hz),
                ratio=complex(exact + sigma * (rng.normal() + 1j * rng.normal())),
                ratio_cov=(sigma**2, 0.0, sigma**2),
                quantisation_share=0.2,
                drive_volts_per_div=0.2,
                far_volts_per_div=0.2 if abs(exact) > 0.3 else 0.02,
            )
        )
    return Sweep(stage=stage, points=tuple(points), drive_probe=probe, far_probe=probe)


def _one(seed: int) -> tuple[str, float, int] | None:
    """Finding, largest relative difference and number of frequencies; None where the part cannot be seen."""
    rng = np.random.default_rng([46, seed])
    stage, name = _drawn_stage(rng)
    fault = FAULTS[int(rng.integers(len(FAULTS)))]
    sweep = _sweep(stage, _as_it_is(stage, name, fault, rng), rng)
    try:
        estimate = estimate_part([sweep], name, nominal_farad=stage.part(name).value, tolerance=TEN)
    except AnalysisError:
        return None  # the part does not show between these nodes
    posterior = estimate.posterior
    parts, losses = posterior.model.fitted_parts(posterior.theta, 0)
    hertz = [point.frequency_hz for point in sweep.points]
    deck = spice_deck(
        parts,
        losses=losses,
        drive=stage.drive,
        far=stage.far,
        title=stage.title,
        from_hz=min(hertz) / 10,
        to_hz=max(hertz) * 10,
    )
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "stage.cir").write_text(deck)
        subprocess.run(
            ["ngspice", "-b", "stage.cir"], cwd=folder, check=True, capture_output=True, timeout=60
        )
        frequency_hz, re, im = np.loadtxt(Path(folder) / OUTPUT_FILE, unpack=True)
    fitted = posterior.model.curve(posterior.theta, 0, frequency_hz)
    return estimate.finding.state.value, float(np.abs((re + 1j * im) / fitted - 1).max()), frequency_hz.size


def run(*, quick: bool = False) -> list[Row]:
    """Worst relative difference over all circuits and frequencies."""
    count = QUICK_CIRCUITS if quick else CIRCUITS
    found = [each for each in map_cases(_one, range(count), name="decks") if each is not None]
    states = Counter(state for state, _, _ in found)
    differences = sorted(difference for _, difference, _ in found)
    worst = differences[-1]
    frequencies = sum(size for _, _, size in found)
    words = ", ".join(f"{number} {state}" for state, number in states.most_common())
    return [
        Row(
            figure=f"ngspice on the deck of the fitted stage against our fitted curve: {len(found)} circuits, "
            f"{frequencies} frequencies ({words})",
            target=f"<= {TARGET:g} relative",
            measured=f"{worst:.1e} (median {differences[len(differences) // 2]:.0e})",
            met=worst <= TARGET,
        ),
    ]
