"""The bench: the output is off first and last, whatever happens in between."""

# ruff: noqa: PT012 - what happens inside the context is the test.
import pytest
from scripted_link import ScriptedLink

from twonode.drivers.bench import Bench, open_bench
from twonode.drivers.clock import VirtualClock
from twonode.drivers.errors import LinkError, OutputUnknown, ReplyError, UnknownInstrument, WrongInstrument

GENERATOR = "TWONODE,SIM-GENERATOR,1,1"
SCOPE = "TWONODE,SIM-SCOPE-TEN-FIELD,1,1"


class OutputLink(ScriptedLink):
    """A generator whose output was left on."""

    def __init__(self):
        super().__init__({"*IDN?": GENERATOR})
        self.settings[":OUTP1"] = "ON"

    @property
    def on(self):
        return self.settings[":OUTP1"] == "ON"


@pytest.fixture
def generator():
    return OutputLink()


@pytest.fixture
def scope():
    return ScriptedLink({"*IDN?": SCOPE})


def bench_of(generator, scope):
    return Bench.from_links(generator=generator, scope=scope, clock=VirtualClock())


def test_entering_switches_off_what_a_killed_run_left_on_before_the_scope_is_touched(generator, scope):
    seen = []
    scope.replies["*IDN?"] = lambda: (seen.append(generator.on), SCOPE)[1]
    with bench_of(generator, scope) as bench:
        assert seen == [False]
        assert bench.generator.identity == GENERATOR
        assert bench.scope.profile.name == "scope-ten-field"


def test_whoever_leaves_by_an_error_is_told_that_the_output_is_off(generator, scope):
    with pytest.raises(ReplyError) as caught, bench_of(generator, scope) as bench:
        bench.generator.output(True)
        raise ReplyError("what", "why", "do")
    assert caught.value.__notes__ == ["The generator was asked: its output is off."]


@pytest.mark.parametrize("error", [None, ValueError, KeyboardInterrupt, SystemExit, ReplyError])
def test_leaving_by_any_route_switches_the_output_off(generator, scope, error):
    def work():
        with bench_of(generator, scope) as bench:
            bench.generator.output(True)
            assert generator.on
            if error is not None:
                raise error("what", "why", "do")

    if error is None:
        work()
    else:
        with pytest.raises(error):
            work()
    assert not generator.on
    assert generator.closed
    assert scope.closed


def test_a_scope_that_does_not_answer_leaves_the_output_off(generator, scope):
    scope.dead = True
    with pytest.raises(LinkError), bench_of(generator, scope):
        pass
    assert not generator.on
    assert generator.closed


def test_errors_in_the_queue_do_not_keep_the_output_on(generator, scope):
    with bench_of(generator, scope) as bench:
        bench.generator.output(True)
        generator.errors = ['-222,"Data out of range"'] * 5
    assert not generator.on


def test_a_dead_link_on_leaving_says_the_state_is_unknown(generator, scope):
    bench = bench_of(generator, scope)
    with pytest.raises(OutputUnknown, match="unknown") as caught, bench:
        bench.generator.output(True)
        generator.dead = True
    assert "SCRIPTED::1" in caught.value.do
    assert bench.farewell is caught.value


def test_a_dead_link_does_not_hide_the_error_that_was_on_its_way(generator, scope):
    bench = bench_of(generator, scope)
    with pytest.raises(ZeroDivisionError) as caught, bench:
        generator.dead = True
        raise ZeroDivisionError
    assert "unknown" in str(bench.farewell)
    assert any("unknown" in note for note in caught.value.__notes__)


def test_an_output_that_stays_on_is_said_to_be_on(generator, scope):
    with pytest.raises(OutputUnknown, match="still on"), bench_of(generator, scope):
        generator.replies[":OUTP1?"] = "1"


def test_a_link_that_works_again_is_used_for_switching_off(generator, scope):
    with bench_of(generator, scope) as bench:
        bench.generator.output(True)
        tries = iter(["garbage", "0"])
        generator.replies[":OUTP1?"] = lambda: next(tries, "0")
    assert not generator.on
    assert bench.farewell is None


def test_an_interruption_while_switching_off_does_not_keep_the_output_on(generator, scope):
    presses = iter([True])

    def impatient():
        if next(presses, False):
            # As if the command had been lost on the way.
            generator.settings[":OUTP1"] = "ON"
            raise KeyboardInterrupt
        return generator.settings[":OUTP1"]

    with pytest.raises(KeyboardInterrupt), bench_of(generator, scope):
        generator.replies[":OUTP1?"] = impatient
    assert not generator.on
    assert generator.closed


def test_swapped_addresses_are_named_and_nothing_is_sent_to_the_wrong_instrument(generator, scope):
    with pytest.raises(WrongInstrument, match="swapped"), bench_of(scope, generator):
        pass
    assert scope.sent == ["*IDN?"]


def test_an_unknown_generator_is_not_sent_anything(generator, scope):
    generator.replies["*IDN?"] = "NOBODY,X,1,1"
    with pytest.raises(UnknownInstrument), bench_of(generator, scope):
        pass
    assert generator.sent == ["*IDN?"]


def test_the_instruments_belong_to_the_context(generator, scope):
    bench = bench_of(generator, scope)
    for name in ("generator", "scope"):
        with pytest.raises(RuntimeError, match="not entered"):
            getattr(bench, name)


def test_an_address_where_nothing_listens_is_a_link_error_on_entering():
    bench = open_bench(
        generator="TCPIP0::127.0.0.1::1::SOCKET", scope="TCPIP0::127.0.0.1::1::SOCKET", timeout_s=0.5
    )
    with pytest.raises(LinkError), bench:
        pass
    assert bench.farewell is None
