"""What is asked of meters before a replacement is ordered, and at which difference to stop.

Loads nothing heavy: the published page says it too.
"""

from __future__ import annotations

#: What a sensor as fitted and a meter may differ by; more is an error of the sensor. Two standard
#: deviations of both: of the current 2 % ([sensor] gain_uncertainty) and 1 % (``CLAMP_COMMON`` in
#: ``clamp``); of the voltage 0.1 V for each 12 V ([sensor] voltage_uncertainty_v) and 0.5 % of 13 V
#: (a voltmeter for the hand; common practice, no source). So far off, the output is wrong by 5 and
#: by 1.5 % of itself, which a nameplate may be as well (``from_new.NEW_GIVES``).
MAY_DIFFER, MAY_DIFFER_V = 0.05, 0.2
_APART = (
    f"over {100.0 * MAY_DIFFER:.0f} % or {MAY_DIFFER_V:g} V apart (24 V: {2.0 * MAY_DIFFER_V:g} V)"
)
#: What comes before a replacement that the output asks for: one wrong sensor would ask for it too.
MEASURE = (
    "Before you order, in a steady run: compare 'ebbwatt watch' with a clamp meter, and a "
    f"voltmeter on the charger's terminals. If {_APART}, stop: a sensor is wrong. Record both to "
    "correct it: ebbwatt event add reading --current A --voltage V"
)
#: The same in short: for the dashboard, and behind a reason for a size.
MEASURE_SHORT = (
    "before you order, measure current and voltage in a steady run: 'ebbwatt report' says how"
)
MEASURE_REASON = "if meters agree ('ebbwatt report')"
#: What follows where there is room.
AT_WHICH = f"measure in a steady run before you order; if {_APART}, stop"
