"""Every parser with inputs that go wrong, in small: `tests.benchmarks.parsers` runs the same in large."""

import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fuzz.fuzzing import Parser, every, fuzz, judged, tried
from tests.fuzz.mutations import Form, inputs
from tests.fuzz.parsers import PARSERS
from twonode.analysis.errors import QuantityError
from twonode.analysis.quantities import parse_quantity

ALL = pytest.mark.parametrize("parser", PARSERS.values(), ids=PARSERS.keys())
# Always the same examples: a test that fails for one person fails for the next.
FIXED = settings(
    derandomize=True, database=None, deadline=None, max_examples=5, suppress_health_check=list(HealthCheck)
)
# Alone; and as a gap in what is sound, where a search for the end of one thing may begin again at every place.
HUGE = ("9" * 20_000, "[" * 20_000, '{"a":' * 4_000, "a." * 10_000 + "a=1", "1e" + "9" * 5_000, '"' * 99_999)
GAPS = ("9", " ", ",", "1 ", "a.", "-", "(")
GAP = 4_000


@ALL
def test_what_is_sound_is_read(parser):
    assert [judged(parser, sample) for sample in parser.samples] == [(None, False)] * len(parser.samples)


@ALL
def test_spoilt_inputs_are_read_or_refused_by_our_own_errors(parser):
    assert [str(each) for each in fuzz(parser, f"suite:{parser.name}", 12).first] == []


@ALL
def test_noise_is_read_or_refused_by_our_own_errors(parser):
    noise = st.text(max_size=60) if parser.form is Form.TEXT else st.binary(max_size=60)

    @FIXED
    @given(given_input=noise)
    def refused_at_most(given_input):
        assert judged(parser, given_input)[0] is None

    refused_at_most()


@ALL
def test_what_has_no_end_is_refused_in_time(parser):
    sample = parser.plain_samples[0]
    gaps = [piece * (GAP // len(piece)) for piece in GAPS]
    for text in (
        *HUGE,
        *(f"{sample[:half]}{gap}{sample[half:]}!" for gap in gaps for half in (1, len(sample) // 2)),
    ):
        assert tried(parser, parser.given(text))[0] is None


def parser_of(read, *, sound=lambda _: True):
    return Parser(name="made up", form=Form.TEXT, samples=("22n", "4k7"), read=read, sound=sound)


def raising(error):
    def read(text):
        raise error

    return read


@pytest.mark.parametrize(
    ("read", "says"),
    [
        (lambda text: {}[text], "KeyError"),
        (raising(RecursionError("too deep")), "RecursionError: too deep"),
        (lambda text: float("nan"), "it returns nan"),
        (lambda text: time.sleep(1.01), "it takes 1."),
    ],
)
def test_what_a_parser_must_not_do_is_noticed(read, says):
    outcome = fuzz(parser_of(read, sound=lambda found: found == found), "seed", 1)
    assert outcome.troubles == 1
    assert says in str(outcome.first[0])


def test_an_error_that_quotes_without_end_is_noticed():
    class Long(QuantityError):
        def __str__(self):
            return "x" * 100_000

    because, _ = judged(parser_of(raising(Long("a", "b", "c"))), "22n")
    assert because == "its error has 100000 characters"


def test_a_seed_names_its_inputs():
    samples = PARSERS["stage files"].plain_samples
    first, again, other = (list(inputs(seed, samples, Form.TEXT, 40)) for seed in ("a", "a", "b"))
    assert first == again
    assert first != other
    assert len(set(first) - set(samples)) > 35


def test_inputs_reach_behind_the_grammar():
    """Of the spoilt stage files some are still whole stages, so that the checks behind the grammar are reached."""
    outcome = fuzz(PARSERS["stage files"], "reach", 400)
    assert 0 < outcome.count - outcome.refused < 200


def test_two_parsers_of_one_name_are_refused():
    twice = parser_of(lambda text: parse_quantity(text, "F"))
    with pytest.raises(ValueError, match="two parsers are named made up"):
        every([twice], [twice])
