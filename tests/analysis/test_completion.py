"""Completion in real shells: keys are typed, and the command shows what it was given."""

import os
import select
import subprocess
import time

import pytest

from analysis.completion import completion
from analysis.parser import COMMANDS, SHELLS, build_parser, command_module
from tests.support.missing import program

STARTS = {
    "bash": (["--norc", "--noprofile", "-i"], ". ./_ebbwatt"),
    # Without what the system's own start files set.
    "zsh": (["-f", "-i"], "fpath=($PWD $fpath); autoload -Uz compinit; compinit -u -D"),
}


class Shell:
    """An interactive shell on a pseudo-terminal, into which keys are typed."""

    def __init__(self, path, folder, arguments):
        self.end, line = os.openpty()
        self.process = subprocess.Popen(
            [path, *arguments], cwd=folder, stdin=line, stdout=line, stderr=line,
            env={"PATH": os.environ["PATH"], "TERM": "dumb", "HOME": str(folder)},
            start_new_session=True,
        )  # fmt: skip
        os.close(line)
        self.shown = b""

    def type(self, keys):
        os.write(self.end, keys.encode())

    def until(self, word, limit_s=200.0):
        """Read on until a word is shown; return what came before it."""
        end_s = time.monotonic() + limit_s
        while word.encode() not in self.shown:
            left_s = end_s - time.monotonic()
            assert left_s > 0, self.shown
            if select.select([self.end], [], [], left_s)[0]:
                self.shown += os.read(self.end, 4096)
        before, _, self.shown = self.shown.partition(word.encode())
        return before.decode(errors="replace")

    def kill(self):
        self.process.kill()
        self.process.wait()
        os.close(self.end)


@pytest.fixture(scope="module", params=STARTS)
def shell(request, tmp_path_factory, run_ebbwatt):
    """Return a shell that knows the completion, in which ``ebbwatt`` shows its arguments."""
    path = program(request.param, request.param)
    folder = tmp_path_factory.mktemp("shell")
    for name in ("report.html", "talk.jsonl"):
        (folder / name).touch()
    script = run_ebbwatt("--completion", request.param).stdout
    (folder / "_ebbwatt").write_text(script)
    arguments, start = STARTS[request.param]
    shell = Shell(path, folder, arguments)
    # What is typed is shown as well: no word that is waited for stands in it as it is.
    shell.type(start + "; ebbwatt() { printf '<%s> ' \"$@\"; echo e''nd; }; echo go''es\n")
    shell.until("goes")
    yield shell
    shell.kill()


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("rep", "<report>"),
        ("report --ht", "<report> <--html>"),
        ("event str", "<event> <strike>"),
        ("event add ser", "<event> <add> <service>"),
        ("export --format js", "<export> <--format> <jsonl>"),
        ("watch --config report.h", "<watch> <--config> <report.html>"),
        ("report --html repo", "<report> <--html> <report.html>"),
        ("import tal", "<import> <talk.jsonl>"),
        ("--completion z", "<--completion> <zsh>"),
    ],
)
def test_a_shell_completes_commands_options_choices_and_files(shell, typed, words):
    shell.type(f"ebbwatt {typed}\t\n")
    assert words + " " in shell.until("end")


@pytest.mark.parametrize("kind", SHELLS)
def test_the_completion_comes_from_the_command(ebbwatt, kind):
    script = ebbwatt("--completion", kind).stdout
    assert script == completion(build_parser(), kind)
    # The lines that a shell shows for a command are those of the help.
    assert kind == "bash" or all(
        command_module(name).HELP.split("'")[0] in script for name in COMMANDS
    )
