"""The verdict in words: the same on every screen and page. Loads nothing heavy."""

from __future__ import annotations

from analysis.assessment.document import Verdict

#: The verdict in two or three words, and the sign that stands for it where colour cannot.
VERDICT_WORDS = {
    Verdict.SOUND: "Sound",
    Verdict.PLAN: "Plan the replacement",
    Verdict.REPLACE: "Replacement limit reached",
    Verdict.UNDETERMINED: "Cannot say yet",
}
VERDICT_SIGNS = {
    Verdict.SOUND: "ok",
    Verdict.PLAN: "! ",
    Verdict.REPLACE: "!!",
    Verdict.UNDETERMINED: "??",
}
