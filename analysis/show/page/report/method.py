"""The third page: the method in short, the cautions, and how to check the figure by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.inputs.meters import MEASURE
from analysis.show.cautions import CAUTIONS, LIMITS
from analysis.show.page.pieces import heading, joined, listing, paragraphs, tag, text
from analysis.units import owner

if TYPE_CHECKING:
    from markupsafe import Markup

    from analysis.show.matter import Matter


def method(_: Matter) -> Markup:
    """Return the method in ten lines."""
    return joined(
        heading("Method in short"),
        paragraphs(
            "Each run counts with its warm, early output, corrected to "
            f"{owner().units.temperature(25.0)} where the temperature is logged. A trend is fitted "
            "over running hours; sudden steps, and what a rest brings back, are no part of it.",
        ),
    )


_PREPARING = (
    "Discharge the battery well below full; switch off every other source.",
    "Start the charger; let the current settle (20 to 60 minutes; common practice).",
)
_READING = "Read a DC clamp meter on one output lead, and the voltage at the charger's terminals."


def by_hand(matter: Matter) -> Markup:
    """Return how to check the main figure with a clamp meter and a voltmeter."""
    a = matter.assessment
    volts = 1000 * a.energy_kwh / a.charge_ah if a.charge_ah > 0 else None
    # What the next action asks for already is not said twice.
    steps = [*_PREPARING, *([] if MEASURE in a.advice else [_READING])]
    if a.output.median is not None and volts is not None:
        amps = a.output.median * a.rated_w / volts
        low, high = (
            (None, None)
            if a.output.low is None or a.output.high is None
            else (a.output.low * a.rated_w / volts, a.output.high * a.rated_w / volts)
        )
        span = f" ({low:.1f} to {high:.1f} A)" if low is not None and high is not None else ""
        steps.append(
            f"Expected: about {amps:.1f} A{span} at {volts:.1f} V; less in heat. The "
            f"meter may be 2 % off."
        )
    else:
        steps.append(
            f"Volts times amperes, divided by the rated {a.rated_w:.0f} W, is the output, which "
            f"this log does not tell yet."
        )
    return joined(heading("How to check it by hand"), listing((text(s) for s in steps), "ol"))


def cautions(_: Matter) -> Markup:
    """Return the cautions in a line each; the appendix holds them whole."""
    items = [joined(tag("strong", text(f"{c.title}.")), " ", text(c.brief)) for c in CAUTIONS]
    return tag(
        "section",
        heading("Cautions"),
        listing(items),
        paragraphs(LIMITS),
        class_="cautions",
        aria_label="Cautions",
    )
