"""Where a summary leads to the acceptance report: its two files, and what it says of each requirement in a sentence."""

from dataclasses import dataclass

from tiepoint.report.page_parts import block, esc, note, say
from tiepoint.station.words import counted


@dataclass(frozen=True, slots=True)
class ReportLink:
    """The report's files as the summary names them, and what it tells: requirements by id, those not shown in full.

    `more`: how many more bad parts, all judged rightly, would show the agreed rate of escapes; None where it is shown.
    """

    pdf: str
    html: str
    shown: tuple[str, ...]
    not_shown: tuple[tuple[str, str], ...]
    not_tried: tuple[str, ...]
    more: int | None
    kept_shots: int
    evidence_holds: bool


def states_sentence(link: ReportLink) -> str:
    """Return how many requirements are shown, which are not, and which were not tried."""
    duty = "which only a station on duty can show"
    untried = f" Not tried: {', '.join(link.not_tried)}, {duty}." if link.not_tried else ""
    return f"{counted(len(link.shown), 'requirement')} of the order shown{_missing(link)}.{untried}"


def _missing(link: ReportLink) -> str:
    if not link.not_shown:
        return ", none not shown"
    told = "; ".join(f"{id_}: {says.rstrip('.')}" for id_, says in link.not_shown)
    more = f"; {counted(link.more, 'more bad plate')}, all judged rightly, would show it" if link.more else ""
    return f", {len(link.not_shown)} not shown ({told}{more})"


def evidence_sentence(link: ReportLink) -> str:
    """Return what the report stands on, and what it cannot say."""
    holds = "holds" if link.evidence_holds else "does not hold"
    return f"It stands on {counted(link.kept_shots, 'kept shot')} of a simulated station, whose evidence {holds}."


def link_block(link: ReportLink) -> str:
    """Return the block that leads to the report."""
    files = f'<a href="{esc(link.pdf)}">{esc(link.pdf)}</a>, or <a href="{esc(link.html)}">{esc(link.html)}</a>'
    return block(
        say(f"The report that a customer signs: {files}, which works its numbers out again in the reader's browser."),
        note(f"{esc(states_sentence(link))} {esc(evidence_sentence(link))}"),
    )
