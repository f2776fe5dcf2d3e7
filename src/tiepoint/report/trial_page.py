"""The page of a trial: what was shown and what was not, every class with its bounds, and the parts that were wrong."""

from collections.abc import Mapping, Sequence

from tiepoint.report import charts, look, tables
from tiepoint.report.page_parts import block, esc, note, say, scroll, sheet
from tiepoint.report.trial_picture import margins
from tiepoint.studies.trial import VERDICTS, ClassSeen, PartSeen, TrialStudy, margin_said
from tiepoint.studies.wording import per_cent

MOST_SHOWN = 60
"""Parts of a trial whose pictures are kept and shown, on its page as in a report; others are told by name."""

_STYLE = (
    "<style>.wrong{display:grid;grid-template-columns:repeat(auto-fill,minmax(260px,1fr));gap:var(--s3)}"
    ".wrong figure{border:1px solid var(--edge);background:var(--well)}"
    ".wrong img{display:block;width:100%;height:220px;object-fit:contain;background:#101010}"
    ".wrong figcaption{padding:6px 8px;font-size:var(--t1);line-height:1.4}</style>"
)


def trial_html(study: TrialStudy, recipe: str, overlays: Mapping[str, str]) -> str:
    """Return the page, self-contained. `overlays`: SVG documents of wrong parts by the place of their worst showing."""
    verdict = {True: "What was agreed is shown.", False: "What was agreed is not shown.", None: "No rate was agreed."}
    body = "".join(
        (
            _STYLE,
            charts.symbols(),
            f'<main><header class="pagehead"><h1>Trial of {esc(recipe)}</h1>'
            f"{say(f'<strong>{verdict[study.good]}</strong>', big=True)}</header>",
            sheet("found", "Found", "", block(*(say(esc(s)) for s in study.sentences))),
            sheet("classes", "Classes", "distinct parts", block(scroll(_classes(study)), note(esc(study.convention)))),
            sheet("margins", "Margins", "", block(f'<img alt="Margins" src="{_uri(margins(study))}">')),
            sheet("wrong", "Parts that were judged wrongly", f"{len(study.wrong)}", _wrong(study, overlays)),
            sheet("checks", "Taken for granted", "", block(*(note(esc(c.sentence)) for c in study.checks))),
            "</main>",
        )
    )
    return look.page(f"Trial of {recipe}", body, description=study.sentences[0])


def _uri(drawing: str) -> str:
    return look.data_uri(drawing.encode(), "image/svg+xml")


def _classes(study: TrialStudy) -> str:
    head = (
        ("Class", ""), ("", ""), ("parts", "n"), ("showings", "n"), *((word, "n") for word in VERDICTS),
        ("judged wrongly", "n"), ("95 % interval", "n"), ("at most", "n"), ("agreed", ""),
    )  # fmt: skip
    return tables.table(head, [_class_row(seen) for seen in study.classes])


def _class_row(seen: ClassSeen) -> tuple[tables.Cell, ...]:
    interval = f"{per_cent(seen.wrong.low)} to {per_cent(seen.wrong.high)}"
    asked = "" if seen.asked is None else f"{per_cent(seen.asked.most)} {'shown' if seen.asked.shown else 'not shown'}"
    numbers = (seen.n, seen.showings, *seen.counts, seen.wrong.events)
    return (
        tables.name(seen.name),
        tables.words(seen.truth),
        *(tables.words(str(value), "n") for value in numbers),
        tables.words(interval, "n"),
        tables.words(per_cent(seen.wrong.at_most), "n"),
        tables.words(asked),
    )


def _wrong(study: TrialStudy, overlays: Mapping[str, str]) -> str:
    wrong = study.wrong
    if not wrong:
        return block(say("None."))
    figures = "".join(_figure(part, overlays.get(part.worst.where)) for part in wrong[:MOST_SHOWN])
    return block(f'<div class="wrong">{figures}</div>', *_beyond(wrong[MOST_SHOWN:]))


def _beyond(rest: Sequence[PartSeen]) -> tuple[str, ...]:
    return (note(esc(f"And {', '.join(p.worst.part for p in rest)}.")),) if rest else ()


def _figure(part: PartSeen, overlay: str | None) -> str:
    worst = part.worst
    image = "" if overlay is None else f'<img alt="{esc(worst.part)}" src="{_uri(overlay)}">'
    called = f"{worst.truth}, {worst.kind}" if worst.kind else worst.truth
    times = "" if part.times == 1 else f"; shown {part.times} times"
    words = (
        f"<b>{esc(worst.part)}</b> is {esc(called)}: {charts.verdict(worst.verdict)}{esc(margin_said(worst) + times)}"
    )
    return f"<figure>{image}<figcaption>{words}<br>{esc(worst.where)}</figcaption></figure>"
