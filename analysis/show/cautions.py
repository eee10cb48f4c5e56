"""The cautions: what can hurt, in one place, with the published source of each figure.

Report, summary and help texts take their wording from here. A figure that differs between tables
is given at its more careful end.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Caution:
    """One hazard: what it is called, what to heed, and which published text to defer to."""

    title: str
    text: str
    source: str
    brief: str
    """The same in a line, where the whole text stands behind it."""


CAUTIONS = (
    Caution(
        "Fuel",
        "Methanol is toxic by mouth, skin and breath, and burns with a flame that is hard to see. "
        "Its vapour can ignite from 9 \N{DEGREE SIGN}C, between 6 and 36 % by volume in air. "
        "Exposure limit 200 ppm over a working day, 250 ppm for a short time, with skin notation. "
        "Use sealed containers as supplied (UN 3473; methanol UN 1230), upright and secured; never "
        "decant below deck; no smoking or hot work; gloves; wash off splashes at once.",
        "flash point and limits: IEC 60079-20-1:2010; exposure: NIOSH REL; stowage: ISO 9094",
        "Methanol is toxic by mouth, skin and breath and burns with a flame that is hard to see: "
        "sealed containers only, upright and secured; no flame, no decanting below deck; gloves.",
    ),
    Caution(
        "Batteries",
        "A battery can deliver thousands of amperes and can vent hydrogen. Fuse close to the "
        "battery, insulated tools, no rings; ventilate; no flame or spark; goggles, and water at "
        "hand. A lithium bank needs its own management system.",
        "ventilation: IEC 62485-2; wiring: ISO 13297; lithium: ISO 23625:2025",
        "They can deliver thousands of amperes and vent hydrogen: fuse at the battery, insulated "
        "tools, ventilation, no spark.",
    ),
    Caution(
        "Exhaust and heat",
        "Exhaust gas and heat must leave the compartment, and must not be drawn in again. Exhaust "
        "holds carbon dioxide (limit 5000 ppm over a working day) and may hold traces of carbon "
        "monoxide and fuel: fit a carbon monoxide alarm where people sleep. Keep the drain open "
        "and free of frost.",
        "carbon dioxide: NIOSH REL and OSHA PEL; alarm: ISO 12133",
        "Both must leave the compartment; a carbon monoxide alarm where people sleep.",
    ),
    Caution(
        "Ignition",
        "No equipment that can spark in a fuel locker.",
        "ISO 8846",
        "No equipment that can spark in a fuel locker.",
    ),
    Caution(
        "The unit",
        "Do not open it, do not hinder its rests, use no other fuel than its maker names, and do "
        "not run it below the temperature its maker states.",
        "the maker's instructions",
        "Do not open it; its own fuel only; not below the temperature its maker states.",
    ),
)

#: What Ebbwatt is not; stands wherever figures are handed over.
LIMITS = (
    "Ebbwatt only reads. Its figures are no safety device and no substitute for the maker's "
    "instructions, local codes and a licensed person."
)

#: The cautions in one sentence, for help texts and the summary in the terminal.
SHORT = (
    "Cautions: methanol is toxic by mouth, skin and breath and burns with a flame that is hard to "
    "see; batteries can deliver thousands of amperes and vent hydrogen; exhaust gas and heat must "
    "leave the compartment; do not open the unit. " + LIMITS
)


#: The same where there is room for a few lines only.
BRIEF = (
    "Cautions: methanol is toxic by mouth, skin and breath and burns almost unseen; batteries can "
    "deliver thousands of amperes and vent hydrogen; exhaust and heat must leave the compartment; "
    "do not open the unit. Ebbwatt only reads; it is no safety device and replaces neither the "
    "maker's instructions nor local codes nor a licensed person."
)
