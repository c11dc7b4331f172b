"""Which bench the page has: what the command line names wins over the bench file, at the start and at every sweep."""

import click
import pytest

from twonode.console.benchfile import BenchFile, Remembered, write_bench
from twonode.console.page.context import BenchChoice
from twonode.console.pagecommand import name_bench, page


@pytest.fixture
def remembered(tmp_path, monkeypatch):
    """A bench file."""
    path = tmp_path / "bench.toml"
    monkeypatch.setenv("TWONODE_BENCH", str(path))
    write_bench(
        BenchFile(
            generator=Remembered(address="remembered generator"),
            scope=Remembered(address="remembered scope"),
            probes=(1, 10),
        ),
        path,
    )


@pytest.fixture
def forgotten(tmp_path, monkeypatch):
    """No bench file."""
    monkeypatch.setenv("TWONODE_BENCH", str(tmp_path / "none.toml"))


def _named(*words):
    """The options as the command has them when the page is served."""
    with click.Context(page) as parent, page.make_context("page", list(words), parent=parent) as made:
        options = dict(made.params)
        name_bench(options)
    return options


def test_the_remembered_bench_is_there_from_the_start(remembered):
    options = _named()
    assert (options["generator"], options["scope"]) == ("remembered generator", "remembered scope")
    assert options["probes"] == (1.0, 10.0)
    assert BenchChoice(options).named


def test_what_the_command_line_names_stays_through_every_sweep(remembered):
    bench = BenchChoice(_named("--generator", "mine", "--scope", "mine too", "--probes", "10,10"))
    # START checks again, in the server's thread, where nothing tells what was written on the command line.
    bench.check()
    assert bench.options["generator"] == "mine"
    assert bench.options["scope"] == "mine too"
    assert bench.options["probes"] == (10.0, 10.0)


def test_no_bench_at_all_is_no_mistake_until_something_is_measured(forgotten):
    bench = BenchChoice(_named())
    assert not bench.named
    with pytest.raises(click.UsageError, match="--generator is missing"):
        bench.check()


@pytest.mark.parametrize(
    "words", [("--generator", "mine"), ("--scope", "mine"), ("--fault", "C7=open"), ("--true", "C7=18n")]
)
def test_half_a_bench_is_refused_at_the_start(forgotten, words):
    with pytest.raises(click.UsageError, match="is missing"):
        _named(*words)


def test_a_remembered_bench_does_not_go_into_the_simulated_one(remembered):
    options = _named("--simulated")
    assert options["generator"] is None
    assert options["probes"] == (10.0, 10.0)


def test_practising_where_nothing_is_named_is_a_bench(forgotten):
    bench = BenchChoice(_named())
    bench.options["simulated"] = True
    bench.check()
    assert bench.words().startswith("Simulated bench")
