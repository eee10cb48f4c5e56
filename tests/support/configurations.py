"""Configurations that tests of several rooms use: as text for a daemon, as objects for a figure."""

from pathlib import Path

from logger.config import BatteryConfig, ChargerConfig, Config, FuelConfig, LogConfig, StoreConfig
from logger.settings import Document

#: The head of a configuration: the charger of most tests.
AFT_LOCKER = '[charger]\nlabel = "aft locker"\nrated_w = 110\n'

#: A daemon on a serial line called ``charger``; ``{timing}`` takes more lines of [source.timing].
SERIAL = """\
[charger]
label = "Dabchick, aft locker"
rated_w = 110
fitted = 2021-04-18

[store]
path = "ebbwatt.db"
commit_s = 1
commit_rest_s = 1

[log]
interval_s = 0.1

[source]
kind = "serial"
port = "charger"

[source.decoder]
kind = "keyvalue"

[source.fields]
voltage_v = "U"
current_a = "I"
state = "MODE"
runtime_h = {{ from = "RT", unit = "min" }}

[source.states]
RUN = "running"
WAIT = "standby"

[source.timing]
first_wait_s = 0.1
longest_wait_s = 0.3
{timing}
"""

#: A daemon that needs no device.
SIMULATED = """\
[charger]
label = "Dabchick, aft locker"
rated_w = 110
fitted = 2021-04-18

[store]
path = "ebbwatt.db"
commit_s = 1
commit_rest_s = 1

[log]
interval_s = 0.1

[source]
kind = "simulated"
seed = 7
first_charge = 0.3
"""


def config_for(**battery):
    path = Path("ebbwatt.toml")
    return Config(
        path=path,
        charger=ChargerConfig("aft locker", 110.0, design_life_h=7500.0),
        battery=BatteryConfig(200.0, "agm", **battery),
        fuel=FuelConfig(),
        store=StoreConfig(Path("ebbwatt.db")),
        log=LogConfig(),
        plausible={},
        source=None,
        document=Document(path, {}),
    )
