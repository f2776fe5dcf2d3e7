"""The summary of a job as one page: what was found, consequence first, and everything that it rests on.

Sections are functions from a story to HTML, in a list; a later stage of the job adds its own.
"""

from collections.abc import Callable

from tiepoint.foundation.rounding import fixed, short
from tiepoint.foundation.words import inside
from tiepoint.report import charts, look, tables
from tiepoint.report.face_sections import face_section
from tiepoint.report.page_parts import (
    Stage,
    State,
    block,
    esc,
    heading,
    megabytes,
    note,
    say,
    sheet,
    traverse,
    traverse_key,
)
from tiepoint.report.pick_sections import picks_section
from tiepoint.report.plate_sections import decided_sentence, plates_section, reading_section
from tiepoint.report.report_link import link_block
from tiepoint.report.robot_sections import robot_section
from tiepoint.report.story import WHY_ABOVE, Coverage, Outcome, Story, TieStory, coverage, outcome, reading_checks
from tiepoint.report.tie_sections import lengths_section, others_section, target_section, tie_section
from tiepoint.station.words import counted
from tiepoint.studies.trial import VERDICTS

Section = Callable[[Story], str]


def summary_html(story: Story) -> str:
    """Return the whole page as one self-contained text."""
    body = "".join(
        (
            '<a class="skip" href="#found">To what was found</a>',
            charts.symbols(),
            traverse(stages(story)),
            f'<main><header class="pagehead"><h1>{esc(story.title)}</h1>'
            f'<span class="where">{esc(story.where)}</span>{say(esc(story.job))}{traverse_key()}</header>',
            "".join(section(story) for section in SECTIONS),
            f"<footer>{esc(story.software)}. Made in {fixed(story.took_s, 0)} s on the bench, a simulated station "
            "whose truth is exact. ± is <span class='q'>U</span> at 95 % throughout.</footer></main>",
        )
    )
    return look.page(story.title, body, script=look.script(), description=story.job)


def stages(story: Story) -> list[Stage]:
    """Return the stages of the job that exist; each is proved by what the story tells, or else begun."""
    lengths, readings, found = coverage(story.lengths), coverage(reading_checks(story)), outcome(story.plates)
    hashed = sum(bool(file.sha256) for file in story.files)
    judged_well = readings.n > 0 and readings.as_expected and not found.escapes
    return [
        Stage(
            "Tie", _state(story.tie.good), f"for ±{short(story.tie.tolerance_mm)} mm", "tie", _proved_over(story.tie)
        ),
        Stage("Recipe", _state(judged_well), f"{counted(found.n, 'plate')} judged", "plates"),
        Stage(
            "Prove",
            _state(lengths.n > 0 and lengths.as_expected),
            f"{lengths.covered} of {lengths.n} lengths hold",
            "prove",
        ),
        Stage(
            "Evidence",
            _state(0 < hashed == len(story.files)),
            f"{counted(hashed, 'file')} with hashes",
            "files",
        ),
    ]


def _state(proved: bool) -> State:
    return "proved" if proved else "begun"


def _proved_over(tie: TieStory) -> str:
    """Return over how much of its region the tie is proved, where that is not all of it."""
    return f"over {min(100 * tie.share, 99):.0f} %" if tie.good and tie.share < 1 else ""


def found_section(story: Story) -> str:
    """What was found, consequence first."""
    found, lengths, readings = outcome(story.plates), coverage(story.lengths), coverage(reading_checks(story))
    said = say(f"<strong>{_believed(lengths, readings, found)}</strong> {decided_sentence(found)}", big=True)
    return sheet(
        "found",
        "What was found",
        "",
        f'<div class="pair"><div class="block">{said}{_what_limits(story)}</div>'
        f'<div class="numbers">{block(_counts(found))}{block(_held(lengths, readings))}</div></div>',
    )


def report_section(story: Story) -> str:
    """Where the acceptance report is, and what it says."""
    if story.acceptance is None:
        return ""
    aside = f"{len(story.acceptance.shown)} shown, {len(story.acceptance.not_shown)} not shown"
    return sheet("report", "The report to sign", aside, link_block(story.acceptance))


def _believed(lengths: Coverage, readings: Coverage, found: Outcome) -> str:
    if lengths.as_expected and readings.as_expected and not found.escapes:
        return "Yes, this station can be believed."
    if found.escapes:
        return "No: bad plates passed."
    return "Not as stated: fewer intervals cover the truth than 95 % ones should."


def _what_limits(story: Story) -> str:
    first = story.hand.budget[0]
    return note(
        f"What limits it is <b>{esc(inside(first.label))}</b>: {fixed(100 * first.share, 0)} % "
        "of the variance of a typical distance."
    )


def _counts(found: Outcome) -> str:
    items = "".join(
        f"<div><dt>{charts.verdict(v)}</dt><dd>{found.of(None, v)}</dd></div>"
        for v in VERDICTS
        if found.of(None, v) or v != "unread"
    )
    return f'{heading("Plates", f"{found.n} in all")}<dl class="counts">{items}</dl>'


def _held(lengths: Coverage, readings: Coverage) -> str:
    rows = [
        (tables.name(what), tables.Cell(f"{c.covered} of {c.n}", "n"), tables.Cell(f"{c.low} to {c.high}", "n"))
        for what, c in (("Known lengths", lengths), ("Readings of plates", readings))
    ]
    head = (("95 % intervals that cover the truth", ""), ("found", "n"), ("to be expected", "n"))
    above = lengths.above or readings.above
    return tables.table(head, rows) + (note(WHY_ABOVE) if above else "")


def files_section(story: Story) -> str:
    """Every file that the job left, with its hash."""
    rows = [
        (
            tables.Cell(f'<a href="{esc(f.path)}">{esc(f.path)}</a>'),
            tables.words(f.what, "narrow-hide"),
            tables.Cell(megabytes(f.size_bytes), "n"),
            tables.Cell(f"<code>{f.sha256[:12]}</code>", "n"),
        )
        for f in story.files
    ]
    total = sum(f.size_bytes for f in story.files)
    head = (("File", ""), ("What it is", "narrow-hide"), ("Size", "n"), ("SHA-256 begins", "n"))
    return sheet(
        "files",
        "Files of this station",
        f"{counted(len(rows), 'file')}, {megabytes(total)}",
        block(
            note("All are plain text or pictures; a person can read, diff and keep them in version control."),
            f"<details><summary>Show all {len(rows)}</summary>{tables.table(head, rows, class_='files')}</details>",
        ),
        f'<div class="block">{heading("The recipe", "recipes/hinge-plate.toml")}<details><summary>Show it</summary>'
        f"<pre>{esc(story.recipe_toml)}</pre></details></div>",
    )


def cautions_section(story: Story) -> str:
    """What this summary does not show."""
    items = "".join(f"<li>{note(esc(caution))}</li>" for caution in story.cautions)
    return sheet("cautions", "What this does not show", "", block(f'<ul class="cautions">{items}</ul>'))


SECTIONS: list[Section] = [
    found_section,
    report_section,
    target_section,
    tie_section,
    lengths_section,
    plates_section,
    reading_section,
    face_section,
    robot_section,
    picks_section,
    others_section,
    files_section,
    cautions_section,
]
"""The sections of the page in their order."""
