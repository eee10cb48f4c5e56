"""What the hour counter tells of rest and running, held against a walk along the readings."""

from itertools import pairwise
from types import SimpleNamespace

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from analysis.history.hours import credible_growth_h
from analysis.inputs.rest import EDGE_H, GROWS_LEAST, GROWS_MOST, MOVES_H, STANDS_H, by_counter


class Log(SimpleNamespace):
    def __len__(self):
        return len(self.start_s)


def log_of(minutes, counter_h, silence_min=()):
    """Make intervals of so many minutes one after the other, with silences before some."""
    gaps = np.zeros(len(minutes))
    for k, gap in silence_min:
        gaps[k] = gap
    end_s = 60.0 * np.cumsum(np.array(minutes, dtype=float) + gaps)
    start_s = end_s - 60.0 * np.array(minutes, dtype=float)
    return Log(start_s=start_s, end_s=end_s, runtime_h=np.array(counter_h, dtype=float))


def test_a_counter_that_stands_for_hours_tells_a_rest_and_one_that_moves_a_run():
    # Intervals of half an hour: six of running, then twenty of rest, then six of running.
    counter = [0.5, 1.0, 1.5, 2.0, 2.5, 3.0, *[3.0] * 20, 3.5, 4.0, 4.5, 5.0, 5.5, 6.0]
    known = by_counter(log_of([30] * len(counter), counter))
    # It reads 3.0 h from 3 h on and 3.5 h at 13.5 h. An hour on either side may be running.
    rests = [k for k in range(len(counter)) if 0.5 * k >= 4.0 and 0.5 * (k + 1) <= 13.5 - 1.0]
    assert np.flatnonzero(known.rests).tolist() == rests
    assert np.flatnonzero(known.runs).tolist() == [*range(6), *range(26, 32)]


def walked(log):
    """Go from one movement of the counter to the next and say what each stretch tells."""
    rests, runs = np.zeros(len(log), dtype=bool), np.zeros(len(log), dtype=bool)
    at = [k for k in range(len(log)) if np.isfinite(log.runtime_h[k])]
    if len(at) < 3:
        return rests, runs
    steps = []
    for a, b in pairwise(at):
        growth = log.runtime_h[b] - log.runtime_h[a]
        passed_h = log.end_s[b] / 3600.0 - log.end_s[a] / 3600.0
        sound = 0.0 <= growth <= credible_growth_h(np.array([passed_h]))[0]
        steps.append((growth, passed_h, sound and passed_h <= STANDS_H))
    covered = sum(h for _, h, seen in steps if seen)
    grown = sum(g for g, _, seen in steps if seen)
    if not GROWS_LEAST < grown / max(covered, 1e-9) < GROWS_MOST:
        return rests, runs
    opens = 0
    for k in range(len(at)):
        moved = k == len(at) - 1 or steps[k][0] != 0.0 or not steps[k][2]
        if not moved:
            continue
        closes = min(k + 1, len(at) - 1)
        begin_h, end_h = log.end_s[at[opens]] / 3600.0, log.end_s[at[closes]] / 3600.0
        grew = closes > opens and steps[closes - 1][2] and steps[closes - 1][0] > 0.0
        for i in range(at[opens], at[closes] + 1):
            if end_h - begin_h >= STANDS_H:
                later = log.start_s[i] / 3600.0 >= begin_h + EDGE_H
                rests[i] = later and log.end_s[i] / 3600.0 <= end_h - EDGE_H
            elif grew:
                runs[i] = end_h - begin_h <= MOVES_H
        opens = k + 1
    return rests, runs & ~rests


@given(st.data())
def test_any_log_is_told_as_a_walk_along_it_tells(data):
    count = data.draw(st.integers(0, 60))
    draw = lambda each: data.draw(st.lists(each, min_size=count, max_size=count))  # noqa: E731
    minutes = draw(st.sampled_from([1, 20, 60, 180]))
    growing = draw(st.sampled_from([0.0, 0.0, 0.5, 1.0, -3.0]))
    hours = np.cumsum(np.array(minutes) / 60.0 * np.array(growing))
    shown = np.floor(hours / 0.1) * 0.1
    known = [h if keep else np.nan for h, keep in zip(shown, draw(st.booleans()), strict=True)]
    silences = [(k, 600) for k in data.draw(st.sets(st.integers(0, max(count - 1, 0)), max_size=3))]
    log = log_of(minutes, known, silences if count else ())
    told = by_counter(log)
    rests, runs = walked(log)
    assert told.rests.tolist() == rests.tolist()
    assert told.runs.tolist() == runs.tolist()
