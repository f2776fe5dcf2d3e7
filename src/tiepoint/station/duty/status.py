"""What a running duty leaves for everybody else to read: a small file, written anew some times a second.

`duty` has no HTTP; pages and commands read `duty/state.json`. A file that has not been written for some seconds is of
a duty that hangs or was ended without a word.
"""

import json
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tiepoint.documents.files import format_of, read_document
from tiepoint.foundation.errors import TiepointError
from tiepoint.station.wires.wire import Told

FOLDER, FILE = "duty", "state.json"
STALE_S = 5.0


@dataclass(frozen=True, slots=True)
class Status:
    """The last word of a duty. `seq`: the last part's entry, 0 before any. `told`: as wires are told it, as plain data.

    `links`: what the link of each camera and wire says, in a clause. `is_fresh`: whether it is of the last seconds.
    """

    pid: int
    written_utc: str
    seq: int
    waiting: int
    told: dict[str, Any]
    is_fresh: bool
    links: dict[str, str] = field(default_factory=dict)


def status_path(folder: Path) -> Path:
    """Return where the duty of a station leaves its state."""
    return folder / FOLDER / FILE


def write_status(
    folder: Path, *, pid: int, told: Told, seq: int, waiting: int, written_utc: str, links: Mapping[str, str] = {}
) -> None:
    """Write the state; where the disk does not take it, the next one is tried."""
    path = status_path(folder)
    content = {
        "format": format_of("state"), "pid": pid, "written_utc": written_utc, "seq": seq, "waiting": waiting,
        "told": asdict(told), "links": dict(links),
    }  # fmt: skip
    staged = path.with_name(f".{FILE}.part")
    # Not flushed to the disk, as documents are: it is worth nothing a second later.
    with suppress(OSError):
        path.parent.mkdir(exist_ok=True)
        staged.write_text(json.dumps(content, ensure_ascii=False), encoding="utf-8")
        staged.replace(path)


def read_status(folder: Path) -> Status | None:
    """Return the state that a station's duty left; None where there never was one, or it cannot be read."""
    with suppress(TiepointError, KeyError, TypeError, ValueError):
        said = read_document(status_path(folder), "state")
        age_s = time.time() - datetime.fromisoformat(said["written_utc"]).astimezone(UTC).timestamp()
        return Status(
            int(said["pid"]), str(said["written_utc"]), int(said["seq"]), int(said["waiting"]), dict(said["told"]),
            -STALE_S < age_s < STALE_S, dict(said.get("links") or {}),
        )  # fmt: skip
    return None
