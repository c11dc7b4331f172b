"""A full sweep in every language: the capacitor is the same whoever measures it.

The dialects of the simulated bench are written from the facts page and not from the profiles, so a profile that says
something wrong is caught here.
"""

import msgspec
import pytest
from swept import HookUp, fixture_request, run, stage_request

from twonode.acquire import estimate_recordings
from twonode.drivers import profiles
from twonode.drivers.errors import ReplyError
from twonode.drivers.simulated.settings import GeneratorFamily, ScopeFamily, Variant

SERIES = fixture_request(HookUp.SERIES, 22e-9, 470e3, points=None)
STAGE = stage_request(points=None)


@pytest.fixture(scope="module")
def usual(tmp_path_factory):
    """Request to what the usual instruments (S1a, G1) find on the same seed."""
    return {name: found(request, tmp_path_factory.mktemp("usual")) for name, request in REQUESTS.items()}


REQUESTS = {"series": SERIES, "stage": STAGE}


def found(request, archive, **settings):
    """Value and standard uncertainty, farad."""
    swept = run(request, archive, **settings)
    if swept.error is not None:
        raise swept.error
    assert not swept.output_on
    estimate, _ = estimate_recordings([swept.recording])
    return estimate.capacitance.value, estimate.capacitance.standard_uncertainty


@pytest.mark.parametrize("name", REQUESTS)
@pytest.mark.parametrize(
    "settings",
    [
        *({"scope_family": family} for family in ScopeFamily if family is not ScopeFamily.TEN_FIELD),
        *({"generator_family": family} for family in GeneratorFamily if family is not GeneratorFamily.SCPI),
        {"scope_family": ScopeFamily.CURVE, "variants": frozenset({Variant.STEPS_1_2_4})},
        {"scope_family": ScopeFamily.SIGNED_CODES, "variants": frozenset({Variant.STEPS_1_25_5})},
        {"generator_family": GeneratorFamily.KEY_VALUE, "variants": frozenset({Variant.EXTRA_KEYS})},
    ],
    ids=lambda s: "-".join(getattr(v, "value", None) or "".join(i.value for i in v) for v in s.values()),
)
def test_every_family_finds_what_the_usual_one_finds(settings, name, usual, tmp_path):
    value, u = found(REQUESTS[name], tmp_path, **settings)
    expected, expected_u = usual[name]
    # Each draws its own gain and noise: the two differ by no more than both uncertainties at k = 2.
    assert abs(value - expected) <= 2 * (u**2 + expected_u**2) ** 0.5
    assert 0.3 * expected_u < u < 3 * expected_u


def test_negative_codes_counted_from_255_are_noticed_and_right_once_the_profile_says_so(
    usual, tmp_path, monkeypatch
):
    settings = {"scope_family": ScopeFamily.SIGNED_CODES, "variants": frozenset({Variant.WRAP_255})}
    with pytest.raises(ReplyError, match="negative codes from 255"):
        found(SERIES, tmp_path / "wrong", **settings)
    shipped = dict(profiles.shipped_profiles())
    scope = shipped["scope-vdiv-codes"]
    waveform = msgspec.structs.replace(scope.waveform, negative_wrap=255)
    shipped["scope-vdiv-codes"] = msgspec.structs.replace(scope, waveform=waveform)
    monkeypatch.setattr(profiles, "shipped_profiles", lambda: shipped)
    value, u = found(SERIES, tmp_path / "right", **settings)
    expected, expected_u = usual["series"]
    assert abs(value - expected) <= 2 * (u**2 + expected_u**2) ** 0.5
