"""The table of limits: the shipped one, one's own, and what is wrong with a file."""

from importlib import resources

import pytest

from twonode.analysis.leakage_limits import Condition, LimitsError, load_limits, parse_limits, shipped_limits
from twonode.analysis.leakage_readings import LeakRole

HEAD = 'format = 1\ntitle = "mine"\n'
LIMIT = (
    '[[limit]]\nrole = "coupling"\nmeasure = "grid rise"\nsound_below = "50mV"\nleaky_above = "0.5V"\n'
    'source = "common practice, no source"\n'
)


def test_every_shipped_limit_names_its_source_and_every_role_has_one():
    shipped = shipped_limits()
    assert all(limit.source for limit in shipped.limits)
    for role in LeakRole:
        for bias in (True, False):
            for resistor in (True, False):
                assert shipped.for_role(role, bias_known=bias, resistor_known=resistor)


def test_a_known_bias_replaces_the_limit_in_volts():
    shipped = shipped_limits()
    without = shipped.for_role(LeakRole.COUPLING, bias_known=False, resistor_known=True)
    with_it = shipped.for_role(LeakRole.COUPLING, bias_known=True, resistor_known=True)
    assert 0.05 in [limit.sound for limit in without]
    assert 0.05 not in [limit.sound for limit in with_it]
    assert (0.01, 0.05) in [(limit.sound, limit.leaky) for limit in with_it]


def test_ohms_are_worse_the_less_and_volts_the_more():
    shipped = shipped_limits()
    by_unit = {limit.measure.value: limit for limit in shipped.limits if limit.role is LeakRole.COUPLING}
    import numpy as np

    rise = parse_limits(HEAD + LIMIT, where="x").limits[0].condition(np.array([0.01, 0.2, 0.6]))
    assert list(rise) == [Condition.SOUND, Condition.BETWEEN, Condition.LEAKY]
    ohms = by_unit["leakage resistance"].condition(np.array([5e9, 5e8, 1e8, 10.0]))
    assert list(ohms) == [Condition.SOUND, Condition.BETWEEN, Condition.LEAKY, Condition.SHORTED]


def test_rated_leakage_is_that_of_the_quoted_standard():
    # trade notes section 1 (JAN-C-62 as quoted): mA = k C + 0.3; section 11, 10: 40 uF 450 V is 1.9 mA.
    rated = shipped_limits().rated
    assert rated.limit_a(40e-6, 450.0) == pytest.approx(1.9e-3)
    assert rated.limit_a(40e-6, 350.0) == pytest.approx(1.3e-3)
    assert rated.limit_a(8e-6, 250.0) == pytest.approx(0.46e-3)
    assert rated.limit_a(25e-6, 25.0) == pytest.approx(0.55e-3)
    with pytest.raises(LimitsError, match="ends at 450 V"):
        rated.limit_a(8e-6, 600.0)


def test_a_copy_of_the_shipped_file_can_be_changed_and_loaded(tmp_path):
    text = (resources.files("twonode.analysis") / "limits" / "leakage.toml").read_text(encoding="utf-8")
    mine = tmp_path / "mine.toml"
    mine.write_text(text.replace('leaky_above = "0.5V"', 'leaky_above = "0.2V"'), encoding="utf-8")
    changed = load_limits(mine)
    assert changed.where == str(mine)
    assert 0.2 in [limit.leaky for limit in changed.limits]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("format = ", "not TOML"),
        (HEAD, "limit"),
        (HEAD + "limit = []", "no \\[\\[limit\\]\\]"),
        (HEAD.replace("1", "7") + LIMIT, "format is 7"),
        (HEAD + LIMIT + 'colour = "red"\n', "colour"),
        (HEAD + LIMIT.replace("coupling", "ballast"), "limit 1: role: 'ballast'.*coupling"),
        (HEAD + LIMIT.replace("grid rise", "smell"), "limit 1: measure: 'smell'"),
        (HEAD + LIMIT.replace("50mV", "50M"), "sound_below: '50M'"),
        (HEAD + LIMIT.replace("50mV", "-1V"), "sound_below: '-1V' is not above zero"),
        (HEAD + LIMIT.replace('"50mV"', "0.9"), "wrong order"),
        (HEAD + LIMIT.replace('sound_below = "50mV"', 'sound_above = "50mV"'), "sound_above does not fit"),
        (
            HEAD + '[[limit]]\nrole = "coupling"\nmeasure = "grid rise"\nsource = "x"\n',
            "sets nothing",
        ),
        (HEAD + LIMIT.replace("common practice, no source", " "), "source is empty"),
        (HEAD + LIMIT.replace('source = "common practice, no source"\n', ""), "source"),
        (HEAD + LIMIT + 'unless = "moon"\n', "unless: 'moon'"),
        (HEAD + LIMIT.replace('"coupling"', '"tone"'), "lifts no grid"),
        (HEAD + LIMIT + '[rated_leakage]\noffset = "1mA"\nsource = "x"\nstep = []\n', "rising volts"),
        (
            HEAD + LIMIT + '[rated_leakage]\noffset = "1mV"\nsource = "x"\nstep = []\n',
            "rated_leakage.*'1mV'",
        ),
    ],
)
def test_a_wrong_file_is_refused_naming_file_and_key(text, says):
    with pytest.raises(LimitsError, match=says) as refused:
        parse_limits(text, where="mine.toml")
    assert refused.value.what.startswith("mine.toml")


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(LimitsError, match=r"none\.toml"):
        load_limits(tmp_path / "none.toml")


def test_a_role_without_a_limit_is_said():
    mine = parse_limits(HEAD + LIMIT, where="mine.toml")
    with pytest.raises(LimitsError, match="no limit for the role 'tone'"):
        mine.for_role(LeakRole.TONE, bias_known=False, resistor_known=True)
    with pytest.raises(LimitsError, match="no limit"):
        mine.for_role(LeakRole.COUPLING, bias_known=False, resistor_known=False)
