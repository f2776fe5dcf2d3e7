"""Plan: which camera, lens and light the job needs, and what uncertainty is to be expected of them."""

from tiepoint.station.folder import Station
from tiepoint.station.planning import PLAN, Beside, beside, read_plan
from tiepoint.station.stages import Stage

SAME_SCALE = 0.1
"""A camera whose scale differs from what was planned by a larger share is another one."""


def stage_of(station: Station) -> Stage:
    """Return the stage: proved where a good plan was foreseen, and a tie of that camera stands beside it."""
    plan = read_plan(station)
    if plan is None:
        to_do = ("Say the part's size, its tightest tolerance and its stand-off.",)
        return Stage("plan", "empty", "No part described", True, (), to_do)
    part = plan.asked.part
    size = " × ".join(f"{side:g}" for side in part.size_mm)
    done = [f"{PLAN} describes a part of {size} mm and ± {part.tolerance_mm:g} mm."]
    if plan.predicted is None:
        state, line = ("begun", "Not foreseen yet") if plan.is_current else ("out of date", "Changed since foreseen")
        to_do = ("Foresee what this camera would deliver.",)
        return Stage("plan", state, line, True, tuple(done), to_do)  # type: ignore[arg-type]  # both are states
    if not plan.predicted.good:
        return Stage("plan", "begun", "Does not reach it", True, tuple(done), (plan.predicted.says,))
    done.append(plan.predicted.says)
    told = beside(station, plan)
    if not told:
        to_do = ("Hold the plan against what the tie and a study measure.",)
        return Stage("plan", "begun", "Nothing measured beside", True, tuple(done), to_do)
    other = [one for one in told if one.unit == "µm/px" and not _alike(one)]
    if other:
        where, is_, was = other[0].where, other[0].measured, other[0].predicted
        to_do = (f"{where} has {is_:.4g} µm/px, and {was:.4g} were planned: plan the camera that is there.",)
        return Stage("plan", "out of date", "Another camera is there", True, tuple(done), to_do)
    done.append(f"Measured beside it: {len(told)} numbers.")
    return Stage("plan", "proved", "Foreseen and measured", True, tuple(done))


def _alike(one: Beside) -> bool:
    return one.predicted is None or one.measured is None or abs(one.measured / one.predicted - 1) <= SAME_SCALE
