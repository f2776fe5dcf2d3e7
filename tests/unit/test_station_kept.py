"""Studies that a station keeps: none is left out, none changes unseen."""

import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.folder import Station, open_station
from tiepoint.station.kept import keep_study, kept_studies
from tiepoint.station.ledger import Ledger

MAKER = """
import sys
from pathlib import Path
from tiepoint.station.folder import open_station
from tiepoint.station.kept import keep_study
for k in range(5):
    outcome = {"good": True, "n": int(sys.argv[3]) + k}
    keep_study(open_station(Path(sys.argv[1])), "rr", "bore A.diameter", outcome, Path(sys.argv[2]), who="M. Weiss")
"""
TABLE = "part,value\nA,4.501\nB,4.503\n"


@pytest.fixture
def station(tmp_path: Path) -> Station:
    (tmp_path / "station.toml").write_text('format = "tiepoint/station/1"\nname = "vents"\n')
    return open_station(tmp_path)


@pytest.fixture
def table(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("data") / "loads.CSV"
    path.write_text(TABLE)
    return path


def made(station: Station, table: Path, good: bool | None = True):
    return keep_study(station, "rr", "bore A.diameter", {"good": good, "grr": 0.003}, table, who="M. Weiss")


def listed(station: Station):
    with Ledger(station.ledger_path) as ledger:
        return list(kept_studies(station, ledger))


def test_a_study_is_kept_with_its_data_and_the_ledger_knows_it(station, table):
    entry = made(station, table)
    (one,) = listed(station)
    assert (one.kind, one.of, one.good, one.fault) == ("rr", "bore A.diameter", True, None)
    assert one.document["outcome"]["grr"] == 0.003
    assert one.act == entry
    assert (station.folder / "studies" / one.document["data"]["file"]).read_text() == TABLE
    assert one.document["data"]["named"] == "loads.CSV"


def test_every_study_is_listed_those_that_failed_too(station, table):
    for good in (False, None, True):
        made(station, table, good)
    assert [s.good for s in listed(station)] == [False, None, True]
    assert len({s.act.body["file"] for s in listed(station)}) == 3


@pytest.mark.parametrize(
    ("suffix", "new", "says"),
    [
        (".json", ("0.003", "0.002"), "altered after the study"),
        (".csv", ("4.501", "4.502"), "altered after the study"),
        (".json", None, ".json is missing"),
        (".csv", None, ".csv is missing"),
    ],
)
def test_what_was_changed_afterwards_is_told_and_stays_listed(station, table, suffix, new, says):
    made(station, table)
    (path,) = (station.folder / "studies").glob(f"*{suffix}")
    if new is None:
        path.unlink()
    else:
        path.write_text(path.read_text().replace(*new))
    (one,) = listed(station)
    assert one.document == {}
    assert says in one.fault


def test_studies_made_at_the_same_moment_each_keep_their_own_document(station, table):
    """Six threads and two processes: each entry has a file of its own number, and each file is as it was made."""
    maker = [sys.executable, "-c", MAKER, str(station.folder), str(table)]
    processes = [subprocess.Popen([*maker, str(k)]) for k in (100, 200)]
    with ThreadPoolExecutor(6) as pool:
        list(pool.map(lambda k: made(station, table, good=bool(k % 2)), range(6)))
    assert [process.wait() for process in processes] == [0, 0]
    studies = listed(station)
    assert len(studies) == 16
    assert [s.fault for s in studies] == [None] * 16
    assert [Path(s.act.body["file"]).name[:6] for s in studies] == [f"{s.act.seq:06d}" for s in studies]
    assert sorted(s.document["outcome"].get("n", -1) for s in studies)[6:] == [*range(100, 105), *range(200, 205)]
    assert len(list((station.folder / "studies").iterdir())) == 32


def test_a_study_that_cannot_be_written_leaves_no_entry(station, table):
    (station.folder / "studies").write_text("a file where the folder should be")
    with pytest.raises(UnusableInput, match="cannot write"):
        made(station, table)
    assert listed(station) == []


def accept(station: Station, **variants: str) -> None:
    with Ledger(station.ledger_path) as ledger:
        ledger.append("act", {"act": "accept", "recipes": {"recipes/a.toml": "x"}, "variants": variants})


def test_a_study_is_of_what_was_accepted_when_it_was_made(station, table):
    made(station, table)
    accept(station, thin="a", wide="b")
    made(station, table)
    accept(station, thin="a", wide="b", other="c")
    assert [s.replaced for s in listed(station)] == [None, None]  # a further variant replaces nothing
    accept(station, thin="a2", wide="b", other="c")
    made(station, table)
    before, after, now = listed(station)
    assert (before.replaced, now.replaced) == (None, None)
    assert after.replaced.seq == 5


def test_what_was_accepted_for_variants_is_not_run_once_a_station_has_none(station, table):
    with Ledger(station.ledger_path, create=True) as ledger:
        both = {"recipes/a.toml": "x", "recipes/b.toml": "y"}
        ledger.append("act", {"act": "accept", "recipes": both, "variants": {"thin": "x", "wide": "y"}})
    made(station, table)
    accept(station)
    (of_both,) = listed(station)
    assert of_both.replaced is not None
