"""The load in the report: bars that agree with the figures, and words for those who see no plot."""

import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest

from analysis.load.result import Month
from analysis.show.page.plots.axes import NARROW, WIDE
from analysis.show.page.report.load_part import figures, plot, words
from tests.support.asked import daily_load
from tests.support.boats.small_boat import SmallBoat, sail
from tests.support.configurations import config_for

SVG = "{*}"


@pytest.fixture(scope="module")
def found():
    history, _ = sail(SmallBoat(days=75, passage_a=3.0, passage_days=frozenset(range(20, 40))))
    return daily_load(history, config_for())


@pytest.mark.parametrize("size", [WIDE, NARROW], ids=["wide", "narrow"])
def test_each_month_is_a_bar_as_high_as_its_mean(found, size):
    drawing = ET.fromstring(plot(found, size))
    bars = [float(b.get("height")) for b in drawing.findall(f"{SVG}rect")]
    drawn = [m.ah for m in found.months if m.days >= 3]
    assert len(bars) == len(drawn) >= 3
    for bar, ah in zip(bars, drawn, strict=True):
        assert bar / max(bars) == pytest.approx(ah / max(drawn), abs=0.005)
    assert drawing.get("role") == "img"
    assert all(0.0 <= float(t.get("x")) <= size.width for t in drawing.iter() if t.get("x"))


def test_the_text_alternative_says_what_the_plot_shows(found):
    drawing = ET.fromstring(plot(found, WIDE))
    parts = drawing.get("aria-labelledby").split()
    told = {part.get("id"): part.text for part in drawing if part.get("id")}
    assert set(parts) == set(told)
    most = max((m for m in found.months if m.days >= 3), key=lambda m: m.ah)
    described = told["load-wide-d"]
    assert f"the most {most.ah:.0f} Ah a day in {most.month}" in described
    assert f"19 days in 20 need no more than {found.ah_p95:.0f} Ah" in described


def test_a_month_of_a_day_or_two_is_not_drawn(found):
    more = replace(found, months=(*found.months, Month("2024-03", 2, 500.0, 6000.0)))
    assert "500" not in plot(more, WIDE)


def test_without_a_figure_there_is_the_reason_and_no_plot():
    history, _ = sail(SmallBoat(days=4))
    short = daily_load(history, config_for())
    assert figures(short) == ""
    assert "nothing but the charger charges, and the log has 4 so far" in words(short)
    assert "is not known" in words(short)


def test_the_words_name_the_days_left_out(found):
    said = words(found)
    assert f"on the {found.days_used} days" in said
    assert f"19 days in 20 need up to {found.ah_p95:.0f} Ah." in said
    assert "look under way" in said
