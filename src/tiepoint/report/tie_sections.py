"""Sections of the summary on the target, the tie, and how far both can be believed."""

from collections.abc import Sequence

from tiepoint.foundation.rounding import MOST_DECIMALS, decimals_of, fixed, short, value_and_pm
from tiepoint.foundation.sources import coverage_factor
from tiepoint.report import charts, look, tables, tie_sheet
from tiepoint.report.figures import per_cent
from tiepoint.report.page_parts import block, esc, heading, micro, note, say, scroll, sheet, title_block
from tiepoint.report.story import Check, Coverage, Story, TieStory, coverage
from tiepoint.report.tie_picture import map_svg

_K95 = coverage_factor(0.975, float("inf"))
"""From u to U95 where u is known: of rulers, and of an rms over many corners."""


def target_section(story: Story) -> str:
    """The target and what its print made of it."""
    target = story.target
    cells = "dots" if target.pattern == "dots" else "squares"
    said = say(
        f"A {target.pattern} of {target.columns} × {target.rows} {cells}, pitch {fixed(target.pitch_mm, 2)} mm. "
        f"{_print_sentence(story)}"
    )
    picture = (
        f'<a href="{esc(story.target_href)}"><img class="chart" alt="The target as it is printed" '
        f'src="{look.data_uri(story.target_svg.encode(), "image/svg+xml")}"></a>'
    )
    inside = f'<div class="columns target"><div>{said}{_print_table(story)}</div><figure>{picture}</figure></div>'
    return sheet("target", "Target", f"id {target.id}", block(inside))


def _print_sentence(story: Story) -> str:
    worst = max(story.print_scales, key=lambda p: abs(p.check.value - 1))
    off = 1 - worst.check.value
    by = f"<strong>{fixed(abs(off) * 100, 2)} %</strong> {'smaller' if off > 0 else 'larger'}"
    return (
        f"The printer made it up to {by} than drawn, and not equally on both axes: ignored, a length of 80 mm would "
        f"be wrong by {micro(80 * abs(off))}. The ruler bars were measured, both axes are corrected, and what the "
        "rule leaves open is a source of every number below."
    )


def _print_table(story: Story) -> str:
    rows = []
    for scale in story.print_scales:
        bar = tables.measured(scale.measured_mm, _K95 * scale.u_mm, "mm")
        found = tables.measured(scale.check.value, scale.check.U, "1")
        truth = tables.Cell(fixed(scale.true_scale, 5), "n")
        name = tables.name(f"bar along {scale.axis}, drawn {fixed(scale.nominal_mm, 0)} mm")
        rows.append((name, *bar, *found[:2], truth))
    head = (
        ("Ruler bar", ""), ("measured", "val"), ("", "pm"), ("", "u"), ("scale, 1", "val"), ("", "pm"),
        ("truth, 1", "n"),
    )  # fmt: skip
    return scroll(tables.table(head, rows))


# ---------- the tie ----------


def tie_section(story: Story) -> str:
    """The tie's map with its margin, and the numbers beside it."""
    tie = story.tie
    good_for = f"±{short(tie.tolerance_mm)} mm"
    drawing = map_svg(tie.view, tie.photo_uri, "The tie over its photo: residuals and uncertainty", "tie")
    margin = (
        f'<div class="margin">{tie_sheet.key_html(tie.view, good_for)}'
        f"<div>{heading('Done')}{note(esc(tie.done))}</div><div>{heading('To do')}{note(esc(tie.to_do))}</div>"
        f"{title_block(tie.title_block)}</div>"
    )
    map_sheet = f'<div class="mapsheet"><figure>{drawing}</figure>{margin}</div>'
    numbers = f'<div class="numbers">{_verdict(tie, good_for)}{_budget(tie)}{_quality(tie)}</div>'
    return sheet("tie", "Tie by target", "from one photo", f'<div class="pair">{map_sheet}{numbers}</div>')


def _verdict(tie: TieStory, good_for: str) -> str:
    # The last sentence, which helps, stands beside the map as what is to be done.
    first, *rest = tie.sentences[:-1] or tie.sentences
    return block(
        heading(f"Good enough for {good_for}"), say(esc(first)), "".join(note(esc(sentence)) for sentence in rest)
    )


def _budget(tie: TieStory) -> str:
    return block(heading("What makes up its ±", tie.budget_at), tables.budget_table(tie.budget, "µm", 1000.0))


def _quality(tie: TieStory) -> str:
    rms = tables.measured(1000 * tie.unseen_rms_mm, 1000 * _K95 * tie.u_unseen_rms_mm, "µm")
    rows: list[Sequence[tables.Cell]] = [
        (tables.name("Error, root mean square"), *rms),
        (tables.name("Error that 95 % stay below"), *_plain(1000 * tie.unseen_p95_mm, "µm")),
        (tables.name("Largest, ringed on the map"), *_plain(1000 * tie.unseen_max_mm, "µm")),
    ]
    if tie.unseen_px is not None:
        rows.append((tables.name("The same seen in the picture"), *_plain(tie.unseen_px, "px")))
    rows.append((tables.name("Against the bench's exact truth"), *_plain(1000 * tie.truth_rms_mm, "µm")))
    if tie.covered_share is not None:
        share = (tables.Cell(per_cent(tie.covered_share), "val"), tables.Cell("", "pm"), tables.Cell("", "u"))
        rows.append((tables.name("Share of the picture covered"), *share))
    head = (("What", ""), ("Value", "val"), ("", "pm"), ("Unit", "u"))
    return block(
        heading("Error at points the fit did not use", f"{tie.unseen_n} points"),
        tables.table(head, rows),
        note(
            f"{esc(tie.unseen_how)} No corner sees what is wrong with all of them alike, such as the scale of the "
            "print: the line of the truth, which only the bench knows, has it."
        ),
    )


def _plain(value: float, unit: str) -> tuple[tables.Cell, tables.Cell, tables.Cell]:
    """Return the cells of a number that describes a set and has no ± of its own: two figures."""
    return tables.Cell(value_and_pm(value, value)[0], "val"), tables.Cell("", "pm"), tables.words(unit, "u")


def others_section(story: Story) -> str:
    """The other ways of tying the same camera, each asked for one length whose truth is known."""
    checks = [o.check for o in story.others]
    reach = _reach(checks)
    rows: list[Sequence[tables.Cell]] = []
    for other in story.others:
        rows.append((tables.Cell(f"<b>{esc(other.how)}</b>", "has", head=True), *_check_cells(other.check, reach)))
        rows.append((tables.Cell(f"{esc(other.rests_on)} {esc(other.says)}", "why", span=len(rows[-1])),))
    said = say(
        "The same camera, tied in the other ways of the trade, and each asked for the same known length. "
        f"{_covered_words(coverage(checks))}"
    )
    return sheet(
        "others",
        "Tied in other ways",
        "",
        block(said, _interval_key(), scroll(tables.table(_check_head(reach, "Tie"), rows, class_="snug"))),
    )


# ---------- verification ----------


def lengths_section(story: Story) -> str:
    """Known lengths that no fit has seen, at the plane and at a second height."""
    counted_all = coverage(story.lengths)
    largest = max((c for c in story.lengths if c.is_read), key=lambda c: abs(c.error))
    said = say(
        f"<strong>{counted_all.covered} of {counted_all.n} intervals cover the truth.</strong> The largest error is "
        f"{micro(abs(largest.error))}, stated there as ±{micro(largest.U)}. {_expected(counted_all)}"
        f"{_unread(counted_all)}"
    )
    groups = "".join(_length_table(story, height) for height in sorted({c.height_mm for c in story.lengths}))
    method = note(
        esc(story.lengths_said)
        + " This follows the manner of ISO 10360-7 and VDI/VDE 2634-1, without claiming conformity to either."
    )
    return sheet(
        "prove",
        "Known lengths that the tie never saw",
        "",
        block(said, method, _interval_key(), f'<div class="columns">{groups}</div>'),
    )


def _length_table(story: Story, height: float) -> str:
    checks = [c for c in story.lengths if c.height_mm == height]
    reach = _reach(story.lengths)
    rows = [(tables.name(c.place), *_check_cells(c, reach)) for c in checks]
    found = coverage(checks)
    where = "In the tie's own plane" if height == 0 else f"{fixed(height, 2)} mm higher, by moving the tie"
    table = scroll(tables.table(_check_head(reach, "Place"), rows))
    return f"<div>{heading(where, f'{found.covered} of {found.n} cover')}{table}</div>"


def _interval_key() -> str:
    """Return what the drawn intervals mean."""
    marks = (
        (0.3, "error ± <span class='q'>U</span> about the truth, the upright line; the pointer is the reading"),
        (0.7, "broken: it misses the truth"),
    )
    told = "".join(f'<span class="v">{charts.interval(at, 0.5, 1.3)}<span>{says}</span></span>' for at, says in marks)
    return f'<p class="legend intervals">{told}</p>'


def _reach(checks: Sequence[Check]) -> float:
    """Return where the axis of the drawn intervals ends."""
    return max((abs(c.error) + c.U for c in checks if c.is_read), default=1.0)


def _check_head(reach: float, first: str) -> tuple[tuple[str, str], ...]:
    number, _ = value_and_pm(1000 * reach, 1000 * reach)
    return (
        (first, ""), ("true, mm", "n"), ("read, mm", "val"), ("", "pm"), ("error, µm", "n"),
        (f"error ± <span class='q'>U</span>, axis ±{number} µm", "axis"),
    )  # fmt: skip


def _check_cells(check: Check, reach: float) -> tuple[tables.Cell, ...]:
    """Return truth, reading, ±, error, and the error's interval drawn on an axis to ±`reach`."""
    if not check.is_read:
        truth = tables.Cell(fixed(check.true, 3), "n")
        return truth, *tables.nothing()[:2], tables.Cell("", "n"), tables.words(check.reason, "axis")
    decimals = min(MOST_DECIMALS, decimals_of(check.U))
    missed = "" if check.covers else '<span class="unseen-words">misses the truth</span>'
    return (
        tables.Cell(fixed(check.true, decimals), "n"),
        *tables.measured(check.value, check.U, "mm")[:2],
        tables.Cell(fixed(1000 * check.error, decimals_of(1000 * check.U)), "n"),
        tables.Cell(charts.interval(check.error, check.U, 1.03 * reach) + missed, "axis"),
    )


def _expected(found: Coverage) -> str:
    return (
        f"Of {found.n} honest 95 % intervals, {found.low} to {found.high} cover; they share one tie, so where they "
        "miss they miss together."
    )


def _unread(found: Coverage) -> str:
    return f" {found.unread} more could not be read, and say why." if found.unread else ""


def _covered_words(found: Coverage) -> str:
    return f"{found.covered} of {found.n} intervals cover its true length.{_unread(found)}"
