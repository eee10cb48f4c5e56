"""Asks the analysis about a history in one call, as a command does with its case."""

from dataclasses import replace

from analysis.assessment.case import Case
from analysis.fuel import outlook
from analysis.fuel.passage import Trip, charger_now, provision


def assess(history, config):
    return Case(history, config).assessment


def daily_load(history, config):
    return Case(history, config).load


def load_limit(history, config):
    return Case(history, config).needed


def fuel_outlook(history, config, passage_days=None, **wanted):
    case = Case(history, config)
    found = outlook.fuel_of(case, **wanted)
    if passage_days is None:
        return found
    return replace(found, passage=passage(case, found, Trip(passage_days)))


def passage(case, found, trip, *, reserve_d=3, spare_l=0.0, depart_s=None, delivery_d=14):
    charger = charger_now(case.runs, case.load.efficiency, case.config.battery.capacity_ah or 0.0)
    return provision(
        found.stock(), trip, case.kinds, charger, case.load.voltage_v or 12.6,
        reserve_d=reserve_d, spare_l=spare_l, depart_s=depart_s, delivery_d=delivery_d,
    )  # fmt: skip
