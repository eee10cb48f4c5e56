"""The ``[publish]`` sections of the configuration: what is handed outwards, and where."""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from logger.settings import REQUIRED, Section, Setting, check_section, unknown_key

if TYPE_CHECKING:
    from pathlib import Path

    from logger.config import Config

PUBLISH = Section(
    "publish",
    (
        Setting("every_s", "number", 10.0, "time between two rounds", "s", 1, 3600),
        Setting(
            "assessment",
            "text",
            "report/assessment.json",
            "the document that 'ebbwatt report --json FILE' writes, relative to this file; the "
            "weekly service writes it",
        ),
        Setting("id", "text", "charger", "name for programs: letters, digits and hyphens"),
    ),
    "values handed outwards by 'ebbwatt publish'; nothing is, unless a section below is there",
)
TEXTFILE = Section(
    "publish.textfile",
    (
        Setting(
            "path",
            "text",
            REQUIRED,
            "file in the folder of the textfile collector, ending in .prom",
        ),
    ),
    "a text file in the Prometheus text format 0.0.4",
)
MQTT = Section(
    "publish.mqtt",
    (
        Setting("host", "text", "127.0.0.1", "the broker; anywhere else than here TLS is needed"),
        Setting(
            "port", "whole", None, "its port; 1883, or 8883 with TLS, if left out", "", 1, 65535
        ),
        Setting(
            "ca_file", "text", None, "certificate of who signed the broker's own: turns TLS on"
        ),
        Setting(
            "credentials_file",
            "text",
            None,
            "file of mode 0600 that holds one line, name:password",
        ),
    ),
    "an MQTT broker, by the Homie 5 convention; nothing of it can be set from outside",
)
SIGNALK = Section(
    "publish.signalk",
    (
        Setting(
            "to",
            "text",
            "udp",
            "standard output, or a local socket",
            choices=("stdout", "udp", "tcp"),
        ),
        Setting("port", "whole", 8375, "port on 127.0.0.1", "", 1, 65535),
        Setting("battery", "text", "house", "name of the battery: letters and digits"),
    ),
    "Signal K deltas, one a line, to this machine alone",
)
PAGE = Section(
    "publish.page",
    (
        Setting("folder", "text", REQUIRED, "folder in which index.html is written"),
        Setting("every_s", "number", 60.0, "time between two pages", "s", 10, 3600),
        Setting(
            "report", "text", "", "where the page links to for the whole report; no link if ''"
        ),
    ),
    "the owner's page: one file that a phone can read",
)
TARGETS = (TEXTFILE, MQTT, SIGNALK, PAGE)
SECTIONS = (PUBLISH, *TARGETS)

#: Hosts that are this machine.
LOOPBACK = ("127.0.0.1", "::1", "localhost")


@dataclass(frozen=True, slots=True)
class Mqtt:
    """Where the broker is, and how it is spoken to."""

    host: str
    port: int
    ca_file: Path | None
    user: str | None
    password: str | None

    def __repr__(self) -> str:
        """Describe the broker without the secret."""
        return f"Mqtt({self.host}:{self.port}{', TLS' if self.ca_file else ''})"


@dataclass(frozen=True, slots=True)
class Publishing:
    """Checked settings; a target that is not configured is None."""

    every_s: float
    assessment: Path
    id: str
    textfile: Path | None
    mqtt: Mqtt | None
    signalk: dict[str, Any] | None
    page: dict[str, Any] | None


def publishing(config: Config) -> Publishing:
    """Check the ``[publish]`` sections.

    Raises
    ------
    ConfigError
        With file, line, key and the accepted values; also where nothing is to be published.
    """
    document = config.document
    table = document.data.get("publish")
    if not isinstance(table, dict):
        raise document.error(_NOTHING)
    names = [section.name.removeprefix("publish.") for section in TARGETS]
    own = {key: value for key, value in table.items() if key not in names}
    unknown_key(document, own, [*PUBLISH.keys(), *names], "publish")
    general = check_section(document, PUBLISH, own, "publish")
    given = {
        name: check_section(document, section, table[name], "publish", name)
        for name, section in zip(names, TARGETS, strict=True)
        if name in table
    }
    if not given:
        raise document.error(_NOTHING, "publish")
    _check_name(config, general["id"], "-", "publish", "id")
    base = config.path.parent
    textfile = None
    if "textfile" in given:
        textfile = (base / given["textfile"]["path"]).absolute()
        if textfile.suffix != ".prom":
            raise document.error(
                f"got {given['textfile']['path']!r}; accepted: a file that ends in .prom, as the "
                "textfile collector reads no other",
                "publish",
                "textfile",
                "path",
            )
    if "signalk" in given:
        _check_name(config, given["signalk"]["battery"], "", "publish", "signalk", "battery")
    page = given.get("page")
    if page is not None:
        page = page | {"folder": (base / page["folder"]).absolute()}
    return Publishing(
        every_s=general["every_s"],
        assessment=(base / general["assessment"]).absolute(),
        id=general["id"],
        textfile=textfile,
        mqtt=_mqtt(config, given["mqtt"]) if "mqtt" in given else None,
        signalk=given.get("signalk"),
        page=page,
    )


_NOTHING = (
    "nothing is to be published: add a section [publish.textfile], [publish.mqtt], "
    "[publish.signalk] or [publish.page]"
)


def _check_name(config: Config, name: str, more: str, *keys: str) -> None:
    letters = name.replace("-", "") if more else name
    if not (letters.isascii() and letters.isalnum() and letters == letters.strip("-")):
        kind = "lower-case letters, digits and hyphens" if more else "letters and digits"
        raise config.document.error(f"got {name!r}; accepted: {kind}", *keys)
    if more and (name != name.lower() or name.strip("-") != name):
        raise config.document.error(
            f"got {name!r}; accepted: lower-case letters, digits and hyphens between them", *keys
        )


def _mqtt(config: Config, given: dict[str, Any]) -> Mqtt:
    document, base = config.document, config.path.parent
    ca_file = None if given["ca_file"] is None else (base / given["ca_file"]).absolute()
    if ca_file is not None and not ca_file.is_file():
        raise document.error(f"{ca_file}: there is no such file", "publish", "mqtt", "ca_file")
    user = password = None
    if given["credentials_file"] is not None:
        path = (base / given["credentials_file"]).absolute()
        user, password = _credentials(config, path)
    if given["host"] not in LOOPBACK and (ca_file is None or user is None):
        raise document.error(
            f"{given['host']} is not this machine: ca_file (TLS with a checked certificate) and "
            'credentials_file are needed, or host = "127.0.0.1"',
            "publish",
            "mqtt",
            "host",
        )
    port = given["port"] or (1883 if ca_file is None else 8883)
    return Mqtt(given["host"], port, ca_file, user, password)


def _credentials(config: Config, path: Path) -> tuple[str, str]:
    """Read ``name:password``; what is wrong is told without a word of what the file holds."""
    keys = ("publish", "mqtt", "credentials_file")
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
        with os.fdopen(descriptor, encoding="utf-8") as file:
            mode = stat.S_IMODE(os.fstat(file.fileno()).st_mode)
            if mode & 0o077:
                raise config.document.error(
                    f"{path}: others may read it (mode {mode:04o}); run: chmod 600 {path}", *keys
                )
            line = file.read(4096).strip("\n")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not text in UTF-8"
        raise config.document.error(f"{path}: cannot be read: {reason}", *keys) from None
    user, colon, password = line.partition(":")
    if not user or not colon or "\n" in line:
        raise config.document.error(f"{path}: must hold one line, name:password", *keys)
    return user, password
