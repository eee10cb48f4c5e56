"""What the sections of ``ebbwatt.toml`` may hold: keys, defaults, accepted values, help.

The documentation is made from the same tables. What [source] holds depends on its kind: see
:mod:`logger.sources`.
"""

from __future__ import annotations

import math
import re

from logger.durations import DAY_S
from logger.errors import UsageError
from logger.settings import REQUIRED, Section, Setting

CHEMISTRIES = ("flooded", "agm", "gel", "lfp")
UNITS = ("metric", "us")

BOAT = Section(
    "boat",
    (
        Setting("name", "text", "", "the boat's name, for what is printed"),
        Setting("owner", "text", "", "the boat's owner, for what is printed"),
        Setting(
            "timezone",
            "text",
            None,
            "IANA name of the zone in which the boat's days begin, such as Atlantic/Azores; that "
            "of this machine if left out",
        ),
        Setting(
            "units",
            "text",
            "metric",
            "metric: L, mm2, degC; us: US gallons, AWG, degF, in what is printed (settings, "
            "--json and export stay metric)",
            choices=UNITS,
        ),
    ),
    "the boat",
)
CHARGER = Section(
    "charger",
    (
        Setting("label", "text", "charger", "a name for this charger, shown everywhere"),
        Setting("serial", "text", "", "serial number on the nameplate, for what is printed"),
        Setting("rated_w", "number", REQUIRED, "rated output on the nameplate", "W", 1, 20000),
        Setting("fitted", "date", None, "day on which this charger was fitted"),
        Setting(
            "type",
            "text",
            "",
            "its model, in your own words: a fleet compares chargers of the same type; if left "
            "out, chargers of the same rated output",
        ),
        Setting(
            "design_life_h",
            "range",
            None,
            "running hours that it was designed for, one figure or a range such as [7000, 8000] "
            "(common practice 7000 to 8000, no source); if left out, running hours set no limit",
            "h",
            100,
            200000,
        ),
        Setting(
            "plan_below",
            "number",
            0.75,
            "plan the replacement when the output is below this part of rated",
            "",
            0.05,
            1.0,
        ),
        Setting(
            "replace_below",
            "number",
            0.60,
            "replace it when the output is below this part of rated",
            "",
            0.05,
            1.0,
        ),
    ),
    "the charger that is fitted now",
    optional=False,
)
BATTERY = Section(
    "battery",
    (
        Setting(
            "capacity_ah", "number", None, "capacity of the bank at the 20 h rate", "Ah", 1, 100000
        ),
        Setting("chemistry", "text", "agm", "battery chemistry", choices=CHEMISTRIES),
        Setting(
            "nominal_v",
            "number",
            None,
            "nominal voltage of the bank, such as 12; found from the readings if left out. "
            "Voltages below half of it or above four thirds of it are dropped, except those of a "
            "charger that is off (0 to 0.5 V)",
            "V",
            6,
            96,
        ),
        Setting(
            "charge_ceiling_v",
            "number",
            None,
            "voltage from which on the battery limits the current; found from the log if left out",
            "V",
            5,
            100,
        ),
        Setting(
            "charge_efficiency",
            "number",
            None,
            "part of the charge that comes out of the battery again (common practice, no source: "
            "lead-acid 0.85 to 0.98, less when nearly full; lfp 0.99); if left out, the chemistry "
            "decides",
            "",
            0.5,
            1.0,
        ),
    ),
    "the battery that it charges",
)
FUEL = Section(
    "fuel",
    (
        Setting(
            "kind", "text", "methanol", "what the charger burns", choices=("methanol", "other")
        ),
        Setting(
            "l_per_kwh",
            "number",
            0.9,
            "fuel of a new unit per kilowatt-hour delivered (common practice, no source)",
            "L/kWh",
            0.05,
            20,
        ),
        Setting("container_l", "number", 10.0, "size of one fuel container", "L", 0.1, 2000),
    ),
    "the fuel; leave the section out for a charger without fuel",
)
WIRING = Section(
    "wiring",
    (
        Setting(
            "cross_section_mm2",
            "number",
            None,
            "cross-section of the cable between charger and battery",
            "mm2",
            0.5,
            400,
        ),
        Setting("cross_section_awg", "text", None, 'the AWG size instead, such as "8" or "2/0"'),
        Setting("length_m", "number", REQUIRED, "length of the cable, one way", "m", 0.05, 100),
        Setting("tinned", "flag", False, "whether the copper of the cable is tinned"),
        Setting(
            "battery_ohm",
            "number",
            None,
            "resistance of the bank itself, from its data sheet; if given, it is subtracted from "
            "the measured loop resistance",
            "ohm",
            0,
            1,
        ),
    ),
    "the cable to the battery, for 'ebbwatt fitting'",
)
UNIT = Section(
    "unit",
    (
        Setting("heel_deg", "number", None, "greatest tilt or heel that may last", "deg", 0, 90),
        Setting("clearance_cm", "number", None, "free space that it needs all round", "cm", 0, 500),
        Setting(
            "exhaust_hose_m", "number", None, "greatest length of the exhaust hose", "m", 0, 50
        ),
        Setting(
            "exhaust_bend_cm",
            "number",
            None,
            "smallest radius of a bend in the exhaust hose",
            "cm",
            0,
            500,
        ),
        Setting("intake_c", "number", None, "warmest air that it may take in", "degC", -20, 100),
        Setting(
            "fuse_a", "number", None, "rating of the fuse in its positive lead", "A", 0.5, 1000
        ),
    ),
    "what the unit's own manual says; leave out what it does not say",
)
SERVICE = Section(
    "service.NAME",
    (
        Setting("hours", "number", None, "due after this many running hours", "h", 1, 100_000),
        Setting("months", "number", None, "due after this many months", "months", 0.25, 600),
    ),
    "a job that the unit's own manual asks for again and again, such as [service.intake-filter]. "
    "Set hours, months, or both: whichever comes first counts. When it is done: 'ebbwatt event "
    "tick NAME --by WHO'",
)
#: Items of the fitter's check list, which are ticked by their names too.
CHECK_LIST = ("manual", "place", "air", "fuel", "wiring", "fuse", "run", "handover")
#: What a job may be called: it is typed in a shell.
SERVICE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
SENSOR = Section(
    "sensor",
    (
        Setting(
            "gain_uncertainty",
            "number",
            0.02,
            "standard uncertainty of the scale of the current, as a part of it (common practice, "
            "no source: a shunt or a Hall sensor as fitted); all outputs in watts are as uncertain",
            "",
            0,
            0.5,
        ),
        Setting(
            "zero_uncertainty_a",
            "number",
            0.05,
            "standard uncertainty of the current where it is zero (common practice, no source)",
            "A",
            0,
            10,
        ),
        Setting(
            "voltage_uncertainty_v",
            "number",
            0.1,
            "standard uncertainty of the voltage on a bank of 12 V, and twice as much on 24 V "
            "(common practice, no source). It includes the drop in the leads between two places of "
            "measurement: two sources that lie further apart than it allows disagree",
            "V",
            0,
            10,
        ),
    ),
    "how uncertain current and voltage are; a reading of a clamp meter makes them surer: 'ebbwatt "
    "event add reading'",
)
STORE = Section(
    "store",
    (
        Setting("path", "text", "ebbwatt.db", "the database, relative to this file"),
        Setting(
            "commit_s",
            "number",
            60.0,
            "longest time between two writings to the disk while the charger runs or anything "
            "changes",
            "s",
            1,
            3600,
        ),
        Setting(
            "commit_rest_s",
            "number",
            1200.0,
            "longest time between two writings to the disk while the charger rests and nothing "
            "changes",
            "s",
            1,
            DAY_S,
        ),
        Setting(
            "raw_hours",
            "whole",
            0,
            "hours of single readings that are kept beside the intervals; after that the oldest "
            "hour is dropped for the newest. 0 keeps none, 1000000 keeps all. A power cut loses "
            "the hour that is not complete, and what is not on the disk yet",
            "h",
            0,
            1_000_000,
        ),
    ),
    "where the log is kept",
)
LOG = Section(
    "log",
    (
        Setting(
            "interval_s",
            "number",
            None,
            "expected spacing of the readings; found from them if left out",
            "s",
            0,
            3600,
            above_low=True,
        ),
        Setting(
            "gap_s",
            "number",
            None,
            "readings further apart than this have a gap between them; if left out, five times the "
            "spacing that is found, and at least 5 s; where several questions are asked, as long "
            "as a lost answer may hold up the next, unless the link itself was lost",
            "s",
            0,
            DAY_S,
            above_low=True,
        ),
        Setting(
            "longest_running_s",
            "number",
            60.0,
            "longest interval while the charger runs",
            "s",
            1,
            3600,
        ),
        Setting(
            "longest_rest_s",
            "number",
            600.0,
            "longest interval while the charger rests",
            "s",
            1,
            DAY_S,
        ),
        Setting(
            "voltage_band_v",
            "number",
            0.1,
            "an interval ends when the voltage is further than this from its mean in the interval",
            "V",
            0,
            100,
            above_low=True,
        ),
        Setting(
            "current_band_a",
            "number",
            0.4,
            "an interval ends when the current is further than this from its mean in the interval",
            "A",
            0,
            1000,
            above_low=True,
        ),
    ),
    "how readings are put together into intervals",
)
LIMITS = Section(
    "limits",
    (
        Setting(
            "longest_line_kb",
            "whole",
            64,
            "longest line of a recording that is taken",
            "kB",
            1,
            100_000,
        ),
        Setting(
            "most_columns", "whole", 1000, "most columns that a recording may have", "", 2, 100_000
        ),
        Setting(
            "largest_unpacked_mb",
            "whole",
            4000,
            "largest size of a compressed recording when it is unpacked",
            "MB",
            1,
            10_000_000,
        ),
        Setting(
            "most_values",
            "whole",
            2_000_000,
            "most values in a file of another program; all of them are held in memory at once, "
            "some 100 bytes each",
            "",
            1,
            1_000_000_000,
        ),
        Setting(
            "kept_refusals",
            "whole",
            10_000,
            "most refused rows of a file that are kept for the list; the others are only counted",
            "",
            1,
            10_000_000,
        ),
    ),
    "how much of a file 'ebbwatt import' takes: a damaged or hostile one must not fill the memory",
)
PLAUSIBLE = Section(
    "plausible",
    (
        Setting(
            "voltage_v",
            "list",
            None,
            "lowest and highest believable voltage; if given, the bank no longer decides",
            "V",
        ),
        Setting("current_a", "list", None, "lowest and highest believable current", "A"),
        Setting("temperature_c", "list", None, "lowest and highest believable temperature", "degC"),
        Setting(
            "battery_current_a", "list", None, "lowest and highest believable battery current", "A"
        ),
    ),
    "values outside these limits are dropped and counted; if left out, the limits follow from the "
    "rated output and the bank",
)
SECTIONS = (BOAT, CHARGER, BATTERY, FUEL, WIRING, UNIT, SENSOR, STORE, LOG, LIMITS, PLAUSIBLE)

#: Sizes that a boat's battery cable may have; the finest and the thickest that are accepted.
FINEST, THICKEST = 20, -3
_AWG = re.compile(r"([1-9]\d?)/0|(\d{1,2})")


def awg_mm2(size: str | int) -> float:
    """Return the cross-section of an AWG size, mm2: 8, "8", "2/0", "0".

    ASTM B258: the diameter of size n is 0.127 mm times 92 to the power of (36 - n) / 39; 2/0 is
    n = -1, 3/0 is -2, 4/0 is -3.

    Raises
    ------
    UsageError
        If it is no such size.
    """
    match = _AWG.fullmatch(str(size).strip())
    number = None
    if match is not None:
        number = 1 - int(match.group(1)) if match.group(1) else int(match.group(2))
    if number is None or not THICKEST <= number <= FINEST:
        raise UsageError(f"{size!r} is not an AWG size; accepted: {FINEST} to 0, and 2/0 to 4/0")
    diameter_mm = 0.127 * math.pow(92.0, (36 - number) / 39)
    return math.pi / 4.0 * diameter_mm**2


#: Every accepted size and its cross-section, mm2.
AWG_MM2 = {
    (str(number) if number >= 0 else f"{1 - number}/0"): awg_mm2(
        str(number) if number >= 0 else f"{1 - number}/0"
    )
    for number in range(THICKEST, FINEST + 1)
}
