"""Asks the analysis about a history in one call, as a command does with its case."""

from analysis.assessment.case import Case
from analysis.fuel import outlook
from analysis.load import required_power


def assess(history, config):
    return Case(history, config).assessment


def daily_load(history, config):
    return Case(history, config).load


def load_limit(history, config):
    return required_power.load_limit(Case(history, config).load)


def fuel_outlook(history, config, **wanted):
    case = Case(history, config)
    return outlook.fuel_outlook(case.runs, case.use, config, **wanted)
