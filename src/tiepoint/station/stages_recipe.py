"""Recipe: what is looked at on a part, and by which limits it is judged."""

import tomllib
from contextlib import suppress
from pathlib import Path

from tiepoint.station.folder import Station
from tiepoint.station.on_record import Copy, OnRecord, differing, on_record
from tiepoint.station.stages import Stage
from tiepoint.station.words import counted

BEGIN = "Begin a recipe, bring a picture of a part, and draw what is to be judged."


def stage_of(station: Station) -> Stage:
    """Return the stage: proved where all that is accepted is as it was, and a good trial of it stands on record."""
    record = on_record(station)
    drafts = tuple(f"recipes/{path.name}" for path in station.recipes())
    if not drafts and not record.copies:
        return Stage("recipe", "empty", "No recipe yet", True, (), (BEGIN,))
    new = [name for name in drafts if name not in {copy.recipe for copy in record.copies}]
    done = [f"{counted(len(drafts), 'recipe')}: {', '.join(name.rpartition('/')[2] for name in drafts[:6])}."]
    if not record.copies:
        bare = [path.name for path in station.recipes() if _is_bare(path)]
        to_do = f"Draw what is to be judged in {', '.join(bare)}." if bare else f"Accept {', '.join(new)}."
        return Stage("recipe", "begun", "Not accepted", True, tuple(done), (to_do,))
    done += [f"Accepted: {copy.recipe} ({copy.sha[:8]})." for copy in record.copies]
    changed = [(copy, differing(station, copy)) for copy in record.copies]
    return _accepted(record, changed, new, tuple(done))


def _is_bare(path: Path) -> bool:
    """Return whether a draft has no step yet, and so cannot be accepted; what cannot be read is another matter."""
    with suppress(OSError, ValueError):
        return not tomllib.loads(path.read_text(encoding="utf-8")).get("step")
    return False


def _accepted(
    record: OnRecord, changed: list[tuple[Copy, tuple[str, ...]]], new: list[str], done: tuple[str, ...]
) -> Stage:
    own = [copy.recipe for copy, names in changed if copy.recipe in names]
    rests = sorted({name for copy, names in changed for name in names if name != copy.recipe})
    if rests:
        to_do = f"Accept again: {', '.join(rests[:6])} {'is' if len(rests) == 1 else 'are'} not as accepted."
        return Stage("recipe", "out of date", "Rests on what changed", False, done, (to_do,))
    if own or new:
        to_do = f"Accept {', '.join((*own, *new))}, or undo the change; until then duty runs what is accepted."
        return Stage("recipe", "begun", "A draft differs" if own else "A draft is new", True, done, (to_do,))
    trials = [s for s in record.good("trial") if s.replaced is None]
    if not trials:
        to_do = "Try it on parts whose state is known."
        return Stage("recipe", "begun", "Accepted, not tried", True, done, (to_do,))
    done = (*done, f"A good trial of it stands on record (entry {trials[-1].act.seq}).")
    return Stage("recipe", "proved", "Accepted and tried", True, done)
