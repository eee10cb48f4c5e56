"""The house has floors: each block of the analysis builds only on blocks below it.

The order of the blocks follows ISO 13374-1 (data manipulation, state detection, health
assessment, prognostic assessment, advisory generation), with what people see on top.
"""

import ast
import graphlib
from functools import cache

import pytest

from tests.conftest import ROOT

#: From the ground up; blocks on one floor do not import each other.
FLOORS = (
    {"estimate", "text", "physics", "interrupts", "guides", "units"},
    {"figures", "arguments"},
    {"history", "statistics"},
    {"inputs"},
    {"health"},
    {"load"},
    {"assessment"},
    {"fuel", "installation", "transfer", "probe"},
    {"sizing", "demo", "exchange"},
    {"fleet"},
    {"show"},
    {"study", "publish"},
    {"commands"},
    {"parser", "vocabulary"},
    {"manual"},
    {"completion"},
    {"cli"},
    {"__main__"},
)
MOST_MODULES = 15


def modules(package):
    """Yield dotted name and path of every module of a package."""
    for path in sorted((ROOT / package).rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        yield ".".join(parts[:-1] if parts[-1] == "__init__" else parts), path


KNOWN = dict(modules("logger")) | dict(modules("analysis"))


@cache
def imported(path):
    """Return the modules of the project that a file imports, wherever in it the import stands."""
    return tuple(_imported(path))


def _imported(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names if alias.name in KNOWN)
        elif isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                full = f"{node.module}.{alias.name}"
                if full in KNOWN or node.module in KNOWN:
                    yield full if full in KNOWN else node.module


def floor(module):
    """Return the floor on which a module of the analysis stands."""
    block = module.split(".")[1]
    found = [level for level, blocks in enumerate(FLOORS) if block in blocks]
    assert found, f"{module}: give its block a floor in tests/test_imports.py"
    return found[0]


def test_no_circle_of_imports():
    graph = {name: set(imported(path)) - {name} for name, path in KNOWN.items()}
    assert list(graphlib.TopologicalSorter(graph).static_order())


@pytest.mark.parametrize("name", [name for name in KNOWN if name.count(".") and "analysis" in name])
def test_no_import_from_a_higher_floor(name):
    block = name.split(".")[1]
    for other in imported(KNOWN[name]):
        if other.startswith("analysis.") and other.split(".")[1] != block:
            assert floor(other) < floor(name), f"{name} imports {other}"


def test_no_test_imports_another():
    # What several need stands in tests/support/.
    for path in sorted((ROOT / "tests").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                names = [f"{node.module}.{alias.name}" for alias in node.names]
            else:
                continue
            parts = {part for name in names for part in name.split(".")}
            assert not [p for p in parts if p.startswith("test_")], f"{path}: {names}"


#: As functions of pytest and as its marks.
SKIPS = {"skip", "skipif", "importorskip", "xfail"}


def test_no_test_skips_itself_unseen():
    # tests/support/missing.py fails in CI where something could be installed.
    for path in sorted((ROOT / "tests").rglob("*.py")):
        if path.name in {"missing.py", "test_missing.py"}:
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            place = f"{path}, line {getattr(node, 'lineno', 0)}"
            if isinstance(node, ast.Attribute) and node.attr in SKIPS:
                assert not ast.unparse(node).startswith("pytest."), place
            if isinstance(node, ast.ImportFrom) and node.module == "pytest":
                assert not SKIPS & {name.name for name in node.names}, place


def test_the_logger_knows_no_analysis():
    for name, path in modules("logger"):
        assert not [i for i in imported(path) if i.startswith("analysis")], name


def test_no_folder_of_too_many_modules():
    # One file a command: a list of equals, in which nobody searches.
    lists = {"analysis/commands"}
    counts: dict[str, int] = {}
    for path in (*KNOWN.values(), *(ROOT / "tests").rglob("*.py")):
        folder = str(path.parent.relative_to(ROOT))
        counts[folder] = counts.get(folder, 0) + (path.name != "__init__.py")
    crowded = {folder: n for folder, n in counts.items() if n > MOST_MODULES}
    assert crowded.keys() <= lists, crowded
