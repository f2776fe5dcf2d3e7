"""A bench station whose camera photographs a printed target: its folder, its photo, and what is true there."""

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from tests.helpers.served import new_station

from tiepoint.bench.printing import PrintedTarget, Rule, print_target
from tiepoint.bench.station import BenchStation
from tiepoint.documents.files import write_document
from tiepoint.documents.pictures import encode_png
from tiepoint.render.camera import unproject
from tiepoint.targets.document import to_document
from tiepoint.targets.draw import Target, new_target
from tiepoint.targets.paper import apply_measure
from tiepoint.web.users import User, token_sha, write_users

SIZE_PX = (1224, 1024)
MEASURED = "2026-11-25T08:00:00Z"


@dataclass(frozen=True)
class TieStation:
    """The folder, and the bench behind it."""

    folder: Path
    bench: BenchStation
    printed: PrintedTarget

    @property
    def target(self) -> Target:
        """The target with what its bars measured."""
        p = self.printed
        return apply_measure(p.target, p.reading_x_mm, p.reading_y_mm, p.u_mm, p.rule.name, MEASURED)

    def true_mm(self, px) -> np.ndarray:
        """Return where pixels (n, 2) truly lie in the plane of the page, in mm (n, 2)."""
        return np.asarray(unproject(self.bench.camera, np.atleast_2d(np.asarray(px, float))))[:, :2]

    def keep_photo(self, name: str = "pictures/tie/photo.png", seed: int = 5) -> str:
        """Put a photo of the target among the working pictures; return its path in the station."""
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(photo_png(seed))
        return name

    def keep_target(self) -> str:
        """Write the measured target's document; return its path in the station."""
        (self.folder / "targets").mkdir(exist_ok=True)
        write_document(self.folder / "targets" / "target.json", "target", to_document(self.target))
        return "targets/target.json"


def bench() -> BenchStation:
    """Return a camera of 1.3 MP above a table."""
    return BenchStation(width_px=SIZE_PX[0], height_px=SIZE_PX[1], pixel_um=6.9)


@lru_cache(maxsize=4)
def printed() -> PrintedTarget:
    """Return a print of a target, of which a rule tells how large it came out."""
    return print_target(new_target("charuco", 10, 13, 10), 1, rule=Rule("glass scale no 4", 2e-5, 0.015, 0.005))


@lru_cache(maxsize=8)
def photo_png(seed: int) -> bytes:
    """Return the photo of the print, as a file."""
    return encode_png(bench().photograph_target(printed(), seed).picture)


def tie_station(folder: Path) -> TieStation:
    """Write an empty station, with users of each role whose token is the role's own name."""
    new_station(folder)
    users = [User(role, role, None, token_sha(role)) for role in ("look", "operate", "change")]
    write_users(folder / "private" / "users.json", users)
    return TieStation(folder, bench(), printed())
