"""Runs benchmarks and prints their figures: ``python -m tests.benchmarks [NAME ...] [--quick] [--json FILE]``."""

from __future__ import annotations

import argparse
import importlib
import pkgutil
import sys
import time
from pathlib import Path

import tests.benchmarks
from tests.benchmarks.table import Row, format_rows, write_json

_NO_BENCHMARKS = {"table", "__main__"}


def names() -> list[str]:
    """Benchmark modules, sorted."""
    found = (module.name for module in pkgutil.iter_modules(tests.benchmarks.__path__))
    return sorted(name for name in found if name not in _NO_BENCHMARKS and not name.startswith("_"))


def main(arguments: list[str] | None = None) -> int:
    """Run what was asked for; 0 where every target was reached, 1 where one was missed."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=tests.benchmarks.__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help="benchmarks to run; all without one")
    parser.add_argument("--quick", action="store_true", help="fewer repetitions, to see that they run")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the rows to FILE as well")
    parser.add_argument("--list", action="store_true", help="only print the names")
    asked = parser.parse_args(arguments)
    known = names()
    if asked.list:
        print("\n".join(known))
        return 0
    unknown = [name for name in asked.names if name not in known]
    if unknown:
        parser.error(f"no benchmark {', '.join(unknown)}; there are {', '.join(known)}")
    results: dict[str, list[Row]] = {}
    for name in asked.names or known:
        print(f"== {name}", flush=True)
        started_s = time.monotonic()
        rows = importlib.import_module(f"tests.benchmarks.{name}").run(quick=asked.quick)
        results[name] = rows
        print(f"{format_rows(rows)}\n({time.monotonic() - started_s:.0f} s)\n", flush=True)
    if asked.json is not None:
        write_json(asked.json, results)
    return 1 if any(row.met is False for rows in results.values() for row in rows) else 0


if __name__ == "__main__":
    sys.exit(main())
