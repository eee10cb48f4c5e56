"""No figure on a screen is older than it says: each old one stands beside its age or its date."""

import re
from dataclasses import replace
from datetime import UTC

import numpy as np
import pytest

from analysis.estimate import Span
from analysis.figures import age, day
from analysis.history.history import STATE_CODE
from analysis.show.dashboard.facts import Fuel, Moment, collect
from analysis.show.dashboard.frame import TWO_COLUMNS, frame
from analysis.show.dashboard.marks import BRAILLE_MARKS
from analysis.show.dashboard.pen import NAMES
from analysis.show.dashboard.views import View, full_screen
from analysis.show.dashboard.watch import Found
from analysis.show.freshness import as_of
from logger.config import load_config
from logger.reading import OperatingState, Reading
from logger.system.snapshot import Snapshot
from tests.support.boats.histories import plain_history
from tests.support.screens import scenes
from tests.support.screens.scenes import DAY_S

NOW_S = scenes.END_S
MINUTE_S, HOUR_S = 60.0, 3600.0
#: Figures that stand for nothing else: of the reading, of the log, of assessment and fuel.
READ_V, READ_W = "13.37 V", "57 W"
LOGGED_V = "12.89 V"
CAN_GIVE, PERCENT = "78.3 W", "71.2 %"
COUNTER, FUEL, FUEL_TOP = "3127 h", "41 days", "fuel 41 d"


@pytest.fixture(scope="module")
def config(tmp_path_factory):
    path = tmp_path_factory.mktemp("config") / "ebbwatt.toml"
    path.write_text('[charger]\nlabel = "aft"\nrated_w = 110\n[fuel]\n')
    return load_config(path)


def _facts(config, silent_s, *, logger_runs):
    """Return what is known when the newest reading is so old; the log ends with it."""
    end_s = NOW_S - silent_s
    count = 8 * 144
    step_s = 600.0
    resting = np.full(count, STATE_CODE[OperatingState.STANDBY])
    log = plain_history(end_s - count * step_s, step_s, np.full(count, 12.89), resting)
    log = replace(log, runtime_h=np.full(count, 3127.0))
    reading = Reading(1000.0, 13.37, 57.0 / 13.37, OperatingState.RUNNING, 3127.0)
    live = Snapshot(
        boottime_s=1000.0, written_s=NOW_S, boot_id="b", session=1, source="a port", link="live",
        link_reason="", reading=reading, reading_age_s=silent_s, readings=5, refused={},
    )  # fmt: skip
    # The forecast lies so far ahead that it bears a log of this age: it stays on the screen.
    assessment = replace(
        scenes.assessment(),
        observed_to_s=end_s,
        remaining_date=Span(end_s + 9e8, end_s + 1e9, end_s + 1.1e9),
    )
    fuel = Fuel(Span(20.0, 21.0, 22.0), Span(40.0, 41.0, 42.0), as_of_s=end_s)
    return collect(
        Moment(NOW_S, 1000.0, "b", UTC),
        config,
        live if logger_runs else None,
        log,
        assessment,
        fuel=fuel,
    )


def _statements(lines, width):
    """Return what is said in one breath: the top line whole, and each entry with its name."""
    columns = [lines]
    if width >= TWO_COLUMNS:
        half = (width - 3) // 2
        columns = [[line[:half] for line in lines], [line[half + 3 :] for line in lines]]
    told = []
    for column in columns:
        for line in column:
            if line[:NAMES].strip() or not told:
                told.append(line)
            else:
                told[-1] += f" {line.strip()}"
    return [" ".join(text.split()) for text in told]


def _parts(lines, width):
    """Return the top line whole, what to do below it included, and the statements of the rest."""
    begin = next(k for k, line in enumerate(lines) if line[:2] in {"??", ">>", "--", "> ", "< "})
    names = ("Output", "Battery", "Energy", "Health", "Fuel", "Log", "Data")
    ends = [k for k, line in enumerate(lines) if k > begin and line.startswith(names)]
    end = min(ends, default=len(lines))
    return " ".join(" ".join(lines[begin:end]).split()), _statements(lines[end:], width)


_UNIT_S = {"s": 1.0, "min": MINUTE_S, "h": HOUR_S, "d": DAY_S}
#: An age as screens tell it: '5 h ago', 'NO READING for 90 s'.
_AGE = re.compile(r"(?:for (?=\d+ \w+\b(?! ago))|(?=\d+ \w+ ago))(\d+) (s|min|h|d)\b")
SILENCES = [90.0, 31 * MINUTE_S, 5 * HOUR_S, 3 * DAY_S, 20 * DAY_S, 39 * DAY_S]


@pytest.mark.parametrize("size", [(40, 10), (60, 24), (80, 24), (80, 60), (120, 40)])
@pytest.mark.parametrize("logger_runs", [True, False])
@pytest.mark.parametrize("silent_s", SILENCES)
def test_an_old_figure_stands_beside_its_age_or_its_date(config, silent_s, logger_runs, size):
    width, height = size
    facts = _facts(config, silent_s, logger_runs=logger_runs)
    assert not facts.live
    lines = [line.plain for line in frame(facts, width, BRAILLE_MARKS, height)]
    top, said = _parts(lines, width)
    old, end_day = age(silent_s), day(NOW_S - silent_s)
    # The top line always says how old it all is.
    assert old in top, top
    for text in (*said, top):
        for figure in (READ_V, READ_W, LOGGED_V):
            if figure in text:
                ages = [int(n) * _UNIT_S[u] for n, u in _AGE.findall(text)]
                # What is told in whole hours or days is rounded down by less than one.
                units = [_UNIT_S[u] for _, u in _AGE.findall(text)]
                assert ages, (figure, text)
                assert min(a + u for a, u in zip(ages, units, strict=True)) > silent_s, text
        if silent_s > DAY_S:
            for figure in (CAN_GIVE, PERCENT, COUNTER, FUEL, FUEL_TOP):
                if figure in text:
                    assert end_day in text, (figure, text)
    shown = " ".join((top, *said))
    if height == 60:
        # The test sees what it looks for: every figure of the log is on the tall screen.
        for figure in (CAN_GIVE, PERCENT, COUNTER, FUEL, FUEL_TOP):
            assert figure in shown, figure


def test_what_is_live_says_so_and_how_old_it_is(config):
    facts = _facts(config, 2.0, logger_runs=True)
    assert facts.live
    lines = [line.plain for line in frame(facts, 80, BRAILLE_MARKS, 60)]
    top, _ = _parts(lines, 80)
    assert READ_W in top
    assert "read 2 s ago" in top
    assert as_of(NOW_S) not in "\n".join(lines), "what is younger than a day needs no date"


#: What a forecast of 200 days and fuel for 10 days are told by, as screens round them.
REMAINING = ("220 h", "110 to 330 h")
DAYS_OF_FUEL = ("fuel 10 d", "10 days", "9 to 11 days", "4.0 L")


def _told(config, age_d):
    """Return the dashboard and two full screens of a log that ended so long ago, as plain text."""
    end_s = NOW_S - age_d * DAY_S
    dates = Span(end_s + 190 * DAY_S, end_s + 200 * DAY_S, end_s + 210 * DAY_S)
    soon = replace(
        scenes.assessment(),
        observed_to_s=end_s,
        remaining_h=Span(110.0, 220.0, 330.0),
        remaining_date=dates,
    )
    fuel = Fuel(Span(3.0, 4.0, 5.0), Span(9.0, 10.0, 11.0), as_of_s=end_s)
    facts = collect(
        Moment(NOW_S, 1000.0, "b", UTC), config, None, None, soon, fuel=fuel, trouble=""
    )
    views = [full_screen(View(name), facts, Found(assessment=soon), 80, 60, BRAILLE_MARKS)
             for name in ("health", "fuel")]  # fmt: skip
    screens = (frame(facts, 80, BRAILLE_MARKS, 60), *views)
    return [" ".join(" ".join(line.plain.split()) for line in lines) for lines in screens], [
        day(at_s) for at_s in (dates.low, dates.median, dates.high)
    ]


@pytest.mark.parametrize("age_d", [0.5, 9.0, 11.0, 29.0, 31.0, 60.0, 446.0])
def test_what_a_log_cannot_bear_is_gone_from_every_screen(config, age_d):
    """A forecast of 200 days bears 30; fuel for 10 days bears 10."""
    screens, dates = _told(config, age_d)
    said = " ".join(screens)
    for figures, bears_d in ((REMAINING, 30.0), (dates, 30.0), (DAYS_OF_FUEL, 10.0)):
        for figure in figures:
            # Each stands there while the log bears it: so its absence afterwards says something.
            assert (figure in said) == (age_d < bears_d), (figure, said)
