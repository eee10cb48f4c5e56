"""The JSON of a Prometheus range query, as its HTTP API answers (``/api/v1/query_range``).

Form, by its documentation (prometheus.io, HTTP API): ``data.resultType`` is ``matrix`` and
``data.result`` a list of series, each with ``metric`` (labels, the name under ``__name__``) and
``values``, pairs of Unix seconds and a number in text. The list alone is taken as well.
"""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from analysis.transfer.series.samples import series_name
from logger.errors import RecordingError
from logger.recordings.files import RecordedFile

if TYPE_CHECKING:
    from analysis.transfer.series.samples import Samples
    from logger.recordings.limits import Limits

#: A range query has at most 11,000 points a series by the server's own limit: this is a hundred
#: series of such length. The file is parsed whole, in ten times its size of memory.
MOST_BYTES = 32_000_000
_ABSENT = ("NaN", "+Inf", "-Inf")


def of_one_line(limits: Limits) -> Limits:
    """Return limits for an answer, which comes as one line however long it is."""
    return replace(limits, longest_line_kb=2 * MOST_BYTES // 1000)


def read_prometheus(samples: Samples) -> None:
    """Collect the samples of a range query.

    Raises
    ------
    RecordingError
        If it is too large, no JSON, an error of the server, or no range query.
    """
    path = samples.path
    try:
        with RecordedFile(path, of_one_line(samples.limits)) as file:
            data = file.whole(MOST_BYTES)
    except ValueError:
        raise RecordingError(
            f"{path}: larger than {MOST_BYTES / 1e6:.0f} MB; ask for a shorter range or fewer "
            "series"
        ) from None
    try:
        document = json.loads(data)
    except (ValueError, RecursionError) as error:
        reason = "nested too deeply" if isinstance(error, RecursionError) else str(error)
        raise RecordingError(f"{path}: not the JSON of a range query: {reason}") from None
    if isinstance(document, dict) and document.get("status") == "error":
        raise RecordingError(f"{path}: the server answered with an error: {_told(document)}")
    inner = document.get("data") if isinstance(document, dict) else None
    if isinstance(inner, dict) and inner.get("resultType") == "matrix":
        document = inner.get("result")
    if not isinstance(document, list):
        raise RecordingError(
            f"{path}: not a range query: data.resultType must be matrix (ask query_range, not "
            "query)"
        )
    for series in document:
        _series(series, samples)


def _told(document: dict[str, Any]) -> str:
    return repr(str(document.get("error", ""))[:200])


def _series(series: object, samples: Samples) -> None:
    labels = series.get("metric") if isinstance(series, dict) else None
    values = series.get("values") if isinstance(series, dict) else None
    if not isinstance(labels, dict) or not isinstance(values, list):
        samples.refuse(0, "a series without metric and values")
        return
    told = {str(key): str(value) for key, value in labels.items()}
    name = told.pop("__name__", "")
    called = series_name(name, told)
    chosen = samples.mapping.fields_of(name, told)
    if not chosen:
        samples.ignore(called)
    for selector, field in chosen:
        samples.claim(field.channel, selector, name, told)
        word = None if selector.word_label is None else told[selector.word_label]
        for number, pair in enumerate(values, start=1):
            good = (
                isinstance(pair, list)
                and len(pair) == 2
                and isinstance(pair[0], int | float)
                and not isinstance(pair[0], bool)
                and abs(pair[0]) < 1e15
                and isinstance(pair[1], str)
            )
            if not good:
                samples.refuse(0, f"{called[:80]}, value {number}: not a pair of time and text")
            elif word is not None:
                if pair[1] == "1":
                    samples.add(0, float(pair[0]), field, word)
            elif pair[1] not in _ABSENT:
                samples.add(0, float(pair[0]), field, pair[1])
