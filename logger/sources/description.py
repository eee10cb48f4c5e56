"""The description of a device: how it talks, as data, so that no device needs code.

It stands in the [source] section of ``ebbwatt.toml`` or in a file of its own, which [source] names
with ``description``. Its tables are [device], [line] or [ble], [decoder], [fields], [states],
[poll] and [timing].
"""

from __future__ import annotations

import importlib
import json
import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from logger.durations import DAY_S
from logger.settings import Errors, Section, Setting, nearest, read_document, unknown_key
from logger.sources.base import LINKS
from logger.sources.decoding import Place, Request, can_write
from logger.sources.fields import parse_fields, parse_states
from logger.sources.link.supervision import Delays
from logger.sources.pipeline import Pipeline

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from logger.config import Config
    from logger.reading import OperatingState
    from logger.refusals import Refusals
    from logger.sources.decoding import Decoder
    from logger.sources.fields import Field
    from logger.sources.pipeline import Outcome

#: Module and builder of each decoder; imported only when used.
DECODERS = {
    "keyvalue": ("logger.sources.decoders.text", "build_key_value"),
    "csv": ("logger.sources.decoders.text", "build_csv"),
    "jsonlines": ("logger.sources.decoders.text", "build_json_lines"),
    "pattern": ("logger.sources.decoders.pattern", "build_pattern"),
    "xdr": ("logger.sources.decoders.xdr", "build_xdr"),
    "frame": ("logger.sources.decoders.frame", "build_frame"),
    "modbus": ("logger.sources.decoders.modbus", "build_modbus"),
    "characteristics": ("logger.sources.decoders.characteristics", "build_characteristics"),
    "sunspec": ("logger.sources.decoders.sunspec", "build_sunspec"),
    "hwmon": ("logger.sources.decoders.hwmon", "build_hwmon"),
    "can": ("logger.sources.can.signals", "build_can"),
}

DEVICE = Section(
    "device",
    (
        Setting("label", "text", "", "what the device is, for a person"),
        Setting("note", "text", "", "anything worth knowing when fitting it"),
    ),
    "what the description is about",
)
POLL = Section(
    "poll",
    (
        Setting(
            "send",
            "list",
            [],
            r'the questions, asked in turn: texts such as "V?\r\n", or tables { text = ..., '
            r"hex = ..., columns = [...] }; nothing else is ever sent",
        ),
        Setting(
            "every_s",
            "number",
            1.0,
            "time from one round of questions to the next",
            "s",
            0.02,
            DAY_S,
        ),
        Setting("answer_s", "number", 1.0, "how long an answer may take", "s", 0.01, 600),
        Setting(
            "late_s",
            "number",
            10.0,
            "how long after answer_s a late answer may still come; until then no question is asked "
            "to which it could be the answer",
            "s",
            0,
            600,
        ),
        Setting(
            "pause_s", "number", 0.0, "pause between an answer and the next question", "s", 0, 600
        ),
        Setting("echo", "flag", False, "whether the line repeats what is sent"),
    ),
    "what the device is asked, where it does not talk by itself",
)
REQUEST = Section(
    "send",
    (
        Setting("text", "text", "", "text to send", wire=True),
        Setting("hex", "text", "", "bytes to send, as hexadecimal digits"),
        Setting("columns", "list", None, "names of the columns in the answer (csv)"),
    ),
    "one question",
)
TIMING = Section(
    "timing",
    (
        Setting(
            "stale_s",
            "number",
            None,
            "the link is opened anew when no reading has come for this long. If left out: ten "
            "times the spacing of the readings, at least 10 s; where several questions are asked, "
            "late_s of [poll] is added",
            "s",
            0.1,
            864000,
        ),
        Setting(
            "first_reading_s",
            "number",
            None,
            "longest time from opening to the first reading; stale_s plus 20 s if left out",
            "s",
            0.1,
            864000,
        ),
        Setting("first_wait_s", "number", 1.0, "first wait before opening again", "s", 0.01, 3600),
        Setting(
            "longest_wait_s", "number", 60.0, "longest wait before opening again", "s", 0.01, DAY_S
        ),
        Setting(
            "eager_s",
            "number",
            None,
            "after a loss each wait is first_wait_s for this long; then waits double up to "
            "longest_wait_s. If left out: 0 by radio and on a port of another machine, else 60",
            "s",
            0,
            DAY_S,
        ),
        Setting(
            "steady_s",
            "number",
            3.0,
            "after this much good data the waits begin again with first_wait_s",
            "s",
            0.1,
            DAY_S,
        ),
        Setting(
            "restart_after_s",
            "number",
            None,
            "after this long without a reading the program ends, so that the service manager "
            "starts it afresh; never if left out",
            "s",
            60,
            8640000,
        ),
        Setting(
            "cut_s",
            "number",
            2.0,
            "a message is given up when its next byte does not come within this time",
            "s",
            0.01,
            3600,
        ),
        Setting(
            "gather_s",
            "number",
            None,
            "values of several messages make one reading if they come within this time; 0 takes "
            "each message alone. If left out: where several questions are asked, the time that all "
            "their answers may take; where a reading needs packets of a radio link or frames of "
            "several kinds, 0.8 times the spacing of the readings; else 0",
            "s",
            0,
            3600,
        ),
    ),
    "delays of the link",
)
#: Values of several messages make one reading if they come within this part of the time from one
#: reading to the next; the rest of it is room for their jitter (our choice).
GATHER_PART = 0.8
#: This many lost answers in a row make no gap in the log: they may be lost one after the other by
#: chance.
LOST_IN_A_ROW = 2
#: Settings of [source] by which a transport takes a description.
DESCRIPTION_SETTINGS = (
    Setting(
        "description",
        "text",
        None,
        "file with the description of the device; its tables may stand in this section instead",
    ),
    Setting("device", "table", None, "what the description is about"),
    Setting("decoder", "table", None, "how bytes become named values"),
    Setting("fields", "table", None, "which value is which channel of a reading"),
    Setting("states", "table", None, "operating state for each word of the device"),
    Setting("poll", "table", None, "what the device is asked"),
    Setting("timing", "table", None, "delays of the link"),
)
#: The tables of a description.
TABLES = ("device", *LINKS, "decoder", "fields", "states", "poll", "timing")


@dataclass(frozen=True, slots=True)
class Poll:
    """What is asked, and when; see :data:`POLL`."""

    requests: tuple[Request, ...]
    every_s: float
    answer_s: float
    late_s: float
    pause_s: float
    echo: bool


@dataclass(frozen=True, slots=True)
class Description:
    """A checked description. ``tables`` and ``place`` are kept for the transport's own table."""

    label: str
    decoder_kind: str
    decoder: Decoder
    fields: tuple[Field, ...]
    states: Mapping[str, OperatingState]
    poll: Poll | None
    delays: Delays
    gather_s: float
    rounds: bool
    cut_s: float
    tables: Mapping[str, Any]
    place: Place

    @property
    def unsealed(self) -> bool:
        """Whether a spoiled message passes for a good one: frames on a line, no checksum."""
        return getattr(self.decoder, "checksum", "") == "none" and (
            self.decoder_kind == "frame" and not self.decoder.packets
        )

    @property
    def alike(self) -> tuple[str, ...]:
        """Names of the questions that could be given each other's answers; empty where none."""
        if self.poll is None or not self.rounds:
            return ()
        forms = [self.decoder.answer_form(r) for r in self.poll.requests]
        return tuple(
            r.name
            for r, form in zip(self.poll.requests, forms, strict=True)
            if form is not None and forms.count(form) > 1
        )

    @property
    def patience_s(self) -> float:
        """How long the logger keeps silent by itself when answers are lost, s.

        A lost answer that could be mistaken for another is waited for; twice that is allowed for.
        """
        if self.poll is None or not self.alike:
            return 0.0
        poll = self.poll
        round_s = max(poll.every_s, len(poll.requests) * (poll.answer_s + poll.pause_s))
        return LOST_IN_A_ROW * (poll.answer_s + poll.late_s + round_s)

    def pipeline(
        self,
        refusals: Refusals | None = None,
        watch: Callable[[Outcome], None] | None = None,
    ) -> Pipeline:
        """Make a pipeline for one source."""
        return Pipeline(
            self.decoder,
            self.fields,
            self.states,
            gather_s=self.gather_s,
            rounds=self.rounds,
            cut_s=self.cut_s,
            refusals=refusals,
            watch=watch,
        )


def read_description(path: Path, spacing_s: float = 1.0) -> Description:
    """Read a description from a file of its own.

    Raises
    ------
    ConfigError
        With file, line, key and the accepted values.
    """
    document = read_document(path, "A description is named by its place beside ebbwatt.toml.")
    unknown_key(document, document.data, TABLES)
    return parse_description(document.data, Place(document), spacing_s)


def configured_description(config: Config, settings: Mapping[str, Any]) -> Description:
    """Return the description that [source] holds, or that the file it names holds.

    ``settings`` is the checked [source] table. Tables that stand in both places are an error:
    nobody could tell which one counts.
    """
    inline = [name for name in TABLES if settings.get(name) is not None]
    place = Place(config.document, ("source",))
    if settings["description"] is None:
        return parse_description(settings, place, config.log.interval_s)
    if inline:
        raise place.error(
            f"stands in {settings['description']} as well; keep it in one place", inline[0]
        )
    path = config.path.parent / settings["description"]
    return read_description(path, config.log.interval_s)


def parse_description(tables: Mapping[str, Any], place: Place, spacing_s: float) -> Description:
    """Check the tables of a description.

    Parameters
    ----------
    tables
        By name, as parsed; a missing table is None or absent.
    place
        Where they stand.
    spacing_s
        Expected spacing of the readings, which sets the defaults of the delays, s.
    """
    errors = Errors()
    with errors.noted():
        device = place.under("device").checked(DEVICE, tables.get("device"))
    with errors.noted():
        kind, decoder = build_decoder(tables.get("decoder"), place.under("decoder"))
        poll, names = _poll(tables.get("poll"), place.under("poll"), kind, decoder)
        known = decoder.names()
        fields = parse_fields(
            tables.get("fields"), place.under("fields"), None if known is None else known | names
        )
    with errors.noted():
        states = parse_states(tables.get("states"), place.under("states"))
    with errors.noted():
        timing = place.under("timing").checked(TIMING, tables.get("timing"))
    errors.raise_found()
    _refuse_words_never_sent(states, encoding_of(decoder), place.under("states"))
    if states and not any(f.channel == "state" for f in fields):
        raise place.under("fields").error("needs a line state = ... for the words of [states]")
    if timing["first_wait_s"] > timing["longest_wait_s"]:
        raise place.under("timing").error(
            f"got {timing['first_wait_s']:g}; accepted: at most longest_wait_s, "
            f"{timing['longest_wait_s']:g}",
            "first_wait_s",
        )
    several = poll is not None and len(poll.requests) > 1
    rounds = several and not decoder.packets
    asked = () if poll is None else poll.requests
    questions = sum(not r.parts for whole in asked for r in whole.with_parts())
    gather_s = timing.pop("gather_s")
    if gather_s is None:
        gather_s = 0.0
        if poll is not None and (rounds or questions > 1):
            # As long as every answer may take, with every question split.
            gather_s = questions * (poll.answer_s + poll.pause_s)
        elif decoder.packets or several or _spread(decoder, fields):
            gather_s = max(GATHER_PART * (poll.every_s if poll else spacing_s), 0.05)
    cut_s = timing.pop("cut_s")
    return Description(
        label=device["label"],
        decoder_kind=kind,
        decoder=decoder,
        fields=fields,
        states=states,
        poll=poll,
        delays=_delays(timing, max(spacing_s, poll.every_s if poll else 0.0), poll),
        gather_s=gather_s,
        rounds=rounds,
        cut_s=cut_s,
        tables=tables,
        place=place,
    )


def build_decoder(table: object, place: Place) -> tuple[str, Decoder]:
    """Build a decoder from its table."""
    choices = ", ".join(DECODERS)
    if not isinstance(table, dict):
        raise place.error(f"is needed, with kind = one of {choices}")
    kind = table.get("kind")
    if not isinstance(kind, str) or kind not in DECODERS:
        hint = nearest(str(kind), list(DECODERS)) if kind is not None else ""
        raise place.error(f"got {kind!r}{hint}; accepted: one of {choices}", "kind")
    module, builder = DECODERS[kind]
    decoder: Decoder = getattr(importlib.import_module(module), builder)(table, place)
    return kind, decoder


def encoding_of(decoder: Decoder) -> str:
    """Return how the text of a device is encoded, by the name of a codec of Python."""
    return str(getattr(decoder, "encoding", "utf-8"))


def _refuse_words_never_sent(states: Mapping[str, OperatingState], code: str, at: Place) -> None:
    """Raise ConfigError for words of [states] that no text in the device's encoding holds."""
    errors = Errors()
    for word in states:
        with errors.noted():
            if not can_write(word, code):
                raise at.error(f"{_no_text_in(code)} holds this word", word)
    errors.raise_found()


def _no_text_in(encoding: str) -> str:
    return f"no text in {encoding}, the encoding of [decoder],"


def _spread(decoder: Decoder, fields: tuple[Field, ...]) -> bool:
    """Tell whether the values that a reading needs come in frames of several kinds."""
    groups: tuple[frozenset[str], ...] = getattr(decoder, "groups", ())
    needed = {f.source for f in fields if not f.hold_s and not f.optional}
    return len(groups) > 1 and not any(needed <= group for group in groups)


def _delays(timing: dict[str, Any], spacing_s: float, poll: Poll | None) -> Delays:
    if timing["stale_s"] is None:
        # A link is not dead while it is given the time for a late answer.
        late_s = poll.late_s if poll is not None and len(poll.requests) > 1 else 0.0
        timing["stale_s"] = max(10.0, 10.0 * spacing_s) + late_s
    if timing["first_reading_s"] is None:
        timing["first_reading_s"] = timing["stale_s"] + 20.0
    given = {key: value for key, value in timing.items() if value is not None}
    return replace(Delays(), **given)


def _poll(
    table: object, place: Place, kind: str, decoder: Decoder
) -> tuple[Poll | None, frozenset[str]]:
    """Check [poll]; return it with the names that its requests add to those of the decoder."""
    if table is None and not decoder.requests:
        return None, frozenset()
    settings = place.checked(POLL, table if isinstance(table, dict) or table is None else None)
    requests = list(decoder.requests)
    if requests and settings["send"]:
        raise place.error("must be left out: the decoder knows what to ask", "send")
    requests += [_request(entry, place, kind, encoding_of(decoder)) for entry in settings["send"]]
    if not requests:
        raise place.error(r'is needed in [poll], such as send = ["V?\r\n"]', "send")
    names = frozenset(name for r in requests for name in r.columns or () if name)
    poll = Poll(
        tuple(requests),
        settings["every_s"],
        settings["answer_s"],
        settings["late_s"],
        settings["pause_s"],
        settings["echo"],
    )
    return poll, names


def _request(entry: object, place: Place, kind: str, encoding: str) -> Request:
    if isinstance(entry, str):
        entry = {"text": entry}
    if not isinstance(entry, dict):
        raise place.error("takes texts in quotes, or tables with text or hex", "send")
    settings = place.under("send").checked(REQUEST, entry)
    if bool(settings["text"]) == bool(settings["hex"]):
        raise place.error("each question takes either text or hex", "send")
    payload = _payload(settings, place, encoding)
    columns = settings["columns"]
    if columns is not None:
        if not columns or not all(isinstance(name, str) for name in columns):
            raise place.error("columns takes a list of names in quotes", "send")
        if kind != "csv":
            raise place.error('columns has a meaning for kind = "csv" in [decoder] alone', "send")
        if twice := next((n for n in columns if n and columns.count(n) > 1), None):
            raise place.error(f"columns names {twice!r} twice", "send")
    name = settings["text"].strip() or payload.hex(" ")
    return Request(payload, name, None if columns is None else tuple(columns))


def _payload(settings: Mapping[str, Any], place: Place, encoding: str) -> bytes:
    """Return the bytes of a question."""
    if not can_write(settings["text"], encoding):
        raise place.error(
            f"{_no_text_in(encoding)} holds {settings['text']!r}; write the bytes as hex = ...",
            "send",
        )
    try:
        payload: bytes = settings["text"].encode(encoding) or bytes.fromhex(settings["hex"])
    except ValueError:
        raise place.error(
            f"got {settings['hex']!r}; hex takes pairs of hexadecimal digits", "send"
        ) from None
    if re.search(r"\\[rn]", settings["text"]):
        meant = settings["text"].replace("\\r", "\r").replace("\\n", "\n")
        raise place.error(
            f"a backslash stands for itself between single quotes; write {json.dumps(meant)} "
            f"between double quotes (or the bytes themselves as hex = ...)",
            "send",
        )
    return payload
