"""DC readings against closed forms of the trade, and their slopes against differences."""

from dataclasses import replace
from math import log

import numpy as np
import pytest

from twonode.analysis.dc_reading import DcReading, DcReadingError
from twonode.analysis.model import Aspect, Free, Model
from twonode.analysis.quantities import Tolerance
from twonode.analysis.stage import GROUND, Part, PartKind, Stage, shipped_stage

LEAK_OHM = 90e6


def part(name, kind, first, second, value, **more):
    return Part(name=name, kind=kind, between=(first, second), value=value, **more)


def coupling(volts=250.0, grid_ohm=1e6):
    """The source feeds the drive node through next to nothing, so that it holds its volts."""
    tight = Tolerance(minus=1e-4, plus=1e-4)
    return Stage(
        title="coupling",
        drive="anode",
        far="grid",
        parts=(
            part("HT", PartKind.SUPPLY, "ht", GROUND, volts, tolerance=tight),
            part("R9", PartKind.RESISTOR, "ht", "anode", 1.0, tolerance=tight),
            part("C7", PartKind.CAPACITOR, "anode", "grid", 22e-9, asked=True),
            part("R12", PartKind.RESISTOR, "grid", GROUND, grid_ohm, tolerance=tight),
        ),
    )


def model(reading):
    leak = Free(part="C7", aspect=Aspect.LEAK, mean=log(LEAK_OHM), sigma=2.0)
    return Model([], [leak], [reading])


def residual(reading, leak_ohm):
    built = model(reading)
    theta = built.mean.copy()
    theta[0] = log(leak_ohm)
    return built.evaluate(theta).residual[0]


@pytest.mark.parametrize(
    ("source", "grid", "grid_ohm", "meter", "leak"),
    [
        # references section 6: R = Rg (Va - Vg)/Vg; with a 10 Mohm meter on the grid Rg is what both make together.
        (200.0, 0.2, 470e3, None, 469.53e6),
        (200.0, 0.2, 470e3, 10e6, 448.453e6),
        (250.0, 2.5, 1e6, 10e6, 90.0e6),
    ],
)
def test_the_reading_of_a_known_leak_is_that_of_the_textbook_divider(source, grid, grid_ohm, meter, leak):
    reading = DcReading(
        stage=coupling(source, grid_ohm), node="grid", volts=grid, sigma_v=1e-3 * grid, meter_ohm=meter
    )
    assert abs(residual(reading, leak)) < 0.02
    assert abs(residual(reading, 1.05 * leak)) > 40


def test_slopes_are_those_of_differences():
    stage = shipped_stage("wrenfield-46-driver-output")
    reading = DcReading(stage=stage, node="output grid", volts=0.8, sigma_v=0.01)
    built = model(reading)
    rng = np.random.default_rng(1)
    theta = built.mean + 0.1 * rng.standard_normal(built.mean.size)
    exact = built.evaluate(theta).jacobian[0]
    for k in range(theta.size):
        up, down = theta.copy(), theta.copy()
        up[k] += 1e-5
        down[k] -= 1e-5
        numeric = (built.evaluate(up).residual[0] - built.evaluate(down).residual[0]) / 2e-5
        assert exact[k] == pytest.approx(numeric, rel=1e-6, abs=1e-6 * np.abs(exact).max())


def test_a_negative_rail_turns_the_sign():
    positive = DcReading(stage=coupling(250.0), node="grid", volts=1.0, sigma_v=1.0, meter_ohm=None)
    negative = DcReading(stage=coupling(-250.0), node="grid", volts=-1.0, sigma_v=1.0, meter_ohm=None)
    assert residual(negative, 50e6) == pytest.approx(-residual(positive, 50e6))


def test_what_cannot_be_expected_is_refused():
    stage = coupling()
    bare = replace(
        stage, parts=tuple(p for p in stage.parts if p.kind is not PartKind.SUPPLY and p.name != "R9")
    )
    with pytest.raises(DcReadingError, match="no supply"):
        DcReading(stage=bare, node="grid", volts=1.0, sigma_v=0.1)
    with pytest.raises(DcReadingError, match="no node"):
        DcReading(stage=stage, node="screen", volts=1.0, sigma_v=0.1)
    with pytest.raises(DcReadingError, match="supply itself"):
        model(DcReading(stage=stage, node="ht", volts=250.0, sigma_v=1.0))
