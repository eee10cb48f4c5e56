"""An invented fleet: 24 boats of three types live for one season or more, and hand in their logs.

Each lives as in the demonstration of one boat, through the real condenser and into a real database
that carries its configuration. Types differ in rated output and in how long their chargers last;
sisters differ in life, habits and log.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from logger import __version__
from logger.config import load_config
from logger.durations import DAY_S
from logger.errors import UsageError
from logger.interval import Condenser
from logger.sources.base import checked_settings
from logger.sources.boat.run import Voyage
from logger.sources.simulated import SETTINGS, boat_for
from logger.store.events import add_event
from logger.store.file_format.carried import carry
from logger.store.files import prepare
from logger.store.records import SessionStart
from logger.store.writer import Writer

if TYPE_CHECKING:
    from datetime import date

    from logger.sources.boat.model import BoatModel

#: What a demonstration leaves behind, and nothing else may be in its folder.
INCOMING, FLEET, PAGE, TABLE = "incoming", "invented-fleet", "fleet.html", "fleet.csv"
LEAVES = (INCOMING, FLEET, PAGE, TABLE)
NAMES = (
    "Avocet", "Curlew", "Dunlin", "Eider", "Fulmar", "Gannet", "Godwit", "Goosander",
    "Guillemot", "Kittiwake", "Knot", "Lapwing", "Merganser", "Petrel", "Phalarope", "Pintail",
    "Plover", "Puffin", "Razorbill", "Sanderling", "Scoter", "Shelduck", "Turnstone", "Whimbrel",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Type:
    """A type of charger: its name, rated output, and the median life of its chargers."""

    name: str
    rated_w: float
    life_kh: float
    """Thousand running hours until four tenths of the output are lost."""
    form: str


TYPES = (
    Type("small", 65.0, 1.9, "linear"),
    Type("middle", 110.0, 2.6, "accelerating"),
    Type("large", 140.0, 2.2, "linear"),
)
#: Spread of the lives of one type (log), and the part of its life at which a charger is met
#: (invented, for a demonstration).
_SPREAD, _AGES = 0.22, (0.3, 1.0)
#: One of the first type fades three times as fast as its sisters, one of the third is worn out, and
#: one has not been heard of for long, though no service of hers is due (invented, for a
#: demonstration).
ODD, SILENT, WORN = 3, 5, 16 + 4
_ODD_LIFE_KH, _ODD_AGE, _WORN_AGE = 0.6, 0.55, 1.1
_SILENT_D = 150
#: Readings this far apart are enough for the analysis, and let two years pass in a second or two.
_SPACING_S = 120.0
#: The loss that ends a life, fraction of rated: the default replacement limit is 0.6.
_LOSS = 0.4

_CONFIG = """\
# A boat of the invented fleet, left here by 'ebbwatt fleet demo'.
[boat]
name = "{name}"

[charger]
label = "aft locker"
type = "{kind.name}"
rated_w = {kind.rated_w}
fitted = {fitted}

[battery]
capacity_ah = {capacity_ah:.0f}
chemistry = "agm"
charge_ceiling_v = 14.2

[fuel]
container_l = 10

[service.intake-filter]
months = {service_months}

[log]
interval_s = {spacing_s:g}
longest_running_s = 600
longest_rest_s = 1800

[store]
path = "{path}"

[source]
kind = "simulated"
seed = {seed}
speed = 0
spacing_s = {spacing_s:g}
rest_spacing_s = {rest_spacing_s:g}
"""


def make_folder(folder: Path) -> None:
    """Make the folder.

    Raises
    ------
    UsageError
        If there is anything in it already.
    """
    if folder.is_file() or (folder.is_dir() and any(folder.iterdir())):
        raise UsageError(f"{folder}: is not empty; name a new folder with --out DIR")
    try:
        (folder / INCOMING).mkdir(parents=True)
    except OSError as error:
        raise UsageError(f"{folder}: cannot be made: {error.strerror}") from None


def tasks(folder: Path, until: date) -> list[str]:
    """Return what :func:`live` takes, one for each boat."""
    return [
        json.dumps({"folder": str(folder.absolute()), "number": k, "until": until.isoformat()})
        for k in range(len(NAMES))
    ]


def live(task: str) -> None:
    """Let one boat live and leave its database, and its configuration in it, in the folder."""
    told = json.loads(task)
    number, folder = int(told["number"]), Path(told["folder"]) / INCOMING
    name, kind = NAMES[number], TYPES[number * len(TYPES) // len(NAMES)]
    rng = np.random.default_rng([24, number])
    life_kh = float(rng.lognormal(math.log(kind.life_kh), _SPREAD))
    age = float(rng.uniform(*_AGES))
    if number == ODD:
        life_kh, age = _ODD_LIFE_KH, _ODD_AGE
    if number == WORN:
        age = _WORN_AGE
    ends = datetime.fromisoformat(told["until"]).replace(tzinfo=UTC)
    ends -= timedelta(days=_SILENT_D if number == SILENT else int(rng.integers(0, 9)))
    path = folder / f"{name.lower()}.db"
    text = _CONFIG.format(
        name=name, kind=kind, fitted=ends.date(), path=path.name, seed=1000 + number,
        service_months=60 if number == SILENT else 12,
        capacity_ah=2.0 * kind.rated_w, spacing_s=_SPACING_S, rest_spacing_s=5.0 * _SPACING_S,
    )  # fmt: skip
    settings = path.with_suffix(".toml")
    settings.write_text(text, encoding="utf-8")
    config = load_config(settings)
    model = _model(rng, boat_for(config, checked_settings(config, SETTINGS)), kind, life_kh)
    # How long a life takes is known only afterwards: then it is moved, by whole days.
    voyage = Voyage(model)
    condenser = Condenser(config.log)
    closed = [
        interval
        for reading in voyage.readings(until_h=1000.0 * life_kh * age, days=3650.0)
        if (interval := condenser.add(reading)) is not None
    ]
    if (last := condenser.flush()) is not None:
        closed.append(last)
    begun_s, end_s = closed[0].start_s, closed[-1].start_s + closed[-1].duration_s
    moved_s = DAY_S * math.floor((ends.timestamp() - end_s) / DAY_S)
    fitted = datetime.fromtimestamp(begun_s + moved_s, UTC).date()
    settings.write_text(text.replace(str(ends.date()), str(fitted)), encoding="utf-8")
    config = load_config(settings)
    prepare(config.store.path)
    start = SessionStart(
        f"invented boat, seed {model.seed}",
        begun_s + moved_s,
        version=__version__,
        configuration=carry(config.document.data),
    )
    with Writer(config.store.path, config.charger, start) as writer:
        for count, interval in enumerate(closed):
            writer.add(replace(interval, start_s=interval.start_s + moved_s))
            if count % 1000 == 0:  # what may wait is bounded
                writer.commit()
        writer.close(end_s + moved_s)
    for time_s, event, amount, words in voyage.events:
        at_s = time_s + moved_s
        add_event(config.store.path, event, time_s=at_s, now_s=end_s + moved_s, amount=amount,
                  text=words)  # fmt: skip
    settings.unlink()  # the database carries it


def _model(rng: np.random.Generator, usual: BoatModel, kind: Type, life_kh: float) -> BoatModel:
    """Return the boat: its charger wears out in ``life_kh``, its habits are its own."""
    busy = float(rng.uniform(0.8, 1.3))
    habits = usual.habits
    return replace(
        usual,
        start=datetime.combine(usual.start.date().replace(month=3, day=1), time(6), UTC),
        charger=replace(
            usual.charger,
            new_fraction=float(rng.normal(1.01, 0.02)),
            form=kind.form,
            reference_h=1000.0 * life_kh,
            loss_per_1000h=_LOSS / life_kh,
            wander_per_sqrt_1000h=float(rng.uniform(0.004, 0.01)),
        ),
        habits=replace(
            habits,
            under_way_a=busy * habits.under_way_a,
            at_rest_a=busy * habits.at_rest_a,
            season=(60, 330),
            ambient_c=float(rng.uniform(10.0, 18.0)),
        ),
    )
