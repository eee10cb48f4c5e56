"""A minute of running, as the logger stores it."""

from logger.interval import Interval
from logger.reading import OperatingState

#: Unix time of an import, 2023-11-14.
BEGIN_S = 1.7e9


def minute(start_s=BEGIN_S, **other):
    """Return an interval of one minute at 8 A and some 13.15 V, but for what ``other`` says."""
    usual = {
        "duration_s": 60.0,
        "state": OperatingState.RUNNING,
        "readings": 60,
        "charge_c": 480.0,
        "energy_j": 6300.0,
        "voltage_min_v": 13.1,
        "voltage_max_v": 13.2,
        "voltage_mean_v": 13.15,
        "voltage_last_v": 13.2,
        "runtime_h": 812.5,
        "temperature_c": 21.25,
        "battery_charge_c": None,
        "fuel_l": 7.25,
    }
    return Interval(start_s, **(usual | other))
