"""``ebbwatt check``: is a configuration or a description right, and does it fit a recording."""

from __future__ import annotations

import importlib
import os
import re
import sys
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.figures import hours_words
from analysis.text import harmless, say
from analysis.units import read_as
from logger.config import config_of, find_config, load_config
from logger.errors import ConfigError, EbbwattError, UsageError
from logger.refusals import one_line, printable
from logger.store.file_format.carried import is_database

if TYPE_CHECKING:
    import argparse

    from logger.config import Config
    from logger.sources.base import Source
    from logger.sources.description import Description

#: Rows of a recording that are looked at for its rhythm (our choice, read in a moment).
_FIRST_ROWS = 20_000
#: Questions of a capture that the description does not ask, of which so many are counted.
_MOST_OTHERS = 64
#: The usual size of a file system's blocks: with it each commit writes nearly twice what it writes
#: with 1024 bytes; see tests/bench/wear.py.
_USUAL_BLOCKS = 4096

HELP = "check a configuration, or a device's description against what it said"
DESCRIPTION = (
    "Checks ebbwatt.toml and its database, or the description of a device in a file of its own, "
    "without a device and without storing anything. With --against, decodes a capture or a plain "
    "file of bytes with it and says what matched."
)
EXAMPLE = "ebbwatt check fixtures/devices/text-lines.toml --against talk.jsonl"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of this command."""
    parser.add_argument(
        "file",
        type=Path,
        nargs="?",
        metavar="FILE",
        help="a configuration or a description (default: the configuration)",
    )
    parser.add_argument(
        "--against",
        type=Path,
        metavar="RECORDING",
        help="a capture made by 'ebbwatt probe --capture FILE', or a file of bytes, to decode "
        "with it",
    )
    parser.add_argument(
        "--mend",
        action="store_true",
        help="set a damaged database aside and keep what can be read of it in a new one",
    )
    parser.add_argument(
        "--log",
        action="store_true",
        help="say whether the sensors behind the log can be believed; status 1 if there is a doubt",
    )


def run(args: argparse.Namespace) -> int:
    """Check, and decode if asked to."""
    path = args.file or find_config(args.config)
    try:
        description, config, trouble = _check(path, mend=args.mend)
    except ConfigError as error:
        found = {*error.errors, *_errors_behind(path)}
        for line in sorted(sorted(found), key=_line_number):
            say(f"ebbwatt: {one_line(line)}", file=sys.stderr)
        return error.exit_status
    if args.log:
        config = load_config(path)
        read_as(config.boat)
        return max(_question_log(config), int(trouble))
    if args.against is None:
        return 1 if trouble else 0
    if description is None:
        raise UsageError(f"{path}: describes no device that could decode {args.against}")
    from analysis.probe.transcript import Transcript

    transcript = Transcript(description)
    if config is not None:
        transcript = Transcript(
            description,
            config.plausible,
            nominal_v=config.battery.nominal_v,
            judges_bank=config.judges_bank,
        )
    return _decode(transcript, args.against)


def _check(path: Path, *, mend: bool) -> tuple[Description | None, Config | None, bool]:
    """Check a file and say what it holds.

    Returns the device's description and the configuration, where there is one, and whether the
    settings do not fit what was measured.
    """
    from analysis.installation.cable_limit import iec_ohm
    from analysis.probe.dbc import compile_all
    from analysis.publish.settings import publishing
    from logger.settings import read_document
    from logger.sources import open_source
    from logger.sources.description import read_description
    from logger.store.files import is_there

    data = {} if is_database(path) else read_document(path).data
    for told in compile_all(path, data):
        say(told)
    if "charger" not in data and "decoder" in data:
        description = read_description(path)
        _check_transport(description)
        say(f"{path}: a good description")
        _tell(description)
        return description, None, False
    config = load_config(path)
    # Whatever is wrong with source, publishing or cable is told before anything is called good.
    nothing = config.source is None and not config.sources
    source = None if nothing else open_source(config)
    if "publish" in config.document.data:
        publishing(config)
    iec_ohm(config)
    charger = config.charger
    say(f"{path}: a good configuration")
    say(f"  charger   {harmless(charger.label)}, rated {charger.rated_w:g} W")
    print(
        f"  limits    plan limit {100 * charger.plan_below:.0f} %, "
        f"replacement limit {100 * charger.replace_below:.0f} %, "
        f"design hours {hours_words(charger.design_life_h)}"
    )
    say(f"  store     {config.store.path}")
    trouble = False
    if is_there(config.store.path):
        say(f"  log       {_look_at_log(config, mend=mend)}")
        trouble |= _look_at_spacing(config)
    if source is None:
        print("  source    none: nothing is read live (import and report work)")
        return None, config, trouble
    if source.live:
        _tell_wear(config.store.path)
    say(f"  source    {harmless(source.describe(), 400)}")
    found: Description | None = getattr(source, "description", None)
    if found is not None:
        _tell(found)
    for part in getattr(source, "parts", ()):
        say(f"  {harmless(part.name)}:")
        if (described := getattr(part.source, "description", None)) is not None:
            _tell(described)
    return found, config, trouble | _look_at_source(config, source)


def _line_number(error: str) -> int:
    """Return the line that an error names; 0 where it names none."""
    found = re.search(r", line (\d+): ", error)
    return int(found[1]) if found else 0


def _errors_behind(path: Path) -> list[str]:
    """Return what is wrong with source and publishing, whatever is wrong with the rest."""
    from analysis.publish.settings import publishing
    from logger.settings import Document, Errors, read_document
    from logger.sources import open_source
    from logger.sources.decoding import Place
    from logger.sources.description import parse_description

    errors = Errors()
    if is_database(path):
        return []
    with errors.noted():
        document = read_document(path)
        source = document.data.get("source")
        if "charger" not in document.data or not isinstance(source, dict | list | None):
            return []
        rest: dict[str, Any] = {
            key: document.data[key] for key in ("source", "publish") if key in document.data
        }
        # What stands in for the sections that are wrong says nothing of source and publishing.
        stand_in = {"charger": {"rated_w": 100.0}, **rest}
        config = config_of(Document(path, stand_in, document.lines))
        with errors.noted():
            if source is not None:
                open_source(config)
        with errors.noted():
            if isinstance(source, dict) and "decoder" in source:
                parse_description(source, Place(document, ("source",)), 1.0)
        with errors.noted():
            if "publish" in rest:
                publishing(config)
    return list(errors.found)


def _check_transport(description: Description) -> None:
    """Check the table of the transport that a description brings."""
    from logger.sources.base import LINKS, MODULES

    for table, kind in LINKS.items():
        if description.tables.get(table) is not None:
            importlib.import_module(MODULES[kind]).check_table(description)
            return
    if description.decoder_kind == "can":
        from logger.sources.can.source import checked_decoder

        checked_decoder(description)


def _look_at_log(config: Config, *, mend: bool) -> str:
    """Check the whole database, have it mended if asked to, and say how it is."""
    from logger.errors import StoreDamagedError, StoreError
    from logger.store.lock import StoreLock
    from logger.store.repair.salvage import salvage, whole_check

    path = config.store.path
    try:
        whole_check(path)
    except StoreDamagedError as error:
        if not mend:
            raise
        lock = StoreLock(path)
        try:
            lock.hold()
        except StoreError:
            raise StoreDamagedError(
                f"{path}: the logger is running: restart it, and it mends the damage itself"
            ) from error
        try:
            return str(salvage(path, config.charger))
        finally:
            lock.release()
    return "no damage found"


def _tell_wear(store: Path) -> None:
    """Say what a log costs a memory card where smaller blocks would spare it."""
    from logger.store.files import is_there

    place = store if is_there(store) else store.parent
    size = os.statvfs(place).f_frsize if place.exists() else 0
    if size == _USUAL_BLOCKS:
        print(
            f"  card      blocks of {size} bytes: up to 49 MB are written a day; blocks of 1024\n"
            "            bytes take 27 MB (analysis/REFERENCE.md: A memory card that lasts)"
        )


def _look_at_spacing(config: Config) -> bool:
    """Tell if the readings in the log came in another rhythm than the settings say."""
    from analysis.history.history import load_history
    from analysis.history.spacing import log_spacing
    from logger.errors import StoreError

    try:
        words = log_spacing(load_history(config.store.path)).words(config.log)
    except StoreError:
        return False  # nothing is logged yet
    if words:
        say(f"  spacing   {words}")
    return bool(words)


def _look_at_source(config: Config, source: Source) -> bool:
    """Tell if a recording, or the questions to a device, have another rhythm than the settings."""
    from itertools import islice

    from logger.reading import Reading
    from logger.recordings.rows import Recording
    from logger.sources.replay import Replay
    from logger.sources.spacing import Spacing, wrong_words

    described: Description | None = getattr(source, "description", None)
    if isinstance(source, Replay) and described is None and source.path.is_file():
        spacing = Spacing(config.log)
        for row in islice(Recording(source.path), _FIRST_ROWS):
            if isinstance(row, Reading):
                spacing.hear(row.time_s)
        words = spacing.wrong_words()
    elif described is not None and described.poll is not None:
        words = wrong_words(config.log, described.poll.every_s)
    else:
        return False
    if words:
        say(f"  spacing   {words}")
    return bool(words)


def _question_log(config: Config) -> int:
    """Print the findings about the inputs of the log; return 1 where there is a doubt."""
    from shutil import get_terminal_size

    from analysis.assessment.case import Case
    from analysis.history.history import load_fitting
    from analysis.inputs.finding import Severity
    from analysis.show.inputs import listed
    from logger.store.files import is_there

    if not is_there(config.store.path):
        raise UsageError(f"{config.store.path}: there is no log yet to look at")
    found = Case(*load_fitting(config)).assessment
    findings = found.inputs
    width = max(40, min(get_terminal_size((80, 24)).columns, 100))
    print("\n".join(listed(findings, width, ran=found.runs > 0)))
    return int(any(f.severity is not Severity.NOTE for f in findings))


def _tell(description: Description) -> None:
    from logger.sources.decoders.checksums import CrcModel, checksum_hex

    label = harmless(description.label) or "no label"
    say(f"  device    {label}, decoder {description.decoder_kind}")
    for f in description.fields:
        unit = f" in {harmless(f.unit)}" if f.unit else ""
        say(f"  field     {f.channel} from {harmless(repr(f.source))}{unit}")
    if description.unsealed:
        print(
            "  checksum  none: a spoiled frame passes for a good one, and a value that jumps is "
            "left out until the next confirms it; set checksum if it has any"
        )
    own = getattr(description.decoder, "checksum", None)
    if isinstance(own, CrcModel):
        print(f"  checksum  CRC; of the text 123456789 it is {checksum_hex(own, b'123456789')}")
    if description.states:
        words = ", ".join(
            f"{harmless(word)} = {state}" for word, state in description.states.items()
        )
        say(f"  states    {words}")
    if description.poll is not None:
        asked = ", ".join(harmless(request.name) for request in description.poll.requests)
        say(f"  poll      every {description.poll.every_s:g} s: {asked}")
    if description.poll is not None and description.alike:
        named = " and ".join(harmless(name) for name in description.alike)
        print(
            f"  answers   those to {named} look alike: when one is lost, nothing is read for "
            f"{description.poll.late_s:g} s (late_s). If they differ in anything, use kind = "
            f'"pattern" with one pattern for each: then only one round is lost'
        )


def _decode(transcript: Transcript, recording: Path) -> int:
    """Decode a recording and say what matched."""
    from logger.sources.capture import is_capture, read_capture
    from logger.sources.replay import captured, pieces

    description = transcript.description
    pipeline = description.pipeline(watch=lambda outcome: _note(transcript, outcome))
    # However long a recording is, no more of it than a piece is held.
    asked, others = _payloads(description), Counter[bytes]()
    if is_capture(recording):
        for chunk in read_capture(recording):
            if not chunk.sent:
                transcript.bytes_came(chunk.data)
            elif chunk.data not in asked and (chunk.data in others or len(others) < _MOST_OTHERS):
                others[chunk.data] += 1
        for _ in captured(recording, pipeline, description):
            pass
    else:
        pipeline.reset(in_sync=True)
        for piece in pieces(recording):
            transcript.bytes_came(piece)
            pipeline.feed(0.0, piece)
    say(f"{recording}: {transcript.received} bytes")
    print("\n".join(transcript.summary(pipeline.counts.unknown_words)))
    if others:
        shown = ", ".join(f"{printable(data, 40)} ({n} x)" for data, n in others.most_common(4))
        print(
            f"hint: the capture was made with other questions than [poll] asks: {shown}; what came "
            f"after them is no answer to a question of this description. Write them into send, or "
            f"make a new capture"
        )
    if not transcript.good:
        raise EbbwattError(f"{recording}: no reading decodes with this description")
    return 0


def _payloads(description: Description) -> set[bytes]:
    """Return what a description asks, whole and in parts."""
    asked = () if description.poll is None else description.poll.requests
    return {part.payload for whole in asked for part in whole.with_parts()}


def _note(transcript: Transcript, outcome: Outcome) -> None:
    transcript.note(outcome)


if TYPE_CHECKING:
    from analysis.probe.transcript import Transcript
    from logger.sources.pipeline import Outcome
