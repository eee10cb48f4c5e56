"""Every finding about the inputs, each provoked by a log of its own, read on every screen.

A finding tells what was expected and seen in figures, what to do, and shows it in a small plot; its
first sentence stands by itself where there is room for no more.
"""

import re
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from analysis.assessment.case import Case
from analysis.assessment.from_new import WEAK
from analysis.assessment.step_causes import STEP
from analysis.inputs.channels.late import LATE
from analysis.inputs.clamp import CLAMPED
from analysis.inputs.gain import GAIN_DRIFT
from analysis.show.inputs import first_sentence, listed, one_line
from analysis.show.page.report import inputs_part
from analysis.show.phrases import MORE, kept_short
from logger.event import Event
from tests.conftest import ROOT
from tests.support.boats import plain_log
from tests.support.configurations import config_for

#: Names, columns and two lines of a screen of 80 columns.
TWO_LINES = 2 * 69
RATED_W = plain_log.RATED_W


def scaled(log, factor):
    return replace(log, charge_c=log.charge_c * factor, energy_j=log.energy_j * factor)


def shifted(log, amps):
    charge = amps * log.duration_s
    return replace(
        log,
        charge_c=log.charge_c + charge,
        energy_j=log.energy_j + charge * np.nan_to_num(log.voltage_mean_v, nan=12.6),
    )


def with_volts(log, volts):
    return replace(
        log, voltage_mean_v=volts, voltage_min_v=volts, voltage_max_v=volts, voltage_last_v=volts
    )


def running(log):
    return log.state != plain_log.STANDBY


def run_number(log):
    return np.cumsum(np.diff(running(log), prepend=False) & running(log))


def base(**what):
    """Return 100 days of a run of 6 h and a rest of 6 h in turn."""
    return plain_log.log(**{"runs": 200, "rest": 36, "apart_d": 0.5, "loss": 0.02, **what})


def noise(log, size):
    return np.random.default_rng(8).normal(0.0, size, len(log))


def late_part(log, share=0.5):
    return np.arange(len(log)) >= share * len(log)


def in_turn(log):
    every = np.arange(len(log)) % 2 == 0
    state = np.where(every, plain_log.RUNNING, plain_log.STANDBY).astype(log.state.dtype)
    return replace(scaled(log, np.where(every, 1.0, 0.0)), state=state)


def trickle(log):
    """Return a log of which nothing tells a rest, with a small current on shore power."""
    held = log.start_s > log.start_s[0] + 40 * 86400.0
    with_trickle = scaled(log, np.where(held & (log.energy_j > 0.0), 0.05, 1.0))
    return with_volts(with_trickle, np.where(held, 13.6, log.voltage_mean_v))


def drifting(log):
    """Return a log whose current falls by a tenth while it runs and rests as before."""
    part = (log.start_s - log.start_s[0]) / (log.start_s[-1] - log.start_s[0])
    return scaled(log, 1.0 - 0.25 * part)


def behind_a_drop(log):
    """Return a log in whose second half of a run the charger stands at 14.4 V, 80 mOhm away."""
    into = np.where(running(log), np.arange(len(log)) % 72 - 36, 0)
    fallen = np.exp(-np.maximum(into - 18, 0) / 9.0)
    log = scaled(log, fallen)
    amps = log.charge_c / log.duration_s
    return with_volts(log, np.where(into > 18, 14.4 - 0.08 * amps, log.voltage_mean_v))


def event(kind, at_s, amount=None, text=""):
    return (Event(1, float(at_s), kind, amount, text),)


def clamped(log):
    at = np.flatnonzero(running(log))[500]
    amps = log.charge_c[at] / log.duration_s[at] / 0.95
    middle_s = log.start_s[at] + 300.0
    return replace(log, events=event("reading", middle_s, None, f"current {amps:.2f} A"))


def capped(log):
    power = log.energy_j / log.duration_s
    with np.errstate(invalid="ignore", divide="ignore"):
        factor = np.where(late_part(log) & (power > 65.0), 65.0 / power, 1.0)
    return scaled(log, factor)


def two_levels(log):
    low = np.random.default_rng(3).random(run_number(log).max() + 1) < 0.25
    return scaled(log, np.where(low[run_number(log)], 0.5, 1.0))


def held_state(log):
    late = late_part(log)
    return replace(log, state=np.where(late, plain_log.RUNNING, log.state).astype(log.state.dtype))


def flat_top(log):
    """Return a log whose voltage rises by a volt in a run, and whose sensor ends at 6 A."""
    hours = np.where(running(log), np.arange(len(log)) % 72 - 36, 0) / 6.0
    log = with_volts(log, log.voltage_mean_v + 0.2 * hours)
    amps = np.minimum(log.charge_c / log.duration_s, 6.0)
    charge = amps * log.duration_s
    return replace(log, charge_c=charge, energy_j=charge * log.voltage_mean_v)


def silent(log):
    volts = np.where(running(log), 13.4, 12.6)
    return with_volts(scaled(log, np.where(late_part(log), 0.0, 1.0)), volts)


def counter(change):
    return lambda log: replace(log, runtime_h=change(log.runtime_h, log))


def set_back(hours, log):
    late = late_part(log)
    return np.where(late, hours - hours[np.argmax(late)], hours)


def lost(log):
    text = "14400 intervals were recovered, about 9000 are lost from 2019-05-02 on"
    return replace(log, events=event("store_damaged", log.start_s[0] + 1e6, 9000.0, text))


#: Each code with what makes a sound log provoke it.
PROVOKE = {
    "above_rated": lambda log: scaled(log, 1.4),
    "capacity_too_small": lambda log: log,
    "clamp_checked": clamped,
    "counter_begins_again": counter(lambda hours, log: hours % 60.0),
    "counter_break": counter(set_back),
    "counter_differs": counter(lambda hours, log: 0.6 * hours),
    "counter_falls": counter(lambda hours, log: 3000.0 - hours),
    "counter_jumps": counter(
        lambda hours, log: hours - 12.0 * np.cumsum(np.arange(len(log)) % 2000 == 1000)
    ),
    "counter_stuck": counter(lambda hours, log: np.minimum(hours, 300.0)),
    "counter_switched_on": counter(lambda hours, log: np.cumsum(log.duration_s) / 3600.0),
    "counter_unit": counter(lambda hours, log: 60.0 * hours),
    "current_late": lambda log: shifted(log, np.where(running(log), 0.0, 2.0 + noise(log, 0.6))),
    "current_missing": lambda log: scaled(log, np.where(running(log), np.nan, 1.0)),
    "current_peaks": lambda log: scaled(log, np.where(noise(log, 1.0) > 2.0, 1.6, 1.0)),
    "current_saturates": flat_top,
    "current_silent": silent,
    "current_stuck": lambda log: replace(
        log, charge_c=np.where(late_part(log, 0.7), 8.0 * log.duration_s, log.charge_c)
    ),
    "current_zero": lambda log: shifted(log, 0.4),
    "current_zero_unsure": trickle,
    "dates": lambda log: replace(log, impossible=12),
    "exchange_proposed": lambda log: scaled(
        counter(set_back)(log), np.where(late_part(log), 1.0, 0.8)
    ),
    "fitted_late": lambda log: log,
    "flat_cap": capped,
    "gain_drift": drifting,
    "log_lost_intervals": lost,
    "net_current": lambda log: shifted(log, -3.0 + noise(log, 0.8)),
    "output_step": lambda log: scaled(log, np.where(late_part(log), 0.85, 1.0)),
    "state_stuck": held_state,
    "temperature_stuck": lambda log: replace(
        log, temperature_c=np.where(late_part(log), 19.3, log.temperature_c)
    ),
    "two_counters": counter(lambda hours, log: hours + 2000.0 * (np.arange(len(log)) // 900 % 2)),
    "two_levels": two_levels,
    "two_recordings": in_turn,
    "voltage_drop": behind_a_drop,
    "voltage_elsewhere": lambda log: with_volts(log, 12.7 + noise(log, 0.02)),
    "voltage_missing": lambda log: with_volts(
        replace(log, energy_j=np.full(len(log), np.nan)), np.full(len(log), np.nan)
    ),
    "voltage_stuck": lambda log: with_volts(
        log, np.where(late_part(log), 12.6, log.voltage_mean_v)
    ),
    "weak_from_new": lambda log: scaled(log, 0.5),
}
#: What the sound log is made with, and what else the configuration says, where a code needs it.
MADE = {
    "current_zero_unsure": {"states": False, "counter": False, "runs": 60, "rest": 3, "apart_d": 1},
    "gain_drift": {"runs": 900, "loss": 0.0},
    "output_step": {"heat": 0.0},
}


def configured(code):
    """Return the configuration of a charger that was fitted two days before the log began."""
    config = config_for()
    charger = replace(
        config.charger, fitted=date(2019, 6, 1) if code == "fitted_late" else date(2019, 4, 10)
    )
    small = replace(config.battery, capacity_ah=2.0)
    battery = small if code == "capacity_too_small" else config.battery
    return replace(config, charger=charger, battery=battery)


@pytest.fixture(scope="module", params=sorted(PROVOKE))
def told(request):
    """Return the code, and the finding about the log that provokes it."""
    code = request.param
    log = PROVOKE[code](base(**MADE.get(code, {})))
    case = Case(log, configured(code))
    hits = [f for f in case.assessment.inputs if f.code == code]
    assert hits, [(f.code, f.text) for f in case.assessment.inputs]
    return hits[0], case


def test_every_code_is_provoked_here():
    codes = set()
    for room in ("analysis/inputs", "analysis/assessment"):
        for path in (ROOT / room).rglob("*.py"):
            text = path.read_text(encoding="utf-8")
            codes |= set(re.findall(r'\bFinding\(\s*"([a-z_]+)"|\bcode ?= ?"([a-z_]+)"', text))
    found = {a or b for a, b in codes} | {CLAMPED, GAIN_DRIFT, LATE, STEP, WEAK}
    assert found == set(PROVOKE)


def test_a_finding_says_what_was_expected_and_seen_in_figures_and_what_to_do(told):
    finding, _ = told
    assert finding.text.endswith(".")
    assert finding.what_to_do.endswith((".", '"'))
    assert len(finding.what_to_do.split()) >= 10
    assert finding.expected
    assert finding.seen != finding.expected
    assert re.search(r"\d", finding.seen), "what was seen is a figure"
    assert "-0 %" not in finding.text + finding.seen


def test_the_first_sentence_stands_by_itself_on_two_lines(told):
    finding, _ = told
    first = first_sentence(finding)
    assert len(first) <= TWO_LINES, (len(first), first)
    assert "..." not in first + one_line(finding)
    assert first.count("(") == first.count(")")


def test_what_to_do_is_not_cut_in_the_summary(told):
    finding, _ = told
    kept = kept_short(finding.what_to_do, 300)
    assert not kept.endswith("...")
    assert kept.removesuffix(MORE).rstrip() in finding.what_to_do


def test_it_stands_whole_in_80_columns(told):
    finding, _ = told
    lines = listed([finding], 80)
    assert max(map(len, lines)) <= 80
    words = "".join("".join(lines).split())
    for text in (finding.text, finding.expected, finding.seen, finding.what_to_do):
        assert "".join(text.split()) in words


def test_it_has_a_small_plot_on_the_page(told):
    finding, _ = told
    markup = str(inputs_part.section([finding]))
    assert markup.count("<figure") == 1
    marks = re.search(r'<path class="seen" d="([^"]+)"', markup)
    assert marks, "something is drawn"
    assert marks[1].count("M") >= 2
    assert "h0" not in marks[1], "a mark without an extent is not seen"
    caption = re.search(r"<figcaption>(.+?)</figcaption>", markup)[1]
    assert finding.series.name in caption
