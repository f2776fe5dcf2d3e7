"""When each part passed and when its pictures were taken: what requirements ask of every record of a ledger.

Kept in a file of its own, `duty/passed.sqlite` (see `from_ledger`), so that a ledger is read once, and not after each
act. The acceptance report reads the ledger itself.
"""

from collections.abc import Iterable, Iterator

from tiepoint.station.from_ledger import FromLedger
from tiepoint.station.ledger import Entry
from tiepoint.station.served import Written


class Passed(FromLedger):
    """The file of a station."""

    FILE = "passed.sqlite"
    VERSION = 1
    TABLES = """
CREATE TABLE times (seq INTEGER PRIMARY KEY, taken TEXT, written TEXT, verdict TEXT, timed INTEGER);
CREATE TABLE pictures (sha BLOB PRIMARY KEY, taken TEXT) WITHOUT ROWID;
"""

    def took(self, records: Iterable[Entry]) -> None:
        """Take in records: of a picture that several have, the newest one's word holds."""
        times, pictures = [], {}
        for entry in records:
            one, shot = Written.of(entry), entry.body["shot"]
            times.append((one.seq, one.taken_utc, one.written_utc, one.verdict, one.is_timed))
            for picture in shot["pictures"]:
                pictures[_key(picture["pixels_sha256"])] = one.taken_utc or one.written_utc
        self._base.executemany("INSERT INTO times VALUES (?, ?, ?, ?, ?)", times)
        # In the order of the key, in which they lie in the file.
        self._base.executemany("INSERT OR REPLACE INTO pictures VALUES (?, ?)", sorted(pictures.items()))

    def written(self, after: int = 0) -> Iterator[Written]:
        """Yield what the records after an entry tell of their time, in their order."""
        wanted = "SELECT seq, taken, written, verdict, timed FROM times WHERE seq > ? ORDER BY seq"
        for seq, taken, written, verdict, timed in self._base.execute(wanted, (after,)):
            yield Written(seq, taken, written, verdict, bool(timed))

    def taken(self, sha: str) -> str | None:
        """Return when a picture was taken, by the hash of its pixels; None where no record has it."""
        row = self._base.execute("SELECT taken FROM pictures WHERE sha = ?", (_key(sha),)).fetchone()
        return None if row is None else str(row[0])


def _key(sha: str) -> bytes:
    try:
        return bytes.fromhex(sha)
    except ValueError:  # an altered ledger's, which is told by its chain
        return sha.encode()
