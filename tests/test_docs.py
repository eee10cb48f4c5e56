"""The documents against the program: whatever one names, the other has."""

import importlib
import pkgutil
import re
import shlex
import subprocess

import pytest

import logger
from analysis.arguments import examples_of
from analysis.manual import arguments, as_markdown, as_roff, commands, default, manual, term
from analysis.parser import COMMANDS, build_parser
from analysis.publish.settings import publishing
from logger.config import load_config
from logger.settings import Section
from logger.sources import open_source
from logger.sources.base import MODULES
from tests.conftest import ROOT
from tests.support.configurations import AFT_LOCKER

PARSERS = dict(commands(build_parser()))
REFERENCE = ROOT / "analysis/REFERENCE.md"
DOCUMENTS = ("README.md", "DEVELOPERS.md")


def sections():
    """Return every table of settings that the logger knows, wherever it is declared."""
    found = {}
    for module in pkgutil.walk_packages(logger.__path__, "logger."):
        if not module.name.endswith("__main__"):
            values = vars(importlib.import_module(module.name)).values()
            found |= {id(v): v for v in values if isinstance(v, Section)}
    return list(found.values())


def test_the_reference_is_what_the_program_says_now():
    assert REFERENCE.read_text(encoding="utf-8") == as_markdown(manual()), "run: make manual"


def test_the_reference_holds_every_setting_with_its_default():
    text = REFERENCE.read_text(encoding="utf-8")
    known = sections()
    assert len(known) > 20
    for section in known:
        for setting in section.settings:
            line = f"- `{setting.key}`: {setting.help}. Accepted: {setting.accepted()}. "
            assert f"{line}Default: {default(setting)}." in text, setting.key
    for kind in MODULES:
        assert f'[source] with kind = "{kind}"' in text


def test_the_reference_holds_every_command_and_option():
    text = REFERENCE.read_text(encoding="utf-8")
    assert [p for p in PARSERS if " " not in p] == list(COMMANDS)
    for path, parser in PARSERS.items():
        part = text.split(f"### ebbwatt {path}\n")[1].split("\n### ")[0]
        assert all(example in part for example in examples_of(parser))
        for action in arguments(parser):
            if "--help" not in action.option_strings and action.help is not None:
                assert f"- `{term(action)}`" in part, (path, term(action))


def test_the_manual_page_is_clean_roff(program, tmp_path):
    path = tmp_path / "ebbwatt.1"
    path.write_text(as_roff(manual()), encoding="utf-8")
    assert path.read_text(encoding="utf-8").isascii()
    groff = program("groff", "groff-base")
    done = subprocess.run(
        [groff, "-man", "-Tutf8", "-ww", "-b", path], capture_output=True, text=True, check=True
    )
    assert done.stderr == "", "no warning of any kind"
    shown = re.sub(r"\x1b\[[0-9;]*m|.\x08", "", done.stdout)
    for path in PARSERS:
        assert f"ebbwatt {path}" in " ".join(shown.split())
    for name in ("NAME", "SYNOPSIS", "EXIT STATUS", "CAUTIONS", "--completion", "°C"):
        assert name in shown


def test_the_page_comes_from_the_command(ebbwatt):
    assert ebbwatt("--man").stdout == as_roff(manual())


# --- examples ------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", PARSERS)
def test_every_help_has_an_example_that_the_program_takes(path):
    assert examples_of(PARSERS[path])
    for example in examples_of(PARSERS[path]):
        words = shlex.split(example)
        assert words[: 1 + len(path.split())] == ["ebbwatt", *path.split()]
        assert build_parser().parse_args(words[1:]).command == path.split()[0]


#: Not run here: they take long, need a device or several boats; all have tests of their own.
_NOT_RUN = {"demo", "log", "probe", "check", "event", "fleet"}


def test_the_examples_run(ebbwatt, tmp_path):
    (tmp_path / "ebbwatt.toml").write_text(
        AFT_LOCKER + "fitted = 2023-11-01\n"
        "[fuel]\n[log]\ninterval_s = 30\n[publish.textfile]\npath = 'charger.prom'\n"
    )
    rows = [f"{1700000000 + 30 * k},13.1,8.0,running" for k in range(2400)]
    head = "time,voltage_v,current_a,state\n"
    (tmp_path / "spring.csv").write_text(head + "\n".join(rows[:1200]) + "\n")
    (tmp_path / "summer.csv").write_text(head + "\n".join(rows[1200:]) + "\n")
    subprocess.run(["gzip", "summer.csv"], cwd=tmp_path, check=True)
    for name in ("candidates.toml", "audit.csv"):
        (tmp_path / name).write_bytes((ROOT / "fixtures" / name).read_bytes())

    def run(path):
        for example in examples_of(PARSERS[path]):
            done = ebbwatt(*shlex.split(example)[1:], cwd=tmp_path)
            # What is published goes into files alone.
            assert done.stdout.strip() or done.stderr.strip() or path == "publish", example

    run("import")
    ebbwatt("report", "--json", "last-year.json", cwd=tmp_path)
    ran = {"import"}
    for path in ("event add", "event tick", "event list", *COMMANDS):
        if path not in _NOT_RUN | ran:
            run(path)
            ran.add(path)
    assert {"watch", "report", "load", "fuel", "size"} <= ran
    listed = ebbwatt("event", "list", cwd=tmp_path).stdout
    assert "ticked by A. Fitter" in listed
    assert (tmp_path / "report.html").is_file()


# --- README and DEVELOPERS -----------------------------------------------------------------------


def test_the_table_of_commands_is_complete():
    rows = [
        line.split("|")[1]
        for line in (ROOT / "README.md").read_text(encoding="utf-8").splitlines()
        if line.startswith("| `ebbwatt")
    ]
    named = [word for row in rows for word in re.findall(r"`(?:ebbwatt )?([a-z]+)`", row)]
    assert sorted(named) == sorted(COMMANDS)


def test_the_readme_is_short():
    assert len((ROOT / "README.md").read_text(encoding="utf-8").splitlines()) <= 200


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_command_line_in_the_documents_is_taken(document):
    text = (ROOT / document).read_text(encoding="utf-8")
    lines = re.findall(r"^\$ (ebbwatt [^\n#]+)", text, re.MULTILINE)
    lines += [s for s in re.findall(r"`(ebbwatt [^`]+)`", text) if "COMMAND" not in s]
    assert len(lines) >= 3
    for line in lines:
        words = shlex.split(line)[1:]
        if ">" in words:
            words = words[: words.index(">")]
        known = {s for p in [build_parser(), *PARSERS.values()] for a in arguments(p)
                 for s in a.option_strings}  # fmt: skip
        assert words[0] in {*COMMANDS, *known}, line
        assert {w.split("=")[0] for w in words if w.startswith("--")} <= known, line


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_make_target_in_the_documents_exists_and_the_guide_has_them_all(document):
    text = (ROOT / document).read_text(encoding="utf-8")
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    targets = set(re.findall(r"^([a-z]+):.*## ", makefile, re.MULTILINE))
    named = set(re.findall(r"`make ([a-z]+)", text))
    assert named <= targets
    if document == "DEVELOPERS.md":
        assert targets - named <= {"help", "clean"}


def test_every_configuration_in_the_readme_is_good(tmp_path):
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```toml\n(.*?)```", text, re.DOTALL)
    assert len(blocks) >= 2
    for block in blocks:
        path = tmp_path / "ebbwatt.toml"
        path.write_text(block if "[charger]" in block else f"[charger]\nrated_w = 110\n{block}")
        config = load_config(path)
        if "[publish" in block:
            assert publishing(config).page is not None
        else:
            assert open_source(config).describe()
