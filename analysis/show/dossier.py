"""The warranty dossier: a folder that holds all that a claim rests on, and the digest of each file.

Nothing in it knows the present: it speaks of the end of the log, so that the same log, options and
version give the same bytes whenever it is made.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import shutil
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.assessment.document import json_text
from analysis.figures import iso
from analysis.inputs.clamp import KIND as CLAMP
from analysis.show.inputs import listed
from analysis.show.page.report.page import page
from analysis.text import harmless
from analysis.transfer.export import (
    EVENT_COLUMNS,
    INTERVAL_COLUMNS,
    event_rows,
    export,
    interval_rows,
)
from logger.errors import EbbwattError, UsageError
from logger.store.file_format.carried import carry
from logger.store.files import synchronise
from logger.store.reader import Reader
from logger.system.output import FILE_MODE, FOLDER_MODE

if TYPE_CHECKING:
    from analysis.assessment.case import Case
    from analysis.show.matter import Matter

#: Digests as 'sha256sum -c' of GNU coreutils reads them: digest, two spaces, name.
MANIFEST = "SHA256SUMS"
#: Every file of a dossier: a folder that holds another file is none, and is left alone.
FILES = (
    "report.html",
    "assessment.json",
    "intervals.csv.gz",
    "events.csv",
    "configuration.json",
    "sensor.txt",
    MANIFEST,
)
_WIDTH = 100


def check_folder(folder: Path) -> None:
    """Refuse a folder that holds anything but an earlier dossier.

    Raises
    ------
    UsageError
        If it is a file, or holds something else; nothing is touched.
    """
    if not folder.parent.is_dir():
        raise UsageError(f"{folder}: the folder {folder.parent} does not exist; create it first")
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        raise UsageError(f"{folder}: is no folder; name a new one")
    if folder.is_dir():
        foreign = sorted(p.name for p in folder.iterdir() if p.name not in FILES)
        if foreign:
            raise UsageError(
                f"{folder}: holds {foreign[0]!r}, which no dossier has; name a new one"
            )
        if any(folder.iterdir()) and not (folder / MANIFEST).is_file():
            raise UsageError(f"{folder}: holds no {MANIFEST}, so it is no dossier; name a new one")


def write_dossier(folder: Path, matter: Matter, case: Case) -> list[str]:
    """Write the dossier whole or not at all; return the lines of its manifest.

    Raises
    ------
    UsageError
        As for :func:`check_folder`.
    EbbwattError
        If it cannot be written; an earlier dossier then stays.
    """
    check_folder(folder)
    try:
        partial = Path(tempfile.mkdtemp(".part", f".{folder.name}.", folder.parent))
        try:
            partial.chmod(FOLDER_MODE)
            _fill(partial, matter, case)
            lines = _manifest(partial)
            (partial / MANIFEST).write_text("\n".join(lines) + "\n", encoding="utf-8")
            for file in partial.iterdir():
                file.chmod(FILE_MODE)
                synchronise(file)
            _take_its_place(partial, folder)
        finally:
            shutil.rmtree(partial, ignore_errors=True)
    except OSError as error:
        raise EbbwattError(f"{folder}: cannot be written: {error.strerror or error}") from None
    return lines


def _fill(folder: Path, matter: Matter, case: Case) -> None:
    """Write every file but the manifest."""
    # As of the end of the log: the report would otherwise say when it was made.
    end_s = matter.assessment.observed_to_s or 0.0
    config, store = case.config, case.config.store.path
    text = page(replace(matter, made_s=end_s, full=True))
    (folder / "report.html").write_text(text, encoding="utf-8")
    (folder / "assessment.json").write_text(json_text(matter.assessment) + "\n", encoding="utf-8")
    with Reader(store) as reader:
        fitting = reader.fitting(case.history.fitting.id).id
        rows = interval_rows(reader, fitting)
        export(folder / FILES[2], "csv", INTERVAL_COLUMNS, rows, replace=False, keep={})
        rows = event_rows(reader)
        export(folder / FILES[3], "csv", EVENT_COLUMNS, rows, replace=False, keep={})
    # What the estimate rests on, without what belongs to a board or may be secret.
    tables = json.dumps(json.loads(carry(config.document.data)), indent=1, sort_keys=True)
    (folder / FILES[4]).write_text(tables + "\n", encoding="utf-8")
    (folder / "sensor.txt").write_text("\n".join(_sensor(case)) + "\n", encoding="utf-8")


def _sensor(case: Case) -> list[str]:
    """Return what is known of the sensor: its uncertainty, clamp readings, findings."""
    sensor = case.config.sensor
    lines = [
        "Checks of the current sensor",
        f"scale: standard uncertainty {100 * sensor.gain_uncertainty:g} % as configured",
        f"zero: standard uncertainty {sensor.zero_uncertainty_a:g} A as configured",
        "",
        "Readings of a clamp meter ('ebbwatt event add reading'):",
    ]
    clamped = [e for e in case.history.events if e.kind == CLAMP and not e.struck]
    lines += [f"  {iso(e.time_s)}  {harmless(e.text, 300)}" for e in clamped] or ["  none"]
    return [*lines, "", "What the log says of its inputs:", *listed(case.findings, _WIDTH)]


def _manifest(folder: Path) -> list[str]:
    return [
        f"{hashlib.sha256((folder / name).read_bytes()).hexdigest()}  {name}"
        for name in FILES
        if name != MANIFEST and (folder / name).is_file()
    ]


def _take_its_place(partial: Path, folder: Path) -> None:
    """Give the new dossier its name; an earlier one goes only then."""
    if not folder.exists():
        partial.rename(folder)
    else:
        check_folder(folder)
        old = Path(tempfile.mkdtemp(".old", f".{folder.name}.", folder.parent))
        folder.rename(old / folder.name)
        try:
            partial.rename(folder)
        except OSError:
            (old / folder.name).rename(folder)
            raise
        finally:
            shutil.rmtree(old, ignore_errors=True)
    with contextlib.suppress(OSError):  # a file system that cannot do this to a folder
        synchronise(folder.parent)
