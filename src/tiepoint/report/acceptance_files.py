"""The acceptance report as files, whole: what the command writes, and what a page asks for as a job."""

from collections.abc import Callable
from dataclasses import dataclass

from tiepoint.report.acceptance import acceptance
from tiepoint.report.acceptance_html import acceptance_html
from tiepoint.report.acceptance_pdf import acceptance_pdf
from tiepoint.report.acceptance_story import PICTURES, AcceptanceStory, gather
from tiepoint.station.folder import Station
from tiepoint.station.ledger import utc_now
from tiepoint.station.matrix import all_shown

SAMPLE = 20
"""Records that are worked out again for a report, unless more or fewer are asked for."""
STAGES = ("Reading the ledger, and working records out again", "Setting the pages", "Writing the page for browsers")


@dataclass(frozen=True)
class ReportFiles:
    """A report: the `story` that it tells, the bytes of both files (the page None where it was not asked for).

    `lines`: what the first page says. `good`: whether all is shown that can be, and the evidence holds.
    """

    story: AcceptanceStory
    pdf: bytes
    html: bytes | None
    lines: tuple[str, ...]
    good: bool


def _silent(done: int, of: int, says: str) -> None:  # nobody listens
    pass


def report_files(
    station: Station,
    *,
    sample: int = SAMPLE,
    pictures: int = PICTURES,
    html: bool = True,
    told: Callable[[int, int, str], object] = _silent,
) -> ReportFiles:
    """Return the report of a station, made now. `told`: called before each stage with how many are done, of all."""
    of = len(STAGES) if html else len(STAGES) - 1
    told(0, of, STAGES[0])
    story = gather(station, made_utc=utc_now(), sample=sample, pictures=pictures)
    report = acceptance(story)
    told(1, of, STAGES[1])
    pdf = acceptance_pdf(report)
    page = None
    if html:
        told(2, of, STAGES[2])
        page = acceptance_html(report).encode()
    first = next(section for section in report.sections if section.anchor == "can")
    lines = tuple(line for block in first.blocks for line in getattr(block, "lines", ()))
    return ReportFiles(story, pdf, page, lines, story.evidence.good and all_shown(story.lines))
