"""`tiepoint demo`: the whole job on the bench station."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tiepoint.cli.answer import Answer, Json, hint_at, present

if TYPE_CHECKING:
    from tiepoint.bench.demo import DemoResult
    from tiepoint.report.story import Coverage
    from tiepoint.web.settings import Settings

FOLDER = Path("demo")
OPEN_S = 8.0
"""After which the page is there on any machine."""


def demo(
    once: Annotated[
        Path | None, typer.Option("--once", metavar="DIR", help="Leave the documents here and open nothing.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Do the whole job on the simulated station, whose exact truth is known.

    Prints and measures a target, photographs it, ties pixels to millimetres, checks the tie at lengths that it never
    saw and at a second height, measures and judges 25 hinge plates, proves a robot and lets it pick 50 of them,
    accepts the station and proves it by studies, and tells all of it beside the truth in a summary. It ends with the
    report to sign: acceptance.pdf and acceptance.html. It takes some minutes. Without --once the documents go to
    ./demo, the summary opens in the browser, and the station goes on duty: plates pass it until you stop it (Ctrl-C),
    and its page shows what it says of them.

    \b
      tiepoint demo
      tiepoint demo --once somewhere
    """
    from tiepoint.bench.demo import demo_once, show

    result = demo_once(once, hint_at) if once is not None else show(FOLDER, hint_at)
    if once is None and not as_json:
        for line in _lines(result):
            hint_at(line)
        present(_live(result), as_json)
    present(Answer(_document(result), tuple(_lines(result))), as_json)


def _live(result: "DemoResult") -> Answer:
    """Put the demo's station on duty until it is stopped; return what passed."""
    import threading
    import webbrowser

    from tiepoint.bench.demo import PLATES, SEED
    from tiepoint.bench.demo_bench import make_bench
    from tiepoint.bench.demo_live import TAKT_S, Line
    from tiepoint.cli.duty_told import counted
    from tiepoint.cli.serve import run_services
    from tiepoint.web.settings import settings_of

    station = result.accepted.story.station
    hint_at("Rendering the plates that will pass, and putting the station on duty.")
    line = Line(station, make_bench(SEED, PLATES))
    page, words = address_of(settings_of(station))
    hint_at(f"Once it is on duty, a plate passes every {TAKT_S:g} s; {page} shows what is said of it. Ctrl-C ends it.")
    opened = threading.Timer(OPEN_S, webbrowser.open, [page])
    opened.start()
    line.start()
    try:
        code = run_services(station.folder, words, before_end=line.stop)
    finally:
        opened.cancel()
        line.stop()
    told = line.passed()
    counts = counted(told.verdicts) or "none judged"
    said = f"{told.n} plates passed: {counts}; of those that were bad, {told.escapes} conformed."
    document = {"passed": told.n, "verdicts": told.verdicts, "escapes": told.escapes}
    return Answer(document, (said,), good=code == 0)


def address_of(settings: "Settings") -> tuple[str, list[str]]:
    """Return where the page will be served, and what the web process is told so that it is served there.

    Where another program has the station's port, it is any that is free: the demo's station is nobody's to wire.
    """
    import socket

    from tiepoint.station.ports import is_free

    port = settings.port
    if is_free(settings.host, port) is not None or not port:
        with socket.create_server((settings.host, 0)) as found:
            port = found.getsockname()[1]
    return f"http://{settings.host}:{port}/", ["--port", str(port)]


def _document(result: "DemoResult") -> dict[str, Any]:
    found = result.plates
    return {
        "folder": str(result.folder),
        "summary": str(result.summary),
        "lengths": _counts(result.lengths),
        "readings": _counts(result.readings),
        "plates": {
            "n": found.n,
            **{word: found.of(None, word) for word in ("conforms", "rejected", "undecided", "unread")},
            "bad_passed": found.escapes,
            "good_rejected": found.false_rejects,
        },
        "faces": _faces(result),
        "picks": _picks(result),
        "acceptance": _acceptance(result),
    }


def _faces(result: "DemoResult") -> dict[str, Any] | None:
    told = result.story.face
    if told is None:
        return None
    marks = ("codes", "lots")
    return {
        "n": len(told.faces),
        "read_from_relief": dict(zip(marks, told.by_relief, strict=True)),
        "read_from_the_best_lamp": dict(zip(marks, told.read_by(told.best_lamp), strict=True)),
        "misread": told.misread,
        "wrong": told.wrong,
    }


def _picks(result: "DemoResult") -> dict[str, Any] | None:
    told = result.story.picks
    if told is None:
        return None
    return {
        "n": len(told.picks),
        "wrong": told.wrong,
        "left": told.missed,
        "intervals": 3 * len(told.picks),
        "covered": sum(p.holds for p in told.picks),
        "largest_error_mm": max((p.beside_mm for p in told.picks), default=0.0),
    }


def _acceptance(result: "DemoResult") -> dict[str, Any]:
    found = result.accepted
    return {
        "station": str(found.story.station.folder),
        "report": str(found.pdf),
        "page": str(found.html),
        "requirements": {line.asked.id: line.state for line in found.story.lines},
        "more_bad_parts": found.more,
        "evidence_holds": found.story.evidence.good,
        "replayed": found.replayed,
        "replayed_otherwise": found.otherwise,
    }


def _counts(coverage: "Coverage") -> dict[str, int]:
    return {
        "n": coverage.n,
        "covered": coverage.covered,
        "at_least_expected": coverage.low,
        "at_most_expected": coverage.high,
    }


def _lines(result: "DemoResult") -> Iterator[str]:
    from tiepoint.cli.told import plain
    from tiepoint.report.face_sections import outcome_sentences, read_sentence
    from tiepoint.report.plate_sections import decided_sentence
    from tiepoint.report.report_link import states_sentence
    from tiepoint.report.story import WHY_ABOVE

    for what, counts in (("lengths that the tie never saw", result.lengths), ("readings of plates", result.readings)):
        yield f"Of {counts.n} {what}, {counts.covered} hold the truth inside their ±, {_expected(counts)}."
    if result.lengths.above or result.readings.above:
        yield WHY_ABOVE
    yield plain(f"{result.plates.n} plates: {decided_sentence(result.plates)}")
    face = result.story.face
    if face is not None:
        yield f"{read_sentence(face)} {outcome_sentences(face)}"
    picks = result.story.picks
    if picks is not None and picks.picks:
        largest = max(p.beside_mm for p in picks.picks)
        wrong = f"{picks.wrong} grips on other things" if picks.wrong else "none of anything else"
        yield f"{len(picks.picks)} plates picked, {wrong}; the largest error of a grip is {largest:.2f} mm."
    yield f"The summary to read is {result.summary}."
    if result.story.acceptance is not None:
        yield states_sentence(result.story.acceptance)
    pdf, html = result.accepted.pdf, result.accepted.html
    yield f"The report to sign, of a simulated station: {pdf}, and {html}, which works its numbers out again."


def _expected(counts: "Coverage") -> str:
    if counts.above:
        return f"more than the {counts.high} to be expected"
    return "as 95 % intervals should" if counts.as_expected else f"fewer than the {counts.low} to be expected"
