"""What the report stands on: times, faults, ongoing control, runs, acts, records with their pictures, and hashes."""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import get_args

from tiepoint.model.record import Record
from tiepoint.report.acceptance_story import AcceptanceStory, Times
from tiepoint.report.blocks import Block, Cell, Facts, Grid, Listed, Note, Raw, Recompute, Say, cells
from tiepoint.station.judge import Run
from tiepoint.station.requirements import ON_DUTY
from tiepoint.station.served import QUANTILES, Served, fewest, quantile_ends
from tiepoint.station.watch.kinds import Kind
from tiepoint.station.words import counted
from tiepoint.studies.trial import VERDICTS

ON_PAPER = 60
"""So many runs, acts and records are printed; the page has all."""
KINDS: Mapping[str, str] = {
    "lengths": "known lengths",
    "type1": "repeatability and bias on a reference",
    "rr": "gauge R&R",
    "linearity": "linearity",
    "stability": "stability",
    "capability": "capability",
    "agreement": "agreement of decisions",
    "limits": "limits with known risk",
    "trial": "trial",
    "pose": "pose of the robot",
    "touch": "robot touch test",
}
"""The studies that a report looks for, in its order."""
OF_DUTY: Mapping[str, str] = {"times": "times on duty", "faults": "faults on duty", "alarms": "alarms on duty"}
"""What is no study, but seen on duty."""
INJECTED = (
    ("Camera away, or its picture late", "every part unread, none passes", ("camera",)),
    ("Disk full, ledger not to be written", "fault: reject", ("ledger", "archive")),
    ("Lamp out, or another brightness", "readings unread or doubtful, none passes by it", ()),
    ("Network away", "the controller's own time-out rejects", ()),
    ("Controller away, or answers late", "fault: reject", ()),
)
"""Faults that are injected before a station is released, what is due, and by which names a station itself tells them.

What has no name is seen on the other side alone: the touch of a rehearsal, or a note of who tried it.
"""


def when(utc: str) -> str:
    """Return a time as a person reads it."""
    return utc[:16].replace("T", " ") + " UTC"


# --- times, faults, control ------------------------------------------------------------------------------------------


def times(story: AcceptanceStory) -> Iterator[Block]:
    """Yield how long a part took, by the steps of its record and, on duty, from trigger to verdict."""
    found = story.times
    if found is None:
        yield Say("Not tried: no record says how long it took.")
    else:
        yield from _times_of_steps(story, found)
    served = story.served
    takt = story.requirements.table.takt_s
    asked = f" The takt is {takt:g} s." if takt else " No takt was agreed."
    if served is None or not served.seconds:
        yield Say(f"On duty, from trigger to verdict: not tried; the station has judged no part on duty yet.{asked}")
        return
    yield from _times_on_duty(served)
    yield Note(
        "From the picture's trigger, or its arrival where nothing triggered it, to the record in the ledger; wires are "
        f"told directly after.{asked} Each P is followed by its bound on the unfavourable side, whatever law the times "
        "follow (order statistics, 95 %)."
    )


def _times_of_steps(story: AcceptanceStory, found: Times) -> Iterator[Block]:
    timed = [r for r in story.records if r.timings]
    rows = []
    for name, seconds, q in (("P50", found.p50, 0.5), ("P99", found.p99, 0.99), ("P99.9", found.p999, 0.999)):
        inputs = {"raw": "raw-times", "column": "seconds", "q": q}
        how = None if seconds is None else Recompute("quantile", inputs, {"": seconds})
        rows.append(cells(name, "too few parts: not shown" if seconds is None else Cell(_ms(seconds), how=how)))
    how = Recompute("most", {"raw": "raw-times", "column": "seconds"}, {"": found.most})
    longest = max(timed, key=lambda r: sum(r.timings.values()))
    rows.append(cells("Maximum", Cell(_ms(found.most), how=how, entry=longest.seq)))
    yield Grid(("", f"to measure and judge one of {counted(found.n, 'part')}"), tuple(rows), frozenset({1}), (30, 70))
    yield Note(
        "These are times of the steps: cameras, wires and archive were not part of it. P99 takes 100 parts at least, "
        "P99.9 1,000."
    )
    columns: dict[str, list[float]] = {
        "entry": [r.seq for r in timed],
        "seconds": [sum(r.timings.values()) for r in timed],
    }
    yield Raw("raw-times", "Seconds of every record", columns, [r.seq for r in timed])


def _times_on_duty(served: Served) -> Iterator[Block]:
    raw, rows = {"raw": "raw-duty-times", "column": "seconds"}, []
    for name, q in QUANTILES.items():
        value, _, high = quantile_ends(served.seconds, q, 0.95)
        least = fewest(q, 0.95)
        bound = _ms(high) if math.isfinite(high) else f"not shown: {counted(least, 'part')} can tell it"
        rows.append(cells(name, Cell(_ms(value), how=Recompute("quantile", {**raw, "q": q}, {"": value})), bound))
    most = max(served.seconds)
    longest = served.seqs[served.seconds.index(most)]
    rows.append(cells("Maximum", Cell(_ms(most), how=Recompute("most", raw, {"": most}), entry=longest), ""))
    head = (f"On duty, {counted(len(served.seconds), 'part')}", "from trigger to verdict", "at most (95 %)")
    yield Grid(head, tuple(rows), frozenset({1, 2}), (30, 35, 35))
    columns: dict[str, list[float]] = {"entry": [*served.seqs], "seconds": [*served.seconds]}
    yield Raw("raw-duty-times", "Seconds of every part that was looked at on duty", columns, list(served.seqs))


def _ms(seconds: float) -> str:
    return f"{seconds * 1000:.1f} ms"


def faults(story: AcceptanceStory) -> Iterator[Block]:
    """Yield the faults that are to be injected and the alarms that are to be raised, and what came of them on duty."""
    served, agreed = story.served, story.requirements.table.control.alarms
    rows = [cells(what, due, _injected(served, names)) for what, due, names in INJECTED]
    rows += [cells(f"Alarm: {said}", "it is raised, and told", _raised(served, said)) for said in agreed]
    yield Grid(("Fault", "What is due", "State"), tuple(rows), frozenset(), (36, 30, 34))
    if served is None:
        yield Note("Only a station on duty can show these.")
        return
    yield from _seen_faults(served)
    yield from _seen_alarms(served)
    shown = f"{len(served.challenges)} shown, {sum(c.good for c in served.challenges)} of them judged right in all"
    yield Facts(
        (
            ("Begun", counted(len(served.begun), "time")),
            ("Challenge sets", shown if served.challenges else "none was shown"),
            ("Parts that could not even be held", str(served.missed)),
        )
    )


_NOT_TRIED = Cell("not tried", "not tried")


def _injected(served: Served | None, names: Sequence[str]) -> Cell:
    """Return what came of a fault: no part may have conformed in it, and one at least must have come."""
    seen = [one for one in (served.faults if served else ()) if any(one.is_of(name) for name in names)]
    came, passed = sum(one.parts for one in seen), sum(one.passed for one in seen)
    if not seen or not came:
        return _NOT_TRIED
    said = f"{counted(len(seen), 'time')}; {counted(came, 'part')} came, {passed or 'none'} conformed"
    entries = tuple(one.entry for one in seen)
    return Cell(said, "not shown" if passed else "shown", loud=passed > 0, entries=entries[-5:])


def _raised(served: Served | None, said: str) -> Cell:
    """Return whether an alarm that was agreed was raised; of one in free words nobody can say which it is."""
    seen = [one for one in (served.alarms if served else ()) if one.is_of(said)]
    if seen:
        return Cell(f"raised {counted(len(seen), 'time')}", "shown", entries=tuple(one.entry for one in seen)[-5:])
    if said in get_args(Kind):
        return _NOT_TRIED
    return Cell(
        "cannot be matched with an alarm, for it is in words; ask for it by a [[requirement]] with "
        'by = "alarms" and its kind in of'
    )


def _seen_faults(served: Served) -> Iterator[Block]:
    if not served.faults:
        yield Note("On duty there was no fault.")
        return
    rows = tuple(
        cells(
            str(one.entry), when(one.began_utc), "not told" if one.ended_utc is None else when(one.ended_utc), one.name,
            one.says, str(one.parts), Cell(str(one.passed), loud=one.passed > 0),
        )
        for one in served.faults
    )  # fmt: skip
    entries = tuple(one.entry for one in served.faults)
    head = ("Entry", "Begun", "Ended", "Fault", "What it said", "Parts in it", "of them conformed")
    yield Grid(head, rows, frozenset({0, 5, 6}), (7, 17, 17, 13, 28, 8, 10), entries, ON_PAPER)


def _seen_alarms(served: Served) -> Iterator[Block]:
    if not served.alarms:
        yield Note("On duty no alarm was raised.")
        return
    rows = tuple(
        cells(str(one.entry), when(one.utc), f"{one.kind} {one.about}".strip(), one.says) for one in served.alarms
    )
    entries = tuple(one.entry for one in served.alarms)
    yield Grid(("Entry", "Raised", "Alarm", "What it said"), rows, frozenset({0}), (7, 20, 20, 53), entries, ON_PAPER)


def not_tried(story: AcceptanceStory) -> Iterator[Block]:
    """Yield all that was asked for and not tried, and what nobody asked for that no station off duty can show."""
    untried = [f"{line.asked.id}: {line.asked.says} ({line.why})" for line in story.lines if line.state == "not tried"]
    asked = {line.asked.by for line in story.lines}
    served = story.served
    there = {"times": served and served.seconds, "faults": served and served.faults, "alarms": served and served.alarms}
    always = {"times": "Times on duty.", "faults": "Fault injections.", "alarms": "Alarms."}
    yield Listed((*untried, *(always[by] for by in ON_DUTY if by not in asked and not there[by])))


def control(story: AcceptanceStory) -> Iterator[Block]:
    """Yield what is done for as long as the station is on duty; what was not agreed is told."""
    agreed = story.requirements.table.control
    yield Facts(
        (
            ("Golden parts", ", ".join(agreed.golden) or "not agreed"),
            ("Checked", agreed.every or "not agreed"),
            ("Alarm", "; ".join(agreed.alarms) or "not agreed"),
        )
    )
    if not agreed.again:
        yield Say("Which change repeats which test was not agreed: state [[control.again]] in requirements.toml.")
        return
    tests = list(dict.fromkeys(test for one in agreed.again for test in one.tests))
    rows = tuple(cells(one.change, *(_again(test in one.tests) for test in tests)) for one in agreed.again)
    names = (KINDS.get(test, test) for test in tests)
    yield Grid(("After this change", *names), rows, frozenset(), (40, *[60 / len(tests)] * len(tests)))
    yield Note("Again: the test is made again after this change, before the station goes on.")


def _again(due: bool) -> str:
    return "again" if due else ""


# --- evidence --------------------------------------------------------------------------------------------------------


def evidence(story: AcceptanceStory) -> Iterator[Block]:
    """Yield whether the evidence holds, and all of it: runs, acts, and records with the files that they came from."""
    found = story.evidence
    if found.good:
        yield Say("The evidence holds.")
    else:
        yield Say("Not all of the evidence holds: " + "; ".join(found.all_faults[:5]) + ".", loud=True)
    same = sum(r.same for r in found.recomputed)
    yield Facts(
        (
            ("Ledger's head", found.chain.head.sha),
            ("Its first entry", found.first or "none"),
            ("Entries", str(found.chain.count)),
            ("Accepted copies", f"{found.copies} whole"),
            ("Kept shots", f"{found.kept} as they were, {len(found.expired)} taken away by right"),
            ("Worked out again", f"{counted(len(found.recomputed), 'record')}, {same} as they were judged"),
            ("Requirements", story.requirements.sha),
        )
    )
    yield Note("Check it with: tiepoint verify STATION --head " + found.chain.head.sha)
    yield from map(Note, found.notes)
    yield from (Note(f"Not worked out again: {why}.") for why in found.not_recomputed)
    yield from _runs(story.runs)
    yield from _acts(story)
    yield from _records(story)


def _runs(runs: Sequence[Run]) -> Iterator[Block]:
    if not runs:
        yield Note("Runs: the ledger tells of none.")
        return
    rows = tuple(_run(run) for run in runs)
    head = ("Run", "Begun", "Ended", "Shots", "Records", "Verdicts", "State")
    entries = tuple(run.begun.seq for run in runs)
    yield Grid(head, rows, frozenset({3, 4}), (7, 19, 19, 7, 9, 22, 17), entries, ON_PAPER)
    yield Note("Every run is listed, those too that were stopped or broken off.")


def _run(run: Run) -> tuple[Cell, ...]:
    counts = [(v, sum(r.verdict == v for r in run.records)) for v in VERDICTS]
    told = ", ".join(f"{n} {v}" for v, n in counts if n) or "none"
    ended = "never" if run.ended is None else when(run.ended.written_utc)
    shots, records = str(run.shots), str(len(run.records))
    return cells(str(run.begun.seq), when(run.begun.written_utc), ended, shots, records, told, _state(run))


def _state(run: Run) -> Cell:
    if run.ended is None:
        return Cell("BROKEN OFF, without an end", loud=True)
    return Cell("whole") if run.is_whole else Cell(f"STOPPED after {len(run.records)}", loud=True)


def _acts(story: AcceptanceStory) -> Iterator[Block]:
    rows = tuple(
        cells(str(a.seq), when(a.written_utc), *(str(a.body.get(key, "")) for key in ("act", "who", "why")))
        for a in story.acts
    )
    entries = tuple(a.seq for a in story.acts)
    yield Grid(("Entry", "When", "Act", "Who", "Why"), rows, frozenset({0}), (8, 22, 12, 16, 42), entries, ON_PAPER)


def _records(story: AcceptanceStory) -> Iterator[Block]:
    if not story.records:
        yield Say("Records: none; no part was judged yet.")
        return
    rows = tuple(_record(story, record) for record in story.records)
    head = ("Entry", "When", "Part", "Variant", "Verdict", "Pictures, as archived", "SHA-256", "Record")
    entries = tuple(record.seq for record in story.records)
    yield Grid(head, rows, frozenset({0}), (6, 13, 12, 8, 11, 20, 17, 17), entries, ON_PAPER)
    yield Note(
        "Hashes by their first sixteen digits; the whole ones stand in the ledger, and tiepoint verify holds every "
        "file against them."
    )


def _record(story: AcceptanceStory, record: Record) -> tuple[Cell, ...]:
    kept = story.kept.get(record.seq)
    files = {} if kept is None else {n: sha for n, sha in kept.body["files"].items() if n != "shot.json"}
    where = "not kept" if kept is None else f"{kept.body['folder']}/ {', '.join(files)}"
    return cells(
        str(record.seq),
        when(record.shot.taken_utc or story.written[record.seq]),
        record.shot.part_id or record.shot.id,
        record.variant or "",
        Cell(record.verdict, record.verdict),
        where,
        ", ".join(sha[:16] for sha in files.values()),
        (record.sha or "")[:16],
    )
