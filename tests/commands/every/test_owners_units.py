"""Days and units are those of the owner, on every screen and page: [boat] timezone and units."""

import html
import json
import re
import shutil
import tomllib
from functools import partial

import pytest

from analysis.sizing.cable import advise

#: A busy machine takes minutes for what takes seconds.
GENEROUS_S = 900
pytestmark = [pytest.mark.slow, pytest.mark.timeout(2 * GENEROUS_S)]
#: Litres, square millimetres and degrees Celsius where a number or a heading stands before them.
METRIC_LEFT = re.compile(
    r"\d L\b|\bL/(?!US)|\b[Ll]itres?\b|/L\b|\bmm2\b|mm\N{SUPERSCRIPT TWO}|\bdegC\b|\N{DEGREE SIGN}C"
)


@pytest.fixture(scope="module")
def run_ebbwatt(run_ebbwatt):
    """Years of log take three times as long where coverage is measured; small boats measure it."""
    return partial(run_ebbwatt, measured=False)


@pytest.fixture(scope="module")
def down_under(short_demonstration, tmp_path_factory):
    """The demonstration's boat, whose owner lives half a day ahead and measures in US units."""
    folder = short_demonstration
    moved = tmp_path_factory.mktemp("down-under")
    shutil.copy(folder / "ebbwatt.db", moved)
    text = (folder / "ebbwatt.toml").read_text(encoding="utf-8")
    zone = 'timezone = "Pacific/Auckland"\nunits = "us"'
    (moved / "ebbwatt.toml").write_text(
        text.replace("[boat]", f"[boat]\n{zone}", 1), encoding="utf-8"
    )
    assert tomllib.loads((moved / "ebbwatt.toml").read_text(encoding="utf-8"))["boat"]["units"]
    return moved


def words_of(page):
    text = re.sub(r"<style.*?</style>", "", page, flags=re.DOTALL)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", text)))


@pytest.mark.parametrize(
    "command",
    [
        ["fuel"],
        ["fuel", "--under-way", "21"],
        ["fuel", "--passage", "--under-way", "21"],
        ["size", "--fuel-price", "2"],
        ["load"],
        ["report"],
        ["event", "list"],
        ["watch", "--once"],
    ],
    ids=" ".join,
)
def test_no_metric_unit_is_left_on_a_screen(down_under, run_ebbwatt, command):
    shown = run_ebbwatt(*command, cwd=down_under, timeout=GENEROUS_S).stdout
    assert len(shown.splitlines()) > 5
    left = [line for line in shown.splitlines() if METRIC_LEFT.search(line)]
    assert not left
    assert not re.search(r"\bUTC\b(?!\+1[23]:00)|\dZ\b", shown)


def test_no_metric_unit_is_left_on_a_page(down_under, run_ebbwatt):
    run_ebbwatt("report", "--html", "us.html", cwd=down_under, timeout=GENEROUS_S)
    words = words_of((down_under / "us.html").read_text(encoding="utf-8"))
    assert not [m[0] for m in METRIC_LEFT.finditer(words)]
    assert "UTC" not in words.replace("UTC+13:00", "").replace("UTC+12:00", "")
    assert "time zone Pacific/Auckland" in words
    assert "US gallons per kilowatt-hour" in words
    # Fuel per kWh and output both go with the cell voltage: one is no proof of the other.
    assert "It comes from the same current sensor: no second proof" in words
    run_ebbwatt("report", "--commissioning", "record.html", cwd=down_under, timeout=GENEROUS_S)
    record = words_of((down_under / "record.html").read_text(encoding="utf-8"))
    assert "intake air at most 113 \N{DEGREE SIGN}F" in record
    assert "UTC" not in record.replace("UTC+13:00", "").replace("UTC+12:00", "")


def test_an_event_stands_on_its_local_day(down_under, run_ebbwatt):
    """Each line of the list is the same instant as the document's, on Auckland's clocks."""
    from datetime import datetime
    from zoneinfo import ZoneInfo

    listed = run_ebbwatt("event", "list", cwd=down_under).stdout.splitlines()
    document = json.loads(run_ebbwatt("event", "list", "--json", cwd=down_under).stdout)
    zone, other_days = ZoneInfo("Pacific/Auckland"), 0
    assert len(listed) == len(document)
    for line, event in zip(listed, document, strict=True):
        shown = datetime.fromisoformat(line.split()[1])
        meant = datetime.fromisoformat(event["time"])
        assert shown == meant
        assert shown.utcoffset() == meant.astimezone(zone).utcoffset()
        other_days += shown.date() != meant.date()
    assert other_days >= 5


def test_a_cable_by_awg_is_never_thinner_than_the_drop_allows(down_under, run_ebbwatt):
    """By hand: copper of 17.241 ohm mm2/km at 20 degC (IEC 60028), 0.00393 a kelvin, at 50 degC."""
    shown = run_ebbwatt(
        "size", "--length", "6", "--drop", "3", "--json", cwd=down_under, timeout=GENEROUS_S
    ).stdout
    asked = json.loads(shown)["cable"]
    for length_m, percent in ((2.0, 3), (6.0, 3), (6.0, 5), (15.0, 5)):
        rated_w = round(12.0 * asked["current_a"])
        cable = advise(rated_w, 1, length_m, percent / 100.0, awg=True).document()
        assert (cable == asked) == ((length_m, percent) == (6.0, 3))
        number = int(cable["awg"])
        area = 3.141592653589793 / 4.0 * (0.127 * 92.0 ** ((36 - number) / 39.0)) ** 2
        thinner = 3.141592653589793 / 4.0 * (0.127 * 92.0 ** ((34 - number) / 39.0)) ** 2
        solid = 17.241 / 1000.0 * 2.0 * length_m * (1.0 + 0.00393 * 30.0) * cable["current_a"]
        # Stranding and tin add up to 7 % to solid copper.
        assert solid / area <= cable["drop_v"] <= 1.07 * solid / area
        assert cable["drop_v"] <= percent / 100.0 * 12.0
        assert 1.07 * solid / thinner > percent / 100.0 * 12.0
