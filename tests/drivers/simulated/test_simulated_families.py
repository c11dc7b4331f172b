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


def test_newer_curve_scopes_have_other_names_for_the_same() -> None:
    newer = frozenset({Variant.NEWER_NAMES})
    settings = SimulatedSettings(stage=series(), scope_family=ScopeFamily.CURVE, variants=newer)
    scope = direct_links(settings).scope
    scope.write("HEADer OFF;:CH1:PRObe:GAIN 0.1;:CH1:SCAle 5;:HORizontal:SCAle 1E-3")
    scope.write("TRIGger:A:EDGE:SOUrce CH2;:TRIGger:A:LEVel 0.5")
    assert float(scope.query("WFMOutpre:YMUlt?")) == 5 / 25
    assert float(scope.query("HORizontal:SAMPLERate?")) == 2500 / 10e-3
    assert (scope.query("TRIGger:A:EDGE:SOUrce?"), float(scope.query("TRIGger:A:LEVel?"))) == ("CH2", 0.5)
    assert scope.query("*ESR?") in ("0", "128")
    scope.write("TRIGger:MAIn:LEVel 0")
    scope.query("*ESR?")
    assert scope.query("EVENT?") == "113"
