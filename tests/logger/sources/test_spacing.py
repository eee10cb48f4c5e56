"""The spacing of readings is found, live and in recordings; only real silence is a gap."""

import itertools
import random

import numpy as np
import pytest

from analysis.transfer.spacing import BlockSpacing
from logger.config import LogConfig
from logger.sources.spacing import HALF_LIFE, Spacing, Usual, wrong_words

FOUND = LogConfig(adapts=True)


def regular(spacing_s, count):
    return [spacing_s] * count


def jittered(spacing_s, count, seed=3):
    random_ = random.Random(seed)
    return [spacing_s * random_.uniform(0.4, 1.6) for _ in range(count)]


def at_random(mean_s, count, seed=4):
    """Spacings of a source that speaks when it likes: exponential, as of a Poisson process."""
    random_ = random.Random(seed)
    return [max(0.01, random_.expovariate(1.0 / mean_s)) for _ in range(count)]


def bursts(count):
    """Thirty readings a tenth of a second apart, then a pause of a minute."""
    return ([0.1] * 29 + [60.0]) * count


def judged_live(spacings, running=None, log=FOUND):
    spacing = Spacing(log)
    flags = [False] * len(spacings) if running is None else running
    return [spacing.is_gap(s, running=r) for s, r in zip(spacings, flags, strict=True)], spacing


def lost(spacings, gaps):
    """Share of the time that is not counted."""
    return sum(s for s, gap in zip(spacings, gaps, strict=True) if gap) / sum(spacings)


@pytest.mark.parametrize(
    "spacings",
    [
        *(regular(s, 3000) for s in (0.1, 1.0, 5.5, 10.0, 60.0, 600.0, 3600.0)),
        jittered(10.0, 3000),
        jittered(60.0, 3000),
        at_random(10.0, 3000),
        bursts(500),
        regular(1.0, 3000) + regular(10.0, 3000) + regular(2.0, 3000) + regular(300.0, 300),
    ],
    ids=lambda spacings: f"{len(spacings)} from {spacings[0]:.1f} s",
)
def test_whatever_the_rhythm_hardly_any_time_is_lost(spacings):
    gaps, _ = judged_live(spacings)
    assert lost(spacings, gaps) < 0.01
    whole = np.array(spacings)
    assert lost(spacings, BlockSpacing(FOUND).gaps(whole, np.zeros(len(whole), bool))) < 0.002


def test_a_source_that_speaks_less_at_rest_loses_nothing_and_a_silent_minute_in_a_run_is_a_gap():
    day = [(1.0, True)] * 4000 + [(60.0, False)] * 1000
    spacings, running = zip(*(day * 3), strict=True)
    gaps, spacing = judged_live(spacings, running)
    assert lost(spacings, gaps) < 0.001
    assert spacing.is_gap(60.0, running=True), "sixty spacings of a run"
    assert not spacing.is_gap(60.0, running=False)


@pytest.mark.parametrize("spacing_s", [1.0, 10.0, 60.0])
def test_silence_is_a_gap_whatever_the_rhythm(spacing_s):
    spacings = []
    for _ in range(8):
        spacings += [*regular(spacing_s, 500), 20.0 * spacing_s, 43_200.0]
    silent = [s > spacing_s for s in spacings]
    gaps, spacing = judged_live(spacings)
    assert gaps[100:] == silent[100:]
    assert spacing.usual_s == pytest.approx(spacing_s)
    block = BlockSpacing(FOUND).gaps(np.array(spacings), np.zeros(len(spacings), bool))
    assert block.tolist() == silent


@pytest.mark.parametrize(
    ("talks_s", "silent_s"), [(34, 20), (34, 30), (20, 15), (300, 250), (60, 7)]
)
def test_a_line_that_falls_silent_again_and_again_has_gaps(talks_s, silent_s):
    spacings = [*regular(1.0, talks_s), 1.0 + silent_s] * 100
    silent = [s > 1.0 for s in spacings]
    gaps, spacing = judged_live(spacings)
    assert gaps == silent
    assert spacing.usual_s == pytest.approx(1.0)
    block = BlockSpacing(FOUND).gaps(np.array(spacings), np.zeros(len(spacings), bool))
    assert block.tolist() == silent


def test_a_late_answer_is_waited_for_but_not_a_lost_link():
    spacing = Spacing(LogConfig(adapts=True, patience_s=30.0))
    assert not any(spacing.is_gap(1.0, running=True) for _ in range(50))
    assert not spacing.is_gap(9.0, running=True), "an answer was lost and the line kept quiet"
    spacing.link_lost()
    assert spacing.is_gap(9.0, running=True)
    assert not spacing.is_gap(9.0, running=True), "that was for the silence behind the loss alone"


@pytest.mark.parametrize(
    ("log", "before_s", "after_s"),
    [
        (LogConfig(gap_s=7.0), 7.0, 7.0),
        # Five spacings of 20 s.
        (LogConfig(gap_s=7.0, adapts=True), 7.0, 100.0),
        # What comes within the patience of a logger that waits for answers teaches nothing.
        (LogConfig(gap_s=7.0, adapts=True, patience_s=19.0), 19.0, 100.0),
        (LogConfig(gap_s=7.0, adapts=True, patience_s=30.0), 30.0, 30.0),
    ],
)
def test_the_longest_silence_that_is_no_gap_is_told(log, before_s, after_s):
    spacing = Spacing(log)
    assert spacing.gap_s == before_s
    for _ in range(50):
        spacing.is_gap(20.0, running=True)
    assert spacing.gap_s == pytest.approx(after_s)


def test_a_few_readings_every_minute_are_no_rhythm():
    spacings = [*regular(1.0, 20), 40.0] * 100
    gaps, _ = judged_live(spacings)
    assert lost(spacings, gaps) < 0.03, "the first pauses, until they are known"


def test_pieces_of_a_recording_are_judged_as_the_whole():
    spacings = np.array([*jittered(10.0, 2000), 400.0, *jittered(10.0, 2000)])
    rest = np.zeros(len(spacings), bool)
    whole = BlockSpacing(FOUND).gaps(spacings, rest)
    cut = BlockSpacing(FOUND)
    pieces = [cut.gaps(p, rest[: len(p)]) for p in np.array_split(spacings, 7)]
    assert np.concatenate(pieces).tolist() == whole.tolist()
    assert np.flatnonzero(whole).tolist() == [2000]


def test_a_gap_that_is_set_is_kept_and_told_where_it_loses_everything():
    log = LogConfig(gap_s=5.0)
    gaps, spacing = judged_live(regular(10.0, 50), log=log)
    assert all(gaps)
    assert "gap_s = 5 each step between them counts as a gap" in spacing.wrong_words()
    assert "gap_s = 50" in spacing.wrong_words()


def test_a_wrong_interval_is_told_with_the_line_to_write_and_does_not_lose_anything():
    log = LogConfig(interval_s=1.0, gap_s=5.0, interval_given=True, adapts=True)
    gaps, spacing = judged_live(regular(10.0, 500), log=log)
    assert sum(gaps) <= 3
    assert "every 10 s, not every 1 s" in spacing.wrong_words()
    assert "interval_s = 10 in [log]" in spacing.wrong_words()


@pytest.mark.parametrize(
    ("interval_s", "usual_s", "told"),
    [
        (1.0, 2.0, False),
        (1.0, 3.0, True),
        (10.0, 10.4, False),
        (60.0, 1.0, True),
        (0.1, 0.9, False),
    ],
)
def test_only_what_matters_is_told(interval_s, usual_s, told):
    log = LogConfig(
        interval_s=interval_s, gap_s=max(5.0, 5 * interval_s), interval_given=True, adapts=True
    )
    assert bool(wrong_words(log, usual_s)) is told
    assert wrong_words(FOUND, usual_s) == "", "nothing is wrong with what was left to be found"


@pytest.mark.parametrize(
    ("interval_s", "told"),
    [
        (60.0, ""),
        (300.0, ""),
        (120.0, ""),
        (1.0, "interval_s = 60"),
        (3000.0, "interval_s = 300"),
    ],
)
def test_a_source_that_speaks_less_at_rest_fits_an_interval_that_fits_either(interval_s, told):
    log = LogConfig(interval_s=interval_s, gap_s=5 * interval_s, interval_given=True, adapts=True)
    day = [(60.0, True)] * 400 + [(300.0, False)] * 100
    spacings, running = zip(*(day * 3), strict=True)
    _, spacing = judged_live(spacings, running, log=log)
    words = spacing.wrong_words()
    assert bool(words) is bool(told)
    assert told in words
    block = BlockSpacing(log)
    block.gaps(np.array(spacings), np.array(running))
    assert block.each_s == pytest.approx(spacing.each_s, rel=0.05)


def test_what_was_learnt_fades_and_nothing_grows():
    found = Usual()
    for spacing_s in itertools.chain([60.0] * 500, [1.0] * 12 * HALF_LIFE):
        found.learn(spacing_s)
    assert found.usual_s == pytest.approx(1.0)
    assert sum(found.counts) < 2.1 * HALF_LIFE
