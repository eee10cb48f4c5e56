"""Breaks the code on purpose and looks whether the tests of its room notice.

``python -m tests.bench.mutants health`` takes 20 mutants of the room by a seed: a comparison, an
operator, a number, a limit or a branch is turned round at one place. Each is tried on a copy of the
tree in a temporary folder, so that an interruption leaves nothing behind. Without a room: all.
"""

import argparse
import ast
import os
import py_compile
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
import traceback
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def _mirrored(room, *quick):
    """Return the test files of a room, those first that call single functions on small arrays.

    A mutant that they notice takes seconds. Files are named one by one, because pytest puts those
    of a folder into the order of their names.
    """
    files = sorted((ROOT / "tests/analysis" / room).glob("test_*.py"))
    files.sort(key=lambda p: quick.index(p.stem[5:]) if p.stem[5:] in quick else len(quick))
    return [str(path.relative_to(ROOT)) for path in files]


#: By room: where mutants are made, and the tests that should notice, the quick ones first.
ROOMS = {
    "history": (
        ["analysis/history/*.py"],
        ["tests/analysis/history", "tests/analysis/load", "tests/analysis/health"],
    ),
    "health": (
        ["analysis/health/*.py"],
        [
            *_mirrored(
                "health",
                *("trend", "run_output", "warm_up", "sag", "limiter", "heat", "since_start"),
                *("life", "evidence"),
            ),
            "tests/analysis/assessment/test_assess.py",
        ],
    ),
    "assessment": (
        ["analysis/assessment/*.py"],
        [
            *_mirrored(
                "assessment",
                *("verdict", "usage", "account", "document", "step_causes", "case"),
                *("assess_parts", "forecast", "two_runs", "service", "from_new"),
            ),
            "tests/analysis/health/test_forms.py",
        ],
    ),
    "inputs": (
        ["analysis/inputs/*.py", "analysis/inputs/channels/*.py"],
        # Seasons take long to sail: of the others only the tests of the module's own name.
        [
            f"tests/analysis/inputs/test_{name}.py"
            for name in ("finding", "dates", "mended", "every_code")
        ],
    ),
    "load": (
        ["analysis/load/*.py", "analysis/load/sources/*.py"],
        [
            *_mirrored(
                "load",
                *("balance", "stretches", "daily_parts", "other_sources", "held_voltage", "sun"),
                *("doubts", "result", "declared", "required_power", "battery_limited"),
                *("charge_books", "bank"),
            ),
            "tests/analysis/fuel",
        ],
    ),
    "fuel": (
        ["analysis/fuel/*.py"],
        _mirrored(
            "fuel",
            *("outlook_parts", "cross_check", "wear", "consumption", "dry_stops", "passage"),
        ),
    ),
    "store": (
        [
            "logger/interval.py",
            "logger/recorder.py",
            "logger/store/writer.py",
            "logger/store/records.py",
            "logger/store/blocks.py",
            "analysis/history/columns.py",
            "analysis/history/history.py",
        ],
        [
            "tests/logger/test_interval.py",
            "tests/logger/test_recorder.py",
            "tests/logger/store/test_writer.py",
            "tests/logger/store/test_blocks.py",
            "tests/logger/store/test_raw.py",
            "tests/logger/store/test_events.py",
            "tests/logger/store/test_faults.py",
            "tests/logger/test_clock.py",
            "tests/analysis/history",
        ],
    ),
}
#: Without what takes a minute and more.
QUICK = (
    "not cut_at_any_statement and not never_outlives_a_change"
    " and not noisy_lives and not lives_without_one"
)
#: A mutant that makes the tests go on for longer than this has been noticed, s.
LONGEST_S = 400.0
#: A mutant that asks for more memory than this fails, bytes: one asked for a grid of centuries.
MOST_MEMORY = 6 * 2**30

COMPARISONS = {
    ast.Lt: ["<=", ">"],
    ast.LtE: ["<", ">="],
    ast.Gt: [">=", "<"],
    ast.GtE: [">", "<="],
    ast.Eq: ["!="],
    ast.NotEq: ["=="],
    ast.Is: ["is not"],
    ast.IsNot: ["is"],
    ast.In: ["not in"],
    ast.NotIn: ["in"],
}
OPERATORS = {
    ast.Add: "-",
    ast.Sub: "+",
    ast.Mult: "/",
    ast.Div: "*",
    ast.Pow: "*",
    ast.BitAnd: "|",
    ast.BitOr: "&",
}
NAMES = {"min": "max", "max": "min", "minimum": "maximum", "maximum": "minimum"}


def mutants(path):  # noqa: C901, PLR0912 - a list of cases
    """Yield (line, old, new, new text of the file) for every place that can be turned round."""
    text = (ROOT / path).read_text(encoding="utf-8")
    data = text.encode()
    starts = [0]
    for line in data.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))

    def at(line, column):
        return starts[line - 1] + column

    def changed(node, new):
        first, last = at(node.lineno, node.col_offset), at(node.end_lineno, node.end_col_offset)
        old = data[first:last].decode()
        return node.lineno, old, new, (data[:first] + new.encode() + data[last:]).decode()

    def source(node):
        return ast.get_source_segment(text, node)

    tree = ast.parse(text)
    quiet = {id(n) for n in ast.walk(tree) if isinstance(n, ast.arg) for n in ast.walk(n)}
    for node in ast.walk(tree):
        # Types are not run.
        for name in ("annotation", "returns"):
            if (part := getattr(node, name, None)) is not None:
                quiet |= {id(n) for n in ast.walk(part)}
        if isinstance(node, ast.If) and source(node.test) == "TYPE_CHECKING":
            quiet |= {id(n) for n in ast.walk(node)}
        if isinstance(node, ast.Raise | ast.JoinedStr):
            quiet |= {id(n) for n in ast.walk(node)}
        if isinstance(node, ast.keyword) and node.arg in {"frozen", "slots", "encoding"}:
            quiet |= {id(n) for n in ast.walk(node)}
    for node in ast.walk(tree):
        if id(node) in quiet:
            continue
        if isinstance(node, ast.Compare) and len(node.ops) == 1:
            for new in COMPARISONS[type(node.ops[0])]:
                yield changed(node, f"{source(node.left)} {new} {source(node.comparators[0])}")
        elif isinstance(node, ast.BinOp) and (new := OPERATORS.get(type(node.op))):
            yield changed(node, f"({source(node.left)}) {new} ({source(node.right)})")
        elif isinstance(node, ast.BoolOp):
            new = " or " if isinstance(node.op, ast.And) else " and "
            yield changed(node, new.join(f"({source(value)})" for value in node.values))
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub | ast.Invert):
            yield changed(node, f"({source(node.operand)})")
        elif isinstance(node, ast.Constant) and type(node.value) in {int, float}:
            yield changed(node, repr(node.value + 1 if node.value in {0, 1} else node.value * 2))
        elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
            yield changed(node, repr(not node.value))
        elif isinstance(node, ast.Name) and node.id in NAMES:
            yield changed(node, NAMES[node.id])
        elif isinstance(node, ast.Attribute) and node.attr in NAMES:
            yield changed(node, f"{source(node.value)}.{NAMES[node.attr]}")
        elif isinstance(node, ast.IfExp):
            body, other = source(node.orelse), source(node.body)
            yield changed(node, f"{body} if {source(node.test)} else {other}")
        elif isinstance(node, ast.If):
            yield changed(node.test, f"not ({source(node.test)})")
        elif (
            isinstance(node, ast.Call)
            and isinstance(node.func, ast.Attribute)
            and node.func.attr == "where"
            and len(node.args) == 3
        ):
            test, yes, no = (source(argument) for argument in node.args)
            yield changed(node, f"{source(node.func)}({test}, {no}, {yes})")


def taken(room, count, seed):
    """Return ``count`` mutants of a room, each module in turn, by chance within a module."""
    rng = random.Random(f"{room} {seed}")
    files = [p.relative_to(ROOT) for pattern in ROOMS[room][0] for p in ROOT.glob(pattern)]
    piles = []
    for path in sorted(files):
        pile = [(path, *mutant) for mutant in mutants(path)]
        rng.shuffle(pile)
        if pile:
            piles.append(pile)
    rng.shuffle(piles)
    found, turn = [], 0
    while len(found) < count and any(piles):
        pile = piles[turn % len(piles)]
        turn += 1
        if pile:
            mutant = pile.pop()
            try:
                compile(mutant[-1], str(mutant[0]), "exec")
            except SyntaxError:
                continue
            found.append(mutant)
    return found


def copy_tree(place):
    """Copy what tests need, with bytecode that is held against the source itself."""
    for name in ("analysis", "logger", "tests", "fixtures", "systemd"):
        shutil.copytree(ROOT / name, place / name, ignore=shutil.ignore_patterns("__pycache__"))
    for path in ROOT.iterdir():
        if path.is_file() and path.name != ".coverage":
            shutil.copy(path, place)
    for path in place.rglob("*.py"):
        py_compile.compile(
            str(path), invalidation_mode=py_compile.PycInvalidationMode.CHECKED_HASH, doraise=True
        )


def _in_child(place, tests, log):
    os.setsid()
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
    os.chdir(place)
    with log.open("wb") as out:
        os.dup2(out.fileno(), 1)
        os.dup2(out.fileno(), 2)
    import pytest

    for name in [n for n in sys.modules if n.split(".")[0] == "tests"]:
        del sys.modules[name]
    sys.path[:] = [str(place), *(p for p in sys.path if Path(p).resolve() != ROOT)]
    os.environ["PYTHONPATH"] = str(place)
    os.environ["EBBWATT_SAILED"] = str(place)
    return int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", "--tb=no", "-k", QUICK, *tests]))


def tested(place, tests, log):
    """Run tests on the copy in a child that has the heavy libraries already; return its status.

    None if it took too long.
    """
    child = os.fork()
    if child == 0:
        try:
            os._exit(_in_child(place, tests, log))
        except BaseException:  # noqa: BLE001 - told, and the child ends here in any case
            traceback.print_exc()
        finally:  # whatever happened: nothing of the parent's clearing up is for the child
            os._exit(3)
    end_s = time.monotonic() + LONGEST_S
    while time.monotonic() < end_s:
        if (done := os.waitpid(child, os.WNOHANG))[0]:
            return os.waitstatus_to_exitcode(done[1])
        time.sleep(0.05)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return None


def own_first(tests, path):
    """Return the tests with those of the module's own name first: they notice it soonest."""
    own = str(Path("tests", path.parent, f"test_{path.stem}.py"))
    if not (ROOT / own).exists():
        return tests
    return [own, *(test for test in tests if test != own)]


def try_all(room, count, seed):
    """Try the mutants of a room; print each, and return how many were killed, and how many made."""
    tests = [t for t in ROOMS[room][1] if (ROOT / t).exists()]
    killed, made = 0, 0
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        place, log = Path(folder) / "tree", Path(folder) / "log"
        place.mkdir()
        copy_tree(place)
        if (status := tested(place, tests, log)) != 0:
            raise SystemExit(f"{room}: its tests fail as it is ({status}):\n{log.read_text()}")
        sound = set(tests)
        for path, line, old, new, text in taken(room, count, seed):
            plain = (place / path).read_text(encoding="utf-8")
            asked = own_first(tests, path)
            if asked[0] not in sound and not Path(asked[0]).is_dir():
                if (status := tested(place, asked[:1], log)) != 0:
                    raise SystemExit(f"{asked[0]} fails as it is ({status})")
                sound.add(asked[0])
            (place / path).write_text(text, encoding="utf-8")
            begun_s = time.monotonic()
            status = tested(place, asked, log)
            (place / path).write_text(plain, encoding="utf-8")
            by = [x for x in log.read_text(errors="replace").splitlines() if " " in x]
            by = [x.split()[1] for x in by if x.startswith(("FAILED", "ERROR"))]
            if status not in {0, 1, 2, None}:
                raise SystemExit(f"pytest itself failed ({status}):\n{log.read_text()}")
            # 0: all passed; 1: a test failed; 2: it could not even be imported.
            died = status != 0
            killed, made = killed + died, made + 1
            words = f"{by[0].rpartition('::')[2] if by else status}" if died else "LIVES"
            shown = " ".join(f"{old}  ->  {new}".split())
            took = time.monotonic() - begun_s
            print(f"{room} {path}:{line}: {shown}: {words} ({took:.0f} s)", flush=True)
    return killed, made


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("rooms", nargs="*", choices=[[], *ROOMS])
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    # Loaded once, before the children are made; nothing of the project itself.
    import numpy as np  # noqa: F401
    import pytest  # noqa: F401
    import rich.console  # noqa: F401
    import scipy.optimize
    import scipy.special  # noqa: F401

    for name in [n for n in sys.modules if n.split(".")[0] in {"analysis", "logger"}]:
        raise SystemExit(f"{name} is loaded already")
    sys.dont_write_bytecode = True
    for room in args.rooms or ROOMS:
        killed, made = try_all(room, args.count, args.seed)
        print(f"{room}: {killed} of {made} killed", flush=True)


if __name__ == "__main__":
    main()
