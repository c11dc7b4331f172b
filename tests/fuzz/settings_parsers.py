"""Bench files, options, the page's settings and tables of batches: parsers with sound samples."""

from __future__ import annotations

import os
from unittest.mock import patch

import click
import msgspec

from tests.fuzz.filed_parsers import asked, filed, fuzz_folder
from tests.fuzz.fuzzing import Parser
from twonode.acquire.drawer_table import BatchTable
from twonode.console import options
from twonode.console.benchfile import BenchFile, Remembered, read_bench, write_bench
from twonode.console.page.settings import SETTINGS_VARIABLE, PageSettings, read_settings
from twonode.errors import TwonodeError


def _bench(content: bytes) -> object:
    path = fuzz_folder() / "bench.toml"
    path.write_bytes(content)
    bench = read_bench(path)
    assert bench is not None
    return bench.resistors_ohm, bench.generator_and_scope_profiles, bench.tolerance_of(1e5)


def _bench_samples() -> tuple[bytes, ...]:
    path = fuzz_folder() / "written.toml"
    scope = Remembered(address="TCPIP0::192.0.2.7::INSTR", profile="scope-curve")
    bench = BenchFile(
        generator=Remembered(address="manual"), scope=scope, resistors=("100k 0.1%", "1M 1%"), line_hz=60
    )
    return write_bench(bench, path).read_bytes(), b'format = 1\nprobes = [10, 1]\nvisa = "python"\n'


_TYPES: tuple[click.ParamType, ...] = (
    *(options.Quantity("F"), options.TOLERANCE, options.COMPANION, options.NODE_VOLTS, options.RESISTORS),
    *(options.PROBES, options.TAG, options.TRUE_VALUE, options.FAULT),
)


def _option(text: str) -> object:
    """Each type in turn; what one returns, or the last refusal."""
    refusal: Exception | None = None
    found = []
    for kind in _TYPES:
        try:
            found.append(kind.convert(text, None, None))
        except (TwonodeError, click.UsageError) as exc:
            refusal = exc
    if not found and refusal is not None:
        raise refusal
    return found


def _settings(content: bytes) -> bool:
    """A settings file that is not sound is passed over, whatever is in it."""
    path = fuzz_folder() / "page.json"
    path.write_bytes(content)
    with patch.dict(os.environ, {SETTINGS_VARIABLE: str(path)}), patch("twonode.console.page.settings.log"):
        return isinstance(read_settings(), PageSettings)


_COLUMNS = ("value_farad", "tan_delta", "nearest_farad")


def _batch(content: bytes) -> object:
    path = fuzz_folder() / "batch.csv"
    path.write_bytes(content)
    table = BatchTable.opened(path, _COLUMNS)
    return table.bins(), table.next_number, table.last


def _batch_sample() -> bytes:
    head = f"part,state,because,measured_utc,simulated,{','.join(_COLUMNS)},bin,label,recording\n"
    row = "1,kept,,2031-04-09T18:20:11Z,1,2.2e-08,0.01,2.2e-08,22n,22n 630V,../archive/a\n"
    return (head + row + row.replace("1,kept,", "2,withdrawn,again")).encode()


PARSERS: tuple[Parser, ...] = (
    filed("bench files", _bench, *_bench_samples()),
    asked(
        "options",
        _option,
        *(
            "22n",
            "10%",
            "100k 0.1%",
            "0.3,0.1",
            "100k,1M",
            "10,1",
            "set=wrenfield-46",
            "C7=18n",
            "C7=leaky:2M",
        ),
        own=(TwonodeError, click.UsageError),
    ),
    filed("page settings", _settings, msgspec.json.encode(PageSettings()), sound=bool),
    filed("tables of batches", _batch, _batch_sample()),
)
