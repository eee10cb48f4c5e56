"""No figure of the four commands stands without a hand computation beside it.

A figure that a document gains needs a test here that computes it from the exported log.
"""

import re
from fnmatch import fnmatch
from pathlib import Path

import pytest

#: A busy machine takes minutes for what takes seconds.
GENEROUS_S = 900
pytestmark = [pytest.mark.slow, pytest.mark.timeout(2 * GENEROUS_S)]
HERE = Path(__file__).parent
DATE = re.compile(r"\d{4}-\d{2}-\d{2}(T.*)?")

#: File and test that compute the figures of a document, by the names of its keys.
COMPUTED = {
    "fuel": {
        "l_per_kwh.*": "fuel litres_per_kwh_are_those_of_the_containers",
        "litres_left.*": "fuel litres_per_kwh_are_those_of_the_containers",
        "days_left.*": "fuel days_left_are_those_of_the_last_90_whole_days",
        "containers_per_year.*": "fuel containers_a_year_are_those_of_the_last_365_days",
        "litres_per_year.*": "fuel containers_a_year_are_those_of_the_last_365_days",
        "year.*": "fuel containers_a_year_are_those_of_the_last_365_days",
        "kwh_per_day": "fuel days_left_are_those_of_the_last_90_whole_days",
        "days_used": "fuel days_left_are_those_of_the_last_90_whole_days",
        "containers_counted": "fuel litres_per_kwh_are_those_of_the_containers",
        "per_kwh.*": "fuel what_a_kwh_makes_follows_from_the_formula",
        "closed_space.*": "fuel what_a_kwh_makes_follows_from_the_formula",
    },
    "passage": {
        "days*": "passage the_sheet_of_a_passage_adds_up",
        "litres.*": "passage three_weeks_under_way_are_those_of_the_same_boat_sent_there",
        "kwh": "passage the_sheet_of_a_passage_adds_up",
        "ah_per_day_under_way.*":
            "passage three_weeks_under_way_are_those_of_the_same_boat_sent_there",
        "wh_per_day_under_way.*": "passage the_sheet_of_a_passage_adds_up",
        "days_under_way_seen": "passage days_under_way_are_those_that_took_more",
        "containers": "passage the_sheet_of_a_passage_adds_up",
        "reserve_*": "passage the_sheet_of_a_passage_adds_up",
        "aboard_*": "passage the_sheet_of_a_passage_adds_up",
        "stock_litres": "passage the_sheet_of_a_passage_adds_up",
        "buy_containers": "passage the_sheet_of_a_passage_adds_up",
        "delivery_days": "passage the_sheet_of_a_passage_adds_up",
        "order_by": "passage the_sheet_of_a_passage_adds_up",
    },
    "load": {
        "ah_per_day.mean": "load the_load_is_that_of_stretches_from_start_to_start",
        "ah_per_day.low": "load the_load_is_that_of_stretches_from_start_to_start",
        "ah_per_day.high": "load the_load_is_that_of_stretches_from_start_to_start",
        "ah_per_day.median": "load days_that_need_much_are_those_of_the_stretches",
        "ah_per_day.p9*": "load days_that_need_much_are_those_of_the_stretches",
        "boat_ah_per_day.*": "load the_load_is_that_of_stretches_from_start_to_start",
        "wh_per_day.*": "load the_load_is_that_of_stretches_from_start_to_start",
        "days_used": "load the_days_are_those_of_two_years",
        "days_left_out.*": "load the_days_are_those_of_two_years",
        "charge_efficiency": "load the_load_is_that_of_stretches_from_start_to_start",
        "months[].*": "load the_months_are_those_of_the_days",
    },
    "size": {
        "candidates[].rated_w": "size the_figures_of_each_unit_follow_from_its_own_row",
        "candidates[].days_carried_*": "size the_days_carried_are_those_of_a_bank_day_by_day",
        "candidates[].hours_per_year": "size the_figures_of_each_unit_follow_from_its_own_row",
        "candidates[].years*": "size the_figures_of_each_unit_follow_from_its_own_row",
        "candidates[].litres_per_year": "size the_figures_of_each_unit_follow_from_its_own_row",
        "candidates[].*_per_year": "size the_figures_of_each_unit_follow_from_its_own_row",
        "needed_w": "size the_days_carried_are_those_of_a_bank_day_by_day",
        "grown[].*": "size the_days_carried_are_those_of_a_bank_day_by_day",
        "bank_ah": "size the_figures_of_each_unit_follow_from_its_own_row",
        "autonomy_days": "size the_days_carried_are_those_of_a_bank_day_by_day",
        "depth_of_discharge": "size the_days_carried_are_those_of_a_bank_day_by_day",
        "cable.*": "size the_cable_is_the_thinnest_of_iec_60228",
    },
    "report": {
        "store.fitting": "report energy_charge_and_counter_of_the_report",
        "charger.*": "report energy_charge_and_counter_of_the_report",
        "observed.from": "report energy_charge_and_counter_of_the_report",
        "observed.to": "report energy_charge_and_counter_of_the_report",
        "observed.running_hours": "report hours_and_runs_of_the_report_add_up",
        "observed.energy_kwh": "report energy_charge_and_counter_of_the_report",
        "observed.charge_ah": "report energy_charge_and_counter_of_the_report",
        "observed.*runs": "report hours_and_runs_of_the_report_add_up",
        "output.since_start.*":
            "report output_since_the_start_and_the_course_are_those_of_the_runs",
        "output.at_runtime_h": "report energy_charge_and_counter_of_the_report",
        "output.watts": "report energy_charge_and_counter_of_the_report",
        "output.confidence": "report output_since_the_start_and_the_course_are_those_of_the_runs",
        "output.sensor_uncertainty":
            "report output_since_the_start_and_the_course_are_those_of_the_runs",
        "output.*": "report output_decline_and_remaining_hours",
        "decline.*": "report output_decline_and_remaining_hours",
        "remaining.first.*": "report which_limit_comes_first",
        "remaining.hours.*": "report output_decline_and_remaining_hours",
        "remaining.date.*": "report the_date_follows_the_seasons_of_the_log",
        "course.*": "report output_since_the_start_and_the_course_are_those_of_the_runs",
        "left_out_hours.*": "report hours_and_runs_of_the_report_add_up",
        "hours_account.*": "report hours_and_runs_of_the_report_add_up",
        "as_of": "report energy_charge_and_counter_of_the_report",
        "service[].*": "report service_is_counted_from_its_last_tick",
    },
}  # fmt: skip


def figures(value, name=""):
    """Yield the name of every number and date of a document; places in lists are left out."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from figures(inner, f"{name}.{key}" if name else key)
    elif isinstance(value, list):
        for inner in value:
            yield from figures(inner, f"{name}[]")
    elif isinstance(value, str):
        if DATE.fullmatch(value):
            yield name
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield name


@pytest.mark.parametrize("document", COMPUTED)
def test_every_figure_of_a_document_is_computed_by_hand(said, document):
    known = COMPUTED[document]
    there = set(figures(said[document]))

    def fits(name, pattern):
        return fnmatch(name, pattern.replace("[]", "[[][]]"))

    alone = [name for name in there if not any(fits(name, pattern) for pattern in known)]
    assert not alone
    assert not [pattern for pattern in known if not any(fits(name, pattern) for name in there)]
    for place in known.values():
        file, test = place.split()
        assert f"def test_{test}(" in (HERE / f"test_{file}.py").read_text(encoding="utf-8")
