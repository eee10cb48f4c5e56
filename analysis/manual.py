"""The manual: every command, option and setting, from the parsers and tables that the program uses.

One collection of blocks is written as a manual page (roff with the macros of man(7)) and as the
reference in Markdown, so that neither can say what the program does not do.
"""

from __future__ import annotations

import argparse
import importlib
import sys
import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.arguments import examples_of
from analysis.guides import GUIDES
from analysis.parser import build_parser
from analysis.publish.settings import SECTIONS as PUBLISH_SECTIONS
from analysis.show.cautions import CAUTIONS, LIMITS
from analysis.show.glossary import GLOSSARY
from analysis.transfer.series.mapping import IMPORT
from analysis.vocabulary import lists
from logger import __version__
from logger.other_sources import OTHER_SOURCE
from logger.sections import SECTIONS, SERVICE
from logger.settings import REQUIRED, Section
from logger.sources.base import LINKS, MODULES
from logger.sources.decoders.checksum_setting import CRC
from logger.sources.decoders.frame import FRAME
from logger.sources.decoders.layouts import FRAMES
from logger.sources.description import DECODERS, DEVICE, POLL, REQUEST, TIMING
from logger.sources.fields import FIELD, FIELD_KEYS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from logger.settings import Setting


@dataclass(frozen=True, slots=True)
class Block:
    """A piece of the manual.

    ``kind`` is chapter, section, text, item (``head`` is the term) or example.
    """

    kind: str
    body: str
    head: str = ""


def manual() -> list[Block]:
    """Return the whole manual."""
    parser = build_parser()
    return [
        Block("chapter", "Name"),
        Block("text", f"ebbwatt - {_first_lower(parser.description or '')}"),
        Block("chapter", "Synopsis"),
        Block("example", "ebbwatt COMMAND [OPTION ...]\nebbwatt COMMAND --help"),
        Block("chapter", "Description"),
        *_paragraphs(parser.epilog or ""),
        *_arguments(parser),
        Block("chapter", "Commands"),
        *(block for path, sub in commands(parser) for block in _command(path, sub)),
        Block("chapter", "Configuration"),
        *_configuration(),
        Block("chapter", "Guides"),
        *_guides(),
        Block("chapter", "Glossary"),
        Block("text", "What the words on screens and pages mean."),
        *(Block("item", told, word) for word, told in GLOSSARY),
        *_LAST,
        Block("chapter", "Cautions"),
        *(Block("item", f"{c.text} ({c.source})", c.title) for c in CAUTIONS),
        Block("text", LIMITS),
    ]


_LAST = (
    Block("chapter", "Files"),
    Block("item", "looked for first, in the folder at hand", "ebbwatt.toml"),
    Block("item", "looked for next", "/etc/ebbwatt/ebbwatt.toml"),
    Block("chapter", "Environment"),
    Block("item", "if set, no colours", "NO_COLOR"),
    Block(
        "item",
        "where the live snapshot is kept, the first that is set; else ~/.local/state",
        "RUNTIME_DIRECTORY, XDG_RUNTIME_DIR, XDG_STATE_HOME",
    ),
    Block("chapter", "Exit status"),
    Block("item", "done", "0"),
    Block("item", "the work failed; standard error says why in one line", "1"),
    Block("item", "wrong use or configuration", "2"),
    Block("item", "ended by this signal: 130 by Ctrl-C, 141 by a closed pipe", "128 + signal"),
)


def commands(
    parser: argparse.ArgumentParser, path: str = ""
) -> Iterator[tuple[str, argparse.ArgumentParser]]:
    """Yield each command and action below a parser with the words that name it."""
    for action in arguments(parser):
        if isinstance(action, argparse._SubParsersAction):  # noqa: SLF001 - no public name
            for name, sub in action.choices.items():
                yield f"{path}{name}", sub
                yield from commands(sub, f"{path}{name} ")


def arguments(parser: argparse.ArgumentParser) -> list[argparse.Action]:
    """Return the arguments of a parser in the order of its help."""
    return parser._actions  # noqa: SLF001 - argparse has no public list of them


def term(action: argparse.Action) -> str:
    """Return how an argument is written: ``--days N``, ``FILE``."""
    value = str(action.metavar or "|".join(map(str, action.choices or ())) or action.dest)
    if not action.option_strings:
        return value
    names = ", ".join(action.option_strings)
    return names if action.nargs == 0 else f"{names} {value}"


def default(setting: Setting) -> str:
    """Say what holds where a setting is left out."""
    value = setting.default
    if value is REQUIRED:
        return "must be given"
    if value is None or value in ("", [], {}):
        return "none"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return f"{value:.12g}"
    # A tab would look like blanks; TOML reads it written like this.
    shown = str(value).replace("\t", "\\t")
    return f'"{shown}"'


def _command(path: str, parser: argparse.ArgumentParser) -> Iterator[Block]:
    yield Block("section", f"ebbwatt {path}")
    yield from _paragraphs(parser.description or "")
    yield from _arguments(parser)
    if examples := examples_of(parser):
        yield Block("example", "\n".join(examples))


def _arguments(parser: argparse.ArgumentParser) -> Iterator[Block]:
    for action in arguments(parser):
        if "--help" not in action.option_strings and action.help not in {None, argparse.SUPPRESS}:
            told = str(action.help) % {**vars(action), "prog": parser.prog}
            yield Block("item", told, term(action))


def _configuration() -> Iterator[Block]:
    yield Block(
        "text",
        "A TOML file. An unknown key is an error that names the nearest known one. Paths are "
        "relative to the file.",
    )
    for section in (*SECTIONS, SERVICE, *PUBLISH_SECTIONS):
        yield from _section(f"[{section.name}]", section)
    yield from _section("[[other_sources]]", OTHER_SOURCE)
    yield from _section("[import]", IMPORT)
    yield Block(
        "text",
        'Names in [import.fields] are written NAME or NAME{label="value"}: a series of Prometheus '
        "by name and labels, a field of line protocol as measurement.field and its tags, a column "
        "of Parquet by its name. A state may be a word, or be told by one series a word that is 1 "
        "while it holds: NAME{label=\"*\"}. What 'ebbwatt publish' wrote, and columns named as in "
        "a recording, need no mapping.",
    )
    yield Block(
        "example",
        "[import.fields]\nvoltage_v = 'charger_volts{boat=\"Dabchick\"}'\n"
        'current_a = { from = "charger_milliamps", unit = "mA" }\nstate = "charger_mode"\n\n'
        '[import.states]\n1 = "running"\n0 = "standby"',
    )
    yield from _source()
    yield from _decoders()
    for title, introduction, items in lists():
        yield Block("section", title)
        yield Block("text", introduction)
        yield from (Block("item", body, head) for head, body in items)


def _source() -> Iterator[Block]:
    modules = {kind: importlib.import_module(name) for kind, name in MODULES.items()}
    for kind, module in modules.items():
        yield from _section(f'[source] with kind = "{kind}"', module.SETTINGS)
    from logger.sources.several.together import EACH

    yield from _section("[[source]] twice", EACH)
    for table, kind in LINKS.items():
        yield from _section(f'[source.{table}], for kind = "{kind}"', modules[kind].TABLE)
    yield from _section("[source.device]", DEVICE)
    yield from _section("[source.poll]", POLL)
    yield from _section("an entry of send in [source.poll]", REQUEST)
    yield from _section("[source.timing]", TIMING)
    yield from _section("[source.fields]", FIELD)
    yield Block(
        "text",
        f"Keys of [source.fields]: {', '.join(FIELD_KEYS)}; each is a name, or a table with the "
        f"settings above. [source.states] gives each state word of the device its operating "
        f"state; a number may stand there as 16 or as 0x10.",
    )
    yield Block(
        "text",
        "A message that does not decode, or that holds no value of [source.fields], does no harm: "
        "it is counted and left out. Lines of kind pattern that are known to be of no interest "
        "have a pattern without a group; frames are named in ignore.",
    )


def _decoders() -> Iterator[Block]:
    for section in decoder_sections():
        yield from _section(
            f'[source.decoder] with kind = "{section.settings[0].default}"', section
        )
        if section is FRAME:
            yield from _section("an entry of [[source.decoder.frames]]", FRAMES)
    yield from _section("a table as checksum in [source.decoder]", CRC)


def _guides() -> Iterator[Block]:
    for guide in GUIDES:
        yield Block("section", guide.title)
        for part in guide.parts:
            if part[0] == " ":
                yield Block("example", textwrap.dedent(part))
            else:
                yield from _paragraphs(part)


def decoder_sections() -> list[Section]:
    """Return what the decoders accept, in the order in which they are registered."""
    found: dict[str, Section] = {}
    for module, _ in DECODERS.values():
        for value in vars(importlib.import_module(module)).values():
            if isinstance(value, Section) and value.name == "decoder":
                found.setdefault(str(value.settings[0].default), value)
    return [found[kind] for kind in DECODERS]


def _section(title: str, section: Section) -> Iterator[Block]:
    yield Block("section", title)
    yield from _paragraphs(section.help[:1].upper() + section.help[1:] + ".")
    for setting in section.settings:
        body = f"{setting.help}. Accepted: {setting.accepted()}. Default: {default(setting)}."
        yield Block("item", body, setting.key)


def _paragraphs(text: str) -> Iterator[Block]:
    for piece in text.split("\n\n"):
        if piece.strip():
            yield Block("text", " ".join(piece.split()))


def _first_lower(text: str) -> str:
    return text[:1].lower() + text[1:]


def as_roff(blocks: list[Block]) -> str:
    """Return the manual as a manual page of section 1."""
    lines = [f'.TH EBBWATT 1 "" "ebbwatt {__version__}" "User commands"']
    for block in blocks:
        body = _roff(block.body)
        if block.kind == "chapter":
            lines.append(f".SH {body.upper()}")
        elif block.kind == "section":
            lines.append(f".SS {body}")
        elif block.kind == "item":
            lines += [".TP", f"\\fB{_roff(block.head)}\\fR", body]
        elif block.kind == "example":
            lines += [".PP", ".RS 4", ".nf", *map(_roff, block.body.splitlines()), ".fi", ".RE"]
        else:
            lines += [".PP", body]
    return "\n".join(lines) + "\n"


def _roff(text: str) -> str:
    """Escape a line of text; see groff_char(7) for the names of characters."""
    text = text.replace("\\", "\\(rs").replace("-", "\\-").replace('"', "\\(dq")
    text = "".join(c if c.isascii() else f"\\[u{ord(c):04X}]" for c in text)
    return f"\\&{text}" if text[:1] in {".", "'"} else text


def as_markdown(blocks: list[Block]) -> str:
    """Return the manual as Markdown."""
    lines = ["# Reference", "", "Written by `make manual` from the program itself: do not edit."]
    before = ""
    for block in blocks:
        if not (block.kind == before == "item"):
            lines.append("")
        before = block.kind
        if block.kind == "chapter":
            lines.append(f"## {block.body}")
        elif block.kind == "section":
            lines.append(f"### {block.body}")
        elif block.kind == "item":
            lines.append(f"- `{block.head}`: {block.body}")
        elif block.kind == "example":
            lines += ["```", block.body, "```"]
        else:
            lines.append(block.body)
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    sys.stdout.write(as_markdown(manual()))
