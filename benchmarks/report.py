"""The acceptance report of the demo's station, beside what its evidence costs to be read at all.

    python benchmarks/report.py DEMO [--json]

DEMO is a folder that `tiepoint demo --once DEMO` left. `gather_ms`: what the report tells, with the ledger's chain, all
kept pictures and accepted copies looked through, and 20 records worked out again from their pictures. `paper_ms` and
`page_ms`: the PDF and the page. `plain_ms`: a script that reads the same files, takes their SHA-256 and parses the
ledger's entries, and tells nothing. Processor times, the least of several runs. To be reached: all three together in
3 s, the PDF below 5 MB and the page below 8 MB.
"""

import argparse
import hashlib
import json
import sqlite3
from contextlib import closing
from pathlib import Path

from timing import least_ms

from tiepoint.report.acceptance import acceptance
from tiepoint.report.acceptance_html import acceptance_html
from tiepoint.report.acceptance_pdf import acceptance_pdf
from tiepoint.report.acceptance_story import AcceptanceStory, gather
from tiepoint.station.folder import open_station

GOAL_MS, MOST_PDF_BYTES, MOST_PAGE_BYTES = 3000.0, 5e6, 8e6
MADE_UTC, SAMPLE = "2026-02-01T08:00:00Z", 20


def gathered(folder: Path) -> AcceptanceStory:
    """Return what the report tells."""
    return gather(open_station(folder), made_utc=MADE_UTC, sample=SAMPLE)


def plain(folder: Path) -> int:
    """Read and hash every file of the station, and parse every entry of its ledger."""
    for path in folder.rglob("*"):
        if path.is_file():
            hashlib.sha256(path.read_bytes()).hexdigest()
    with closing(sqlite3.connect(folder / "ledger.sqlite")) as base:
        return sum(len(json.loads(row[0])) for row in base.execute("SELECT entry FROM entries"))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("demo", type=Path, metavar="DEMO")
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    station = given.demo / "station"
    report = acceptance(gathered(station))
    times = least_ms(
        {
            "gather_ms": (lambda: gathered(station), 3),
            "paper_ms": (lambda: acceptance_pdf(report), 3),
            "page_ms": (lambda: acceptance_html(report), 3),
            "plain_ms": (lambda: plain(station), 3),
        }
    )
    whole = times["gather_ms"] + times["paper_ms"] + times["page_ms"]
    sizes = {"pdf_bytes": len(acceptance_pdf(report)), "page_bytes": len(acceptance_html(report).encode())}
    small = sizes["pdf_bytes"] < MOST_PDF_BYTES and sizes["page_bytes"] < MOST_PAGE_BYTES
    found = {**times, "whole_ms": whole, "ratio": whole / times["plain_ms"], **sizes, "goal_ms": GOAL_MS}
    found["reached"] = whole <= GOAL_MS and small
    if given.json:
        print(json.dumps(found))
    else:
        print("\n".join(f"{name:12} {value:12.1f}" for name, value in found.items()))


if __name__ == "__main__":
    main()
