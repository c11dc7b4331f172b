"""The fitted stage as a SPICE deck: ngspice runs it to the very ratio that was fitted."""

import subprocess
from dataclasses import replace

import numpy as np
import pytest
from made_sweeps import made_estimate, true_stage
from spice import needs_ngspice

from twonode.analysis.deck import OUTPUT_FILE, spice_deck
from twonode.analysis.errors import AnalysisError
from twonode.analysis.stage import Part, PartKind


def _run(deck, folder):
    (folder / "deck.cir").write_text(deck)
    subprocess.run(["ngspice", "-b", "deck.cir"], cwd=folder, check=True, capture_output=True, timeout=60)
    frequency_hz, re, im = np.loadtxt(folder / OUTPUT_FILE, unpack=True)
    return frequency_hz, re + 1j * im


def _deck_of(estimate, **more):
    model = estimate.posterior.model
    stage = model.sweeps[0].stage
    parts, losses = model.fitted_parts(estimate.posterior.theta, 0)
    return spice_deck(
        parts,
        losses=losses,
        drive=stage.drive,
        far=stage.far,
        title=stage.title,
        **({"from_hz": 1.0, "to_hz": 1e6} | more),
    )


@needs_ngspice
@pytest.mark.parametrize("truth", [{}, {"leak_ohm": 2e6}, {"loss": 0.08}, {"value": 1e-12}])
def test_ngspice_runs_the_deck_to_the_fitted_curve(truth, tmp_path):
    # Source: ngspice, an independent solver; the promise is 1e-6 relative.
    estimate = made_estimate(true_stage(**truth))
    frequency_hz, found = _run(_deck_of(estimate), tmp_path)
    fitted = estimate.posterior.model.curve(estimate.posterior.theta, 0, frequency_hz)
    assert len(found) > 100
    assert np.max(np.abs(found / fitted - 1)) < 1e-6


@needs_ngspice
def test_names_that_a_simulator_would_stumble_over_still_make_a_deck_that_runs(tmp_path):
    def part(name, kind, between, value, **more):
        return Part(name=name, kind=kind, between=between, value=value, **more)

    parts = (
        part("Köp 1; *evil*\n.end", PartKind.CAPACITOR, ("1", "grid µ"), 22e-9, esr_ohm=3.0, loss=0.01),
        part("köp 1; *evil* .end", PartKind.RESISTOR, ("grid µ", "ground"), 470e3),
        part("L", PartKind.INDUCTOR, ("grid µ", "Grid ?"), 1.0),
        part("R9", PartKind.RESISTOR, ("Grid ?", "ht"), 1e3),
        part("HT", PartKind.SUPPLY, ("ht", "ground"), 250.0),
    )
    deck = spice_deck(parts, drive="1", far="grid µ", title="set\n.end", from_hz=10.0, to_hz=1e4)
    frequency_hz, found = _run(deck, tmp_path)
    s = 2j * np.pi * frequency_hz
    dielectric = 22e-9 * (s + np.abs(s) * 0.01)
    series = dielectric / (1 + 3.0 * dielectric)
    load = 1 / 470e3 + 1 / (s * 1.0 + 1000.0)
    assert found == pytest.approx(series / (series + load), rel=1e-6)


def test_a_deck_says_no_to_ends_and_nodes_that_are_none():
    parts = true_stage().parts
    for fault in (
        {"from_hz": 100.0, "to_hz": 10.0},
        {"from_hz": 0.0},
        {"far": "nowhere"},
    ):
        asked = {"drive": "driver anode", "far": "output grid", "title": "t", "from_hz": 1.0, "to_hz": 10.0}
        with pytest.raises(AnalysisError):
            spice_deck(parts, **(asked | fault))


def test_the_fitted_parts_are_those_of_the_estimate():
    estimate = made_estimate(true_stage(value=20e-9))
    parts, losses = estimate.posterior.model.fitted_parts(estimate.posterior.theta, 0)
    fitted = {p.name: p for p in parts}
    assert set(losses) == {p.name for p in parts if p.kind is PartKind.CAPACITOR}
    assert fitted["C7"].value == pytest.approx(20e-9, rel=0.01)
    assert fitted["R12"].value == pytest.approx(estimate.others["R12"].value, rel=1e-12)
    assert replace(fitted["C7"], value=22e-9).between == ("driver anode", "output grid")
