"""Leakage from DC readings against worked figures of the trade, closed forms and ngspice."""

import json
import math
import subprocess
from dataclasses import replace

import numpy as np
import pytest
from spice import needs_ngspice

from tests.benchmarks.leakage import Case, one_case
from twonode.analysis.findings import FindingState
from twonode.analysis.leakage import (
    NO_GRID_CURRENT,
    GridCurrent,
    KnownResistor,
    LeakageError,
    LeakageReadings,
    LeakRole,
    Meter,
    MeterReading,
    estimate_leakage,
    leak_role,
)
from twonode.analysis.leakage_limits import parse_limits
from twonode.analysis.leakage_posterior import leak_posterior
from twonode.analysis.leakage_report import leakage_document, leakage_lines
from twonode.analysis.quantities import Measured, Tolerance

TIGHT = Tolerance(minus=1e-6, plus=1e-6)
TEN = Tolerance(minus=0.1, plus=0.1)
METER = Meter()
EXACT_METER = Meter(tolerance=0.0)
NO_METER = Meter(resistance_ohm=1e16, tolerance=0.0)


def exact(volts):
    return MeterReading.within(volts, 1e-7 * abs(volts))


def resistor(ohm, tolerance=TEN):
    return KnownResistor(ohm=ohm, tolerance=tolerance)


def exactly(drive, far=None, ohm=470e3, meter=EXACT_METER, **more):
    """An estimate from readings without any error and without grid current."""
    more = {
        name: exact(value) if isinstance(value, float) and name != "bias_v" else value
        for name, value in more.items()
    }
    return estimate_leakage(
        LeakageReadings(
            drive=exact(drive),
            far=None if far is None else exact(far),
            resistor=None if ohm is None else resistor(ohm, TIGHT),
            meter=meter,
            grid_current=NO_GRID_CURRENT,
            part="C7",
            **more,
        )
    )


def ordinary(drive, far=None, **more):
    """An estimate from what an ordinary meter shows, across 470 k of 10 %."""
    more = {
        name: METER.reading(value) if isinstance(value, float) and name != "bias_v" else value
        for name, value in more.items()
    }
    return estimate_leakage(
        LeakageReadings(
            drive=METER.reading(drive),
            far=None if far is None else METER.reading(far),
            meter=METER,
            part="C7",
            **({"resistor": resistor(470e3)} | more),
        )
    )


# Worked figures.


@pytest.mark.parametrize(
    ("drive", "far", "ohm", "meter", "leak"),
    [
        # references section 6: R = Rg (Va - Vg)/Vg, and the same with a 10 Mohm meter beside the grid leak.
        (200.0, 0.2, 470e3, NO_METER, 469.53e6),
        (200.0, 0.2, 470e3, EXACT_METER, 448.453e6),
        (250.0, 2.5, 1e6, EXACT_METER, 90.0e6),
        # references section 2, whole netlist (hand algebra and ngspice): 100 Mohm leaves 0.893791 V.
        (200.0, 0.893791, 470e3, EXACT_METER, 100e6),
    ],
)
def test_a_leak_is_that_of_the_divider_with_the_meter_in_it(drive, far, ohm, meter, leak):
    found = exactly(drive, far, ohm, meter).leakage_resistance
    assert found.value == pytest.approx(leak, rel=2e-5)
    assert found.interval95[0] < leak * 1.00001
    assert found.interval95[1] > leak * 0.99999


def test_the_current_of_the_reference_is_2_75_microamperes():
    # references section 6: 250 V, 2.5 V, 1 M beside 10 M.
    assert exactly(250.0, 2.5, 1e6).leakage_current.value == pytest.approx(2.75e-6, rel=0.002)


def test_leakage_in_circuit_as_worked_by_the_trade():
    # trade notes section 11, 5: 105 V, +0.62 V, 470 k, 10 M: 1.38 uA, 75.6 M, true grid 0.65 V, replace.
    below = 1 / (1 / 470e3 + 1 / 10e6)
    leak = below * (105 - 0.62) / 0.62
    assert (0.62 / below, leak) == (pytest.approx(1.38e-6, abs=5e-9), pytest.approx(75.6e6, abs=5e4))
    unloaded = 0.62 * (1 + 1 / (1 / 470e3 + 1 / leak) / 10e6)
    assert unloaded == pytest.approx(0.65, abs=0.005)
    found = exactly(105.0, 0.62)
    assert found.leakage_resistance.value == pytest.approx(leak, rel=1e-5)
    assert found.far_voltage_without_meter.value == pytest.approx(unloaded, rel=1e-5)
    assert found.leakage_current.value == pytest.approx((105 - unloaded) / leak, rel=1e-5)
    assert ordinary(105.0, 0.62, bias_v=-7.0).finding.state is FindingState.LEAKY


def test_leak_and_grid_current_as_worked_by_the_trade():
    # trade notes section 11, 6: 0.40 V stays with the capacitor lifted: valve 0.89 uA (65 %), capacitor 213 M.
    below = 1 / (1 / 470e3 + 1 / 10e6)
    valve, capacitor = 0.40 / below, 0.22 / below
    assert (valve, capacitor) == (pytest.approx(0.89e-6, abs=5e-9), pytest.approx(0.49e-6, abs=5e-9))
    leak = (105 - 0.62) / capacitor
    assert leak == pytest.approx(213e6, abs=5e5)
    found = exactly(105.0, 0.62, far_capacitor_lifted=0.40)
    assert found.leakage_resistance.value == pytest.approx(leak, rel=1e-5)
    assert found.grid_current.value == pytest.approx(valve, rel=1e-5)
    assert 1 - found.leak_share.value == pytest.approx(0.65, abs=0.005)
    assert found.cannot_tell is None


def test_the_valve_taken_out_leaves_the_leak():
    # The same stage the other way round: with the valve out 213 M alone hold the grid.
    below = 1 / (1 / 470e3 + 1 / 10e6)
    alone = 105 * below / (213e6 + below)
    found = exactly(105.0, 0.62, far_valve_out=alone)
    assert found.leakage_resistance.value == pytest.approx(213e6, rel=1e-5)
    assert found.grid_current.value == pytest.approx(0.62 / below - (105 - 0.62) / 213e6, rel=1e-4)


def test_a_lifted_end_as_worked_by_the_trade():
    # trade notes section 11, 7: 105 V, the meter shows 0.35 V: 2.99 G, 35 nA, 16 mV in 470 k, pass.
    leak = 10e6 * (105 - 0.35) / 0.35
    assert leak == pytest.approx(2.99e9, abs=5e6)
    found = exactly(105.0, lifted_end=0.35)
    assert found.leakage_resistance.value == pytest.approx(leak, rel=1e-5)
    assert found.leakage_current.value == pytest.approx(35e-9, abs=5e-10)
    assert abs(0.35 / 10e6 * 470e3 - 16e-3) < 5e-4
    assert found.bias_shift.value == pytest.approx(105 * 470e3 / (leak + 470e3), rel=1e-5)
    assert found.finding.state is FindingState.WITHIN_TOLERANCE
    alone = exactly(105.0, ohm=None, lifted_end=0.35)
    assert alone.finding.state is FindingState.WITHIN_TOLERANCE
    assert alone.far_voltage_without_meter.value is None
    assert "resistor" in alone.reasons["far_voltage_without_meter"]


def test_a_leaky_avc_filter_as_worked_by_the_trade():
    # trade notes section 11, 8: 12 M behind a 2 M feed: 14 % of the AVC lost, below 40 M, replace.
    lost = 2 / (2 + 12)
    assert lost == pytest.approx(0.14, abs=0.005)
    loaded = -20 * (1 / 2e6) / (1 / 2e6 + 1 / 12e6 + 1 / 10e6)
    readings = LeakageReadings(
        drive=exact(-20.0),
        far=exact(loaded),
        resistor=resistor(2e6, TIGHT),
        meter=EXACT_METER,
        role=leak_role("avc filter"),
        grid_current=NO_GRID_CURRENT,
    )
    found = estimate_leakage(readings)
    assert found.leakage_resistance.value == pytest.approx(12e6, rel=1e-5)
    assert found.far_voltage_without_meter.value == pytest.approx(-20 * (1 - lost), rel=1e-5)
    assert found.bias_shift.value == pytest.approx(20 * lost, rel=1e-5)
    assert found.leakage_current.value == pytest.approx(20 * (1 - lost) / 12e6, rel=1e-5)
    assert found.finding.state is FindingState.LEAKY
    assert any("20 times" in words for words in found.limits)
    # The share itself, and where a person looks for it.
    assert found.avc_lost.value == pytest.approx(lost, rel=1e-5)
    assert "takes 14 % of the AVC" in found.finding.because
    assert found.finding.action == (
        "Replace the capacitor: with too little AVC strong stations overload the set."
    )
    assert any(line.startswith("  AVC lost to the leak: 14.2857 ") for line in leakage_lines(found))
    assert leakage_document(found)["avc_lost"]["value"] == pytest.approx(lost, rel=1e-5)
    # An AVC line has no more volts than these.
    assert not any("working volts" in note for note in found.notes)


def test_an_avc_filter_read_alone_loads_the_line_it_hangs_on():
    """12 M behind a 2 M feed of 12 V, 10 M meter: 12 x 10/12 = 10 V on the line; through the lifted part and the meter
    12 x 22/24 = 11 V stay, of which the meter shows 10/22: 5 V."""
    feed = resistor(2e6, TIGHT)
    readings = LeakageReadings(
        drive=exact(10.0),
        lifted_end=exact(5.0),
        resistor=feed,
        drive_source=feed,
        meter=EXACT_METER,
        role=LeakRole.AVC_FILTER,
    )
    found = estimate_leakage(readings)
    assert found.leakage_resistance.value == pytest.approx(12e6, rel=1e-4)
    assert found.avc_lost.value == pytest.approx(2 / 14, rel=1e-4)
    unfed = estimate_leakage(replace(readings, drive_source=None))
    assert unfed.leakage_resistance.value == pytest.approx(10e6, rel=1e-4)


def test_an_avc_filter_without_a_leak_costs_at_most_so_much():
    # 10 V behind 2 M beside 10 M: 8.333 V and no more than 0.01 V below.
    readings = LeakageReadings(
        drive=exact(10.0),
        far=MeterReading.within(10 * 10 / 12, 0.01),
        resistor=resistor(2e6, TIGHT),
        meter=EXACT_METER,
        role=LeakRole.AVC_FILTER,
        grid_current=NO_GRID_CURRENT,
    )
    found = estimate_leakage(readings)
    # Conductance that takes 0.95 x 0.01 V off: a share of 0.0095 / 8.3333 of 1/2 M + 1/10 M.
    leak = 1.0 / (0.0095 / (8.3333 - 0.0095) * (1 / 2e6 + 1 / 10e6))
    assert found.avc_lost.value is None
    assert found.avc_lost.at_most == pytest.approx(2e6 / (2e6 + leak), rel=0.02)
    assert "not excluded" in found.reasons["avc_lost"]
    assert found.finding.state is FindingState.WITHIN_TOLERANCE


def test_only_an_avc_filter_takes_from_the_avc():
    for found in (ordinary(100.0, 0.5), exactly(105.0, ohm=None, lifted_end=0.35, role=LeakRole.AVC_FILTER)):
        assert found.avc_lost.value is None
        assert found.avc_lost.at_most is None
        assert found.reasons["avc_lost"]
        assert not any("AVC lost" in line for line in leakage_lines(found))


def test_the_round_figures_that_set_the_default_limits():
    # Common practice, no source: 100 V and 20 mV across 470 k beside 10 M is 2.2 G and sound; half a volt is not.
    # (470 k || 10 M) (100 - 0.02)/0.02 = 448.9 k x 4999 = 2.244 G
    assert exactly(100.0, 0.02).leakage_resistance.value == pytest.approx(2.244e9, rel=1e-3)
    sound = ordinary(100.0, 0.02)
    assert sound.finding.state is FindingState.WITHIN_TOLERANCE
    low, high = sound.leakage_resistance.interval95
    assert low < 2.2e9 < high
    assert ordinary(100.0, 0.5).finding.state is FindingState.LEAKY
    assert ordinary(100.0, 0.5).finding.probability > 0.99


def test_the_drive_node_is_corrected_for_the_meter_where_its_source_is_known():
    # By hand, all nodes: HT 200 V, 220 k, leak 10 M, 470 k; the meter first on the one node, then on the other.
    meter, load, leak, grid = 1 / 10e6, 1 / 220e3, 1 / 10e6, 1 / 470e3

    def nodes(at_drive, at_far):
        matrix = np.array([[load + leak + at_drive, -leak], [-leak, leak + grid + at_far]])
        return np.linalg.solve(matrix, [200 * load, 0.0])

    drive, far = nodes(meter, 0.0)[0], nodes(0.0, meter)[1]
    kept = exactly(float(drive), float(far), drive_source=resistor(220e3, TIGHT))
    assert kept.leakage_resistance.value == pytest.approx(10e6, rel=1e-5)
    assert kept.far_voltage_without_meter.value == pytest.approx(nodes(0.0, 0.0)[1], rel=1e-5)
    # Without it the drive node is believed 2 % too low.
    assert exactly(float(drive), float(far)).leakage_resistance.value < 0.985 * 10e6


def test_a_grid_held_by_a_fixed_bias_is_judged_by_its_change():
    # The bias comes through the grid leak: as a current of -7 V / 470 k into the node. Leak 50 M at 250 V.
    grid, meter, leak = 1 / 470e3, 1 / 10e6, 1 / 50e6
    with_it = (250 * leak - 7 * grid) / (leak + grid + meter)
    without = -7 * grid / (grid + meter)
    found = exactly(250.0, with_it, far_capacitor_lifted=without, bias_v=-7.0)
    assert found.leakage_resistance.value == pytest.approx(50e6, rel=1e-4)
    assert found.bias_shift.value == pytest.approx((250 * leak - 7 * grid) / (leak + grid) + 7, rel=1e-4)


@needs_ngspice
@pytest.mark.parametrize(("leak", "grid_a"), [(3e6, 0.0), (220e6, 0.0), (220e6, 1e-6)])
def test_readings_of_ngspice_give_its_leak_and_its_node_without_the_meter(leak, grid_a, tmp_path):
    def op(node, meter_at, *, lifted=False):
        deck = [
            "* coupling stage",
            "VHT ht 0 210",
            "R9 ht anode 220e3",
            f"RLEAK anode {'loose' if lifted else 'grid'} {leak}",
            "RHOLD loose 0 1e15",
            "R12 grid 0 470e3",
            f"IG 0 grid {grid_a}",
            *([] if meter_at is None else [f"RM {meter_at} 0 10e6"]),
            ".options gmin=1e-20 reltol=1e-10",
            ".control",
            "set numdgt=12",
            "op",
            f"wrdata out.txt v({node})",
            "quit 0",
            ".endc",
            ".end",
        ]
        (tmp_path / "deck.cir").write_text("\n".join(deck) + "\n")
        subprocess.run(
            ["ngspice", "-b", "deck.cir"], cwd=tmp_path, check=True, capture_output=True, timeout=30
        )
        return float(np.loadtxt(tmp_path / "out.txt").ravel()[-1])

    more = {} if grid_a == 0 else {"far_capacitor_lifted": op("grid", "grid", lifted=True)}
    found = exactly(op("anode", "anode"), op("grid", "grid"), drive_source=resistor(220e3, TIGHT), **more)
    assert found.leakage_resistance.value == pytest.approx(leak, rel=1e-3)
    assert found.far_voltage_without_meter.value == pytest.approx(op("grid", None), rel=1e-4)
    if grid_a:
        assert found.grid_current.value == pytest.approx(grid_a, rel=1e-4)
    loose = exactly(
        op("anode", "anode", lifted=True),
        ohm=None,
        lifted_end=op("loose", "loose", lifted=True),
        drive_source=resistor(220e3, TIGHT),
    )
    assert loose.leakage_resistance.value == pytest.approx(leak, rel=1e-3)


# Uncertainty.


def test_the_posterior_under_grid_current_is_that_of_the_integral():
    # All exact but a half-normal current of 20 nA: 100 V on 470 k beside no meter, 0.047 V, so 100 nA in all.
    # Flat in ln R: p(x) ~ exp(-(100 nA - E/R)^2 / 2 s^2) for E/R up to 100 nA. Integrated here by summing.
    readings = LeakageReadings(
        drive=exact(100.0),
        far=exact(0.047),
        resistor=resistor(470e3, TIGHT),
        meter=NO_METER,
        grid_current=GridCurrent(share=1.0, scale_a=20e-9),
    )
    # Lowest R: all of the current is leak, R = 100 nA into 100 V - 0.047 V.
    x = np.linspace(math.log((100 - 0.047) / 100e-9), math.log(1e14), 2_000_001)
    density = np.exp(-0.5 * ((100e-9 - (100 - 0.047) / np.exp(x)) / 20e-9) ** 2)
    mass = np.cumsum(density)
    shares = (0.05, 0.5, 0.9)
    expected = np.exp(x[np.searchsorted(mass, np.array(shares) * mass[-1])])
    assert leak_posterior(readings).quantiles_ohm(shares) == pytest.approx(expected, rel=0.01)


def test_the_tolerance_of_the_grid_leak_goes_into_the_interval():
    # sigma = t/sqrt(3) of the resistor; alone it is that of R: 95 % is a factor exp(1.96 x 0.1/sqrt(3)).
    readings = LeakageReadings(
        drive=exact(100.0),
        far=exact(1.0),
        resistor=resistor(470e3),
        meter=NO_METER,
        grid_current=NO_GRID_CURRENT,
    )
    found = estimate_leakage(readings).leakage_resistance
    half = 1.96 * 0.1 / math.sqrt(3)
    middle = 470e3 * 99
    assert found.interval95[0] == pytest.approx(middle * math.exp(-half), rel=0.003)
    assert found.interval95[1] == pytest.approx(middle * math.exp(half), rel=0.003)
    assert found.standard_uncertainty == pytest.approx(middle * 0.1 / math.sqrt(3), rel=0.02)
    read = replace(
        readings, resistor=KnownResistor(ohm=1.0, measured=Measured(value=482e3, half_width=482.0))
    )
    assert estimate_leakage(read).leakage_resistance.value == pytest.approx(482e3 * 99, rel=1e-3)


def test_the_probability_of_a_limit_is_the_share_of_the_reading_inside_it():
    # JCGM 106: a rectangular quantity 10 mV wide around 50 mV, limit 52.5 mV: three quarters lie inside.
    limits = parse_limits(
        'format = 1\ntitle = "t"\n[[limit]]\nrole = "coupling"\nmeasure = "grid rise"\n'
        'sound_below = "52.5mV"\nleaky_above = "52.5mV"\nsource = "test"\n',
        where="test",
    )
    readings = LeakageReadings(
        drive=exact(100.0),
        far=MeterReading.within(0.05, 0.005),
        resistor=resistor(470e3, TIGHT),
        meter=NO_METER,
        grid_current=NO_GRID_CURRENT,
    )
    finding = estimate_leakage(readings, limits).finding
    assert finding.state is FindingState.UNDECIDED
    assert finding.probabilities[FindingState.WITHIN_TOLERANCE] == pytest.approx(0.75, abs=0.01)
    assert finding.probabilities[FindingState.LEAKY] == pytest.approx(0.25, abs=0.01)


def test_a_reading_of_nothing_is_a_bound_and_no_value():
    # 0.0 mV with limits of 0.35 mV: at most so much across 448.9 k; flat in volts the bound is at 95 % of that.
    readings = LeakageReadings(
        drive=exact(100.0),
        far=MeterReading.within(0.0, 0.35e-3),
        resistor=resistor(470e3, TIGHT),
        meter=EXACT_METER,
        grid_current=NO_GRID_CURRENT,
    )
    found = estimate_leakage(readings)
    below = 1 / (1 / 470e3 + 1 / 10e6)
    assert found.leakage_resistance.value is None
    assert found.leakage_resistance.at_least == pytest.approx(below * 100 / (0.95 * 0.35e-3), rel=0.01)
    assert found.leakage_current.at_most == pytest.approx(0.95 * 0.35e-3 / below, rel=0.01)
    assert found.finding.state is FindingState.WITHIN_TOLERANCE


def test_grid_current_that_is_not_told_apart_widens_the_interval_and_is_named():
    told = ordinary(100.0, 0.02, grid_current=NO_GRID_CURRENT)
    carried = ordinary(100.0, 0.02)
    assert carried.leakage_resistance.interval95[1] > 1.1 * told.leakage_resistance.interval95[1]
    leaky = ordinary(100.0, 0.5)
    assert "far end lifted" in leaky.cannot_tell
    assert "valve out" in leaky.cannot_tell
    assert ordinary(100.0, 0.5, grid_current=NO_GRID_CURRENT).cannot_tell is None
    assert ordinary(100.0, 0.5, far_capacitor_lifted=0.01).cannot_tell is None


def test_a_gassy_valve_is_not_blamed_on_the_capacitor():
    # 0.62 V in place, but the loose end shows a leak of 3 G: the valve drives the rest, 1.35 uA.
    found = ordinary(105.0, 0.62, lifted_end=0.35, bias_v=-7.0)
    assert found.finding.state is FindingState.WITHIN_TOLERANCE
    assert found.grid_current.value == pytest.approx(1.35e-6, rel=0.02)
    assert found.leakage_resistance.value == pytest.approx(2.99e9, rel=0.01)


def test_between_the_limits_is_undecided_and_watched():
    found = ordinary(105.0, 0.62, far_capacitor_lifted=0.40, bias_v=-7.0)
    assert found.bias_share.value == pytest.approx(0.033, abs=0.001)
    assert found.finding.state is FindingState.UNDECIDED
    assert found.finding.action.startswith("Watch C7")


def test_a_shorted_capacitor_is_shorted():
    found = ordinary(105.0, 104.9)
    assert found.finding.state is FindingState.SHORTED
    assert found.leakage_resistance.value is None
    assert found.leakage_resistance.at_most < 4700


def test_a_screen_bypass_is_judged_by_its_feed_resistor():
    # 1 M beside 100 k of feed: ten times, below twenty. Lifted cold end: V = 200 x 10 M/(10 M + 1 M).
    def found(leak):
        return ordinary(
            200.0,
            lifted_end=200.0 * 10e6 / (10e6 + leak),
            role=LeakRole.SCREEN_BYPASS,
            resistor=resistor(100e3),
        )

    assert found(1e6).finding.state is FindingState.LEAKY
    assert found(30e6).finding.state is FindingState.WITHIN_TOLERANCE
    assert found(30e6).leakage_resistance.value == pytest.approx(30e6, rel=0.01)
    assert "not read with the capacitor in place" in found(1e6).reasons["far_voltage_without_meter"]


def test_a_screen_read_with_and_without_its_bypass_shows_the_leak_beside_the_screen_current():
    feed, leak, screen_a, meter = 1 / 100e3, 1 / 500e3, 1e-3, 1 / 10e6
    with_it = (250 * feed - screen_a) / (feed + leak + meter)
    without = (250 * feed - screen_a) / (feed + meter)
    found = exactly(250.0, with_it, 100e3, role=LeakRole.SCREEN_BYPASS, far_capacitor_lifted=without)
    assert found.leakage_resistance.value == pytest.approx(500e3, rel=1e-4)
    assert found.grid_current.value == pytest.approx(-screen_a, rel=1e-3)


def test_intervals_hold_the_leak_of_drawn_stages():
    outcomes = [one_case(Case(seed=seed, uniform=False)) for seed in range(150)]
    stated = [each for each in outcomes if each.inside is not None]
    # 95 % of about 148: fewer than 132 or more than 147 would come up once in a thousand such draws.
    assert len(stated) > 135
    assert 0.89 * len(stated) < sum(each.inside for each in stated) < len(stated)


# What is said.


def test_the_document_has_null_with_a_reason_where_only_a_bound_is_known():
    bound = leakage_document(ordinary(100.0, 0.0005))
    resistance = bound["leakage_resistance"]
    assert resistance["value"] is None
    assert resistance["standard_uncertainty"] is None
    assert resistance["interval95"] is None
    assert resistance["at_least"] > 1e10
    assert "not excluded" in resistance["reason"]
    assert resistance["unit"] == "ohm"
    stated = leakage_document(ordinary(105.0, 0.62, bias_v=-7.0))
    assert set(stated["leakage_resistance"]) == {"value", "standard_uncertainty", "interval95", "unit"}
    assert stated["leakage_current"]["unit"] == "A"
    assert stated["far_voltage_without_meter"]["unit"] == "V"
    assert stated["finding"]["state"] == "leaky"
    assert stated["grid_current"]["value"] is None
    assert "second reading" in stated["grid_current"]["reason"]
    assert stated["format"] == 1
    for document in (bound, stated):
        json.dumps(document, allow_nan=False)


def test_the_lines_lead_with_the_finding_and_say_what_is_not_known():
    lines = leakage_lines(ordinary(105.0, 0.62, bias_v=-7.0))
    assert lines[0] == "C7: LEAKY (more than 99.9 % sure)"
    text = "\n".join(lines)
    for words in ("75.7 ± 8.2 MΩ", "-7.00 V becomes -6.35 V", "Cannot tell:", "Not tested:", "no source"):
        assert words in text


def test_a_bias_without_its_sign_is_taken_as_negative_and_that_is_said():
    turned, written = ordinary(118.0, 0.42, bias_v=7.0), ordinary(118.0, 0.42, bias_v=-7.0)
    assert turned.bias_v == written.bias_v == -7.0
    assert turned.bias_share.value == written.bias_share.value
    (said,) = (note for note in turned.notes if "bias" in note)
    assert said.startswith("The bias was given as 7.00 V and taken as -7.00 V")
    assert any(said in line for line in leakage_lines(turned))
    assert said in leakage_document(turned)["notes"]
    assert not any("bias was given" in note for note in written.notes)


def test_a_negative_drive_node_leaves_the_bias_as_it_was_given():
    found = ordinary(-118.0, -0.42, bias_v=-7.0)
    assert found.bias_v == -7.0
    assert any("reads negative" in note for note in found.notes)
    lines = leakage_lines(found)
    assert any("shifted by 6.3 %" in line for line in lines)
    assert not any("becomes" in line for line in lines)


def test_a_grid_leak_with_a_slipped_prefix_is_pointed_out():
    assert any("470 Ω is unusual" in note for note in ordinary(118.0, 0.42, resistor=resistor(470.0)).notes)
    assert not any("unusual" in note for note in ordinary(118.0, 0.42).notes)


def test_a_valve_that_draws_is_not_said_to_add_and_one_that_may_do_either_is_bounded():
    feed, leak, screen_a, meter = 1 / 100e3, 1 / 500e3, 1e-3, 1 / 10e6
    with_it = (250 * feed - screen_a) / (feed + leak + meter)
    without = (250 * feed - screen_a) / (feed + meter)
    screen = exactly(250.0, with_it, 100e3, role=LeakRole.SCREEN_BYPASS, far_capacitor_lifted=without)
    assert any("it draws 1.00" in line for line in leakage_lines(screen))
    grid = exactly(105.0, 0.62, far_capacitor_lifted=0.40)
    assert any("it adds 891" in line for line in leakage_lines(grid))
    quiet = leakage_lines(ordinary(105.0, 0.62, far_capacitor_lifted=0.0))
    assert any("the leak's: the valve adds or draws at most" in line for line in quiet)


def test_a_low_drive_voltage_is_pointed_out():
    assert any("working volts" in note for note in ordinary(12.0, 0.0).notes)
    assert not ordinary(105.0, 0.62).notes


def test_a_few_volts_never_clear_a_coupling_capacitor():
    cold, warm = ordinary(9.0, 0.0001).finding, ordinary(105.0, 0.0001).finding
    assert cold.state is FindingState.WITHIN_TOLERANCE
    assert cold.not_tested[0] == "leakage at working voltage"
    assert "does not clear it" in cold.action
    assert "Leave" not in cold.action
    assert "Leave C7 in" in warm.action
    assert "leakage at working voltage" not in warm.not_tested


def test_the_meters_load_on_a_drive_node_never_takes_off_more_than_all():
    # 220 k behind the drive node and a meter of 10 k: 220 / (220 + 10) = 95.7 % low.
    found = estimate_leakage(
        LeakageReadings(
            drive=METER.reading(118.0),
            far=METER.reading(0.4200),
            resistor=resistor(470e3),
            meter=replace(METER, resistance_ohm=10e3),
            part="C7",
        )
    )
    assert any("95.7 % low" in note for note in found.notes)


def test_the_uncorrected_figure_knows_no_meter():
    assert ordinary(200.0, 0.2).uncorrected_ohm == pytest.approx(469.53e6, rel=1e-5)


# What cannot be.


@pytest.mark.parametrize(
    ("drive", "far", "more", "says"),
    [
        (105.0, 107.0, {}, "more than the drive node"),
        (105.0, -0.9, {}, "negative leak"),
        (-105.0, 0.9, {}, "negative leak"),
        (105.0, 0.40, {"far_capacitor_lifted": 0.62}, "negative leak"),
        (105.0, None, {"lifted_end": -0.3}, "negative leak"),
        (105.0, None, {"lifted_end": 110.0}, "more than the drive node"),
        (0.0, 0.0, {}, "no more than the meter's own limits"),
        (105.0, None, {}, "No reading"),
        (105.0, None, {"far_capacitor_lifted": 0.4}, "No reading"),
        (105.0, 0.62, {"resistor": None}, "resistor at the far node is missing"),
        (105.0, 0.62, {"bias_v": 0.0}, "bias of 0 V"),
        (250.0, 90.0, {"role": LeakRole.SCREEN_BYPASS}, "valve's own current"),
    ],
)
def test_readings_that_no_leak_explains_are_refused(drive, far, more, says):
    with pytest.raises(LeakageError, match=says) as refused:
        ordinary(drive, far, **more)
    assert all(refused.value.args)


def test_a_negative_reading_says_grid_current_or_reversed_leads():
    with pytest.raises(LeakageError) as refused:
        ordinary(105.0, -0.9)
    assert "grid current" in refused.value.why
    assert "reversed leads" in refused.value.why


def test_a_hair_below_zero_is_a_bound_with_a_note():
    found = ordinary(105.0, -0.0002)
    assert found.leakage_resistance.at_least > 1e10
    assert any("negative leak" in note for note in found.notes)


def test_readings_that_contradict_each_other_are_refused():
    with pytest.raises(LeakageError, match="contradict"):
        exactly(105.0, 0.62, far_capacitor_lifted=0.0001, lifted_end=0.35)


@pytest.mark.parametrize("ohm", [0.0, -470e3, math.nan, math.inf])
def test_a_grid_leak_that_is_none_is_refused(ohm):
    with pytest.raises(LeakageError, match="not possible"):
        resistor(ohm)


@pytest.mark.parametrize("volts", [math.nan, math.inf, 9.9e37])
def test_an_overload_is_no_reading(volts):
    if volts < math.inf:
        with pytest.raises(LeakageError, match="more than the drive node"):
            ordinary(105.0, volts)
    else:
        with pytest.raises(LeakageError, match="reading"):
            METER.reading(volts)


def test_meters_and_currents_that_cannot_be_are_refused():
    for wrong in ({"resistance_ohm": 0.0}, {"relative": 1.0}, {"counts": -1.0}, {"tolerance": 1.0}):
        with pytest.raises(LeakageError, match="not possible"):
            Meter(**wrong)
    with pytest.raises(LeakageError, match="not possible"):
        GridCurrent(share=1.2)
    with pytest.raises(LeakageError, match="not possible"):
        MeterReading.within(1.0, 0.0)


def test_a_bias_beside_a_bypass_is_refused():
    with pytest.raises(LeakageError, match="an AVC filter"):
        ordinary(10.0, 8.0, role=LeakRole.AVC_FILTER, bias_v=-3.0)
    with pytest.raises(LeakageError, match="an anode bypass"):
        ordinary(200.0, 100.0, role=LeakRole.ANODE_BYPASS)


def test_roles_are_words_of_the_trade_and_the_mains_is_refused():
    assert leak_role("Coupling") is LeakRole.COUPLING
    assert leak_role("bypass") is LeakRole.ANODE_BYPASS
    with pytest.raises(LeakageError, match="no role 'ballast'"):
        leak_role("ballast")
    for word in ("line", "line filter", "mains suppressor"):
        with pytest.raises(LeakageError, match="mains") as refused:
            leak_role(word)
        assert "safety-certified" in refused.value.do
