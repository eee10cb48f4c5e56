"""One quantity, one value: it is the same on every screen that tells it."""

import html
import json
import re

import pytest

#: A busy machine takes minutes for what takes seconds.
GENEROUS_S = 900
pytestmark = [pytest.mark.slow, pytest.mark.timeout(2 * GENEROUS_S)]


def test_every_command_says_the_same_of_a_year(said, last_year):
    kwh = last_year.kwh.sum()
    fuel, size = said["fuel"], said["size"]
    litres = fuel["litres_per_year"]["median"]
    assert litres == pytest.approx(10.0 * fuel["containers_per_year"]["median"], rel=1e-4)
    assert litres == pytest.approx(kwh * fuel["l_per_kwh"]["estimate"], rel=0.01)
    (days,) = re.findall(r"on (\d+) days a year", " ".join(size["basis"]))
    (mean_ah,) = re.findall(r"(\d+) Ah on the mean day", " ".join(size["basis"]))
    assert float(mean_ah) == round(said["load"]["ah_per_day"]["mean"])
    supply_kwh = float(mean_ah) / said["load"]["charge_efficiency"] * 13.2 / 1000.0
    assert float(days) * supply_kwh == pytest.approx(kwh, rel=0.03)


@pytest.fixture(scope="module")
def fleet_row(demonstration, run_on_years, tmp_path_factory):
    """Return the row of this boat in a fleet of one."""
    folder, _ = demonstration
    place = tmp_path_factory.mktemp("fleet")
    run_on_years("backup", place / "dabchick.db", cwd=folder)
    run_on_years("fleet", "take", place / "fleet", place / "dabchick.db", cwd=place)
    run_on_years("fleet", "report", place / "fleet", "--json", place / "fleet.json", cwd=place)
    return json.loads((place / "fleet.json").read_text(encoding="utf-8"))


def plain(page):
    """Return the words of a page."""
    bare = re.sub(r"<(style|script).*?</\1>", " ", page, flags=re.DOTALL)
    words = html.unescape(re.sub(r"<[^>]+>", " ", bare)).replace("\N{NO-BREAK SPACE}", " ")
    return " ".join(words.split())


def test_every_screen_says_the_same(demonstration, exported, said, shown, fleet_row, tmp_path):
    """Text, page, dashboard, owner's page and fleet, each read when the log was an hour old."""
    folder, _ = demonstration
    report, fuel = said["report"], said["fuel"]
    files = ("--html", str(tmp_path / "report.html"), "--json", str(tmp_path / "a.json"))
    text = " ".join(shown("report", *files).split())
    page = plain((tmp_path / "report.html").read_text(encoding="utf-8"))
    assert json.loads((tmp_path / "a.json").read_text(encoding="utf-8")) == report
    dashboard = " ".join(shown("watch", "--once").split())
    now_s = exported[0].end.iloc[-1].timestamp() + 3600.0
    owner = plain(owners_page(folder, fuel, now_s))
    output, hours = report["output"], report["remaining"]["hours"]
    share = "{:.1f} % of rated ({:.1f} to {:.1f} %)".format(
        *(100.0 * output[end] for end in ("fraction", "low", "high"))
    )
    left = "{:.0f}0 h ({:.0f}0 to {:.0f}0 h)".format(
        *(hours[end] / 10.0 for end in ("median", "low", "high"))
    )
    month = report["remaining"]["date"]["median"][:7]
    text_share = share.replace(" of rated (", " (") + " of rated"
    assert text_share in text
    assert share in dashboard
    for screen in (text, page, dashboard, owner):
        assert left in screen
        assert month in screen
        assert "replacement" in screen
    assert share.replace(" of rated", "") + " of its rated output" in owner
    for screen in (text, page, dashboard):
        assert f"{output['watts']:.1f} W" in screen
    litres = "{:.1f} L ({:.1f} to {:.1f} L)".format(
        *(fuel["litres_left"][end] for end in ("median", "low", "high"))
    )
    days = "{:.0f} days ({:.0f} to {:.0f} days)".format(
        *(fuel["days_left"][end] for end in ("median", "low", "high"))
    )
    for screen in (" ".join(shown("fuel").split()), dashboard, owner):
        assert litres in screen
        assert days in screen
    energy = f"{report['observed']['energy_kwh']:.0f} kWh"
    counter = f"{report['output']['at_runtime_h']:.0f} h"
    assert energy in page
    for screen in (page, dashboard):
        assert counter in screen
    # The row of the fleet: the same document, a digit fewer.
    (boat,) = fleet_row["boats"]
    assert boat["verdict"] == report["verdict"]
    for end in ("low", "median", "high"):
        assert boat["remaining_hours"][end] == pytest.approx(hours[end], abs=0.06)
        assert boat["remaining_date"][end][:10] == report["remaining"]["date"][end][:10]
    (group,) = fleet_row["types"]
    for end in ("low", "median", "high"):
        assert group["litres_per_year"][end] == pytest.approx(
            fuel["litres_per_year"][end], rel=0.02
        )


def owners_page(folder, fuel, now_s):
    """Return the page that `ebbwatt publish` writes from the same documents."""
    from analysis.publish.facts import gather
    from analysis.publish.page import page
    from analysis.publish.recent import read_recent
    from logger.config import load_config

    config = load_config(folder / "ebbwatt.toml")
    facts = gather(config.charger.label, folder / "no-snapshot", folder / "assessment.json")
    recent = read_recent(config.store.path, now_s, config.boat.zone)
    return page(facts, recent, fuel, now_s, config.charger.replace_below)
