import pytest
from console_runs import run

from twonode.analysis.errors import QuantityError
from twonode.console.options import FAULT, NODE_VOLTS, PROBES, TAG, TOLERANCE, Quantity, fault_of


@pytest.mark.parametrize(
    ("unit", "text", "wanted"),
    [
        ("F", "22n", 22e-9),
        ("F", "0.022uF", 22e-9),
        ("ohm", "4k7", 4700.0),
        ("Hz", "20Hz", 20.0),
        ("V", "300mV", 0.3),
    ],
)
def test_values_are_written_as_on_a_schematic(unit, text, wanted):
    assert Quantity(unit).convert(text, None, None) == pytest.approx(wanted)


def test_other_options_take_their_own_forms():
    assert TOLERANCE.convert("-20/+100%", None, None).plus == 1.0
    assert NODE_VOLTS.convert("0.3,100mV", None, None) == (0.3, 0.1)
    assert PROBES.convert("10,1", None, None) == (10.0, 1.0)
    assert PROBES.convert("10x,1x", None, None) == (10.0, 1.0)
    assert TAG.convert("set=wrenfield 46", None, None) == ("set", "wrenfield 46")
    assert FAULT.convert("C7=leaky:2M", None, None) == ("C7", "leaky", "2M")
    assert FAULT.convert("C7=open", None, None) == ("C7", "open", None)


def test_a_fault_takes_the_unit_that_it_needs():
    assert fault_of("leaky", "2M", "F").amount == 2e6
    assert fault_of("off", "15n", "F").amount == pytest.approx(15e-9)
    assert fault_of("off", "330k", "ohm").amount == 330e3
    with pytest.raises(QuantityError):
        fault_of("leaky", "2n", "F")


@pytest.mark.parametrize(
    ("option", "text"),
    [
        ("--expect", "22"),
        ("--expect", "22x"),
        ("--tolerance", "10"),
        ("--resistor", "4q7"),
        ("--from", "20V"),
        ("--level", "two"),
        ("--node-volts", "0.3"),
        ("--node-volts", "a,b"),
        ("--probes", "10"),
        ("--probes", "10,5"),
        ("--tag", "wrenfield"),
        ("--fault", "C7"),
        ("--fault", "C7=broken"),
        ("--fault", "C7=leaky"),
        ("--fault", "C7=open:3"),
        ("--true", "C7"),
        ("--line", "55"),
        ("--seed", "-1"),
        ("--points", "many"),
    ],
)
def test_a_bad_value_is_refused_by_the_name_of_its_option(option, text, tmp_path):
    result = run("sweep", "--simulated", "--archive", tmp_path / "archive", option, text)
    assert result.exit_code == 2
    assert option in result.stderr
    assert len(result.stderr.strip().splitlines()) == 3
    assert not (tmp_path / "archive").exists()
