"""By which revision of a recipe a study's records were made, and whether that is one that is accepted.

A record names its recipe by the hash of its content (masks and taught data with it), its tie and its lights. Limits may
come from the table of variants, which is not in that hash, so each reading's stand beside it.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from tiepoint.documents.canonical import plain
from tiepoint.model.decide import Limits
from tiepoint.model.record import Record
from tiepoint.recipe.runner import Job

Made = Mapping[str, Any]
"""`{recipe_sha, tie_shas, lights_sha, variant, limits}`, the limits by the reading's id, null where it has none."""


def made_by(records: Iterable[Record]) -> tuple[Made, ...]:
    """Return what made the records, each revision once."""
    told: list[Made] = []
    for record in records:
        limits = {r.id: _said(r.limits) for r in record.readings}
        one = _made(record.recipe_sha, record.tie_shas, record.lights_sha, record.variant, limits)
        if one not in told:
            told.append(one)
    return tuple(told)


def made_of(job: Job) -> Made:
    """Return what records of a prepared recipe will name."""
    limits = {asked.id: _said(asked.limits) for of_step in job.asked.values() for asked in of_step}
    lights = None if job.lit is None else job.lit.sha
    return _made(job.recipe.sha, job.tie_shas, lights, job.variant, limits)


def taken_from(records: Iterable[Record]) -> str | None:
    """Return when the first of the records' shots was taken, as they say it; None where none does."""
    return min((r.shot.taken_utc for r in records if r.shot.taken_utc is not None), default=None)


def not_accepted(made: Sequence[Made], accepted: Sequence[Made]) -> str | None:
    """Return in words what made a study and is not accepted; None where all of it is."""
    return next((why for one in made if (why := _differs(one, accepted)) is not None), None)


def _differs(one: Made, accepted: Sequence[Made]) -> str | None:
    alike = [a for a in accepted if a["recipe_sha"] == one["recipe_sha"]]
    if not alike:
        return f"made with a recipe that is not accepted ({one['recipe_sha'][:12]})"
    for key, what in (("tie_shas", "another tie"), ("lights_sha", "other lights")):
        alike = [a for a in alike if a[key] == one[key]]
        if not alike:
            return f"made with {what} than the accepted recipe's"
    others = [_other_limits(one, a) for a in alike]
    return None if None in others else f"made with other limits of {others[0]} than are accepted"


def _other_limits(one: Made, accepted: Made) -> str | None:
    """Return the first reading that was judged by other limits; readings of a draft that is not run are such too."""
    there, own = accepted["limits"], one["limits"]
    return next((id_ for id_, said in own.items() if id_ not in there or there[id_] != said), None)


def _made(
    recipe_sha: str, ties: Sequence[str], lights: str | None, variant: str | None, limits: Mapping[str, Any]
) -> Made:
    return {
        "recipe_sha": recipe_sha,
        "tie_shas": list(ties),
        "lights_sha": lights,
        "variant": variant,
        "limits": dict(limits),
    }


def _said(limits: Limits | None) -> Any:
    return None if limits is None else plain({key: getattr(limits, key) for key in ("lower", "upper", "rule", "p")})
