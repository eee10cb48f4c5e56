"""Every command line that the program's texts and guides advise is one that the program takes."""

import ast
import re
import shlex
from pathlib import Path

import pytest

from analysis.parser import build_parser
from logger.errors import UsageError

ROOT = Path(__file__).parent.parent
_LINE = re.compile(r"(^|[^\w/.-])ebbwatt ([a-z][^\n]*)")
#: What stands for a figure or a day in a text.
_FOR = {"A": "5", "V": "13.2", "L": "10", "N": "1", "NUMBER": "1", "DAY": "2024-06-01"}
_DAY = "2024-06-01"


def texts(path):
    """Return the texts of a module with their lines, docstrings and comments left out."""
    source = path.read_text(encoding="utf-8")
    if "ebbwatt" not in source:
        return
    told = set()
    for node in ast.walk(ast.parse(source)):
        if id(node) in told:
            continue
        # What a docstring or a formatted string consists of comes later in the walk than itself.
        body = getattr(node, "body", None)
        if isinstance(body, list):
            told |= {id(e.value) for e in body if isinstance(e, ast.Expr)}
        if isinstance(node, ast.JoinedStr):
            told |= {id(value) for value in node.values}
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.lineno, node.value
        elif isinstance(node, ast.JoinedStr):
            yield (
                node.lineno,
                "".join(str(v.value) if isinstance(v, ast.Constant) else "{}" for v in node.values),
            )


def commands(text):
    """Return the command lines in a text: up to the closing quote, else to the clause's end."""
    for quote, rest in _LINE.findall(text):
        if quote in {"'", "`", '"'}:
            yield rest.partition(quote)[0]
        else:
            yield re.split(r"[,;)]|\.(?=\s|$)(?!\sFitter)|:(?=\s)|\s{2}|\s(?=\| )|\">", rest)[0]


#: Where a guide names a command line: in quotes or backquotes, or typed behind a prompt.
_IN_GUIDES = re.compile(
    r"`ebbwatt ([a-z][^`]*)`|'ebbwatt ([a-z][^']*)'|^\$ (?:sudo )?ebbwatt ([a-z].*)$", re.MULTILINE
)
GUIDES = ("README.md", "DEVELOPERS.md", "analysis/REFERENCE.md")


@pytest.fixture(scope="module")
def advised():
    """Return each command line that is advised, and where."""
    in_texts = {
        (command.strip(), f"{path.relative_to(ROOT)}:{line}")
        for folder in ("analysis", "logger")
        for path in (ROOT / folder).rglob("*.py")
        for line, text in texts(path)
        for command in commands(text)
    }
    in_guides = {
        ("".join(found).partition("  #")[0].strip(), guide)
        for guide in GUIDES
        for found in _IN_GUIDES.findall((ROOT / guide).read_text(encoding="utf-8"))
    }
    return sorted(in_texts | in_guides)


@pytest.fixture(scope="module")
def parser():
    return build_parser()


def words_of(command):
    """Return a command's words, with figures and days where a text has letters for them."""
    words = shlex.split(command)
    for k, word in enumerate(words):
        before = words[k - 1] if k else ""
        if before == "--at":
            words[k] = _DAY
        else:
            words[k] = _FOR.get(word, word).replace("{}", "1")
    return words


def taken(parser, command):
    """Say why the program does not take a command line; empty where it does."""
    words = words_of(command)
    try:
        parser.parse_args(words)
    except UsageError as error:
        # A text may name a command, or a part of one, without what it needs: 'ebbwatt event tick'.
        name = len(words) == 1 or " ".join(words) in PARTS
        if "are required" in str(error) and name:
            return ""
        return str(error)
    except SystemExit as ended:  # --help
        return "" if ended.code in (0, None) else "it ends"
    return ""


#: Commands of two words that a text may name without what they need.
PARTS = ("event add", "event tick", "event strike", "fleet take")


def test_texts_advise_commands(advised):
    told = [command for command, _ in advised]
    assert len(advised) > 100
    assert {place for _, place in advised} >= set(GUIDES)
    assert "event add fuel --litres 10" in told
    assert any(c.startswith("exchange --at") for c in told)


def test_every_advised_command_is_one_that_the_program_takes(parser, advised):
    said = {f"{place}: ebbwatt {command}": taken(parser, command) for command, place in advised}
    assert {line: why for line, why in said.items() if why} == {}


@pytest.mark.parametrize(
    "wrong",
    [
        "event add container",
        "report --paper FILE",
        "event tick NAME",
        "probe --write",
        "exchang --at DAY",
    ],
)
def test_a_wrong_command_is_noticed(parser, wrong):
    assert taken(parser, wrong)
