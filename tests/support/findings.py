"""What tests ask of the findings about a log."""

from analysis.assessment.case import Case
from analysis.inputs.finding import Severity


def assessed(season):
    """Return the assessment of a (history, config, course)."""
    history, config, _ = season
    return Case(history, config).assessment


def found(assessment, code):
    """Return the one finding of a code."""
    hits = [f for f in assessment.inputs if f.code == code]
    assert len(hits) == 1, [(f.code, f.text) for f in assessment.inputs]
    return hits[0]


def doubts(assessment):
    """Return the codes of what is more than a note."""
    return [f.code for f in assessment.inputs if f.severity is not Severity.NOTE]


def holds_truth(assessment, course):
    """Tell whether the interval of the output holds what the charger truly gives at the end."""
    output = assessment.output
    return output.low is not None and output.low <= course.output[-1] <= output.high
