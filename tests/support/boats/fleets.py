"""A fleet whose boats are assessed as ``ebbwatt fleet report`` does it."""

from analysis.fleet.assess import listed
from analysis.fleet.boat import assess_boat
from analysis.fleet.engine.runner import failures, results
from analysis.fleet.kept import changed


def assess_fleet(fleet, now_s, workers, horizon_days, progress=lambda *_: None, runner=results):
    """Assess what changed, and return the list."""
    todo = changed(fleet.boats())
    failed = failures(assess_boat, todo, workers, progress, runner)
    return listed(str(fleet.path), failed, len(todo), now_s, horizon_days)
