"""An earlier document against the log of now: did its forecast hold?"""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.estimate import Span
from analysis.show.comparison import compare, read_document
from analysis.show.page.report.page import page
from analysis.show.screen.summary import MOST_LINES, summary
from logger.errors import EbbwattError
from tests.support.screens import scenes
from tests.support.screens.pages import earlier, matter

DAY_S = 86400.0


def visit(now, *, ran_h, hours, fraction=(0.735, 0.745, 0.755), decline=(0.076, 0.082, 0.088)):
    """Return the document of a visit ``ran_h`` running hours ago."""
    document = now.document()
    document["output"] |= dict(zip(("low", "fraction", "high"), fraction, strict=True))
    document["output"]["at_runtime_h"] = now.at_runtime_h - ran_h
    document["decline"] |= dict(zip(("low", "per_1000h", "high"), decline, strict=True))
    document["observed"]["running_hours"] = now.running_hours - ran_h
    document["remaining"]["hours"] = dict(zip(("low", "median", "high"), hours, strict=True))
    return document


@pytest.fixture(scope="module")
def now():
    return scenes.assessment(
        output=Span(0.636, 0.641, 0.646), remaining_h=Span(370.0, 500.0, 650.0), steps=()
    )


def change(document, now, what):
    (found,) = [c.change for c in compare(document, now).changes if c.what == what]
    return found


def test_a_forecast_that_came_true_is_not_flagged(now):
    # Remaining 1,800 h then (1,300 to 2,500), 1,313 h run since: 487 h (0 to 1,187) were left by
    # it, and 500 h (370 to 650) are said now.
    document = visit(now, ran_h=1313.0, hours=(1300.0, 1800.0, 2500.0))
    told = change(document, now, "remaining hours")
    assert told.startswith("after 1313 h run, ")
    assert "were forecast: the forecast held" in told
    # Output: 74.5 % less 1.313 times 8.2 % is 63.7 %.
    assert change(document, now, "available output") == (
        "-10.4 % of rated, as expected from the earlier decline (63.7 %)"
    )
    assert "more than" not in str(compare(document, now))


def test_a_forecast_that_failed_is(now):
    too_long = visit(now, ran_h=1313.0, hours=(2400.0, 3000.0, 4000.0))
    assert change(too_long, now, "remaining hours").endswith("the forecast did not hold")
    flat = visit(now, ran_h=1313.0, hours=(2400.0, 3000.0, 4000.0), decline=(0.02, 0.03, 0.04))
    assert "more lost than expected from the earlier decline" in change(
        flat, now, "available output"
    )


def test_what_is_open_is_not_judged(now):
    document = visit(now, ran_h=1313.0, hours=(1300.0, None, None))
    assert change(document, now, "remaining hours") == ""
    later = replace(now, remaining_h=Span(low=300.0))
    assert change(visit(now, ran_h=10.0, hours=(1.0, 2.0, 3.0)), later, "remaining hours") == ""


def test_what_changed_since_an_earlier_visit():
    comparison = compare(earlier(), scenes.assessment())
    lines = summary(replace(matter(), comparison=comparison))
    text = " ".join(" ".join(line.text for line in lines).split())
    assert "78.0" in text
    assert "71.2" in text
    assert "720" in text, "running hours between the visits"
    assert "Since" in page(replace(matter(), comparison=comparison))


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("{", "it is not JSON"),
        ("[]", "'schema' is None"),
        ('{"schema": "other/1"}', "ebbwatt/assessment/1"),
    ],
)
def test_a_file_that_is_no_assessment_is_one_line(tmp_path, content, says):
    path = tmp_path / "old.json"
    path.write_text(content)
    with pytest.raises(EbbwattError) as caught:
        compare(read_document(path), scenes.assessment())
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(f"{path}: not an assessment document")
    assert says in str(caught.value)


def test_a_document_that_tells_nothing_is_compared_with_nothing():
    comparison = compare({"schema": "ebbwatt/assessment/1"}, scenes.assessment())
    assert comparison.headline.startswith("Since then the verdict went from 'not known'")
    assert all(change.then in {"not known", "0"} for change in comparison.changes)


_ANYTHING = st.sampled_from(
    [None, True, -1, 0.7, 1e308, float("nan"), float("inf"), 10**400, [], [[]] * 9, {}, "",
     "\x1b[2J", "A" * 5000, "plan", "9999-12-31T23:59:59Z", "0001-01-01", "2025-01-01",
     "2025-01-01T00:00:00Z"]
)  # fmt: skip


_KEYS = st.sampled_from(
    ["low", "median", "high", "fraction", "per_1000h", "hours", "date", "label", "rated_w",
     "fitted", "to", "running_hours", "energy_kwh"]
)  # fmt: skip


_SECTION = st.dictionaries(_KEYS, _ANYTHING | st.dictionaries(_KEYS, _ANYTHING, max_size=3))


_SECTIONS = st.sampled_from(
    ["charger", "observed", "output", "decline", "steps", "remaining", "verdict"]
)


@settings(deadline=None)
@given(st.dictionaries(_SECTIONS, _ANYTHING | _SECTION))
def test_whatever_a_document_holds_the_comparison_stands(document):
    comparison = compare(document | {"schema": "ebbwatt/assessment/1"}, scenes.assessment())
    lines = summary(replace(matter(), comparison=comparison))
    assert len(lines) <= MOST_LINES
    for change in comparison.changes:
        assert all(cell.isprintable() and len(cell) < 200 for cell in change.cells())


def test_another_charger_is_not_compared_as_if_it_were_this_one():
    other = earlier() | {"charger": {"label": "fore peak", "rated_w": 45.0, "fitted": "2019-01-01"}}
    comparison = compare(other, scenes.assessment())
    assert comparison.headline.startswith("The earlier document speaks of another charger")
    assert len(comparison.notes) == 3
    text = " ".join(line.text for line in summary(replace(matter(), comparison=comparison), 60))
    assert "another charger" in text
    same = compare(earlier(), scenes.assessment())
    assert same.notes == ()
    assert same.headline.startswith("Since 2025-06-14 the charger ran 720 h")


def test_a_missing_document_names_the_file(tmp_path):
    with pytest.raises(EbbwattError, match="none"):
        read_document(tmp_path / "none.json")
