"""The acceptance report as blocks: what a station can and cannot do, and what each number of it stands on."""

import math
import statistics
from collections.abc import Iterator, Sequence

from tiepoint.foundation.rounding import decimals_of, fixed, value_and_pm, with_unit
from tiepoint.model.decide import Limits
from tiepoint.report.acceptance_evidence import KINDS, OF_DUTY, control, evidence, faults, not_tried, times, when
from tiepoint.report.acceptance_setup import cautions, setup, ties
from tiepoint.report.acceptance_story import AcceptanceStory, ReadingSeen, TextSeen
from tiepoint.report.acceptance_studies import inputs_of, sections_of_studies
from tiepoint.report.blocks import (
    Block,
    Cell,
    Grid,
    Lines,
    Listed,
    Note,
    Raw,
    Recompute,
    Report,
    Say,
    Section,
    cells,
)
from tiepoint.report.figures import per_cent
from tiepoint.report.study_numbers import worked
from tiepoint.report.study_rows import of_all
from tiepoint.station.matrix import Found, Line, in_all
from tiepoint.station.requirements import Characteristic, Influence, Requirement
from tiepoint.station.words import counted
from tiepoint.studies.trial import VERDICTS
from tiepoint.studies.wording import unit_said

_WORDS = (
    "Shown: the end of the study's 95 % interval that is against it keeps what was agreed. Not shown: it does not, "
    "often because too few parts were tried. Not tried: nobody looked. Conforms: within its limits, the ± in mind. "
    "Undecided: too near to a limit to be told. Unread: not seen. The station passes only what conforms. ±: half of "
    "the 95 % interval, which is to hold the true value 95 times in 100. Record: what was measured and judged of one "
    "part, from one shot. [7]: entry 7 of the station's ledger, from which the number beside it came."
)
SHARES = ("rr", "capability", "agreement", "trial", "limits")
"""Studies whose figures are shares of parts or of a tolerance."""


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
        ("Made", when(story.made_utc)),
        ("Criteria agreed", when(story.agreed.written_utc)),
        ("Ledger", f"{head.seq} entries, head {head.sha[:16]}…"),
    )


def _sections(story: AcceptanceStory) -> Iterator[Section]:
    yield Section("can", "What this station can and cannot do", tuple(_first_page(story)))
    yield Section("matrix", "Requirements", tuple(_requirements(story)), _states(story.lines))
    yield Section("scope", "Scope, influences, and what is not checked", tuple(_scope(story)))
    yield Section("setup", "Set-up: what is accepted", tuple(setup(story)))
    yield Section("ties", "Ties and their quality", tuple(ties(story)))
    yield Section("readings", "What was measured", tuple(_readings(story)), counted(len(story.records), "record"))
    yield from sections_of_studies(story)
    yield Section("texts", "Codes and texts", tuple(_texts(story)))
    yield Section("times", "Times", tuple(times(story)))
    yield Section("faults", "Fault injections and alarms", tuple(faults(story)))
    yield Section("deviations", "Deviations", (Listed(_deviations(story)),))
    yield Section("not-tried", "Not tried", tuple(not_tried(story)))
    yield Section("control", "For as long as it is on duty", tuple(control(story)))
    yield Section("evidence", "Evidence", tuple(evidence(story)))
    yield Section("cautions", "Cautions", (Listed(cautions(story)),))
    yield Section("signatures", "Signatures", (_signatures(story),))


def _first_page(story: AcceptanceStory) -> Iterator[Block]:
    yield Listed(six_lines(story), numbered=True)
    late = [line.asked.id for line in story.lines if line.older]
    if late:
        yield Say(f"Younger than the data that they are held against: {', '.join(late)}.", loud=True)
    yield Note(_WORDS)


def _deviations(story: AcceptanceStory) -> tuple[str, ...]:
    """Return where the station departs from what was ordered, or its proof from what was agreed."""
    late = (f"{line.asked.id} was stated after its data." for line in story.lines if line.older)
    broken = (f"The run of entry {run.begun.seq} was not finished." for run in story.runs if not run.is_whole)
    return (*story.deviations, *late, *broken) or (
        "None: what is judged is what the drawing says, by what was agreed.",
    )


# --- the first page --------------------------------------------------------------------------------------------------


_MOST_SAID = 4
"""Requirements that were not tried are told in words up to so many, more of them by their ids alone."""


def six_lines(story: AcceptanceStory) -> tuple[str, ...]:
    """Return what the station can and cannot do, in six sentences."""
    return (
        _does(story),
        _how_well(story),
        _risk(story),
        in_all(story.lines),
        _leaves_out(story),
        _stands_on(story),
    )


def _does(story: AcceptanceStory) -> str:
    judged = [r for r in story.readings if r.limits is not None]
    variants = len({r.variant for r in story.readings if r.variant is not None})
    of = f" of {counted(variants, 'variant')}" if variants else ""
    what = counted(len({r.id for r in story.readings}), "quantity", "quantities")
    return f"It measures {what}{of}, and judges {len({r.id for r in judged})} of them by their limits."


def _how_well(story: AcceptanceStory) -> str:
    shares = [r for r in story.readings if r.share is not None]
    if not shares:
        return "No characteristic has two limits, so nothing is said of the share that measuring takes of a tolerance."
    worst = max(shares, key=lambda r: r.share or 0.0)
    assert worst.share is not None
    caused = (
        "" if worst.dominant is None else f" Its largest cause: {worst.dominant[0]} ({per_cent(worst.dominant[1])})."
    )
    pm = with_unit(0.0, worst.U95, worst.unit).partition("±")[2].strip()
    return (
        f"Beside its tolerance, {worst.name} is the least certain: ±{pm} with 95 % confidence. That takes "
        f"{per_cent(worst.share)} of the tolerance.{caused}"
    )


def _risk(story: AcceptanceStory) -> str:
    told = [line for line in story.lines if line.asked.by == "trial"]
    if not told:
        return "How often it is wrong was not agreed: no requirement asks for a trial."
    said = [f"{line.asked.says.rstrip('.')}: {line.state} ({line.asked.id})." for line in told]
    return f"How often it is wrong. {' '.join(said)}"


def _leaves_out(story: AcceptanceStory) -> str:
    untried = [line.asked for line in story.lines if line.state == "not tried"]
    blind = story.requirements.table.not_checked
    few = len(untried) <= _MOST_SAID
    names = [f"{asked.id} ({asked.says.rstrip('.')})" if few else asked.id for asked in untried]
    tried = f"Not tried: {', '.join(names)}." if untried else "Everything that was asked for was tried."
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
    told = [line for line in story.lines if line.state != "shown" or line.asked.by in OF_DUTY]
    yield from (Note(f"{line.asked.id} is {line.state}: {line.why}.") for line in told)
    yield from _what_it_takes(story.lines)
    yield from _which_came_first(story)
    yield Note(
        f"The criteria are of {when(story.agreed.written_utc)} (entry {story.agreed.seq}, by "
        f"{story.agreed.body['who']}: {story.agreed.body['why']}). What is asked for is held by the end of the study's "
        "95 % interval that is against it, and by the newest study; all that were made are listed under Evidence. A "
        "share that is worked out again reads as a number: 0.05 is 5 %."
    )


def _requirement(line: Line) -> tuple[Cell, ...]:
    asked, found = line.asked, line.found
    said = "" if found is None else f"{found.name} {_interval(found, asked.by in SHARES)}"
    seq = None if line.study is None else line.study.act.seq
    section = "times" if asked.by == "times" else "faults"
    to = section if asked.by in OF_DUTY else None if seq is None else f"study-{seq}"
    by = Cell({**KINDS, **OF_DUTY}[asked.by], entry=seq, to=to)
    return cells(asked.id, asked.says, by, Cell(said, how=_how(line)), asked_said(asked), Cell(line.state, line.state))


def _what_it_takes(lines: Sequence[Line]) -> Iterator[Block]:
    """Yield how many more parts, all decided rightly, would show the agreed rates that are not shown."""
    rows = []
    for line in lines:
        rate = None if line.found is None else line.found.rate
        if line.more is not None and rate is not None:
            inputs = {"events": rate.events, "n": rate.n, "most": line.asked.most, "confidence": rate.confidence}
            tried, how = f"{rate.events} wrong of {rate.n}", Recompute("more", inputs, {"": line.more})
            rows.append(cells(line.asked.id, tried, Cell(f"{line.more} more", how=how)))
    if rows:
        yield Grid(
            ("", "Tried so far", "Parts that would show it, all decided rightly"), tuple(rows), widths=(8, 30, 62)
        )


def _how(line: Line) -> Recompute | None:
    """Return how the figure that a requirement is held by comes about: as that figure of its study does."""
    if line.study is None or line.found is None or line.study.fault is not None:
        return None
    found, ends = worked(line.study.kind, line.study.document["outcome"]), line.found
    told = {path for row in found.rows for path in row.numbers}
    each = zip(("value", "low", "high"), (ends.value, ends.low, ends.high), ends.at, strict=True)
    again = {end: v for end, v, path in each if path in told and math.isfinite(v)}
    if found.formula is None or not again:
        return None
    held = {"at": list(ends.at), "folded": ends.folded, "per": ends.per}
    return Recompute(found.formula, inputs_of(line.study, found), again, held)


def _which_came_first(story: AcceptanceStory) -> Iterator[Block]:
    rows = tuple(_dates(line) for line in story.lines)
    yield Grid(("", "Stated", "Data from", "Study made", "Which came first"), rows, frozenset(), (8, 22, 24, 22, 24))
    for line in story.lines:
        if line.older:
            yield Say(
                f"{line.asked.id} was stated on {when(line.agreed.written_utc)}, after data that it is held against. A "
                "criterion that is younger than its data proves nothing: measure again.",
                loud=True,
            )


def _dates(line: Line) -> tuple[Cell, ...]:
    stated = when(line.agreed.written_utc)
    if line.asked.by in OF_DUTY and line.state != "not tried":
        return cells(line.asked.id, stated, "on duty, since then", "none; seen on duty", Cell("the criterion"))
    if line.made is None:
        return cells(line.asked.id, stated, "not tried", "not tried", Cell("not tried", "not tried"))
    since = "its data do not tell" if line.data_from is None else when(line.data_from)
    if line.older:
        first = Cell("THE DATA", "not shown", loud=True)
    elif line.data_from is None:
        first = Cell("the criterion, before the study; of the data not known")
    else:
        first = Cell("the criterion")
    return cells(line.asked.id, stated, since, when(line.made), first)


def _interval(found: Found, is_share: bool) -> str:
    """Return a figure with the ends of its interval, all to one place; shares in per cent or of a million."""
    three = (found.value, found.low, found.high)
    place = decimals_of(max((abs(v) for v in three if math.isfinite(v)), default=0.0), 3)
    value, low, high = (_put(v, place, is_share) for v in three)
    unit = f" {unit_said(found.unit)}" if found.unit else ""
    if low == high == value:
        return f"{value}{unit}, at both ends of its interval too"
    return f"{'' if math.isnan(found.value) else value + ' '}({low} to {high}){unit}"


def _put(value: float, place: int, is_share: bool) -> str:
    if not math.isfinite(value):
        return "open"
    return of_all(value) if is_share else "0" if value == 0 else fixed(value, place)


def asked_said(asked: Requirement) -> str:
    """Return the limit that a requirement sets, as in `≤ 30 %`; "" where it sets none."""
    limit = asked.most if asked.most is not None else asked.least
    if limit is None:
        return ""
    unit = {"type1": "", "times": " s"}.get(asked.by, f" {unit_said(asked.unit)}")
    return f"{'≥' if asked.most is None else '≤'} {of_all(limit) if asked.by in SHARES else f'{limit:g}{unit}'}"


# --- scope -----------------------------------------------------------------------------------------------------------


def _scope(story: AcceptanceStory) -> Iterator[Block]:
    asked = story.requirements.table
    if asked.scope:
        yield Say(asked.scope)
    if asked.characteristic:
        rows = tuple(_characteristic(c) for c in asked.characteristic)
        yield Grid(("Characteristic", "Drawing", "Allowed", "Measured as"), rows, frozenset(), (24, 28, 20, 28))
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
        yield Say("No quantity was measured yet: not tried.")
        return
    head = ("Reading", "Variant", "Values", "Median", "± (95 %)", "of T", "Limits", "Dominant")
    rows = tuple(_reading(k, one) for k, one in enumerate(story.readings))
    yield Grid(head, rows, frozenset({2, 3, 4, 5}), (21, 13, 8, 10, 10, 7, 15, 16))
    yield Note(
        "± is the median of the half-widths of the 95 % intervals; of T, that whole interval over the tolerance. "
        "Dominant: the cause that makes most of u² on average. What was not read never passes, and is counted apart. "
        "Working a reading out again judges every value anew by its u, its degrees of freedom, limits and rule."
    )
    for k, one in enumerate(story.readings):
        of = f", {one.variant}" if one.variant else ""
        yield Raw(
            f"raw-reading-{k}", f"Every record of {one.name}{of}, in {one.unit}", one.columns, one.columns["entry"]
        )


def _reading(k: int, one: ReadingSeen) -> tuple[Cell, ...]:
    middle = statistics.median(one.values) if one.values else math.nan
    number, pm = value_and_pm(middle, one.U95) if one.values else ("", "")
    entry = one.seqs[-1] if one.seqs else None
    unread = f", {one.unread} unread" if one.unread else ""
    return cells(
        one.name,
        one.variant or "",
        Cell(f"{len(one.values)}{unread}", entry=entry),
        Cell(f"{number} {one.unit}".strip(), how=_how_read(k, one, middle)),
        pm,
        "" if one.share is None else per_cent(one.share),
        _limits(one.limits, one.unit),
        "" if one.dominant is None else f"{one.dominant[0]} ({per_cent(one.dominant[1])})",
    )


def _how_read(k: int, one: ReadingSeen, middle: float) -> Recompute | None:
    """Return how median, ± and verdicts of a reading come about; verdicts where all were by the same limits."""
    if not one.values:
        return None
    numbers = {"median": middle}
    if one.linear and one.U95 is not None:
        numbers["U95"] = one.U95
        if one.limits_as_plain is not None:
            numbers |= {v: one.verdicts.get(v, 0) for v in VERDICTS if v != "unread"}
            numbers |= {} if one.share is None else {"share": one.share}
    return Recompute("reading", {"raw": f"raw-reading-{k}", "limits": one.limits_as_plain}, numbers)


def _limits(limits: Limits | None, unit: str) -> str:
    return "" if limits is None else _range(limits.lower, limits.upper, unit)


def _texts(story: AcceptanceStory) -> Iterator[Block]:
    if not story.texts:
        yield Say("Codes and texts: not tried; no recipe that judged a part reads one.")
        return
    head = ("Code or text", "Variant", "Read", "Unread", "As expected")
    yield Grid(
        head, tuple(_text(k, one) for k, one in enumerate(story.texts)), frozenset({2, 3, 4}), (30, 16, 16, 14, 24)
    )
    for k, one in enumerate(story.texts):
        yield Raw(f"raw-text-{k}", f"What was read as {one.name}", one.columns, one.columns["entry"])


def _text(k: int, one: TextSeen) -> tuple[Cell, ...]:
    expected = "nothing was expected" if not one.expected else f"{one.as_expected} of {one.expected}"
    inputs = {"raw": f"raw-text-{k}", "column": "verdict", "is": "conforms"}
    how = Recompute("count", inputs, {"": one.as_expected}) if one.expected else None
    told = cells(one.name, one.variant or "", Cell(str(one.read), entry=one.seq), str(one.unread))
    return (*told, Cell(expected, how=how))


def _signatures(story: AcceptanceStory) -> Lines:
    asked = story.requirements.table.signature
    return Lines(tuple((s.role, s.name or "") for s in asked) or (("For the supplier", ""), ("For the customer", "")))
