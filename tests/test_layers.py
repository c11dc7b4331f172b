"""Imports point down, as the design draws the rooms; slow ones wait until they are needed."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import twonode

ROOT = Path(twonode.__file__).parent
MODULES = sorted(ROOT.rglob("*.py"))

# Room to the rooms it may import from, itself always among them.
ALLOWED = {
    "analysis": {"analysis"},
    "drivers": {"drivers"},
    "recordings": {"recordings", "analysis"},
    "acquire": {"acquire", "recordings", "drivers", "analysis"},
    "console": {"console", "acquire", "recordings", "drivers", "analysis"},
}
# drivers/simulated is the world that instruments are clipped to.
SIMULATED_MAY = ("twonode.analysis.stage", "twonode.analysis.network")
SLOW = {"matplotlib", "nicegui", "pyvisa", "rich", "scipy", "uvicorn"}


def _name(path):
    return path.relative_to(ROOT).as_posix()


def _imports(path):
    """Every module imported anywhere in a file, as dotted names; imports only for type checking are left out."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    skipped = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and getattr(node.test, "id", None) == "TYPE_CHECKING":
            skipped |= {id(each) for body in node.body for each in ast.walk(body)}
    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{_name(path)}: relative import"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def _top_level_imports(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in tree.body:
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node.module


def test_every_room_of_the_design_is_here():
    rooms = {path.name for path in ROOT.iterdir() if path.is_dir() and path.name != "__pycache__"}
    assert set(ALLOWED) <= rooms
    assert len(MODULES) > 40


@pytest.mark.parametrize("path", MODULES, ids=_name)
def test_imports_point_down(path):
    room = path.relative_to(ROOT).parts[0]
    allowed = ALLOWED.get(room, set())
    for name in _imports(path):
        pieces = name.split(".")
        if pieces[0] != "twonode" or len(pieces) < 2 or pieces[1] not in ALLOWED:
            continue
        simulated = _name(path).startswith("drivers/simulated/") and name.startswith(SIMULATED_MAY)
        assert pieces[1] in allowed or simulated, f"{_name(path)} imports {name}"


def test_pyvisa_is_imported_in_one_module_only():
    importers = {_name(path) for path in MODULES if any(n.split(".")[0] == "pyvisa" for n in _imports(path))}
    assert importers == {"drivers/link.py"}


def test_nothing_outside_the_simulated_bench_names_its_secrets():
    for path in MODULES:
        if _name(path).startswith("drivers/simulated/"):
            continue
        for name in _imports(path):
            assert not name.startswith(
                ("twonode.drivers.simulated.truth", "twonode.drivers.simulated.world")
            ), f"{_name(path)} imports {name}"


def test_analysis_and_acquire_cannot_reach_the_simulated_bench():
    for path in MODULES:
        if path.relative_to(ROOT).parts[0] in ("analysis", "acquire", "recordings"):
            assert not any(name.startswith("twonode.drivers.simulated") for name in _imports(path)), _name(
                path
            )


@pytest.mark.parametrize("path", [p for p in MODULES if p.relative_to(ROOT).parts[0] == "console"], ids=_name)
def test_the_console_loads_no_slow_package_before_it_is_needed(path):
    # The page's own modules are imported when the page is opened, and not before.
    allowed = {"nicegui", "uvicorn"} if _name(path).startswith("console/page/") else set()
    for name in _top_level_imports(path):
        assert name.split(".")[0] not in (SLOW | {"numpy"}) - allowed, (
            f"{_name(path)} imports {name} at the top"
        )


def _loaded_after(code):
    found = subprocess.run(
        [sys.executable, "-c", f"{code}; import sys; print(*sys.modules)"],
        check=True,
        capture_output=True,
        text=True,
        cwd=ROOT.parent,
    )
    return {name.split(".")[0] for name in found.stdout.split()}


def test_analysis_and_recordings_need_no_instrument_stack():
    loaded = _loaded_after(
        "import twonode.analysis, twonode.analysis.estimate, twonode.analysis.report, twonode.recordings"
    )
    assert "numpy" in loaded  # the listing works
    assert not loaded & {"pyvisa", "pyvisa_py", "click"}


def test_help_loads_nothing_slow():
    loaded = _loaded_after(
        "import sys, contextlib, io; sys.argv = ['twonode', '--help']\n"
        "from twonode.console.main import main\n"
        "with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit): main()\n"
        "pass"
    )
    assert "click" in loaded
    assert not loaded & (SLOW | {"numpy", "msgspec"})
