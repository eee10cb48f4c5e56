"""Finds how far apart the readings of a source are, and from which spacing on there is a gap.

A gap is never integrated, so a limit that is too short loses all data of a slow source. The limit
is found from the readings: five times the usual spacing, at least 5 s. The usual spacing is found
separately for running and for rest, because many sources send less often at rest. It is weighted by
time: three quarters of the time have this spacing or a closer one. So a burst of readings every
minute counts as a minute, and a source at irregular times by its longer pauses. Three spacings in a
row of about the same length are a rhythm, so that a source that becomes slower is followed at once.
Where at least half of the time has a rhythm, the rhythm alone counts: a line that speaks each
second and is silent for 20 s of each minute has gaps. Memory and work for each reading are fixed.
"""

from __future__ import annotations

from math import frexp

from logger.config import GAP_SPACINGS, SHORTEST_GAP_S, LogConfig, gap_after

#: Without a rhythm, a longer spacing is silence, s (common practice, no source).
LONGEST_LOOSE_S = 600.0
#: Longest spacing of a source, s: the largest accepted ``interval_s``.
LONGEST_SPACING_S = 3600.0
#: Spacings within this factor are one rhythm, so that a source may miss every other message.
RHYTHM_FACTOR = 2.0
#: Share of the time with the usual spacing or a closer one: a source at irregular times keeps its
#: longer pauses.
TIME_SHARE = 0.75
#: Share of the time from which on a rhythm is the usual spacing, and what is outside it is silence.
RHYTHM_SHARE = 0.5
#: Times that an octave of spacing must be seen to count.
SEEN_OFTEN = 3
#: Number of readings after which earlier ones count half.
HALF_LIFE = 1024
#: Octaves of spacing, from 2**-5 s (shorter ones are bursts) to 2**12 s.
LOWEST_OCTAVE, _HIGHEST = -5, 12
OCTAVES = _HIGHEST - LOWEST_OCTAVE + 1
#: A setting is reported as wrong if the usual spacing differs from it by more than this factor.
WRONG_FACTOR = 2.5


def _octave(spacing_s: float) -> int:
    octave = frexp(spacing_s)[1] - LOWEST_OCTAVE
    return 0 if octave < 0 else min(octave, OCTAVES - 1)


class Usual:
    """The usual spacing of one kind of reading, found from the newest few thousand of them.

    Attributes
    ----------
    seconds, counts
        Time and number of spacings in each octave.
    rhythm_seconds
        Time of those that belong to a rhythm.
    """

    __slots__ = (
        "_before_s",
        "_fresh",
        "_in_rhythm",
        "_still_before_s",
        "counts",
        "rhythm_seconds",
        "seconds",
        "usual_s",
    )

    def __init__(self) -> None:
        self.seconds = [0.0] * OCTAVES
        self.counts = [0.0] * OCTAVES
        self.rhythm_seconds = [0.0] * OCTAVES
        self._in_rhythm = False
        self.usual_s: float | None = None
        self._fresh = 0
        self._before_s = self._still_before_s = 0.0

    def is_rhythm(self, spacing_s: float) -> bool:
        """Tell whether this spacing and the two before it are about equal, and keep it."""
        before_s, still_before_s = self._before_s, self._still_before_s
        self._still_before_s, self._before_s = before_s, spacing_s
        rhythm = spacing_s <= LONGEST_SPACING_S and max(
            spacing_s, before_s, still_before_s
        ) <= RHYTHM_FACTOR * min(spacing_s, before_s, still_before_s)
        if rhythm:
            self.rhythm_seconds[_octave(spacing_s)] += spacing_s
            if not self._in_rhythm:  # it began two spacings ago
                self.rhythm_seconds[_octave(before_s)] += before_s
                self.rhythm_seconds[_octave(still_before_s)] += still_before_s
        self._in_rhythm = rhythm
        return rhythm

    def learn(self, spacing_s: float) -> None:
        """Count one spacing."""
        octave = _octave(spacing_s)
        self.seconds[octave] += spacing_s
        self.counts[octave] += 1.0
        self._fresh += 1
        if self._fresh >= HALF_LIFE:
            self.seconds = [value / 2.0 for value in self.seconds]
            self.counts = [value / 2.0 for value in self.counts]
            self.rhythm_seconds = [value / 2.0 for value in self.rhythm_seconds]
            self._fresh = 0
            self.find()

    def find(self) -> None:
        """Find the usual spacing again."""
        known = [k for k in range(OCTAVES) if self.counts[k] >= SEEN_OFTEN]
        seconds, all_s = self.seconds, sum(self.seconds[k] for k in known)
        if sum(self.rhythm_seconds[k] for k in known) >= RHYTHM_SHARE * all_s:
            seconds = self.rhythm_seconds
        wanted_s = TIME_SHARE * sum(seconds[k] for k in known)
        for k in known:
            wanted_s -= seconds[k]
            if wanted_s <= 0.0:
                self.usual_s = self.seconds[k] / self.counts[k]
                return


class Spacing:
    """Decides, reading by reading, which spacings are gaps.

    Parameters
    ----------
    log
        ``adapts`` says whether the limit follows the readings or stays ``gap_s``; silence up to
        ``patience_s`` then is no gap and teaches nothing, unless the link was lost.
    """

    __slots__ = ("_found", "_heard_s", "_log", "_lost", "_patience_s")

    def __init__(self, log: LogConfig) -> None:
        self._log = log
        self._patience_s = log.patience_s if log.adapts else 0.0
        self._found = (Usual(), Usual())  # at rest, running
        self._lost = False
        self._heard_s: float | None = None

    @property
    def each_s(self) -> tuple[float | None, float | None]:
        """The usual spacing at rest and that of a run, s; None while unknown."""
        return self._found[0].usual_s, self._found[1].usual_s

    @property
    def usual_s(self) -> float | None:
        """The longer of the usual spacings at rest and running, s; None while unknown."""
        return max((s for s in self.each_s if s is not None), default=None)

    @property
    def gap_s(self) -> float:
        """The longest silence that is not a gap, by the readings so far, s."""
        usual_s = self.usual_s
        limit_s = self._log.gap_s if usual_s is None else self._limit_s(usual_s)
        return max(limit_s, self._patience_s)

    def is_gap(self, spacing_s: float, *, running: bool) -> bool:
        """Tell whether the spacing before a reading is a gap, and learn from it.

        ``running`` is whether the charger ran at the reading before.
        """
        found = self._found[running]
        usual_s = found.usual_s
        if usual_s is None:
            found.find()
            usual_s = self.usual_s
        limit_s = self._log.gap_s if usual_s is None else self._limit_s(usual_s)
        rhythm = found.is_rhythm(spacing_s)
        patience_s, self._lost = 0.0 if self._lost else self._patience_s, False
        if spacing_s <= limit_s:
            found.learn(spacing_s)
            return False
        if spacing_s <= patience_s:
            return False
        if rhythm or spacing_s <= LONGEST_LOOSE_S:
            found.learn(spacing_s)
            found.find()
        return not (rhythm and self._log.adapts)

    def link_lost(self) -> None:
        """Note that the link was lost: no late answer explains the silence that follows."""
        self._lost = True

    def hear(self, time_s: float) -> None:
        """Learn from the time of one more reading where nothing is condensed."""
        if self._heard_s is not None and time_s > self._heard_s:
            self.is_gap(time_s - self._heard_s, running=False)
        self._heard_s = time_s

    def _limit_s(self, usual_s: float) -> float:
        return gap_after(usual_s) if self._log.adapts else self._log.gap_s

    def wrong_words(self) -> str:
        """Say that ``interval_s`` or ``gap_s`` does not fit the readings; empty where it does."""
        return wrong_words(self._log, *self.each_s)


def wrong_words(log: LogConfig, *usual_s: float | None) -> str:
    """Say what was measured, what it costs and which line to write; empty if the settings fit.

    Parameters
    ----------
    log
        The settings.
    usual_s
        The usual spacings, s, None where one is not known. A source may send often while it runs
        and seldom at rest: ``interval_s`` fits if it fits one of them, or lies between them.
    """
    known = [rounded(s) for s in usual_s if s is not None]
    if not known:
        return ""
    short_s, long_s = min(known), max(known)
    if not log.adapts and log.gap_s < long_s:
        return (
            f"readings come every {long_s:g} s, and with gap_s = {log.gap_s:g} each step between "
            f"them counts as a gap, so nothing is added up. Delete gap_s from [log], or write "
            f"gap_s = {gap_after(long_s):g}"
        )
    if not log.interval_given:
        return ""
    every = f"every {short_s:g} s" if short_s == long_s else f"every {short_s:g} to {long_s:g} s"
    if short_s > WRONG_FACTOR * log.interval_s and short_s > SHORTEST_GAP_S / GAP_SPACINGS:
        return (
            f"readings come {every}, not every {log.interval_s:g} s as interval_s says; the "
            f"measured spacing is used. Write interval_s = {short_s:g} in [log], or delete it"
        )
    if WRONG_FACTOR * long_s < log.interval_s and log.gap_s > SHORTEST_GAP_S:
        return (
            f"readings come {every}, not every {log.interval_s:g} s as interval_s says, so silence "
            f"of up to {log.gap_s:g} s would go unnoticed. Write interval_s = {long_s:g} in [log], "
            f"or delete it"
        )
    return ""


def rounded(spacing_s: float) -> float:
    """Return a spacing with two digits."""
    return float(f"{spacing_s:.2g}")
