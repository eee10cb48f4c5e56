"""Collects the values of a file channel by channel, and joins them by time into readings.

Other programs keep each value as a series of its own, in any order of the series. So a file is read
to its end before the first reading is made; what it may hold is bounded.
"""

from __future__ import annotations

from array import array
from collections import Counter
from typing import TYPE_CHECKING

import numpy as np

from analysis.transfer.condense import Block
from analysis.transfer.refused_rows import RefusedRows
from logger.errors import RecordingError
from logger.reading import CHANNELS, LONGEST_WORD, MOST_WORDS, OperatingState
from logger.recordings.rows import BadRow
from logger.recordings.times import EARLIEST_S, latest_s
from logger.sources.fields import ValueRefusedError, state_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    from analysis.transfer.series.mapping import Selector, SeriesMapping
    from logger.recordings.limits import Limits
    from logger.sources.decoding import Value
    from logger.sources.fields import Field

    Floats = NDArray[np.float64]
    Whole = NDArray[np.intp]

#: Names of series that an error or the outcome lists (our choice).
MOST_NAMES = 1000
#: Rows of a block that is handed on: it bounds the memory (our choice).
_LOT = 100_000
_COLUMNS = (*CHANNELS, "state")
_STATE_PLACE = {state: place for place, state in enumerate(OperatingState)}
_UNKNOWN = _STATE_PLACE[OperatingState.UNKNOWN]


def series_name(name: str, labels: Mapping[str, str]) -> str:
    """Return a series as [import.fields] names it.

    >>> series_name("up", {"job": "boat"})
    'up{job="boat"}'
    """
    inside = ",".join(f'{key}="{value}"' for key, value in sorted(labels.items()))
    return f"{name}{{{inside}}}" if inside else name


class Samples:
    """The values of one file.

    Parameters
    ----------
    path
        The file, for errors.
    mapping
        Which series is which channel.
    limits
        How much of the file is taken.
    """

    def __init__(self, path: Path, mapping: SeriesMapping, limits: Limits) -> None:
        self.path = path
        self.mapping = mapping
        self.limits = limits
        self.bad = RefusedRows(limits.kept_refusals)
        self._most = limits.most_values
        self.words: Counter[str] = Counter()
        self.names: dict[str, None] = {}
        """Series that no field names, in order of their coming."""
        self._times = {name: array("d") for name in _COLUMNS}
        self._values = {name: array("d") for name in _COLUMNS}
        self._sources: dict[str, str] = {}
        self._count = 0
        self._latest_s = latest_s()

    def ignore(self, name: str) -> None:
        """Note a series that no field names."""
        if len(self.names) < MOST_NAMES:
            self.names[name] = None

    def refuse(self, line: int, reason: str) -> None:
        """Note a value that is not taken; line 0 where the file has no lines."""
        self.bad.add(BadRow(line, reason))

    def claim(self, channel: str, selector: Selector, name: str, labels: Mapping[str, str]) -> None:
        """Say that a channel comes from a series.

        Raises
        ------
        RecordingError
            If another one feeds it already: the mapping means two.
        """
        same = {key: value for key, value in labels.items() if key != selector.word_label}
        series = series_name(name, same)
        before = self._sources.setdefault(channel, series)
        if before != series:
            raise RecordingError(
                f"{self.path}: two series fit {channel} in [import.fields]: {before} and {series}; "
                "name a label that tells them apart"
            )

    def add(self, line: int, time_s: float, field: Field, value: Value) -> None:
        """Take one value as the file has it."""
        if not EARLIEST_S <= time_s <= self._latest_s:
            self.refuse(line, f"time {time_s:g} is not a believable time in Unix seconds")
            return
        if field.channel == "state":
            number = self._state(field, value)
        else:
            try:
                number = field.number(value)
            except ValueRefusedError as error:
                self.refuse(line, f"{error.reason} {error.detail}".rstrip()[:200])
                return
        if number is not None:
            self._room(1)
            self._times[field.channel].append(time_s)
            self._values[field.channel].append(number)

    def add_column(self, time_s: Floats, field: Field, values: Floats) -> None:
        """Take many numbers at once; what is not finite is not there."""
        number = values * field.factor + field.offset
        keep = np.isfinite(number) & (time_s >= EARLIEST_S) & (time_s <= self._latest_s)
        for missing in field.missing_numbers:
            keep &= values != missing
        self._room(int(keep.sum()))
        self._times[field.channel].frombytes(time_s[keep].tobytes())
        self._values[field.channel].frombytes(number[keep].tobytes())

    def _room(self, more: int) -> None:
        self._count += more
        if self._count > self._most:
            raise RecordingError(
                f"{self.path}: holds more than {self._most:,} values (most_values in [limits]); "
                "import it in parts, such as one file for each year"
            )

    def _state(self, field: Field, value: Value) -> float | None:
        word = field.word(value)
        if word is None:
            return None
        found = state_of(word, self.mapping.states)
        if found is None:
            word = word[:LONGEST_WORD]
            if word in self.words or len(self.words) < MOST_WORDS:
                self.words[word] += 1
            return float(_UNKNOWN)
        return float(_STATE_PLACE[found])

    def blocks(self) -> Iterator[Block]:
        """Yield readings, rising in time.

        Raises
        ------
        RecordingError
            If the file holds no value of any field; the text names the series that it holds.
        """
        if not self._count:
            raise RecordingError(self._nothing())
        time_s = np.concatenate([np.frombuffer(self._times[n]) for n in _COLUMNS])
        value = np.concatenate([np.frombuffer(self._values[n]) for n in _COLUMNS])
        column = np.repeat(np.arange(len(_COLUMNS)), [len(self._times[n]) for n in _COLUMNS])
        order = np.argsort(time_s, kind="stable")
        time_s, value, column = time_s[order], value[order], column[order]
        group, starts_s = _groups(time_s, column, self.mapping.join_s)
        table = np.full((len(starts_s), len(_COLUMNS)), np.nan)
        # Of two values of one channel at one time the first in the file stands.
        _, first = np.unique(group * len(_COLUMNS) + column, return_index=True)
        table[group[first], column[first]] = value[first]
        other = table[group, column] != value
        for place in np.flatnonzero(other):
            name = _COLUMNS[column[place]]
            self.refuse(0, f"another value of {name} at {time_s[place]:.3f} (Unix seconds)")
        for first in range(0, len(starts_s), _LOT):
            lot = table[first : first + _LOT]
            state = np.where(np.isnan(lot[:, -1]), _UNKNOWN, lot[:, -1]).astype(np.int8)
            channels = {name: lot[:, k] for k, name in enumerate(CHANNELS)}
            yield Block(time_s=starts_s[first : first + _LOT], **channels, state=state)

    def _nothing(self) -> str:
        held = ", ".join(name[:80] for name in list(self.names)[:20])
        rest = len(self.names) - 20
        more = f" and {rest:,} more" if rest > 0 else ""
        told = "none of the names in [import.fields] is in it"
        if not self.mapping.given:
            told = 'say in [import.fields] which series is which, as in voltage_v = "NAME"'
        return f"{self.path}: {told}; it holds: {held or 'no values'}{more}"


def _groups(time_s: Floats, column: Whole, join_s: float) -> tuple[Whole, Floats]:
    """Return the reading of each value, and the time of each reading; times rise."""
    if join_s == 0.0:
        starts = np.flatnonzero(np.diff(time_s, prepend=-np.inf) > 0.0)
        group = np.zeros(len(time_s), dtype=np.intp)
        group[starts] = 1
        return np.cumsum(group) - 1, time_s[starts]
    group = np.empty(len(time_s), dtype=np.intp)
    starts_s: list[float] = []
    held = 0
    for place, (when, which) in enumerate(zip(time_s.tolist(), column.tolist(), strict=True)):
        bit = 1 << which
        apart = not starts_s or when - starts_s[-1] > join_s
        if apart or (held & bit and when > starts_s[-1]):
            starts_s.append(when)
            held = 0
        held |= bit
        group[place] = len(starts_s) - 1
    return group, np.array(starts_s)
