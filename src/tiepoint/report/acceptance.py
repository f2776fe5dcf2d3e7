"""The acceptance report as blocks: what a station can and cannot do, and what each number of it stands on."""

import math
import statistics
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from tiepoint.foundation.reasons import FLAGS
from tiepoint.foundation.rounding import fixed, value_and_pm, with_unit
from tiepoint.model.decide import Limits, Verdict
from tiepoint.report.acceptance_story import AcceptanceStory, ReadingSeen
from tiepoint.report.blocks import (
    Block,
    Cell,
    Facts,
    Grid,
    Lines,
    Listed,
    Note,
    Recompute,
    Report,
    Say,
    Section,
    cells,
)
from tiepoint.report.figures import counted
from tiepoint.station.kept import KeptStudy
from tiepoint.station.matrix import Line
from tiepoint.station.requirements import Characteristic, Influence, Requirement

VERDICTS: tuple[Verdict, ...] = ("conforms", "undecided", "unread", "rejected")
MOST_RUNS = 60
"""So many runs and acts are listed one by one."""

CAUTIONS = (
    "The station is not a safety device: it detects no people and releases no guard (IEC 61496, ISO 13849).",
    "It never starts a motion. Robot frames and touch tests are made at reduced speed with the enabling device in hand "
    "(ISO 10218); a bad tie means no touch test.",
    "Ask the supplier of each lamp for its risk group (IEC 62471); flashing at 3 to 30 Hz can trigger photosensitive "
    "epilepsy; ultraviolet and infrared are not seen.",
    "A printed target is not traceable until it was measured with a traceable instrument.",
    "Verdicts hold for the tested range of influences only. Local codes and licensed practice come first.",
)


def acceptance(story: AcceptanceStory) -> Report:
    """Return the report of a station."""
    asked, head = story.requirements.table, story.evidence.chain.head
    return Report(
        asked.title,
        "Acceptance report",
        _corner(story),
        tuple(_sections(story)),
        f"{story.station.name} · entry {head.seq} of the ledger, head {head.sha[:16]}",
    )


def _corner(story: AcceptanceStory) -> tuple[tuple[str, str], ...]:
    asked, head = story.requirements.table, story.evidence.chain.head
    supplier = (("Supplier", asked.supplier),) if asked.supplier else ()
    return (
        ("Station", story.station.name),
        ("Customer", asked.customer),
        *supplier,
        ("Made", _when(story.made_utc)),
        ("Criteria agreed", _when(story.agreed.written_utc)),
        ("Ledger", f"{head.seq} entries, head {head.sha[:16]}…"),
    )


def _sections(story: AcceptanceStory) -> Iterator[Section]:
    yield Section("can", "What this station can and cannot do", (Listed(six_lines(story), numbered=True),))
    yield Section("matrix", "Requirements", tuple(_requirements(story)), _states(story.lines))
    yield Section("scope", "Scope, and what is not checked", tuple(_scope(story)))
    yield Section("readings", "What was measured", tuple(_readings(story)), counted(len(story.records), "record"))
    yield Section("setup", "What is accepted", tuple(_setup(story)))
    if story.ties:
        yield Section("ties", "Ties", tuple(_ties(story)))
    for study in story.studies:
        yield Section(f"study-{study.act.seq}", _study_title(study), tuple(_study(study)), f"entry {study.act.seq}")
    yield Section("times", "Times", tuple(_times(story)))
    yield Section("not-tried", "Not tried", tuple(_not_tried(story)))
    yield Section("control", "For as long as it is on duty", tuple(_control(story)))
    yield Section("evidence", "Evidence", tuple(_evidence(story)))
    yield Section("cautions", "Cautions", (Listed(CAUTIONS),))
    yield Section("signatures", "Signatures", (_signatures(story),))


# --- the first page --------------------------------------------------------------------------------------------------


def six_lines(story: AcceptanceStory) -> tuple[str, ...]:
    """Return what the station can and cannot do, in six sentences."""
    return (
        _does(story),
        _how_well(story),
        _risk(story),
        _not_shown(story.lines),
        _leaves_out(story),
        _stands_on(story),
    )


def _does(story: AcceptanceStory) -> str:
    judged = [r for r in story.readings if r.limits is not None]
    variants = len({r.variant for r in story.readings if r.variant is not None})
    of = f" of {counted(variants, 'variant')}" if variants else ""
    what = counted(len({r.id for r in judged}), "characteristic")
    return (
        f"It measures {counted(len({r.id for r in story.readings}), 'quantity', 'quantities')}{of}, and judges {what}."
    )


def _how_well(story: AcceptanceStory) -> str:
    shares = [r for r in story.readings if r.share is not None]
    if not shares:
        return "No characteristic has two limits, so nothing is said of the share that measuring takes of a tolerance."
    worst = max(shares, key=lambda r: r.share or 0.0)
    assert worst.share is not None
    caused = "" if worst.dominant is None else f"; most of u² is by: {worst.dominant[0]} ({worst.dominant[1]:.0%})"
    pm = with_unit(0.0, worst.U95, worst.unit).partition("±")[2].strip()
    return f"Its widest ± beside a tolerance is that of {worst.name}: ±{pm}, {worst.share:.0%} of it{caused}."


def _risk(story: AcceptanceStory) -> str:
    told = [line for line in story.lines if line.asked.by == "trial"]
    if not told:
        return "How often it is wrong was not agreed: no requirement asks for a trial."
    said = [f"{line.asked.id} ({line.asked.says}) is {line.state}" for line in told]
    return f"Of how often it is wrong: {'; '.join(said)}."


def _not_shown(lines: Sequence[Line]) -> str:
    missing = [line.asked.id for line in lines if line.state == "not shown"]
    if missing:
        return f"Not shown: {', '.join(missing)}."
    return "All that was tried is shown." if any(line.state == "shown" for line in lines) else "Nothing is shown yet."


def _leaves_out(story: AcceptanceStory) -> str:
    untried = [line.asked.id for line in story.lines if line.state == "not tried"]
    blind = story.requirements.table.not_checked
    tried = f"Not tried: {', '.join(untried)}." if untried else "Everything that was asked for was tried."
    return f"{tried} It does not look at: {'; '.join(blind)}." if blind else tried


def _stands_on(story: AcceptanceStory) -> str:
    e = story.evidence
    same = sum(r.same for r in e.recomputed)
    holds = "holds" if e.good else "does not hold in all"
    return (
        f"All of this stands on {counted(len(story.records), 'record')} and {counted(e.kept, 'kept shot')}; "
        f"the evidence {holds}, and {same} of {counted(len(e.recomputed), 'record')} that were worked out again came "
        "out as judged."
    )


# --- requirements ----------------------------------------------------------------------------------------------------


def _states(lines: Sequence[Line]) -> str:
    counts = [(state, sum(line.state == state for line in lines)) for state in ("shown", "not shown", "not tried")]
    return ", ".join(f"{n} {state}" for state, n in counts if n)


def _requirements(story: AcceptanceStory) -> Iterator[Block]:
    if not story.lines:
        yield Say("No requirement was agreed.")
        return
    rows = [_requirement(line) for line in story.lines]
    yield Grid(
        ("", "What was agreed", "By", "Found", "Asked", "State"), tuple(rows), frozenset({4}), (7, 33, 13, 24, 9, 14)
    )
    yield from (Note(f"{line.asked.id}: {line.why}.") for line in story.lines if line.state != "shown")
    yield Note(
        f"The criteria are of {_when(story.agreed.written_utc)} (entry {story.agreed.seq}, by "
        f"{story.agreed.body['who']}: {story.agreed.body['why']}). What is asked for is held by the end of the study's "
        "95 % interval that is against it, and by the newest study; all that were made are listed under Evidence."
    )


def _requirement(line: Line) -> tuple[Cell, ...]:
    asked, found = line.asked, line.found
    said = "" if found is None else f"{found.name} {_interval(found.value, found.low, found.high, found.unit)}"
    by = asked.by if line.study is None else f"{asked.by}, entry {line.study.act.seq}"
    seq = None if line.study is None else line.study.act.seq
    return cells(asked.id, asked.says, by, Cell(said, entry=seq), _asked(asked), Cell(line.state, line.state))


def _interval(value: float, low: float, high: float, unit: str) -> str:
    ends = [("open" if not math.isfinite(v) else f"{v:.3g}") for v in (low, high)]
    told = "" if math.isnan(value) else f"{value:.3g} "
    return f"{told}({ends[0]} to {ends[1]}){' ' + unit if unit else ''}"


def _asked(asked: Requirement) -> str:
    if asked.most is not None:
        return f"≤ {asked.most:g}"
    return "" if asked.least is None else f"≥ {asked.least:g}"


# --- scope -----------------------------------------------------------------------------------------------------------


def _scope(story: AcceptanceStory) -> Iterator[Block]:
    asked = story.requirements.table
    if asked.scope:
        yield Say(asked.scope)
    if asked.characteristic:
        rows = tuple(_characteristic(c) for c in asked.characteristic)
        yield Grid(("Characteristic", "Drawing", "Allowed", "Measured as"), rows, frozenset(), (24, 28, 20, 28))
    yield Listed(
        tuple(f"Deviation: {said}" for said in story.deviations) or ("What is judged is what the drawing says.",)
    )
    blind = asked.not_checked or (
        "Nothing was named that the station does not look at; all else of the part is unchecked.",
    )
    yield Listed(tuple(f"Not checked: {said}" if asked.not_checked else said for said in blind))
    if asked.undecided:
        yield Say(f"Parts inside the guard band (undecided): {asked.undecided}.")
    if asked.influence:
        rows = tuple(_influence(one) for one in asked.influence)
        yield Grid(("Influence", "Tested", "Assumed", "Excluded"), rows, frozenset(), (22, 26, 26, 26))


def _characteristic(one: Characteristic) -> tuple[Cell, ...]:
    return cells(one.name, one.drawing, _range(one.lower, one.upper, one.unit), one.reading)


def _influence(one: Influence) -> tuple[Cell, ...]:
    return cells(one.name, one.tested or "", one.assumed or "", one.excluded or "")


def _range(lower: float | None, upper: float | None, unit: str) -> str:
    of = "" if unit == "1" else f" {unit}"
    if lower is None and upper is None:
        return "no limit"
    if lower is None:
        return f"≤ {upper:g}{of}"
    return f"≥ {lower:g}{of}" if upper is None else f"{lower:g} to {upper:g}{of}"


# --- records ---------------------------------------------------------------------------------------------------------


def _readings(story: AcceptanceStory) -> Iterator[Block]:
    told = [f"{story.verdicts.get(v, 0)} {v}" for v in VERDICTS if story.verdicts.get(v, 0)]
    yield Say(f"Of {counted(len(story.records), 'record')}: {', '.join(told) or 'none'}.")
    if not story.readings:
        return
    head = ("Reading", "Variant", "Values", "Median", "± (95 %)", "of T", "Limits", "Dominant")
    rows = tuple(_reading(one) for one in story.readings)
    yield Grid(head, rows, frozenset({2, 3, 4, 5}), (21, 13, 8, 10, 10, 7, 15, 16))
    yield Note(
        "± is the median of the half-widths of the 95 % intervals; of T, that whole interval over the tolerance. "
        "Dominant: the cause that makes most of u² on average. What was not read never passes, and is counted apart."
    )


def _reading(one: ReadingSeen) -> tuple[Cell, ...]:
    middle = statistics.median(one.values) if one.values else math.nan
    number, pm = value_and_pm(middle, one.U95) if one.values else ("", "")
    how = Recompute("median", {"values": list(one.values)}, middle) if one.values else None
    entry = one.seqs[-1] if one.seqs else None
    unread = f", {one.unread} unread" if one.unread else ""
    return cells(
        one.name,
        one.variant or "",
        Cell(f"{len(one.values)}{unread}", entry=entry),
        Cell(f"{number} {one.unit}".strip(), how=how),
        pm,
        "" if one.share is None else f"{one.share:.0%}",
        _limits(one.limits, one.unit),
        "" if one.dominant is None else f"{one.dominant[0]} ({one.dominant[1]:.0%})",
    )


def _limits(limits: Limits | None, unit: str) -> str:
    return "" if limits is None else _range(limits.lower, limits.upper, unit)


# --- what is accepted ------------------------------------------------------------------------------------------------


def _setup(story: AcceptanceStory) -> Iterator[Block]:
    accepted = (*story.pointers.by_variant.items(), *story.pointers.by_recipe.items())
    rows = tuple(cells(name, story.recipes.get(name, ""), sha[:16]) for name, sha in accepted)
    yield Grid(("Variant or recipe", "Recipe's file", "Accepted copy"), rows, frozenset(), (40, 30, 30))
    about = story.station.table
    cameras = tuple((camera.name, camera.says or "no more is said of it") for camera in about.camera)
    plane = () if about.reference_plane is None else (("Reference plane", about.reference_plane.says),)
    software = dict.fromkeys(record.software for record in story.records)
    yield Facts((*cameras, *plane, ("Software", ", ".join(software) or "no record yet")))


def _ties(story: AcceptanceStory) -> Iterator[Block]:
    rows = []
    for seen in story.ties:
        tie, quality = seen.tie, seen.tie.quality
        told = (
            "not known"
            if quality is None
            else f"{quality.rms_mm * 1000:.1f} µm rms, {quality.max_mm * 1000:.1f} µm most"
        )
        how = "" if quality is None else f"{quality.n} points, {quality.how}"
        rows.append(cells(seen.file, f"by {tie.made}, {tie.model}", f"{fixed(tie.height_mm, 2)} mm", told, how))
    yield Grid(
        ("Tie", "Made", "Height", "Error at unseen points", "How"), tuple(rows), frozenset({2}), (20, 22, 12, 24, 22)
    )
    doubts = tuple(f"{seen.file}: {FLAGS[code].sentence}" for seen in story.ties for code in seen.tie.flags)
    if doubts:
        yield Listed(doubts)


# --- studies ---------------------------------------------------------------------------------------------------------


def _study_title(study: KeptStudy) -> str:
    return f"Study {study.kind}: {study.of}" if study.of else f"Study {study.kind}"


def _study(study: KeptStudy) -> Iterator[Block]:
    if study.fault is not None:
        yield Say(f"Nothing can be told of it: {study.fault}.")
        return
    outcome: Mapping[str, Any] = study.document["outcome"]
    yield Say(" ".join(outcome.get("sentences", ())) or "It says nothing.")
    if convention := outcome.get("convention"):
        yield Note(str(convention))
    checks = outcome.get("checks", ())
    if checks:
        yield Listed(tuple(f"{_held(check['holds'])}: {check['sentence']}" for check in checks))
    facts = [
        ("Kept as", str(study.act.body["file"])),
        ("Made", f"{_when(study.act.written_utc)} by {study.act.body['who']}"),
    ]
    if study.document.get("data"):
        facts.append(("Data", f"{study.document['data']['named']}, SHA-256 {str(study.act.body['data_sha'])[:16]}…"))
    if study.document.get("command"):
        facts.append(("Command", str(study.document["command"])))
    yield Facts(tuple(facts))


def _held(holds: bool | None) -> str:
    return {True: "Holds", False: "Does not hold", None: "Cannot be told"}[holds]


# --- the rest --------------------------------------------------------------------------------------------------------


def _times(story: AcceptanceStory) -> Iterator[Block]:
    times = story.times
    if times is None:
        yield Say("No record says how long it took.")
        return
    spent = [sum(r.timings.values()) for r in story.records if r.timings]
    rows = []
    for name, seconds, q in (("P50", times.p50, 0.5), ("P99", times.p99, 0.99), ("P99.9", times.p999, 0.999)):
        how = None if seconds is None else Recompute("quantile", {"values": spent, "q": q}, seconds)
        rows.append(cells(name, "too few parts" if seconds is None else Cell(f"{seconds * 1000:.1f} ms", how=how)))
    how = Recompute("most", {"values": spent}, times.most)
    rows.append(cells("Maximum", Cell(f"{times.most * 1000:.1f} ms", how=how)))
    yield Grid(("", f"to measure and judge one of {counted(times.n, 'part')}"), tuple(rows), frozenset({1}), (30, 70))
    takt = story.requirements.table.takt_s
    asked = f" The takt is {takt:g} s." if takt else ""
    yield Note(
        f"These are times of the steps, not on duty: cameras, wires and archive were not part of it.{asked} Times on "
        "duty stay not tried until the station has been on duty."
    )


def _not_tried(story: AcceptanceStory) -> Iterator[Block]:
    untried = [f"{line.asked.id}: {line.asked.says} ({line.why})" for line in story.lines if line.state == "not tried"]
    always = ("Times on duty.", "Fault injections: camera, lamp, disk, network, controller.", "Alarms.")
    yield Listed((*untried, *always))


def _control(story: AcceptanceStory) -> Iterator[Block]:
    control = story.requirements.table.control
    if not (control.golden or control.every or control.alarms or control.again):
        yield Say("No ongoing control was agreed: state [control] in requirements.toml.")
        return
    facts = (
        ("Golden parts", ", ".join(control.golden)),
        ("Checked", control.every or ""),
        ("Alarm", "; ".join(control.alarms)),
    )
    yield Facts(tuple((what, said) for what, said in facts if said))
    if control.again:
        rows = tuple(cells(one.change, ", ".join(one.tests)) for one in control.again)
        yield Grid(("After this change", "these tests are made again"), rows, frozenset(), (50, 50))


def _evidence(story: AcceptanceStory) -> Iterator[Block]:
    e = story.evidence
    yield Say(
        "The evidence holds." if e.good else "Not all of the evidence holds: " + "; ".join(e.all_faults[:5]) + "."
    )
    yield Facts(
        (
            ("Ledger's head", e.chain.head.sha),
            ("Entries", str(e.chain.count)),
            ("Accepted copies", f"{e.copies} whole"),
            ("Kept shots", f"{e.kept} as they were, {len(e.expired)} taken away by right"),
            (
                "Worked out again",
                f"{len(e.recomputed)} records, {sum(r.same for r in e.recomputed)} as they were judged",
            ),
            ("Requirements", story.requirements.sha),
        )
    )
    rows = [
        cells(
            str(a.seq),
            _when(a.written_utc),
            str(a.body.get("act")),
            str(a.body.get("who", "")),
            str(a.body.get("why", "")),
        )
        for a in story.acts[-MOST_RUNS:]
    ]
    yield Grid(("Entry", "When", "Act", "Who", "Why"), tuple(rows), frozenset({0}), (8, 22, 12, 16, 42))
    if len(story.acts) > MOST_RUNS:
        yield Note(f"{len(story.acts) - MOST_RUNS} earlier acts stand in the ledger.")
    yield Note("Check it with: tiepoint verify STATION --head " + e.chain.head.sha)


def _signatures(story: AcceptanceStory) -> Lines:
    asked = story.requirements.table.signature
    return Lines(tuple((s.role, s.name or "") for s in asked) or (("For the supplier", ""), ("For the customer", "")))


def _when(utc: str) -> str:
    return utc[:16].replace("T", " ") + " UTC"
