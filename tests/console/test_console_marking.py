import pytest
from console_runs import json_of, run


def words_of(*arguments):
    result = run("marking", *arguments)
    assert result.exit_code == 0, result.stderr
    assert max(map(len, result.stdout.splitlines())) <= 100
    return " ".join(result.stdout.split())


def test_a_code_is_read_on_the_screen():
    text = words_of("473K", "400V")
    assert "473K 400V: one reading" in text
    for each in ("47.0 nF", "±10 %", "400 V", "three-digit code, pF", "IEC 60062", "[source read]"):
        assert each in text
    assert "unknown" not in text


def test_missing_volts_are_said():
    assert "Working voltage unknown: not for line or B+ until it is known." in words_of("473K")


def test_several_words_need_no_quotes():
    assert words_of("white", "brown", "red", "/", "silver", "blue", "red") == words_of(
        "white brown red / silver blue red"
    )
    assert "-20/+80 %" in words_of("0.1", "-20+80%", "400V")


def test_readings_are_ordered_by_the_measurement_and_the_rule_is_stated():
    text = words_of("250", "--measured", "252p ± 1%")
    assert text.index("250 pF") < text.index("25.0 pF")
    assert "agrees, +0.8 %" in text
    assert "excluded, far off" in text
    assert "Ordered by agreement: the probability that the true value lies inside the marked limits" in text
    assert "the order is no likelihood" in words_of("250")


def test_a_safety_part_gets_the_caution_and_no_code():
    text = words_of("X2", "0.1uF", "275VAC")
    assert "replace it only by a certified part of the same safety class" in text
    assert "licensed practice" in text
    assert "104" not in text


def test_json_holds_every_reading():
    document = json_of(run("marking", "white brown red / silver blue red", "--measured", "1.2n", "--json"))
    assert document["format"] == 1
    assert document["marking"] == "white brown red / silver blue red"
    first = document["readings"][0]
    assert first["capacitance"] == {"value": pytest.approx(1.2e-9), "unit": "F"}
    assert (first["tolerance"]["minus"], first["tolerance"]["plus"]) == (0.06, 0.06)
    assert first["voltage"] is None
    assert first["scheme"] == "six dots with identifier"
    assert "OD1647" in first["source"]
    assert first["agreement"]["probability"] == 1
    assert not first["agreement"]["excluded"]
    assert document["readings"][-1]["agreement"]["excluded"]
    assert document["measured"] == {"value": pytest.approx(1.2e-9), "half_width": None, "unit": "F"}
    small = json_of(run("marking", "4p7C 500V", "--json"))["readings"][0]
    assert small["tolerance"]["absolute"] == pytest.approx(0.25e-12)
    assert small["voltage"]["value"] == 500


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("foo",), "nothing known reads 'foo'"),
        (("red", "yelow", "black"), "Did you mean 'yellow'?"),
        (("473K", "--measured", "0"), "--measured"),
        (("473K", "--measured", "ten"), "--measured"),
        (("473K", "--measurd", "1n"), "No such option"),
        ((), "Missing argument"),
        (("",), "The marking is empty"),
    ],
)
def test_bad_input_ends_with_usage_and_words(arguments, words):
    result = run("marking", *arguments)
    assert result.exit_code == 2
    assert words in result.stderr
    assert "Traceback" not in result.stderr
    assert result.stdout == ""


def test_errors_are_json_too():
    result = run("marking", "foo", "--json")
    assert result.exit_code == 2
    assert "foo" in json_of(result)["error"]["what"]


def test_help_teaches_with_examples_and_drawings():
    text = run("marking", "--help").stdout
    assert "twonode marking 473K 400V" in text
    assert "|  1 >   2 >   3 > |    1 2 3 / 4 5 6" in text
    assert "safety class" in text
