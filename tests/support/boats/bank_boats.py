"""Boats with a bank whose state of charge is known: an independent generator for load and limit.

Written from first principles, apart from the boat that the demonstration and the study use. All
boats of a fleet live side by side in steps of five minutes (arrays over boats). The bank is
lead-acid:

* rested voltage on a straight line over state of charge (Bode 1977: 11.89 to 12.67 V; sealed blocks
  about 0.12 V higher, common practice, no source);
* a fast resistance, and a slow polarisation that rises steeply towards full;
* charge efficiency that depends on the state of charge: constant below a knee, then falling in a
  straight line to full. Stevens and Corey (1996), Sandia: above 95 % low down, falling off near
  full; below one half near the top (the latter from memory). Each boat draws its own curve.

Truth about the limit: the boat lives her own days again (loads, sun, engine and shore power alike)
with a charger of constant output, for many outputs; the limit is the output at which the bank is
below its usable share on one day in twenty of the season.
"""

import math
from dataclasses import dataclass, field, replace

import numpy as np

from logger.config import (
    BatteryConfig,
    ChargerConfig,
    Config,
    FuelConfig,
    LogConfig,
    StoreConfig,
)
from logger.settings import Document

START_S = 1_617_235_200.0  # 2021-04-01T00:00:00Z
STEP_S = 300.0
STEPS = 288
#: Days from the first of one season to the first of the next.
YEAR = 365
KINDS = ("plain", "deep", "solar", "profile", "float", "nearly_full", "shore", "engine")


@dataclass(frozen=True)
class BankBoat:
    """One boat; see ``draw``."""

    name: str
    seed: int
    rated_w: float = 110.0
    capacity_ah: float = 200.0
    """What the bank really holds."""
    told_ah: float = 220.0
    """What its label says."""
    chemistry: str = "agm"
    start_v: float = 12.5
    ceiling_v: float = 14.3
    float_v: float = math.nan
    """Held after absorption; NaN for a charger that stops."""
    tail: float = 0.012
    """Battery current at which absorption ends, as a part of capacity per hour."""
    absorb_h: float = 3.0
    later: tuple = ()
    """(share of the days, start_v, ceiling_v, absorb_h) of a profile set later."""
    eta: tuple = (0.97, 0.82, 0.5)
    """Efficiency low down, state of charge of the knee, efficiency at full."""
    output: float = 0.8
    """At the end of the log, fraction of rated."""
    loss_per_1000h: float = 0.07
    wander: float = 0.006
    rest_a: float = 2.0
    passage_a: float = 3.5
    passage_share: float = 0.3
    spell_d: float = 5.0
    night_a: float = 1.0
    fridge_a: float = 3.0
    day_sd: float = 0.15
    season_d: int = 180
    seasons: int = 2
    engine_share: float = 0.0
    shore_share: float = 0.0
    solar_a: float = 0.0
    shunt: bool = False
    replace_below: float = 0.6
    design_life_h: float = 9000.0

    def config(self, **battery):
        """Return what the owner would have written down."""
        from pathlib import Path

        path = Path("ebbwatt.toml")
        return Config(
            path=path,
            charger=ChargerConfig(
                self.name,
                self.rated_w,
                design_life_h=self.design_life_h,
                plan_below=self.replace_below + 0.15,
                replace_below=self.replace_below,
            ),
            battery=BatteryConfig(self.told_ah, self.chemistry, **battery),
            fuel=FuelConfig(),
            store=StoreConfig(path.absolute().with_name("ebbwatt.db")),
            log=LogConfig(interval_s=60.0),
            plausible={},
            source=None,
            document=Document(path, {}),
        )


@dataclass
class Truth:
    """What really happened, and what the limit is."""

    load_ah: np.ndarray
    """By day of the log."""
    alone: np.ndarray
    """Days on which nothing else gave current."""
    lowest: np.ndarray
    """Lowest state of charge of each day."""
    needed_w: float
    """Output at which the bank is below its usable share on one day in twenty."""
    hours: float
    """Running hours at the end."""
    remaining: dict = field(default_factory=dict)
    """Running hours until each limit, by its name in the document."""

    @property
    def until(self):
        return min(self.remaining, key=self.remaining.get)

    @property
    def remaining_h(self):
        return min(self.remaining.values())


#: The bank may be used to so deep (sizing: lead-acid to one half, common practice, no source).
USABLE = 0.5


def draw(number, seed, kind=None):
    """Draw a boat of one kind (all kinds in turn by default)."""
    rng = np.random.default_rng([seed, number, 4])
    kind = kind or KINDS[number % len(KINDS)]
    rest = float(rng.uniform(1.0, 3.0))
    passage = rest * float(rng.uniform(1.2, 2.2))
    share = float(rng.uniform(0.15, 0.5))
    mean_w = ((1 - share) * rest + share * passage) * 13.2
    rated = mean_w / float(rng.uniform(0.25, 0.5))
    told = float(np.round(24.0 * (rest + passage) / 2 * rng.uniform(1.5, 4.0) / 0.5 / 10) * 10)
    chemistry = str(rng.choice(["agm", "flooded", "gel"], p=[0.5, 0.3, 0.2]))
    sealed = 0.0 if chemistry == "flooded" else 0.12
    start_soc = float(rng.uniform(0.58, 0.72))
    boat = BankBoat(
        name=f"{kind} {seed}/{number}",
        seed=int(rng.integers(1, 2**31)),
        rated_w=round(rated, 0),
        capacity_ah=told * float(rng.uniform(0.78, 1.02)),
        told_ah=told,
        chemistry=chemistry,
        start_v=round(11.89 + sealed + 0.78 * start_soc - 0.03, 2),
        ceiling_v=float(rng.uniform(14.1, 14.6)),
        tail=float(rng.uniform(0.008, 0.02)),
        absorb_h=float(rng.uniform(2.0, 5.0)),
        eta=(
            float(rng.uniform(0.95, 0.99)),
            float(rng.uniform(0.78, 0.90)),
            float(rng.uniform(0.35, 0.75)),
        ),
        output=float(rng.uniform(0.6, 0.95)),
        loss_per_1000h=float(np.exp(rng.uniform(np.log(0.03), np.log(0.12)))),
        wander=float(rng.uniform(0.003, 0.010)),
        rest_a=rest,
        passage_a=passage,
        passage_share=share,
        spell_d=float(rng.uniform(2.0, 8.0)),
        night_a=rest * float(rng.uniform(0.0, 0.6)),
        fridge_a=rest * float(rng.uniform(0.5, 1.5)),
        day_sd=float(rng.uniform(0.05, 0.25)),
        season_d=int(rng.integers(120, 210)),
        seasons=int(rng.integers(1, 4)),
        replace_below=float(rng.choice([0.4, 0.5, 0.6])),
        design_life_h=float(rng.choice([5000.0, 7500.0, 9000.0, 12000.0])),
    )
    soc = float(rng.uniform(0.86, 0.94))
    own = {
        "deep": {"absorb_h": 1.0, "ceiling_v": 14.1},
        "solar": {"solar_a": rest * float(rng.uniform(0.8, 3.0))},
        "profile": {
            "ceiling_v": 14.1,
            "absorb_h": 1.5,
            "later": (
                float(rng.uniform(0.3, 0.7)),
                boat.start_v + float(rng.uniform(0.08, 0.20)),
                14.7,
                6.0,
            ),
        },
        "float": {"float_v": float(rng.uniform(13.4, 13.7))},
        "nearly_full": {"start_v": round(11.89 + sealed + 0.78 * soc - 0.03, 2)},
        "shore": {"shore_share": float(rng.uniform(0.05, 0.2))},
        "engine": {"engine_share": float(rng.uniform(0.2, 0.6))},
    }
    return replace(boat, **own.get(kind, {}))


def fleet(count, seed, kinds=KINDS):
    """Draw so many boats, the kinds in turn."""
    return [draw(k, seed, kinds[k % len(kinds)]) for k in range(count)]
