"""Completion for bash, written from the parsers: commands, actions, options and fixed choices.

Where none of these fits, bash completes file names.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.manual import arguments, commands

if TYPE_CHECKING:
    import argparse

_SCRIPT = """\
# Completion of ebbwatt for bash, written by 'ebbwatt --completion bash'.
_ebbwatt() {{
    local path="" i
    for ((i = 1; i < COMP_CWORD; i++)); do
        case "$path ${{COMP_WORDS[i]}}" in
            {paths}) path="$path ${{COMP_WORDS[i]}}" ;;
        esac
    done
    local words=""
    case "$path" in
{cases}
    esac
    mapfile -t COMPREPLY < <(compgen -W "$words" -- "${{COMP_WORDS[COMP_CWORD]}}")
}}
complete -o default -F _ebbwatt ebbwatt
"""


def bash(parser: argparse.ArgumentParser) -> str:
    """Return a script for bash that completes the command line of a parser."""
    known = dict(commands(parser))
    cases = {"": _words(parser)} | {f" {path}": _words(sub) for path, sub in known.items()}
    return _SCRIPT.format(
        paths=" | ".join(f'" {path}"' for path in known),
        cases="\n".join(f'        "{path}") words="{words}" ;;' for path, words in cases.items()),
    )


def _words(parser: argparse.ArgumentParser) -> str:
    words: list[str] = []
    for action in arguments(parser):
        words += action.option_strings
        words += map(str, action.choices or ())
    return " ".join(words)
