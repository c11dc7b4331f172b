"""Division of currents, levels, corners and DC against closed forms, ngspice and the handbook."""

import math

import numpy as np
import pytest
from network_stages import FIVE_STAGES
from spice import needs_ngspice
from spice_paths import run_dc, run_paths

from twonode.analysis.corners import Side
from twonode.analysis.dc_division import DcError, dc_share, dc_volts, has_supply
from twonode.analysis.paths import PathsError, decibels, signal_paths, stage_corners
from twonode.analysis.stage import GROUND, Part, PartKind, Stage, shipped_stage, shipped_stage_names

SHIPPED = shipped_stage_names()


def part(name, kind, first, second, value, **more):
    return Part(name=name, kind=PartKind(kind), between=(first, second), value=value, **more)


def circuit(*parts, drive="drive", far="far"):
    return Stage(title="test", drive=drive, far=far, parts=parts)


def coupling(farad, grid_ohm, *more):
    return circuit(
        part("C", "capacitor", "drive", "far", farad), part("R", "resistor", "far", GROUND, grid_ohm), *more
    )


def shares_at(branches):
    return {branch.part: branch.share for branch in branches}


def test_resistors_in_parallel_share_as_their_conductances():
    stage = circuit(
        part("R1", "resistor", "drive", "far", 1e3),
        part("R2", "resistor", "drive", GROUND, 2e3),
        part("R3", "resistor", "far", GROUND, 3e3),
    )
    paths = signal_paths(stage, [50.0, 1e6])
    # 4 kohm beside 2 kohm: a third and two thirds.
    assert shares_at(paths.leaving("drive"))["R1"] == pytest.approx([1 / 3, 1 / 3], rel=1e-12)
    assert shares_at(paths.ground)["R2"] == pytest.approx([2 / 3, 2 / 3], rel=1e-12)
    assert paths.arriving == pytest.approx([0.75e-3, 0.75e-3], rel=1e-12)


@pytest.mark.parametrize("r", [0.1, 0.5, 1.0, 2.0, 10.0])
def test_capacitor_beside_resistor_shares_as_r_to_one(r):
    # Textbook current divider: |i_C| : |i_R| = wRC : 1, the two a quarter turn apart.
    ohm, farad = 100e3, 250e-12
    stage = circuit(
        part("R", "resistor", "drive", GROUND, ohm),
        part("C", "capacitor", "drive", GROUND, farad),
        part("W", "resistor", "drive", "far", 1e12),
        part("F", "resistor", "far", GROUND, 1e12),
    )
    paths = signal_paths(stage, [r / (2 * math.pi * ohm * farad)])
    by_name = {branch.part: branch for branch in paths.leaving("drive")}
    assert by_name["C"].share[0] == pytest.approx(r / (1 + r), abs=1e-7)
    assert by_name["R"].share[0] == pytest.approx(1 / (1 + r), abs=1e-7)
    turn = np.angle(by_name["C"].current[0] / by_name["R"].current[0], deg=True)
    assert turn == pytest.approx(90.0, abs=1e-9)
    assert abs(paths.arriving[0]) * ohm == pytest.approx(math.hypot(1, r), abs=1e-6)


@pytest.mark.parametrize(
    "stage", [*FIVE_STAGES, *map(shipped_stage, SHIPPED)], ids=lambda stage: stage.title[:24]
)
def test_at_every_node_what_arrives_leaves(stage):
    # Kirchhoff's current law, for the phasors; the shares of what leaves a node make a whole. 1e-6: at 1 Hz the coil
    # of the ladder is 16 mohm between megohms.
    paths = signal_paths(stage, np.geomspace(1.0, 1e6, 13))
    for node in paths.nodes[1:]:
        arriving = sum(b.current for b in paths.branches if b.end == node)
        leaving = sum(b.current for b in paths.leaving(node))
        biggest = max(np.abs(b.current).max() for b in paths.branches if node in (b.start, b.end))
        assert np.abs(arriving - leaving).max() <= 1e-6 * biggest
    for node in paths.nodes:
        if paths.leaving(node):
            assert sum(b.share for b in paths.leaving(node)) == pytest.approx(1.0, abs=1e-12)
    assert sum(b.share for b in paths.ground) == pytest.approx(1.0, abs=1e-12)
    assert sum(b.current for b in paths.ground) == pytest.approx(paths.arriving, rel=1e-6)


def test_current_is_counted_away_from_the_drive_node_however_the_part_is_written():
    forward = coupling(22e-9, 470e3)
    backward = circuit(
        part("C", "capacitor", "far", "drive", 22e-9), part("R", "resistor", GROUND, "far", 470e3)
    )
    one, other = (signal_paths(stage, [16.0]) for stage in (forward, backward))
    assert [(b.start, b.end) for b in one.branches] == [("drive", "far"), ("far", GROUND)]
    assert [(b.start, b.end) for b in other.branches] == [("drive", "far"), ("far", GROUND)]
    assert other.branches[0].current == pytest.approx(one.branches[0].current, rel=1e-12)
    assert one.branches[0].current[0].real > 0


def test_a_node_that_nothing_leaves_has_shares_of_zero_not_of_nothing():
    stage = circuit(part("R", "resistor", "drive", GROUND, 1e3), part("C", "capacitor", "drive", "far", 1e-9))
    paths = signal_paths(stage, [1e3])
    assert shares_at(paths.leaving("drive"))["C"][0] == pytest.approx(0.0, abs=1e-12)
    assert shares_at(paths.ground) == {"R": pytest.approx([1.0])}


def test_the_way_to_ground_is_named_only_where_there_is_one():
    ways = {b.part: b.way for b in signal_paths(shipped_stage("coupling-with-bypass"), [1e3]).ground}
    assert ways == {"C2": ("C2",), "R1": ("R1",), "R2": ("C1", "R2"), "CS": ("C1", "R3", "CS")}
    tone = {b.part: b.way for b in signal_paths(shipped_stage("tone-network"), [1e3]).ground}
    assert tone["R3"] is None  # R1 or C2
    assert tone["C4"] == ("C4",)


@needs_ngspice
@pytest.mark.parametrize("name", SHIPPED)
@pytest.mark.parametrize("source_ohm", [None, 10e3])
def test_currents_and_levels_of_every_shipped_stage_agree_with_ngspice(name, source_ohm, tmp_path):
    stage = shipped_stage(name)
    theirs = run_paths(stage, tmp_path, source_ohm=source_ohm)
    ours = signal_paths(stage, theirs.frequency_hz, source_ohm=source_ohm)
    assert theirs.frequency_hz.size == 33
    assert {b.part for b in ours.branches} == set(theirs.currents)
    drive_v = 1.0 if ours.fed is None else ours.fed[0]
    for branch in ours.branches:
        sign = 1.0 if stage.part(branch.part).between[0] == branch.start else -1.0
        assert np.abs(sign * branch.current * drive_v / theirs.currents[branch.part] - 1).max() <= 1e-6
    for row, node in enumerate(ours.nodes):
        assert np.abs(ours.ratio[row] * drive_v / theirs.volts[node] - 1).max() <= 1e-6
    # The shares follow from ngspice's own currents.
    leaving = ours.leaving(stage.drive)
    whole = sum(np.abs(theirs.currents[b.part]) for b in leaving)
    for branch in leaving:
        assert branch.share == pytest.approx(np.abs(theirs.currents[branch.part]) / whole, rel=1e-6)


# references section 2, low-frequency loss of a coupling network: loss in dB at r = f/fc.
HANDBOOK = [(0.1, 6.5522), (0.5, 2.8628), (1, 1.9652), (2, 1.3076), (3, 1.00238), (6, 0.57918), (10, 1 / 3)]


@pytest.mark.parametrize(("loss_db", "r"), [*HANDBOOK, (20, 0.100504)])
def test_a_coupling_stage_loses_bass_as_the_handbook_says(loss_db, r):
    corner_hz = 15.3922  # 22 nF into 470 kohm, references section 2
    paths = signal_paths(coupling(22e-9, 470e3), [r * corner_hz])
    assert -decibels(paths.ratio[1])[0] == pytest.approx(loss_db, rel=2e-4)


# references section 2, corner frequencies.
@pytest.mark.parametrize(
    ("farad", "ohm", "hz"),
    [(10e-9, 470e3, 33.8628), (20e-9, 470e3, 16.9314), (100e-9, 1e6, 1.59155), (50e-9, 250e3, 12.7324)],
)
def test_the_corner_of_a_coupling_stage_is_found(farad, ohm, hz):
    (corner,) = stage_corners(coupling(farad, ohm))
    assert corner.side is Side.LOW
    assert corner.frequency_hz == pytest.approx(hz, rel=1e-5)


def test_for_the_gain_of_a_stage_load_and_anode_resistance_count_as_well():
    # references section 2: the handbooks' R is grid resistor plus (load parallel to anode resistance).
    load, anode, grid, farad = 100e3, 60e3, 470e3, 22e-9
    stage = coupling(farad, grid, part("RL", "resistor", "drive", GROUND, load))
    (corner,) = stage_corners(stage, source_ohm=anode)
    whole = grid + load * anode / (load + anode)
    assert corner.frequency_hz == pytest.approx(1 / (2 * math.pi * farad * whole), rel=1e-6)
    (of_the_ratio,) = stage_corners(stage)
    assert of_the_ratio.frequency_hz == pytest.approx(15.3922, rel=1e-5)


@pytest.mark.parametrize(("farad", "loss_db"), [(250e-12, 33.0), (40e-12, 17.0)])
def test_a_bypass_on_an_anode_of_60_k_holds_down_rf_as_the_trade_reckons(farad, loss_db):
    # trade section 3: 250 pF is -33 dB at 455 kHz, -3 dB at 10.6 kHz; with the bypass open 40 pF of strays are -17 dB.
    stage = coupling(100e-9, 1e9, part("CB", "capacitor", "drive", GROUND, farad))
    paths = signal_paths(stage, [455e3], source_ohm=60e3)
    assert -decibels(paths.fed[1])[0] == pytest.approx(loss_db, abs=0.5)
    upper = stage_corners(stage, source_ohm=60e3)[-1]
    assert upper.side is Side.HIGH
    assert upper.frequency_hz == pytest.approx(10.6e3 * 250e-12 / farad, rel=2e-3)


@pytest.mark.parametrize("grid_ohm", [470e3, 1e6])
def test_tens_of_nanofarads_pass_all_audio_into_a_grid_resistor_and_hundreds_of_picofarads_do_not(grid_ohm):
    # Common practice, no source.
    audio_hz = [50.0, 100.0, 1e3, 10e3]
    for farad in (22e-9, 47e-9, 100e-9):
        assert decibels(signal_paths(coupling(farad, grid_ohm), audio_hz).ratio[1]).min() > -1.0
    for farad in (220e-12, 330e-12):
        assert decibels(signal_paths(coupling(farad, grid_ohm), [100.0]).ratio[1])[0] < -10.0


def test_both_corners_of_a_series_resonance_follow_the_closed_form():
    # f2 - f1 = R/(2 pi L), f1 f2 = 1/((2 pi)^2 L C); Q = 10.
    henry, farad, ohm = 2.5e-3, 1e-9, 158.113883
    stage = circuit(
        part("L", "inductor", "drive", "middle", henry),
        part("C", "capacitor", "middle", "far", farad),
        part("R", "resistor", "far", GROUND, ohm),
    )
    low, high = stage_corners(stage)
    assert (low.side, high.side) == (Side.LOW, Side.HIGH)
    assert high.frequency_hz - low.frequency_hz == pytest.approx(ohm / (2 * math.pi * henry), rel=1e-5)
    product = 1 / ((2 * math.pi) ** 2 * henry * farad)
    assert high.frequency_hz * low.frequency_hz == pytest.approx(product, rel=1e-6)


def test_a_stage_without_a_corner_has_none():
    stage = circuit(part("R1", "resistor", "drive", "far", 1e3), part("R2", "resistor", "far", GROUND, 1e3))
    assert stage_corners(stage) == ()


@pytest.mark.parametrize("hz", [[], [0.0], [-5.0], [math.nan], [math.inf], [1e3, 2e9]])
def test_frequencies_that_mean_nothing_are_refused(hz):
    with pytest.raises(PathsError, match=r"1 mHz to 1 GHz"):
        signal_paths(coupling(22e-9, 470e3), hz)


@pytest.mark.parametrize("ohm", [0.0, -1.0, math.nan, math.inf])
def test_a_source_without_resistance_is_refused(ohm):
    with pytest.raises(PathsError, match="source resistance"):
        signal_paths(coupling(22e-9, 470e3), [1e3], source_ohm=ohm)


@needs_ngspice
@pytest.mark.parametrize("name", [name for name in SHIPPED if has_supply(shipped_stage(name))])
def test_dc_volts_of_every_fed_stage_agree_with_ngspice(name, tmp_path):
    stage = shipped_stage(name)
    theirs = run_dc(stage, tmp_path)
    ours = dc_volts(stage)
    assert list(ours) == list(stage.nodes)
    assert all(volts is not None for volts in ours.values())
    assert ours == pytest.approx(theirs, rel=1e-9, abs=1e-9)


def test_a_leak_lifts_the_grid_as_the_references_reckon():
    # references section 2, whole netlist: 200 V, leak 100 Mohm into 470 k parallel to 10 Mohm: 0.893791 V.
    stage = circuit(
        part("HT", "supply", "ht", GROUND, 200.0),
        part("R1", "resistor", "drive", "ht", 1e-3),
        part("C", "capacitor", "drive", "far", 22e-9, leak_ohm=100e6),
        part("R2", "resistor", "far", GROUND, 470e3),
        part("RM", "resistor", "far", GROUND, 10e6),
    )
    assert dc_volts(stage)["far"] == pytest.approx(0.893791, abs=1e-6)


def test_a_node_behind_capacitors_floats_instead_of_getting_a_number():
    stage = circuit(
        part("HT", "supply", "ht", GROUND, 200.0),
        part("R1", "resistor", "drive", "ht", 100e3),
        part("C1", "capacitor", "drive", "far", 22e-9),
        part("C2", "capacitor", "far", GROUND, 100e-12),
    )
    assert dc_volts(stage) == {"ht": 200.0, "drive": pytest.approx(200.0), "far": None}
    assert dc_share(stage) is None


def test_a_coil_is_a_wire_for_dc_and_may_not_short_a_supply():
    def fed(far_end):
        return circuit(
            part("HT", "supply", "ht", GROUND, -12.0),
            part("L", "inductor", "ht", far_end, 10.0),
            part("R1", "resistor", far_end, "far", 1e3),
            part("R2", "resistor", "far", GROUND, 3e3),
            part("R3", "resistor", "drive", "far", 3e3),
            part("R4", "resistor", "ht", "drive", 1e3),
        )

    assert dc_volts(fed("choke"))["far"] == pytest.approx(-12.0 * 3e3 / (3e3 + 800.0))  # 1 k parallel to 4 k
    with pytest.raises(DcError):
        dc_volts(fed(GROUND))


def test_a_leaky_avc_capacitor_loses_the_share_the_trade_reckons():
    # trade section 11, job 8: 0.05 uF on 2 Mohm leaks 12 Mohm: 14 % of the AVC is lost.
    stage = circuit(
        part("R", "resistor", "drive", "far", 2e6),
        part("C", "capacitor", "far", GROUND, 50e-9, leak_ohm=12e6),
    )
    assert 1.0 - dc_share(stage) == pytest.approx(0.14, abs=0.005)
