"""The monitor's questions: every answer is held against the entries themselves, counted one by one."""

import random
import sqlite3
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from tests.helpers.made_records import record

from tiepoint.foundation.errors import UnusableInput
from tiepoint.model.decide import Limits
from tiepoint.model.reading import Reading
from tiepoint.model.record import Record
from tiepoint.recipe.records import record_from
from tiepoint.station.ledger import Entry, Ledger
from tiepoint.station.questions import Asked, Count, counts, counts_per, last_records

BEGUN = datetime(2026, 11, 26, 23, 57, 30, tzinfo=UTC)


def judged(seq: int, verdict: str, part: str) -> Record:
    """Return a record whose one reading has a verdict."""
    made = record(seq, part=part)
    reading = replace(made.readings[0], limits=Limits(4.4, 4.6), verdict=verdict)
    return replace(made, readings=(reading,), verdict=verdict, sha=None)


def fill(ledger: Ledger, count: int = 300) -> list[Entry]:
    """Write records over three days, with a night between, and a clock that is set back once."""
    chance = random.Random(8)
    at = BEGUN
    for k in range(count):
        at += timedelta(seconds=chance.choice((0.4, 7, 40)), hours=9 if k in (100, 200) else 0)
        if k == 150:
            at -= timedelta(minutes=5)
        verdict = chance.choices(("conforms", "rejected", "undecided"), (8, 1, 1))[0]
        made = replace(
            judged(k, verdict, part=f"p{k % 40}" if k % 50 else "q" * 500),
            recipe_sha=chance.choice("ab") * 64,
            variant=chance.choice((None, "thin", "wide")),
        )
        ledger.commit(made, at=at.isoformat(timespec="milliseconds").replace("+00:00", "Z"))
        if k % 30 == 0:
            ledger.append("act", {"format": "tiepoint/act/1", "act": "note", "why": f"{k}"})
    return list(ledger.entries("record"))


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory):
    with Ledger(tmp_path_factory.mktemp("ledger") / "ledger.sqlite", create=True) as made:
        fill(made)
        yield made


def meant(entry: Entry, asked: Asked) -> bool:
    """Whether a record is meant, by its own content alone."""
    body = entry.body
    return all(
        (
            asked.since is None or entry.written_utc >= asked.since,
            asked.until is None or entry.written_utc < asked.until,
            asked.part_id is None or body["shot"]["part_id"] == asked.part_id,
            asked.verdict is None or body["verdict"] == asked.verdict,
            asked.recipe_sha is None or body["recipe_sha"] == asked.recipe_sha,
            asked.variant is None or (body["variant"] or "") == asked.variant,
            asked.reading is None
            or any(r["id"] == asked.reading and r["verdict"] not in (None, "conforms") for r in body["readings"]),
        )
    )


def asked_at_random(records: list[Entry], chance: random.Random) -> Asked:
    times = sorted(chance.choice(records).written_utc for _ in range(2))
    shift = timedelta(milliseconds=chance.choice((0, 1, 30_000)))
    since = (datetime.fromisoformat(times[0]) - shift).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    return Asked(
        since=chance.choice((None, since, since[:16] + ":00.000Z")),
        until=chance.choice((None, times[1], times[1][:16] + ":00.000Z")),
        verdict=chance.choice((None, None, "rejected", "conforms")),
        recipe_sha=chance.choice((None, "a" * 64)),
        variant=chance.choice((None, "", "thin")),
    )


def test_counts_are_those_of_the_entries(ledger: Ledger):
    records, chance = list(ledger.entries("record")), random.Random(3)
    for _ in range(150):
        asked = asked_at_random(records, chance)
        due = Counter(
            (e.body["recipe_sha"], e.body["variant"] or "", e.body["verdict"]) for e in records if meant(e, asked)
        )
        told = {(c.recipe_sha, c.variant, c.verdict): c.count for c in counts(ledger, asked)}
        assert told == due, asked


def test_the_last_records_are_those_of_the_entries(ledger: Ledger):
    records, chance = list(ledger.entries("record")), random.Random(4)
    for _ in range(150):
        asked = replace(
            asked_at_random(records, chance),
            part_id=chance.choice((None, None, "p7", "q" * 500, "q" * 499, "never")),
            reading=chance.choice((None, None, "bore A.diameter", "bore B.diameter")),
        )
        before = chance.choice((None, 150))
        due = [e.seq for e in reversed(records) if meant(e, asked) and (before is None or e.seq < before)]
        told = last_records(ledger, 20, asked, before=before)
        assert [e.seq for e in told] == due[:20], asked
        assert all(e.body["seq"] == e.seq for e in told)


def test_counts_by_minute_and_day(ledger: Ledger):
    records = list(ledger.entries("record"))
    for per, letters in (("minute", 16), ("day", 10)):
        due = Counter(e.written_utc[:letters] for e in records)
        told: Counter[str] = Counter()
        for one in counts_per(ledger, per):
            told[one.since] += one.count
        assert told == due
    of_one = counts_per(ledger, "day", Asked(since="2026-11-27T00:00:00Z", until="2026-11-27T23:00:00Z"))
    assert {c.since for c in of_one} == {"2026-11-27"}


def test_what_cannot_be_asked_is_told(ledger: Ledger):
    with pytest.raises(UnusableInput, match="'yesterday' is no time"):
        counts(ledger, Asked(since="yesterday"))
    with pytest.raises(UnusableInput, match="ask for 1 to 1000"):
        last_records(ledger, 0)


def test_sums_that_differ_are_found_and_made_anew(tmp_path: Path):
    path = tmp_path / "ledger.sqlite"
    with Ledger(path, create=True) as ledger:
        fill(ledger, 60)
        before = counts(ledger), counts_per(ledger, "minute"), last_records(ledger, 60)
        assert ledger.check().sums_differ == ()
    base = sqlite3.connect(path)
    base.execute("UPDATE sums SET count = count + 1 WHERE per = 'day' AND since = '2026-11-26'")
    base.commit()
    base.close()
    with Ledger(path) as ledger:
        told = ledger.check()
        assert told.holds
        assert told.sums_differ == ("2026-11-26",)
        assert ledger.rebuild_sums() == 60
        assert ledger.check().sums_differ == ()
        assert (counts(ledger), counts_per(ledger, "minute"), last_records(ledger, 60)) == before


LEDGERS = Path(__file__).parents[1] / "data" / "ledgers"
"""Ledgers as tiepoints of 26 November 2026 left them: before there were sums; before long entries were compressed."""


def first_version(path: Path) -> Path:
    return of_version(1, path)


def of_version(version: int, path: Path) -> Path:
    base = sqlite3.connect(path)
    base.executescript((LEDGERS / f"version-{version}.sql").read_text(encoding="utf-8"))
    base.close()
    return path


def test_a_ledger_of_the_first_version_is_read_as_it_is(tmp_path: Path):
    path = first_version(tmp_path / "ledger.sqlite")
    with Ledger(path) as ledger:
        told = ledger.check()
        assert (told.count, told.holds, told.sums_differ) == (5, True, ())
        assert len(list(ledger.entries(part_id="p" * 300))) == 1
        with pytest.raises(UnusableInput, match="keeps no sums; they come with its next entry"):
            counts(ledger)
    base = sqlite3.connect(path)
    assert base.execute("PRAGMA user_version").fetchone() == (1,)
    base.close()


def test_a_ledger_of_the_first_version_is_led_on_with_the_first_entry(tmp_path: Path):
    path = first_version(tmp_path / "ledger.sqlite")
    with Ledger(path) as reader, Ledger(path) as ledger:
        before = [(e.seq, e.sha) for e in ledger.entries()]
        ledger.commit(judged(9, "rejected", "p9"), at="2026-11-26T09:00:00.000Z")
        assert [(e.seq, e.sha) for e in ledger.entries()][:5] == before
        assert ledger.check().holds
        assert ledger.check().sums_differ == ()
        assert sum(c.count for c in counts(ledger)) == 5
        assert counts(reader, Asked(verdict="rejected")) == (Count("0" * 64, "large", "rejected", 1),)
        assert [e.seq for e in last_records(ledger, 9, Asked(part_id="p" * 300))] == [5]
    with Ledger(path) as ledger:
        ledger.append("act", {"format": "tiepoint/act/1", "act": "note", "why": "once more"})
        assert ledger.head.seq == 7
    base = sqlite3.connect(path)
    with pytest.raises(sqlite3.IntegrityError, match="only ever added to"):
        base.execute("DELETE FROM entries")
    base.close()


def test_a_ledger_of_the_second_version_keeps_its_long_entries_and_gets_compressed_ones(tmp_path: Path):
    path = of_version(2, tmp_path / "ledger.sqlite")
    with Ledger(path) as ledger:
        before = list(ledger.entries())
        assert sum(c.count for c in counts(ledger)) == 2  # as it is, without a new entry
        told = record_from(before[2].body)
        again = ledger.commit(replace(told, sha=None), at="2026-11-26T19:00:00.000Z")
        assert list(ledger.entries())[:3] == before
        assert record_from(ledger.last("record").body).readings == again.readings == told.readings
        assert (ledger.check().faults, ledger.check().sums_differ) == ((), ())
    base = sqlite3.connect(path)
    assert base.execute("PRAGMA user_version").fetchone() == (3,)
    assert [kind for (kind,) in base.execute("SELECT typeof(entry) FROM entries")] == ["text", "text", "text", "blob"]
    base.close()


def test_nothing_is_led_on_where_that_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Broken off in the midst, the file is of the first version still, with nothing of the second in it."""
    path = first_version(tmp_path / "ledger.sqlite")

    def fails(*_: object) -> None:
        raise OSError("the disk is full")

    with monkeypatch.context() as broken:
        broken.setattr("tiepoint.station.ledger_tables.Writer.count_anew", fails)
        with Ledger(path) as ledger, pytest.raises(OSError, match="full"):
            ledger.append("act", {"format": "tiepoint/act/1"})
    base = sqlite3.connect(path)
    assert base.execute("PRAGMA user_version").fetchone() == (1,)
    assert {name for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'table'")} == {"entries"}
    base.close()
    with Ledger(path) as ledger:
        assert ledger.append("act", {"format": "tiepoint/act/1"}).seq == 6


def test_the_log_is_folded_back_by_another(tmp_path: Path):
    from tiepoint.station.ledger_folding import FoldingBack

    path = tmp_path / "ledger.sqlite"
    with Ledger(path, create=True) as ledger, ledger.folding_back():
        for k in range(20):
            ledger.append("act", {"format": "tiepoint/act/1", "act": "note", "why": "x" * 2000 + str(k)})
        pages, folded = FoldingBack(path).fold()
        assert 0 < pages == folded
        alone = sqlite3.connect(f"{path.as_uri()}?immutable=1", uri=True)  # as if there were no log
        assert alone.execute("SELECT count(*) FROM entries").fetchone() == (20,)
        alone.close()
        assert ledger.append("act", {"format": "tiepoint/act/1"}).seq == 21
        assert ledger.check().holds


def test_a_reading_that_is_named_at_length_is_found(tmp_path: Path):
    with Ledger(tmp_path / "ledger.sqlite", create=True) as ledger:
        made = judged(1, "rejected", "p1")
        name = "bore " * 90
        readings: tuple[Reading, ...] = (replace(made.readings[0], id=name),)
        ledger.commit(replace(made, readings=readings))
        assert [e.seq for e in last_records(ledger, 5, Asked(reading=name))] == [1]


@pytest.mark.parametrize(("long", "soon"), [(1, True), (10**6, False)])
def test_what_is_added_while_the_log_is_folded_is_folded_too_so_that_it_begins_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, long: int, soon: bool
):
    """SQLite's documentation, "Write-Ahead Logging", 2.2: only a log that is wholly folded back begins anew."""
    from tiepoint.station import ledger_folding

    class Meanwhile(ledger_folding.FoldingBack):
        more = 1

        def fold(self) -> tuple[int, int]:
            told = super().fold()
            if self.more:
                self.more -= 1
                ledger.append("act", {"act": "note"})
            return told

    path = tmp_path / "ledger.sqlite"
    monkeypatch.setattr(ledger_folding, "LONG_PAGES", long)
    with Ledger(path, create=True) as ledger:
        for _ in range(20):
            ledger.append("act", {"act": "note"})
        before, _ = ledger_folding.FoldingBack(path).fold()
        assert Meanwhile(path).turn() == ledger_folding.EVERY_S
        ledger.append("act", {"act": "note"})
        assert ledger_folding.FoldingBack(path).fold()[0] < before / 2
        # Somebody reads what was there before: the rest cannot be folded, as where more comes at every moment.
        reader = sqlite3.connect(path, isolation_level=None)
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM entries").fetchone()
        ledger.append("act", {"act": "note"})
        assert (ledger_folding.FoldingBack(path).turn() == ledger_folding.SOON_S) is soon
        reader.close()
