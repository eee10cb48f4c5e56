"""Which range of each channel is believed where ``[plausible]`` says nothing."""

from __future__ import annotations

from logger.plausibility.bank import in_use_v

#: Believable values whatever the charger and the bank are; a channel of a reading each.
ANY_CHARGER = {
    "voltage_v": in_use_v(None),
    "runtime_h": (0.0, 1.0e6),
    "temperature_c": (-40.0, 85.0),
    "battery_current_a": (-1000.0, 1000.0),
    "fuel_l": (0.0, 10000.0),
}


def believable_ranges(rated_w: float, nominal_v: float | None) -> dict[str, tuple[float, float]]:
    """Return the lowest and highest believable value of each channel of a reading.

    A charger gives at most a little more than ``rated_w`` (W) at the lowest voltage of a 12 V bank
    (10 V): the current may be twice that. ``nominal_v`` is the bank's voltage, V, if it is known.
    """
    return ANY_CHARGER | {
        "voltage_v": in_use_v(nominal_v),
        "current_a": (-1.0, 2.0 * rated_w / 10.0),
    }
