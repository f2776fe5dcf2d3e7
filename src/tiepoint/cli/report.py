"""`tiepoint report`: the document that a customer signs."""

from pathlib import Path
from typing import Annotated

import typer

from tiepoint.cli.answer import Answer, Json, hint_at, present
from tiepoint.cli.load import demand_like
from tiepoint.cli.station import Folder
from tiepoint.foundation.errors import UnusableInput


def report(
    station: Folder,
    out: Annotated[Path, typer.Option("--out", metavar="FILE.pdf", help="The report on paper.")] = Path(
        "acceptance.pdf"
    ),
    html: Annotated[
        Path | None,
        typer.Option("--html", metavar="FILE.html", help="The same as a page that works numbers out again."),
    ] = None,
    sample: Annotated[
        int, typer.Option("--sample", metavar="N", min=0, help="Work out so many records again for it.")
    ] = 20,
    pictures: Annotated[
        int,
        typer.Option(
            "--pictures", metavar="N", min=0, max=100, help="Show so many judged shots; which, the report says."
        ),
    ] = 12,
    sign: Annotated[
        Path | None,
        typer.Option("--sign", metavar="KEY.pem", help="Sign each file by this Ed25519 key: FILE.sig beside it."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Write the acceptance report of a station: what it can and cannot do, shown, not shown and not tried.

    It tells what was agreed (requirements.toml, dated by tiepoint accept) and what the station's ledger, accepted
    copies and kept studies say of it, every number with the entry that it came from. The page has the same, and beside
    each number a button that works it out again in the reader's browser, without tiepoint. Exit code 1: a requirement
    is not shown, or not tried though it does not take a station on duty, or the evidence does not hold.

    With --sign, who holds the public key can prove that a file is the one that was signed: tiepoint verify --report.

    \b
      tiepoint report plates --out acceptance.pdf --html acceptance.html
      tiepoint report plates --out acceptance.pdf --sign weiss.pem
    """
    from tiepoint.documents.files import write_together
    from tiepoint.documents.signing import private_key, signature_of, signature_path
    from tiepoint.report.acceptance_files import report_files
    from tiepoint.station.folder import open_station

    if out.suffix.lower() != ".pdf":
        raise UnusableInput(f"--out is {out}; give a name that ends in .pdf, and one for the page with --html")
    demand_like(out, b"%PDF", "report")
    if html is not None:
        demand_like(html, b"<!doctype html>", "page")
    key = None if sign is None else private_key(sign)
    made = report_files(open_station(station), sample=sample, pictures=pictures, html=html is not None)
    story, files = made.story, {out: made.pdf}
    if html is not None and made.html is not None:
        files[html] = made.html
    if key is not None:
        files |= {signature_path(path): signature_of(data, key) for path, data in files.items()}
    write_together(files)
    for path in files:
        hint_at(f"{path} is written.")
    states = {line.asked.id: line.state for line in story.lines}
    document = {"station": story.station.name, "head": story.evidence.chain.head.sha, "requirements": states}
    present(
        Answer({**document, "evidence_holds": story.evidence.good, "lines": list(made.lines)}, made.lines, made.good),
        as_json,
    )
