"""What no dialect may change: parts, channel errors and noise of a seed."""

from __future__ import annotations

import numpy as np
import pytest
from simulated_stages import series

from twonode.console.simulation import GENERATOR_FAMILIES, SCOPE_FAMILIES
from twonode.drivers.simulated import (
    GeneratorFamily,
    ScopeFamily,
    SimulatedSettings,
    Variant,
    direct_links,
)
from twonode.drivers.simulated.direct import DirectLink
from twonode.drivers.simulated.front_end import ChannelSetup


def test_the_words_on_the_command_line_are_the_families() -> None:
    assert tuple(family.value for family in ScopeFamily) == SCOPE_FAMILIES
    assert tuple(family.value for family in GeneratorFamily) == GENERATOR_FAMILIES


@pytest.mark.parametrize("scope", list(ScopeFamily))
def test_a_seed_gives_the_same_parts_errors_and_noise_on_every_scope(scope: ScopeFamily) -> None:
    def first_codes(family: ScopeFamily) -> np.ndarray:
        bench = direct_links(SimulatedSettings(stage=series(), seed=11, scope_family=family))
        front_end = bench.scope._instrument.core.front_end  # type: ignore[attr-defined]
        return front_end.codes(1, ChannelSetup(), np.linspace(-3, 3, 500))

    assert np.array_equal(first_codes(scope), first_codes(ScopeFamily.TEN_FIELD))


def test_dialects_and_variants_do_not_touch_what_is_drawn() -> None:
    plain = direct_links(SimulatedSettings(stage=series(), seed=11)).world.truth
    for generator in GeneratorFamily:
        settings = SimulatedSettings(
            stage=series(), seed=11, generator_family=generator, variants=frozenset(Variant)
        )
        other = direct_links(settings).world.truth
        assert (other.parts, other.source_ohm, other.source_gain) == (
            plain.parts,
            plain.source_ohm,
            plain.source_gain,
        )
        assert np.array_equal(other.gain_error, plain.gain_error)


def test_some_curve_scopes_have_time_base_steps_of_1_2_4() -> None:
    settings = SimulatedSettings(
        stage=series(), scope_family=ScopeFamily.CURVE, variants=frozenset({Variant.STEPS_1_2_4})
    )
    scope = direct_links(settings).scope
    scope.write("HEADer OFF;:HORizontal:SCAle 5E-3")
    assert float(scope.query("HORizontal:SCAle?")) == 4e-3


def newer_curve_scope() -> DirectLink:
    scope = direct_links(SimulatedSettings(stage=series(), scope_family=ScopeFamily.CURVE_NEWER)).scope
    scope.write("HEADer OFF")
    return scope


def test_newer_curve_scopes_have_other_names_for_the_same() -> None:
    scope = newer_curve_scope()
    scope.write("CH1:PRObe:GAIN 0.1;:CH1:SCAle 5;:HORizontal:SCAle 1E-3")
    scope.write("TRIGger:A:EDGE:SOUrce CH2;:TRIGger:A:LEVel 0.5")
    assert float(scope.query("WFMOutpre:YMUlt?")) == 5 / 25
    assert float(scope.query("HORizontal:SAMPLERate?")) == 2000 / 10e-3
    assert (scope.query("TRIGger:A:EDGE:SOUrce?"), float(scope.query("TRIGger:A:LEVel?"))) == ("CH2", 0.5)
    assert scope.query("*ESR?") in ("0", "128")
    for older in ("TRIGger:MAIn:LEVel 0", "HORizontal:MAIn:SCAle 1E-3", "CH1:PRObe 10"):
        scope.write(older)
        scope.query("*ESR?")
        assert scope.query("EVENT?") == "113"


def test_newer_curve_scopes_have_a_record_length_and_steps_of_1_2_4() -> None:
    scope = newer_curve_scope()
    scope.write("HORizontal:RECOrdlength 20000;:HORizontal:SCAle 5E-3")
    assert scope.query("HORizontal:RECOrdlength?") == "20000"
    assert float(scope.query("HORizontal:SCAle?")) == 4e-3
    assert float(scope.query("WFMOutpre:XINcr?")) == 40e-3 / 20000
    assert scope.query("WFMOutpre:NR_Pt?") == "20000"


def test_an_offset_in_volts_moves_the_trace_and_not_the_voltage() -> None:
    # V = (c - YOFf) * YMUlt + YZEro [R56], whatever position and offset are.
    def volts(scope: DirectLink) -> tuple[float, float]:
        scope.write("ACQuire:STOPAfter SEQuence;:ACQuire:STATE ON")
        scope.query("*OPC?")
        curve = np.frombuffer(scope.query_block("CURVe?"), dtype=np.int8)
        fields = [float(scope.query(f"WFMOutpre:{name}?")) for name in ("YOFf", "YMUlt", "YZEro")]
        return float((curve.mean() - fields[0]) * fields[1] + fields[2]), float(curve.mean())

    scope = newer_curve_scope()
    scope.write("CH1:COUPling DC;:CH1:SCAle 1;:CH1:POSition 1")
    first_v, first_code = volts(scope)
    scope.write("CH1:OFFSet 2")
    moved_v, moved_code = volts(scope)
    assert float(scope.query("CH1:POSition?")) == 1.0
    assert moved_code == pytest.approx(first_code - 50, abs=1)
    assert moved_v == pytest.approx(first_v, abs=0.05)
