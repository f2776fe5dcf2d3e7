"""Plan: which camera, lens and light the job needs, and what uncertainty is to be expected of them."""

from tiepoint.station.folder import Station
from tiepoint.station.stages import Stage

PLACES = ("plan.toml", "plan/plan.toml")


def stage_of(station: Station) -> Stage:
    """Return the stage: begun with a plan; only what is measured beside it could prove it."""
    there = next((name for name in PLACES if (station.folder / name).is_file()), None)
    if there is None:
        to_do = ("Say the part's size, its tightest tolerance and its speed.",)
        return Stage("plan", "empty", "No part described", True, (), to_do)
    to_do = ("Hold the plan against what the tie and a study measure.",)
    return Stage("plan", "begun", "Nothing measured beside", True, (f"{there} describes the job.",), to_do)
