"""What the words mean that people read: one list for screens, pages and the reference."""

from __future__ import annotations

#: Word and meaning, in the order in which a newcomer needs them.
GLOSSARY: tuple[tuple[str, str], ...] = (
    ("run", "from starting to shutting down"),
    ("rated output", "the power on the nameplate, W"),
    (
        "available output",
        (
            "what the charger can give: warm, at 25 degC, with a battery that takes it all, early "
            "in a run; in % of rated output"
        ),
    ),
    (
        "the charger itself set the current",
        "the battery took all that was offered, so the run shows what the charger can give",
    ),
    (
        "the battery set the current",
        (
            "the battery was nearly full and took less, so the charger could give this or more: a "
            "lower bound"
        ),
    ),
    ("decline", "output that is lost for good, in % of rated output per 1000 running hours"),
    ("sag", "output that is lost within a run and comes back after a rest"),
    ("step", "a sudden change of available output"),
    ("plan limit", "the part of rated output below which a replacement is to be planned"),
    ("replacement limit", "the part of rated output below which the charger is to be replaced"),
    (
        "remaining life",
        (
            "hours, and a date, until the output falls below the replacement limit for good, "
            "the design hours are used up, or the charger can no longer carry the boat's load, "
            "whichever comes first; where that is less than 80 % sure, the others are named beside "
            "it, each with its chance to come first (remaining.first in the document)"
        ),
    ),
    ("design hours", "running hours for which such a unit is made"),
    ("90 % interval", "in nine of ten boats the truth lies in it"),
    ("Sound", "verdict: nothing has to be done"),
    ("Plan the replacement", "verdict: the plan limit is reached, or a limit is near"),
    ("Replacement limit reached", "verdict: the output is below the replacement limit"),
    ("Cannot say yet", "verdict: the log does not tell; the reason stands beside it"),
    ("fitting", "one charger fitted at one time; a replacement begins a new one"),
    (
        "loop resistance",
        "of both leads, joints, fuse and the battery itself, from steps of the current, mOhm",
    ),
    ("settling", "the charger has stopped and the battery's voltage still sinks by itself"),
    ("charge ceiling", "the voltage at which the charger begins to give less, V"),
)


def meaning(word: str) -> str:
    """Return what a word means.

    Raises
    ------
    KeyError
        If it is not in the glossary.
    """
    return dict(GLOSSARY)[word]
