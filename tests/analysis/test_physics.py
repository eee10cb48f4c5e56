"""Physics against handbook tables and published limits; the source stands beside each value."""

import pytest

from analysis import physics
from logger.errors import UsageError
from logger.sections import awg_mm2
from tests.support import oracles

# de Reuck & Craven, IUPAC International Thermodynamic Tables vol. 12, Methanol (Blackwell 1993),
# evaluated at 1 atm in an open property package: kg/m3.
DENSITY = {-20: 828.60, 0: 809.73, 10: 800.37, 20: 791.01, 25: 786.33, 30: 781.63, 50: 762.58}

# Worked table from LHV 638.35 kJ/mol (WebBook) and de Reuck & Craven at 20 degC:
# L/kWh: kg/kWh, efficiency LHV, CO2 g/kWh, water g/kWh, O2 g/kWh, heat kWh/kWh.
BALANCE = {
    0.7: (0.5537, 0.326, 760, 623, 829, 2.06),
    0.8: (0.6328, 0.286, 869, 712, 948, 2.50),
    0.9: (0.7119, 0.254, 978, 801, 1066, 2.94),
    1.0: (0.7910, 0.228, 1086, 890, 1185, 3.38),
    1.1: (0.8701, 0.208, 1195, 978, 1303, 3.82),
}


@pytest.mark.parametrize(("temperature_c", "kg_m3"), DENSITY.items())
def test_density_follows_the_reference_equation(temperature_c, kg_m3):
    assert physics.methanol_density_kg_per_l(temperature_c) * 1000 == pytest.approx(kg_m3, abs=0.15)


def test_warm_fuel_takes_more_room():
    # Same source: 2.44 % from 20 to 40 degC.
    density = physics.methanol_density_kg_per_l
    assert density(20.0) / density(40.0) - 1 == pytest.approx(0.0244, abs=0.0003)


def test_charge_and_energy_of_methanol():
    # Six electrons a molecule and the CODATA Faraday constant: 5.0187 Ah/g.
    assert oracles.charge_ah_per_g() == pytest.approx(5.0187, abs=1e-4)
    # At 20 degC a litre holds 3970 Ah of it (same figures, density by de Reuck & Craven).
    litre_g = 1000.0 * physics.methanol_density_kg_per_l(20.0)
    assert oracles.charge_ah_per_g() * litre_g == pytest.approx(3970, abs=1)
    # LHV at 15, 20 and 25 degC: 4.40, 4.38, 4.35 kWh/L.
    assert physics.energy_kwh_per_l(15.0) == pytest.approx(4.40, abs=0.005)
    assert physics.energy_kwh_per_l(20.0) == pytest.approx(4.38, abs=0.005)
    assert physics.energy_kwh_per_l(25.0) == pytest.approx(4.35, abs=0.005)


@pytest.mark.parametrize(("l_per_kwh", "expected"), BALANCE.items())
def test_balance_of_a_kilowatt_hour(l_per_kwh, expected):
    got = physics.fuel_balance(l_per_kwh)
    kg, efficiency, co2, water, oxygen, heat = expected
    assert got.kg_per_kwh == pytest.approx(kg, abs=1e-4)
    assert got.efficiency_lhv == pytest.approx(efficiency, abs=6e-4)
    assert got.co2_g_per_kwh == pytest.approx(co2, abs=0.8)
    assert got.water_g_per_kwh == pytest.approx(water, abs=0.8)
    assert got.oxygen_g_per_kwh == pytest.approx(oxygen, abs=0.8)
    assert got.heat_kwh_per_kwh == pytest.approx(heat, abs=0.006)
    # What goes in comes out: methanol + oxygen = carbon dioxide + water.
    taken = 1000 * got.kg_per_kwh + got.oxygen_g_per_kwh
    assert taken == pytest.approx(got.co2_g_per_kwh + got.water_g_per_kwh, rel=1e-4)


def test_what_a_kilogram_of_methanol_makes():
    # CH3OH + 1.5 O2 = CO2 + 2 H2O with the molar masses of the CRC Handbook: per kilogram 1.3735 kg
    # of carbon dioxide, 1.1245 kg of water, 1.4980 kg of oxygen.
    got = physics.fuel_balance(0.9)
    grams = 1000.0 * got.kg_per_kwh
    assert got.co2_g_per_kwh / grams == pytest.approx(1.3735, abs=1e-4)
    assert got.water_g_per_kwh / grams == pytest.approx(1.1245, abs=1e-4)
    assert got.oxygen_g_per_kwh / grams == pytest.approx(1.4980, abs=1e-4)


@pytest.mark.parametrize(
    ("watts", "co2_g_h", "heat_w"),
    [(25, 24, 74), (50, 49, 147), (75, 73, 220), (100, 98, 294), (125, 122, 368)],
)
def test_carbon_dioxide_and_heat_of_a_running_unit(watts, co2_g_h, heat_w):
    # Worked from the same stoichiometry at 0.9 L/kWh, lower heating value.
    got = physics.fuel_balance(0.9)
    assert got.co2_g_per_kwh * watts / 1000.0 == pytest.approx(co2_g_h, abs=0.6)
    assert got.heat_kwh_per_kwh * watts == pytest.approx(heat_w, abs=0.6)


def test_fuel_per_kwh_goes_as_one_over_cell_voltage():
    assert physics.fuel_rise_for_output_loss(0.10) == pytest.approx(0.111, abs=5e-4)
    # 0.9 L/kWh is 0.280 V of effective cell voltage (3573 Ah of theoretical charge per kWh).
    assert oracles.effective_cell_voltage_v(0.9) == pytest.approx(0.280, abs=5e-4)


@pytest.mark.parametrize(
    ("watts", "air_m3_h"), [(25, 3.0), (50, 5.9), (75, 8.9), (100, 11.9), (125, 14.8)]
)
def test_air_that_keeps_carbon_dioxide_below_the_limit(watts, air_m3_h):
    # Worked from stoichiometry at 0.9 L/kWh, 5000 ppm (NIOSH REL, OSHA PEL), 420 ppm outside.
    co2 = physics.fuel_balance(0.9).co2_g_per_kwh * watts / 1000
    assert physics.co2_air_m3_per_h(co2) == pytest.approx(air_m3_h, abs=0.06)


@pytest.mark.parametrize(
    ("amps", "conductor_m", "mm2", "tinned", "copper_c", "volts", "percent"),
    [
        (5.0, 8.0, 2.5, False, 20.0, 0.319, 2.66),
        (5.0, 8.0, 2.5, False, 50.0, 0.357, 2.97),
        (5.0, 8.0, 6.0, False, 20.0, 0.132, 1.10),
        (50 / 12, 8.0, 2.5, True, 20.0, 0.274, 2.28),
        (50 / 12, 8.0, 4.0, True, 20.0, 0.170, 1.41),
        (50 / 12, 8.0, 6.0, True, 20.0, 0.113, 0.94),
    ],
)
def test_cable_drop_by_iec_60228(amps, conductor_m, mm2, tinned, copper_c, volts, percent):
    # IEC 60228:2004 class 5 resistances and its reduction factor to 20 degC.
    ohm = physics.conductor_ohm(mm2, conductor_m, tinned=tinned, copper_c=copper_c)
    assert amps * ohm == pytest.approx(volts, abs=6e-4)
    assert 100.0 * amps * ohm / 12.0 == pytest.approx(percent, abs=0.012)


@pytest.mark.parametrize("mm2", [2.5, 4.0, 6.0, 10.0, 16.0])
def test_the_table_of_cables_agrees_with_the_copper_and_with_the_american_rule(mm2):
    # Annealed copper is 1/58 ohm mm2/m at 20 degC (IEC 60028); stranded flexible conductors have 10
    # to 20 % more. The trade's print of the ABYC table, CM = 10.75 I L / E (circular mils, feet),
    # is 0.01787 ohm mm2/m.
    implied = physics.conductor_ohm(mm2, 1.0, tinned=False) * mm2
    assert 1.10 < implied * 58.0 < 1.20
    assert 1.05 < implied / 0.01787 < 1.15


def test_a_cross_section_outside_the_standard_is_refused_with_the_known_ones():
    with pytest.raises(UsageError, match=r"3 mm2 .*2\.5, 4, 6"):
        physics.conductor_ohm(3.0, 8.0)


@pytest.mark.parametrize("mm2", [70.0, 95.0, 120.0, 150.0, 185.0, 240.0, 300.0, 400.0])
def test_thick_cables_agree_with_the_copper(mm2):
    # Class 5 of IEC 60228 leaves fine strands 8 to 16 % more than the copper alone (1/58).
    implied = physics.conductor_ohm(mm2, 1.0) * mm2
    assert 1.08 < implied * 58.0 < 1.16
    ratio = physics.conductor_ohm(mm2, 1.0, tinned=True) / physics.conductor_ohm(mm2, 1.0)
    assert 1.015 < ratio < 1.035


def test_an_awg_cable_by_its_copper():
    # Handbooks give 4 AWG 0.2485 ohm per 1000 ft solid at 20 degC (from memory): 0.8153 ohm/km.
    stranded = physics.conductor_ohm(awg_mm2(4), 1000.0)
    assert stranded / physics.AWG_STRANDED == pytest.approx(0.8153, rel=2e-3)
    assert physics.awg_size(53.5) == "0"
    assert physics.awg_size(50.0) is None
    assert physics.awg_size(35.0) is None


def test_ventilation_of_a_bank_by_en_62485_2():
    # EN/IEC 62485-2, Q = 0.05 n Igas C / 1000: 6 cells, 200 Ah, boost.
    assert physics.ventilation_m3_per_h(200.0, "flooded") == pytest.approx(1.20)
    assert physics.ventilation_m3_per_h(200.0, "agm") == pytest.approx(0.48)
    assert physics.ventilation_m3_per_h(200.0, "lfp") is None
    # A = 28 Q cm2, the same source.
    assert physics.ventilation_opening_cm2(0.48) == pytest.approx(13.44)


@pytest.mark.parametrize("blocks", [1, 2, 3, 4])
@pytest.mark.parametrize(
    "block_v",
    [
        11.5,  # lead-acid nearly empty, loaded
        11.89,  # rested and empty: Bode 1977 at usual densities
        12.67,  # rested and full: the same
        13.2,  # four LFP cells on their plateau of 3.3 V
        13.38,  # float by the default of IEC/EN 62485-2, 2.23 V per cell
        14.4,  # absorption: common practice, no source
        14.6,  # four LFP cells at 3.65 V: common practice, no source
    ],
)
def test_the_number_of_blocks_follows_from_any_usual_voltage(blocks, block_v):
    assert physics.blocks_in_series(blocks * block_v) == blocks


def test_a_bank_of_unknown_voltage_is_taken_for_one_block():
    assert physics.blocks_in_series(float("nan")) == 1
    assert physics.blocks_in_series(4.0) == 1, "a flat battery is a battery"
