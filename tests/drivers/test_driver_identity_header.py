"""Instruments that put a header before their identity until they are told not to (facts page, 0)."""

from __future__ import annotations

import pytest
from simulated_stages import series

from twonode.drivers.bench import open_bench
from twonode.drivers.scpi_text import bare_identity
from twonode.drivers.simulated import ScopeFamily, SimulatedBench, SimulatedSettings


@pytest.mark.parametrize(
    ("reply", "bare"),
    [
        ("*IDN MAKER,MODEL,1,2", "MAKER,MODEL,1,2"),
        (" *idn MAKER,MODEL ,1", "MAKER,MODEL ,1"),
        ("MAKER TECHNOLOGIES,MODEL", "MAKER TECHNOLOGIES,MODEL"),
        ("*IDN", ""),
    ],
)
def test_the_header_is_no_part_of_who_it_is(reply: str, bare: str) -> None:
    assert bare_identity(reply) == bare


@pytest.mark.parametrize("family", [ScopeFamily.SIGNED_CODES, ScopeFamily.WAVEDESC])
def test_a_scope_connected_again_after_its_headers_are_off_is_the_same_one(family: ScopeFamily) -> None:
    settings = SimulatedSettings(stage=series(), scope_family=family, speed=8.0)
    with (
        SimulatedBench(settings) as served,
        open_bench(
            generator=served.generator_resource,
            scope=served.scope_resource,
            visa="python",
            clock=served.clock,
            allow_unverified=True,
        ) as bench,
    ):
        bench.scope.prepare((10.0, 10.0))
        link = bench.scope._link
        link._drop()  # as after a reply that came too late
        assert link.query("*IDN?") == bench.scope.identity == f"TWONODE,SIM-{family.value},SEED-1,1.0"
