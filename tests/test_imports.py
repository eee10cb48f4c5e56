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


PACKAGES = ("analysis", "logger")
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


def private(name):
    """Tell whether a name begins with an underscore and is none of Python's own, as __main__ is."""
    return name.startswith("_") and not name.endswith("__")


def imported_by_name(tree):
    """Return what a test imports from the program: its name here, and its whole name."""
    return {
        alias.asname or alias.name: f"{node.module}.{alias.name}"
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith(PACKAGES)
        for alias in node.names
    }


def reached_for(tree):
    """Return the private names of the program's modules that a test imports, reads or replaces.

    They stand as attributes of a module, as the second argument of a call (setattr), and in texts.
    """
    imported_names = imported_by_name(tree)
    found = [f for f in imported_names.values() if any(private(part) for part in f.split("."))]
    here = {name for name, full in imported_names.items() if full in KNOWN}
    for node in ast.walk(tree):
        match node:
            case ast.Attribute(value=ast.Name(id=of), attr=name):
                found += [f"{of}.{name}"] if of in here and private(name) else []
            case ast.Call(args=[ast.Name(id=of), ast.Constant(value=str(name)), *_]):
                found += [f"{of}.{name}"] if of in here and private(name) else []
            case ast.Constant(value=str(path)) if path.startswith(PACKAGES):
                module, _, name = path.rpartition(".")
                found += [path] if module in KNOWN and private(name) else []
    return found


def test_no_test_reaches_for_the_private_names_of_a_module():
    # A rule that a test asks directly has a name and a docstring of its own.
    for path in sorted((ROOT / "tests").rglob("*.py")):
        found = reached_for(ast.parse(path.read_text(encoding="utf-8")))
        assert not found, f"{path}: {found}: ask what is public, or make it public"


@pytest.mark.parametrize(
    "line",
    [
        "from analysis.units import _owners",
        "from analysis import units\nunits._owners",
        "from analysis import units\npatch.setattr(units, '_owners', [])",
        "patch.setattr('analysis.units._owners', [])",
        "from analysis._hidden import rule",
    ],
)
def test_a_private_name_is_seen_however_it_is_reached(line):
    assert len(reached_for(ast.parse(line))) == 1
    assert not reached_for(ast.parse(line.replace("_", "")))


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


@pytest.mark.parametrize(
    ("starts", "safely"), [("subprocess", "child_command("), ("multiprocessing", "safe_path(")]
)
def test_children_look_for_no_module_in_the_current_folder(starts, safely):
    # tests/commands/every/test_strange_folder.py runs every command in such a folder.
    found = []
    for path in KNOWN.values():
        text = path.read_text(encoding="utf-8")
        if f"import {starts}\n" in text and f"{starts}." in text.replace(
            f"{starts}.connection", ""
        ):
            found.append(path.name)
            assert safely in text, f"{path}: start the child by {safely[:-1]}"
    assert found


def test_no_folder_of_too_many_modules():
    # One file a command: a list of equals, in which nobody searches.
    lists = {"analysis/commands"}
    counts: dict[str, int] = {}
    for path in (*KNOWN.values(), *(ROOT / "tests").rglob("*.py")):
        folder = str(path.parent.relative_to(ROOT))
        counts[folder] = counts.get(folder, 0) + (path.name != "__init__.py")
    crowded = {folder: n for folder, n in counts.items() if n > MOST_MODULES}
    assert crowded.keys() <= lists, crowded
