"""Tie: pixels are tied to millimetres, or to a robot, and lengths or touches that the tie never saw bear it out."""

from tiepoint.station.folder import Station
from tiepoint.station.on_record import OnRecord, documents, draft_sha, on_record
from tiepoint.station.stages import Stage
from tiepoint.station.words import counted

BEGIN = "Print a target, measure its two bars, and drop a photo of it where the parts will lie; or choose another way."
BORN_OUT = "Measure known lengths all over the field, or touch points with the robot: a study of either proves the tie."


def stage_of(station: Station) -> Stage:
    """Return the stage: proved where all accepted ties are as they were, and a good study of each stands on record."""
    ties, record = documents(station, "ties", "tie"), on_record(station)
    accepted = {name for copy in record.copies for name in copy.files if name.startswith("ties/")}
    if not ties and not accepted:
        return Stage("tie", "empty", "No tie yet", True, (), (BEGIN,))
    changed = sorted(name for name in accepted if draft_sha(station, name) not in record.accepted_as(name))
    done = [f"{counted(len(ties), 'tie')} in ties/: {', '.join(name.rpartition('/')[2] for name in ties[:6])}."]
    if changed:
        to_do = f"Accept {', '.join(changed)}, which is not as it was accepted, or undo the change."
        return Stage("tie", "out of date", "Not as it was accepted", True, tuple(done), (to_do,))
    if not accepted:
        to_do = "Use the tie in a recipe, and accept both."
        return Stage("tie", "begun", "Solved, not accepted", True, tuple(done), (to_do, BORN_OUT))
    done.append(f"Accepted: {', '.join(sorted(accepted))}.")
    proofs = _proofs(record, accepted)
    if proofs is None:
        stale = [s for s in record.good("lengths", "touch") if s.replaced is not None]
        line = "Studied another tie" if stale else "Accepted, not studied"
        return Stage("tie", "out of date" if stale else "begun", line, True, tuple(done), (BORN_OUT,))
    done.append(f"Good on record: {', '.join(proofs)}.")
    return Stage("tie", "proved", f"{counted(len(accepted), 'tie')}, studied", True, tuple(done))


def _proofs(record: OnRecord, accepted: set[str]) -> list[str] | None:
    """Return the studies that bear out every accepted tie; None where one is not."""
    lengths = [s for s in record.good("lengths") if s.replaced is None]
    touches = {str(s.act.body.get("tie_sha")): s for s in record.good("touch")}
    found = []
    for name in accepted:
        touch = next((touches[sha] for sha in record.accepted_as(name) if sha in touches), None)
        if touch is None and not lengths:
            return None
        one = touch or lengths[-1]
        found.append(f"{one.kind} (entry {one.act.seq})")
    return list(dict.fromkeys(found))
