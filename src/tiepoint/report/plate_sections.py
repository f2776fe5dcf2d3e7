"""Sections of the summary on the parts: what was decided, how wrong each reading was, and one reading by hand."""

from collections.abc import Sequence

import numpy as np

from tiepoint.foundation.rounding import HOLD, fixed, short, value_and_pm
from tiepoint.model.decide import Limits, Verdict
from tiepoint.model.reading import Reading
from tiepoint.recipe.wording import said_flags, said_value
from tiepoint.report import charts, tables
from tiepoint.report.page_parts import block, esc, heading, note, say, scroll, sheet
from tiepoint.report.story import (
    WHY_ABOVE,
    Check,
    HandCalculation,
    Outcome,
    Plate,
    Story,
    coverage,
    outcome,
    reading_checks,
)
from tiepoint.station.words import counted
from tiepoint.studies.trial import VERDICTS


def plates_section(story: Story) -> str:
    """All plates: what was decided beside what is true, readings beside truth, and the pictures."""
    found = outcome(story.plates)
    covered = coverage(reading_checks(story))
    said = say(
        f"<strong>{covered.covered} of {covered.n} reading intervals cover the truth.</strong> Of {covered.n} "
        f"independent 95 % intervals, {covered.low} to {covered.high} do."
        + (f" {WHY_ABOVE}" if covered.above else "")
        + (f" {covered.unread} more gave no value, and so no interval." if covered.unread else "")
    )
    top = f'<div class="columns"><div>{said}{_decision_note()}</div><div>{_confusion(found)}</div></div>'
    judged = [run for run in trends(story.plates) if run.limits is not None]
    runs = "".join(f"<figure>{heading(run.name, _limits_said(run))}{charts.trend(run, *_errors_in(run))}</figure>"
                   for run in judged)  # fmt: skip
    return sheet(
        "plates",
        f"{counted(len(story.plates), 'plate')}, against the truth",
        "hinge plate for greenhouse vents",
        f'<div class="wide">{block(top)}{block(_key(), f"""<div class="columns charts">{runs}</div>""")}'
        f"{block(_pictures(story.plates))}</div>",
    )


def decided_sentence(found: Outcome) -> str:
    """Return what was decided rightly and wrongly, consequence first."""
    escaped = "No bad plate passed" if not found.escapes else f"{counted(found.escapes, 'bad plate')} passed"
    rejected = (
        "no good plate was rejected"
        if not found.false_rejects
        else f"{counted(found.false_rejects, 'good plate')} rejected"
    )
    undecided = found.of(None, "undecided")
    if not undecided:
        return f"{escaped}, {rejected}, and every plate could be decided."
    good, bad = found.of(True, "undecided"), found.of(False, "undecided")
    split = f"{good} of them good and {bad} bad" if good and bad else f"{'all good' if good else 'all bad'}"
    return (
        f"{escaped} and {rejected}. {counted(undecided, 'plate')} could not be told, being nearer to a limit than "
        f"the ± of the reading: in truth {split if undecided > 1 else split.replace('all ', '')}."
    )


def _decision_note() -> str:
    return note(
        "A reading conforms where its true value lies within the limits with at least 95 % probability, and is "
        "rejected where it lies outside with at least 95 % (ISO 14253-1). What lies between is said to be undecided. "
        "In truth a plate is good where every judged quantity lies within its limits."
    )


def _confusion(found: Outcome) -> str:
    heads = [("In truth", "")] + [(charts.verdict(v), "n") for v in VERDICTS] + [("all", "n")]
    rows = []
    for label, good in (("good", True), ("bad", False)):
        counts = [found.of(good, v) for v in VERDICTS]
        cells = [_count(n, _wrong(good, v)) for n, v in zip(counts, VERDICTS, strict=True)]
        rows.append((tables.name(label), *cells, tables.Cell(str(sum(counts)), "n")))
    totals = [tables.Cell(str(found.of(None, v)), "n") for v in VERDICTS]
    rows.append((tables.name("all"), *totals, tables.Cell(str(found.n), "n")))
    return scroll(tables.table(heads, rows, lead=2)) + note(
        f"Escapes: {found.escapes} of {found.of(None, 'conforms')} that conform. "
        f"False rejects: {found.false_rejects} of {found.of(None, 'rejected')} rejected. "
        f"Undecided: {found.of(None, 'undecided')} of {found.n}."
    )


def _wrong(good: bool, verdict: Verdict) -> bool:
    return (good, verdict) in ((False, "conforms"), (True, "rejected"))


def _count(n: int, wrong: bool) -> tables.Cell:
    return tables.Cell(f"<strong>{n}</strong>, wrong" if wrong and n else str(n), "n")


# ---------- trends ----------


def trends(plates: Sequence[Plate]) -> list[charts.Trend]:
    """Return each quantity that has limits or a known truth, over all plates in their order."""
    ids = dict.fromkeys(r.id for plate in plates for r in plate.record.readings if r.id in plate.truth)
    return [_trend(plates, reading_id) for reading_id in ids]


def _trend(plates: Sequence[Plate], reading_id: str) -> charts.Trend:
    own = [(p, next((r for r in p.record.readings if r.id == reading_id), None)) for p in plates]
    first = next(r for _, r in own if r is not None)
    return charts.Trend(
        f"{first.step}, {first.quantity.replace('_', ' ')}",
        first.unit,
        tuple(p.number for p in plates),
        np.array([np.nan if r is None or r.value is None else r.value for _, r in own]),
        np.array([np.nan if r is None or r.U95 is None else r.U95 for _, r in own]),
        np.array([p.truth.get(reading_id, np.nan) for p, _ in own]),
        tuple("unread" if r is None else r.verdict for _, r in own),
        first.limits,
    )


def _errors_in(run: charts.Trend) -> tuple[str, float]:
    return ("µm", 1000.0) if run.unit == "mm" else (run.unit if run.unit != "deg" else "°", 1.0)


def _limits_said(run: charts.Trend) -> str:
    unit = "°" if run.unit == "deg" else run.unit
    return f"{limits_words(run.limits)} {unit}" if run.limits else unit


def limits_words(limits: Limits) -> str:
    """Return limits in words: `4.40 to 4.60`, `at most 0.2`."""
    if limits.lower is not None and limits.upper is not None:
        decimals = max(len(short(x).partition(".")[2]) for x in (limits.lower, limits.upper))
        return f"{fixed(limits.lower, decimals)} to {fixed(limits.upper, decimals)}"
    if limits.upper is not None:
        return f"at most {short(limits.upper)}"
    return f"at least {short(limits.lower)}" if limits.lower is not None else ""


def _key() -> str:
    marks = " ".join(charts.verdict(v) for v in VERDICTS)
    return (
        f'<p class="legend">{marks}<span class="tick">truth</span><span class="limit">limit, guard band hatched</span>'
        '<span class="bar-key">reading less truth ± <span class="q">U</span></span>'
        '<span class="miss-key">above a broken bar: it misses the truth</span></p>'
    )


# ---------- pictures ----------


def _pictures(plates: Sequence[Plate]) -> str:
    items = "".join(_picture(plate) for plate in plates)
    return (
        heading("What was seen", "choose one to see it large")
        + f'<div class="pictures" tabindex="0" role="group" aria-label="Overlays of all plates">{items}</div>'
        + '<figure class="large" hidden><a><img alt=""></a><figcaption><b></b><span></span>'
        "<a>its drawing as a file, to enlarge</a>"
        '<button type="button">Close</button></figcaption></figure>'
    )


def _picture(plate: Plate) -> str:
    name = f"plate {plate.number}"
    words = _worst_words(plate.record.readings)
    return (
        f'<a href="{esc(plate.overlay_href)}" data-name="{name}" data-words="{esc(words)}">'
        f'<img src="{plate.picture_uri}" alt="{name}, {plate.record.verdict}">'
        f'<span class="word"><span>{name}</span>{charts.verdict(plate.record.verdict)}</span></a>'
    )


def _worst_words(readings: Sequence[Reading]) -> str:
    """Return what kept a plate from conforming, in words."""
    kept = [r for r in readings if r.verdict not in (None, "conforms")]
    if not kept:
        kept = [r for r in readings if r.verdict and r.flags]
        return "Every judged quantity conforms." + "".join(f" {r.step}: {said_flags(r)}." for r in kept)
    return " ".join(_reading_words(r) for r in kept)


def _reading_words(reading: Reading) -> str:
    name = f"{reading.step}, {reading.quantity.replace('_', ' ')}"
    if reading.value is None or reading.limits is None:
        said = reading.reason.sentence if reading.reason else "no value."
        return f"{name}: {said}"
    flags = f" ({said_flags(reading)})" if reading.flags else ""
    return f"{name}: {said_value(reading)}, {reading.verdict} against {limits_words(reading.limits)}{flags}."


# ---------- one reading ----------


def reading_section(story: Story) -> str:
    """One reading, its budget as recorded, and the same worked out again by hand."""
    hand = story.hand
    reading = hand.reading
    assert reading.value is not None
    assert reading.u is not None
    assert reading.U95 is not None
    number, pm = value_and_pm(reading.value, reading.U95)
    truth, _ = value_and_pm(hand.truth, reading.U95)
    check = Check("", 0.0, hand.truth, reading.value, reading.U95)
    verb = "covers" if check.covers else "misses"
    said = say(
        f"Plate {hand.plate}, {esc(reading.step)}: <strong>{number}{HOLD}{pm}{HOLD}{reading.unit}</strong>. "
        f"The truth is {truth}{HOLD}{reading.unit}, so the interval {verb} it. By hand the standard uncertainty comes "
        f"to {_um(hand.u_mm)}; the record says {_um(reading.u)}."
    )
    return sheet(
        "reading",
        "One reading, worked out again",
        f"{reading.step}, {reading.quantity.replace('_', ' ')}",
        block(said, _strip(reading), f'<div class="columns">{_recorded(hand)}{_by_hand(hand)}</div>'),
    )


def _strip(reading: Reading) -> str:
    if reading.limits is None or reading.verdict is None:
        return ""
    assert reading.u is not None
    dof = reading.dof if reading.dof is not None else np.inf
    flags = f" {said_flags(reading)}" if reading.flags else ""
    strip = charts.limit_strip(reading.value, reading.U95 or 0.0, reading.u, dof, reading.limits)
    return (
        f'<p class="against"><span class="u">against {limits_words(reading.limits)} {reading.unit}</span>'
        f"{strip}{charts.verdict(reading.verdict)}{esc(flags)}</p>"
    )


def _recorded(hand: HandCalculation) -> str:
    return f"<div>{heading('As the record states it')}{tables.budget_table(hand.budget, 'µm', 1000.0, most=8)}</div>"


def _by_hand(hand: HandCalculation) -> str:
    rows = [
        (tables.name(line.what), tables.words(line.how), tables.Cell(_number(line.u_mm), "n")) for line in hand.lines
    ]
    total = (tables.name("Root of the sum of squares"), tables.words(""), tables.Cell(_number(hand.u_mm), "n"))
    head = (("Cause", ""), ("by hand", ""), ('<span class="q">u</span>, µm', "n"))
    table = tables.table(head, [*rows, total], lead=len(rows))
    said = note(esc(hand.said)) if hand.said else ""
    return f"<div>{heading('By hand, from the law of propagation')}{scroll(table)}{said}</div>"


def _um(mm: float) -> str:
    return f"{_number(mm)}{HOLD}µm"


def _number(mm: float) -> str:
    return value_and_pm(1000 * mm, 1000 * mm)[0]
