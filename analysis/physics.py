"""Physics and published limits behind the figures: methanol, cables, battery ventilation.

Every number has its source. Chemistry: open handbook-data package ``chemicals`` 1.5.2 (CRC and
WebBook tables). Density: de Reuck & Craven, IUPAC International Thermodynamic Tables vol. 12,
Methanol (Blackwell 1993), evaluated at 1 atm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from logger.errors import UsageError
from logger.sections import AWG_MM2

METHANOL_G_PER_MOL = 32.04186
CO2_G_PER_MOL = 44.0095
WATER_G_PER_MOL = 18.01528
OXYGEN_G_PER_MOL = 31.9988
METHANOL_LHV_KJ_PER_MOL = 638.35
"""Lower heating value from the WebBook enthalpies of formation (the tables give 637.9 to 638.7)."""
ROOM_C = 20.0
"""Temperature at which litres are stated where none is given (common practice, no source)."""

# Exposure limits.
METHANOL_REL_PPM = 200
"""NIOSH REL, time-weighted mean (cdc.gov/niosh/idlh/67561.html); the OSHA PEL (29 CFR 1910.1000
Table Z-1) is the same."""
METHANOL_STEL_PPM = 250
"""NIOSH short-term limit, with a skin notation (same page)."""
CO2_PEL_PPM = 5000
"""NIOSH REL and OSHA PEL for carbon dioxide (cdc.gov/niosh/idlh/124389.html; OSHA CH_225400)."""
CO2_IDLH_PPM = 40000
"""Immediately dangerous to life or health (cdc.gov/niosh/idlh/124389.html)."""
CO2_OUTSIDE_PPM = 420
"""Carbon dioxide in outside air, about the mean of 2023 (NOAA Global Monitoring Laboratory; value
from memory)."""
MOLAR_VOLUME_25C_L = 24.465
"""Ideal gas at 25 degC and 1 atm, L/mol."""

#: Highest DC resistance of a conductor at 20 degC, ohm/km, by cross-section in mm2
#: (IEC 60228:2004, flexible classes 5 and 6: plain, tinned copper).
IEC_60228_FLEXIBLE = {
    1.0: (19.5, 20.0),
    1.5: (13.3, 13.7),
    2.5: (7.98, 8.21),
    4.0: (4.95, 5.09),
    6.0: (3.30, 3.39),
    10.0: (1.91, 1.95),
    16.0: (1.21, 1.24),
    25.0: (0.780, 0.795),
    35.0: (0.554, 0.565),
    50.0: (0.386, 0.393),
    70.0: (0.272, 0.277),
    95.0: (0.206, 0.210),
    120.0: (0.161, 0.164),
    150.0: (0.129, 0.132),
    185.0: (0.106, 0.108),
    240.0: (0.0801, 0.0817),
    300.0: (0.0641, 0.0654),
    400.0: (0.0486, 0.0495),
}
"""Up to 50 mm2 four transcriptions of the standard agree. The values from 70 mm2 on are from
memory; a test compares them with the resistance of the copper."""
COPPER_OHM_MM2_PER_KM = 1000.0 / 58.0
"""Annealed copper at 20 degC (IEC 60028)."""
AWG_STRANDED = 1.02
"""Resistance of a stranded conductor over a solid one: the lay lengthens the strands (ASTM B8)."""
AWG_TINNED = 1.03
"""Resistance of tinned flexible copper over plain (the columns of IEC 60228: 1.02 to 1.03)."""
#: A cross-section within this part of an AWG size counts as that size: catalogues round it.
AWG_ROUNDED = 0.01
COPPER_PER_K = 0.004
"""Rise of resistance per kelvin from 20 degC, as IEC 60228 corrects its readings."""

#: Divisor from the voltage of a bank to its number of nominal 12 V blocks, V. A block of any
#: chemistry stands between 11.5 V (lead-acid nearly empty; four LFP cells at 2.9 V) and 14.6 V
#: (absorption; four LFP cells at 3.65 V): common practice, no source. Up to four blocks (48 V) this
#: divisor gives the right number for all these voltages; one that differs by 0.1 V does not.
BLOCK_V = 13.0
NOMINAL_V = 12.0
"""Voltage by which a block is named: limits are given for it, and a cable's drop is a part of it
(worked examples of the trade)."""
CHARGING_V = 13.2
"""Above this a block is being charged rather than resting: 2.2 V per lead-acid cell, between the
highest resting voltage and the lowest float voltage (common practice, no source)."""
J_PER_KWH = 3.6e6
"""By definition."""
CELLS_PER_BLOCK = 6
"""Lead-acid cells of 2 V in a 12 V block."""

#: Gas current for ventilation, mA per Ah: float, boost (EN/IEC 62485-2).
VENTILATION_MA_PER_AH = {"flooded": (5.0, 20.0), "agm": (1.0, 8.0), "gel": (1.0, 8.0)}


def methanol_density_kg_per_l(temperature_c: float) -> float:
    """Density of liquid methanol at 1 atm, kg/L.

    Straight line through de Reuck & Craven (1993), within 0.13 kg/m3 from -20 to 50 degC.
    """
    return (809.77 - 0.9412 * temperature_c) / 1000.0


def energy_kwh_per_l(temperature_c: float = ROOM_C) -> float:
    """Lower heating value of a litre of methanol, kWh/L."""
    per_g = METHANOL_LHV_KJ_PER_MOL / METHANOL_G_PER_MOL / 3600.0
    return per_g * 1000.0 * methanol_density_kg_per_l(temperature_c)


@dataclass(frozen=True, slots=True)
class FuelBalance:
    """Fuel and air for one kilowatt-hour delivered, and its products, if all fuel is oxidised."""

    kg_per_kwh: float
    efficiency_lhv: float
    """Electrical energy over the lower heating value of the fuel."""
    co2_g_per_kwh: float
    water_g_per_kwh: float
    oxygen_g_per_kwh: float
    heat_kwh_per_kwh: float
    """Heat that must be carried away, kWh per kWh delivered (lower heating value)."""


def fuel_balance(l_per_kwh: float, temperature_c: float = ROOM_C) -> FuelBalance:
    """Stoichiometry of a charger that uses ``l_per_kwh`` of methanol measured at a temperature.

    Carbon dioxide and water follow from the fuel used, whether it reacts at the anode or by
    crossover, so they do not depend on the efficiency.
    """
    grams = 1000.0 * l_per_kwh * methanol_density_kg_per_l(temperature_c)
    moles = grams / METHANOL_G_PER_MOL
    chemical_kwh = moles * METHANOL_LHV_KJ_PER_MOL / 3600.0
    return FuelBalance(
        kg_per_kwh=grams / 1000.0,
        efficiency_lhv=1.0 / chemical_kwh,
        co2_g_per_kwh=moles * CO2_G_PER_MOL,
        water_g_per_kwh=moles * 2.0 * WATER_G_PER_MOL,
        oxygen_g_per_kwh=moles * 1.5 * OXYGEN_G_PER_MOL,
        heat_kwh_per_kwh=chemical_kwh - 1.0,
    )


def fuel_rise_for_output_loss(loss: float) -> float:
    """Relative rise of fuel per kWh when the cell voltage falls by the fraction ``loss``.

    Fuel per kWh goes as one over the cell voltage at fixed crossover: a loss of 10 % costs 11.1 %.
    """
    return 1.0 / (1.0 - loss) - 1.0


def co2_air_m3_per_h(co2_g_per_h: float, limit_ppm: float = CO2_PEL_PPM) -> float:
    """Outside air that keeps a closed space at a limit of carbon dioxide, m3/h at 25 degC."""
    litres = co2_g_per_h / CO2_G_PER_MOL * MOLAR_VOLUME_25C_L
    return litres / 1000.0 / ((limit_ppm - CO2_OUTSIDE_PPM) * 1e-6)


def conductor_ohm(
    cross_section_mm2: float, conductor_m: float, *, tinned: bool = False, copper_c: float = 20.0
) -> float:
    """Highest resistance that a flexible conductor may have, ohm.

    IEC 60228 gives it for a metric size; for an AWG size it follows from the copper (ASTM B258,
    stranded).

    Parameters
    ----------
    cross_section_mm2
        Nominal cross-section: one of :data:`IEC_60228_FLEXIBLE`, or of an AWG size.
    conductor_m
        Length of conductor: there and back.
    tinned, copper_c
        Tinned copper, and its temperature.

    Raises
    ------
    UsageError
        If the cross-section is not a nominal one.
    """
    factor = 1.0 + COPPER_PER_K * (copper_c - 20.0)
    row = IEC_60228_FLEXIBLE.get(float(cross_section_mm2))
    if row is not None:
        return row[int(tinned)] * conductor_m / 1000.0 * factor
    if awg_size(cross_section_mm2) is None:
        known = ", ".join(f"{size:g}" for size in IEC_60228_FLEXIBLE)
        raise UsageError(
            f"a cross-section of {cross_section_mm2:g} mm2 is not a nominal one of IEC 60228; "
            f'accepted: {known}; or an AWG size, written cross_section_awg = "2/0"'
        )
    ohm_per_km = COPPER_OHM_MM2_PER_KM / cross_section_mm2 * AWG_STRANDED
    return ohm_per_km * (AWG_TINNED if tinned else 1.0) * conductor_m / 1000.0 * factor


def awg_size(cross_section_mm2: float) -> str | None:
    """Return the AWG size of a cross-section that is not a metric one, or None."""
    if float(cross_section_mm2) in IEC_60228_FLEXIBLE:
        return None
    for size, mm2 in AWG_MM2.items():
        if abs(cross_section_mm2 / mm2 - 1.0) <= AWG_ROUNDED:
            return size
    return None


def blocks_in_series(voltage_v: float) -> int:
    """Return the number of nominal 12 V blocks of a bank, from its voltage at rest or charging.

    Returns one where the voltage is not known (NaN).
    """
    return max(1, round(voltage_v / BLOCK_V)) if math.isfinite(voltage_v) else 1


def ventilation_m3_per_h(
    capacity_ah: float, chemistry: str, cells: int = CELLS_PER_BLOCK, *, boost: bool = True
) -> float | None:
    """Air that a battery space needs, m3/h: Q = 0.05 n I C / 1000 (EN/IEC 62485-2).

    Returns None for a chemistry that the rule does not cover (a lithium bank gives off no hydrogen
    when charged within its limits; follow its maker and ISO 23625).
    """
    gas = VENTILATION_MA_PER_AH.get(chemistry)
    if gas is None:
        return None
    return 0.05 * cells * gas[int(boost)] * capacity_ah * 1e-3


def ventilation_opening_cm2(air_m3_per_h: float) -> float:
    """Return the least free area of an inlet, and of an outlet, cm2: A = 28 Q (EN/IEC 62485-2)."""
    return 28.0 * air_m3_per_h
