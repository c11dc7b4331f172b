"""Reading role, nodes and resistors of a DC check off a stage."""

import pytest

from twonode.analysis.leak_setting import leak_setting
from twonode.analysis.leakage_readings import LeakageError, LeakRole, leak_role
from twonode.analysis.stage import parse_stage, shipped_stage


def setting_of(name, part, **changes):
    stage = shipped_stage(name)
    return leak_setting(stage, stage.part(part), **changes)


def test_a_coupling_capacitor_between_anode_and_grid():
    found = setting_of("wrenfield-46-driver-output", "C7")
    assert (found.role, found.drive_node, found.far_node) == (
        LeakRole.COUPLING,
        "driver anode",
        "output grid",
    )
    assert found.resistor.ohm == 470e3
    assert found.drive_source.ohm == 220e3
    assert not found.to_supply


def test_an_avc_filter_is_fed_through_its_resistor():
    found = setting_of("avc-filter", "C2")
    assert (found.role, found.drive_node, found.far_node) == (
        LeakRole.AVC_FILTER,
        "detector output",
        "AVC line",
    )
    assert found.resistor.ohm == 2.2e6
    assert found.drive_source.ohm == 470e3
    # Read alone, the line it hangs on is fed through that resistor as well.
    assert found.far_source is found.resistor


@pytest.mark.parametrize(("stage", "part"), [("cathode-bypass", "C1"), ("screen-bypass", "C1")])
def test_where_a_divider_or_a_cathode_resistor_is_around_only_the_lifted_part_tells(stage, part):
    found = setting_of(stage, part)
    assert found.resistor is None
    assert found.drive_node == found.far_node


def test_a_bypass_node_is_fed_through_everything_that_is_held():
    # 47 k to the rail beside 33 k to ground.
    assert setting_of("screen-bypass", "C1").far_source.ohm == pytest.approx(47e3 * 33e3 / 80e3)


def test_resistors_side_by_side_are_one():
    stage = parse_stage(
        'title = "t"\ndrive = "a"\nfar = "g"\n'
        '[[part]]\nname = "C1"\nkind = "capacitor"\nbetween = ["a", "g"]\nvalue = "22n"\nrole = "coupling"\n'
        '[[part]]\nname = "R1"\nkind = "resistor"\nbetween = ["g", "ground"]\nvalue = "1M"\ntolerance = "10%"\n'
        '[[part]]\nname = "R2"\nkind = "resistor"\nbetween = ["g", "bias"]\nvalue = "1M"\ntolerance = "10%"\n'
        '[[part]]\nname = "R3"\nkind = "resistor"\nbetween = ["a", "ground"]\nvalue = "220k"\n'
        '[[part]]\nname = "B"\nkind = "supply"\nbetween = ["bias", "ground"]\nvalue = "-20V"\n'
    )
    found = leak_setting(stage, stage.part("C1"))
    # Two equal resistors: half the ohms, and 10 % / sqrt(2) as their limits are not of one mind.
    assert found.resistor.ohm == pytest.approx(500e3)
    assert found.resistor.tolerance.plus == pytest.approx(0.1 / 2**0.5)
    assert found.to_supply


def test_what_does_not_fit_its_role_is_refused():
    with pytest.raises(LeakageError, match="R12 is a resistor"):
        setting_of("wrenfield-46-driver-output", "R12")
    with pytest.raises(LeakageError, match="to ground"):
        setting_of("wrenfield-46-driver-output", "C6", role=leak_role("coupling"))
    with pytest.raises(LeakageError, match="between two nodes"):
        setting_of("wrenfield-46-driver-output", "C7", role=leak_role("filter"))
    stage = parse_stage(
        'title = "t"\ndrive = "a"\nfar = "g"\n'
        '[[part]]\nname = "C1"\nkind = "capacitor"\nbetween = ["a", "g"]\nvalue = "22n"\n'
        '[[part]]\nname = "R1"\nkind = "resistor"\nbetween = ["g", "ground"]\nvalue = "1M"\n'
        '[[part]]\nname = "R3"\nkind = "resistor"\nbetween = ["a", "ground"]\nvalue = "220k"\n'
    )
    with pytest.raises(LeakageError, match="what C1 is for"):
        leak_setting(stage, stage.part("C1"))
