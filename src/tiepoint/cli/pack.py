"""`tiepoint pack`, `unpack`, `expire` and `sums`: move a station whole, tidy its archive, and count its ledger anew."""

from pathlib import Path
from typing import Annotated

import typer

from tiepoint.cli.answer import Answer, Json, present
from tiepoint.cli.options import Who, Why
from tiepoint.cli.station import LONGEST_REASON, Folder, evidence_document, evidence_lines, one_line, who_is_asking
from tiepoint.foundation.errors import UnusableInput


def pack(
    station: Folder,
    out: Annotated[Path, typer.Option("--out", metavar="FILE.zip", help="The new file.")],
    as_json: Json = False,
) -> None:
    """Put a station into one file, to move or to keep it: drafts, accepted copies, studies, ledger and archive.

    The ledger is copied as it is at one moment, also while the station is on duty. Every file stands in the manifest
    with its hash. Left out is who may get in: private/, users, keys and passwords, and the access log. A station whose
    ledger is on a server is not packed.

    \b
      tiepoint pack plates --out plates.zip
    """
    from tiepoint.station.folder import open_station
    from tiepoint.station.pack import pack as packed

    told = packed(open_station(station), out)
    document = {"station": told.station, "files": told.files, "bytes": told.bytes, "head": told.head or None}
    head = f"; head {told.head}" if told.head else ""
    line = f"{told.station}: {told.files} files, {told.bytes / 1e6:.1f} MB, in {out}{head}."
    document["left_out"] = list(told.left_out)
    names = ", ".join(told.left_out[:12]) + (", …" if len(told.left_out) > 12 else "")
    more = (f"Left out, since it says who may get in: {names}; give it anew at the new place.",) if names else ()
    present(Answer(document, (line, *more)), as_json)


def unpack(
    packed: Annotated[Path, typer.Argument(metavar="FILE.zip", help="What tiepoint pack wrote.")],
    out: Annotated[Path, typer.Option("--out", metavar="FOLDER", help="The station's new folder.")],
    as_json: Json = False,
) -> None:
    """Make a station's folder from a packed one, and prove its evidence as tiepoint verify does.

    Every file is held against its hash; nothing is written outside of the new folder, nor over anything. Users, keys
    and passwords are not unpacked. Look at station.toml before you serve what somebody else packed: it says whom the
    station listens to, and whom it tells. Exit code 1: the evidence does not hold; the folder stays, to be looked at.

    \b
      tiepoint unpack plates.zip --out plates
    """
    from tiepoint.station.pack import unpack as unpacked
    from tiepoint.station.verify import verify

    there = unpacked(packed, out)
    if not there.ledger_path.is_file():
        line = f"{there.name} is in {out}. It has no ledger yet, so there is no evidence to prove."
        present(Answer({"station": there.name, "evidence": None}, (line,)), as_json)
    found = verify(there)
    lines = (f"{there.name} is in {out}.", *evidence_lines(found))
    present(Answer({"station": there.name, "evidence": evidence_document(found)}, lines, found.good), as_json)


def sums(station: Folder, as_json: Json = False) -> None:
    """Count a ledger's records anew, as after a repair: what a monitor is told then is what the entries say.

    The counts stand beside the entries, and are no evidence; tiepoint verify says where they differ. The station is off
    duty meanwhile.

    \b
      tiepoint sums plates
    """
    from tiepoint.station.folder import open_station
    from tiepoint.station.ledger import Ledger
    from tiepoint.station.lock import WriterLock

    there = open_station(station)
    with WriterLock(there.folder, "tiepoint sums"), Ledger(there.ledger_place) as ledger:
        count = ledger.rebuild_sums()
    line = f"The sums of {there.name} were made anew from {count} records."
    present(Answer({"station": there.name, "records": count}, (line,)), as_json)


def expire(
    station: Folder,
    why: Why,
    records: Annotated[
        list[int] | None, typer.Option("--record", metavar="N", min=1, help="Of this record (repeatable).")
    ] = None,
    never_kept: Annotated[
        bool, typer.Option("--never-kept", help="Of all records whose shots were never kept.")
    ] = False,
    who: Who = None,
    as_json: Json = False,
) -> None:
    """Take kept shots away by right, or say by right that shots were never kept: first in the ledger, then the files.

    Records themselves are never taken away. tiepoint verify tells such shots as expired, not as missing.

    \b
      tiepoint expire plates --record 4711 --why "shows a person"
      tiepoint expire plates --never-kept --why "the mains failed on 12 May"
    """
    from tiepoint.station.archive_expiry import expire as expired
    from tiepoint.station.folder import open_station
    from tiepoint.station.verify import never_kept_of

    there = open_station(station)
    if bool(records) == never_kept:
        raise UnusableInput("say which shots are meant: by --record, or all that were never kept by --never-kept")
    meant = list(dict.fromkeys(records)) if records else list(never_kept_of(there))
    if not meant:
        present(Answer({"entry": None, "records": []}, ("Every shot that had to be kept was.",)), as_json)
    entry = expired(there, meant, who=who_is_asking(who), why=one_line("--why", why, LONGEST_REASON))
    shots = "1 shot" if len(meant) == 1 else f"{len(meant)} shots"
    lines = (f"Gone by right: {shots}, by entry {entry.seq} of the ledger.",)
    present(Answer({"entry": entry.seq, "records": meant}, lines), as_json)
