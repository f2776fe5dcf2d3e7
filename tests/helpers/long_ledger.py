"""Evidence and Duty on a long ledger, looked through in a browser and held against SQL on the same file."""

import re
import sqlite3
import sys
from contextlib import closing, nullcontext
from pathlib import Path

READING = "bore A.diameter"
BENCHMARKS = Path(__file__).parents[2] / "benchmarks"


def fill(path: Path, records: int) -> None:
    """Write a ledger of so many records at once, each an entry as it is committed (`benchmarks/ledger.py`)."""
    sys.path.insert(0, str(BENCHMARKS))
    try:
        from ledger import fill as fill_at_once
    finally:
        sys.path.remove(str(BENCHMARKS))
    fill_at_once(path, records)


def asked(path: Path, words: str, *about):
    """Return the rows of a question to the file, by SQL alone."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as base:
        return base.execute(words, about).fetchall()


PART = "json_extract(entry, '$.body.shot.part_id')"
"""Whose record it is, as the entry has it."""


def number(text: str) -> int:
    """Return a whole number as pages write it, in groups of three."""
    return int(re.sub(r"\D", "", text))


class Auditor:
    """Somebody who looks through a long ledger. `timed`: is entered around each thing that they wait for, by name."""

    def __init__(self, page, host: str, path: Path, timed=lambda _: nullcontext()):
        self.page, self.host, self.path, self.timed = page, host, path, timed

    def found(self):
        """Return part, number and verdict of the records in the list."""
        told = self.page.locator(".found tbody tr:not(.whyrow)").evaluate_all(
            "all => all.map(tr => [tr.querySelector('.choose'), tr.querySelector('th .u'), tr.querySelector('td')]"
            ".map(one => one.textContent.trim()))"
        )
        return [(part, number(seq), verdict) for part, seq, verdict in told]

    def look_through(self):
        """Look through Evidence, and hold every answer against the file."""
        self.first_page()
        self.search()
        self.record_in_the_middle()
        self.trend()

    def first_page(self):
        with self.timed("evidence, first page"):
            self.page.goto(f"http://{self.host}/evidence")
            self.page.locator(".found tbody .choose").first.wait_for()
        newest = f"SELECT {PART}, seq, verdict FROM entries WHERE kind = 'record' ORDER BY seq DESC LIMIT 50"
        due = asked(self.path, newest)
        assert self.found() == due

    def search(self):
        last = f"SELECT {PART}, seq, verdict FROM entries WHERE verdict = ? AND seq < ? ORDER BY seq DESC LIMIT 50"
        due = asked(self.path, last, "undecided", 2**62)
        self.page.get_by_label("Verdict").select_option("undecided")
        with self.timed("search by verdict"):
            self.page.get_by_role("button", name="Search").click()
            self._until(due)
        due += asked(self.path, last, "undecided", due[-1][1])
        with self.timed("older ones"):
            self.page.get_by_role("button", name="Older ones").click()
            self._until(due)
        self.page.get_by_role("button", name="Clear").click()

    def _until(self, due):
        written = f"{due[-1][1]:,}".replace(",", r"\s")
        last = self.page.locator(".found tbody tr:not(.whyrow) th .u").nth(len(due) - 1)
        last.filter(has_text=re.compile(f"^{written}$")).wait_for()
        assert self.found() == due

    def record_in_the_middle(self):
        ((seq,),) = asked(self.path, "SELECT max(seq) / 2 FROM entries")
        with self.timed("a record in the middle"):
            self.page.goto(f"http://{self.host}/evidence?record={seq}")
            written = re.compile(f"{seq:,}$".replace(",", r"\s"))
            self.page.locator(".tools .which .u").filter(has_text=written).wait_for()
        self._demand_shown(seq)

    def _demand_shown(self, seq):
        """Demand that a record is shown as its entry has it."""
        ((sha, verdict),) = asked(self.path, "SELECT sha, verdict FROM entries WHERE seq = ?", seq)
        assert sha.startswith(self.page.locator("dl.titleblock .hash").last.inner_text().replace(" ", ""))
        assert self.page.locator(f".tools .which .v.{verdict}").count() == 1

    def trend(self):
        with self.timed("read once for trends"):
            self.page.get_by_role("button", name="Read them").click()
            # Where all values are alike the line is flat, and of no height.
            self.page.locator("svg.trend .mean").wait_for(state="attached", timeout=600_000)
        variant = self.page.locator(".pickseries select option:checked").inner_text().split(", ")[1].split(" ")[0]
        first, last = self._trend_is_of(variant)
        chart = self.page.locator("svg.trend").bounding_box()
        y, left, wide = chart["y"] + 60, chart["x"] + 52, chart["width"] - 60
        for name in ("brush of a third", "brush of a third of it"):
            self.page.mouse.move(left + wide / 3, y)
            self.page.mouse.down()
            self.page.mouse.move(left + 2 * wide / 3, y, steps=8)
            with self.timed(name):
                self.page.mouse.up()
                self._other_than(first, last)
            first, last = self._trend_is_of(variant)
        with self.timed("twice as wide"):
            self.page.get_by_role("button", name="Wider").click()
            self._other_than(first, last)
        first, last = self._trend_is_of(variant)
        before = self.page.locator(".tools .which .u").inner_text()
        with self.timed("the part under a click"):
            self.page.mouse.click(left + wide / 4, y)
            self.page.wait_for_function(
                "before => document.querySelector('.tools .which .u').textContent !== before", arg=before
            )
        seq = number(self.page.locator(".tools .which .u").inner_text())
        assert first <= seq <= last
        self._demand_shown(seq)

    def _range(self):
        text = self.page.locator(".low .aside").inner_text()
        told = re.fullmatch(r"records ([\d\s]+) to ([\d\s]+), ([\d\s]+) parts", text)
        assert told is not None, text
        return [number(one) for one in told.groups()]

    def _other_than(self, first, last):
        """Wait until the trend is of other records."""
        self.page.wait_for_function(
            """before => {
                const [a, b] = document.querySelector('.low .aside').textContent.split(',')[0].split(' to ');
                return `${a.replace(/\\D/g, '')} ${b.replace(/\\D/g, '')}` !== before;
            }""",
            arg=f"{first} {last}",
        )
        self.page.locator(".chart-box:not(.quiet)").wait_for()

    def _trend_is_of(self, variant):
        first, last, parts = self._range()
        ((due,),) = asked(
            self.path,
            "SELECT count(*) FROM judged JOIN sorts ON id = sort WHERE variant = ? AND seq BETWEEN ? AND ?",
            variant, first, last,
        )  # fmt: skip
        assert parts == due
        return first, last

    def duty(self):
        with self.timed("duty, first page"):
            self.page.goto(f"http://{self.host}/duty")
            self.page.locator(".counts dd").first.wait_for()
        with self.timed("duty, counts of all"):
            self.page.locator(".low h2 select").select_option("duty")
            parts = self.page.locator("section", has=self.page.locator(".counts")).locator("h2 .aside")
            ((records,),) = asked(self.path, "SELECT count(*) FROM judged")
            parts.filter(has_text=re.compile("^" + f"{records:,}".replace(",", r"\s") + " ")).wait_for()
        told = [number(text) for text in self.page.locator(".counts dd").all_inner_texts()]
        count = "SELECT count(*) FROM entries WHERE verdict = ?"
        assert told == [asked(self.path, count, v)[0][0] for v in ("conforms", "rejected", "undecided", "unread")]
        reasons = self.page.locator("table.pareto tbody td.n").all_inner_texts()
        ((due,),) = asked(self.path, "SELECT count(*) FROM entries WHERE verdict NOT IN ('conforms')")
        assert sum(map(number, reasons)) == min(due, 500), "the last 500 that did not conform are told of"
