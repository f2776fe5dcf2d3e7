"""A station with a drafted recipe of a plate that is drawn: two bores and a slot, some tenths of a second in all."""

import json
from pathlib import Path

import numpy as np
from PIL import Image
from tests.helpers.plain_bore import plain_tie
from tests.helpers.served import Served, refusal

from tiepoint.documents.files import write_document
from tiepoint.station.folder import open_station
from tiepoint.station.ledger import Ledger
from tiepoint.ties.document import to_document
from tiepoint.web.users import User, token_sha, write_users

PATH = "recipes/plate.toml"
SHOT = "shots/plates/plate-1.png"
RECIPE = """# the plate of the vent
format = "tiepoint/recipe/1"
name = "plate"
unit = "mm"
tie = "../ties/plane.json"
height = 0.0
u_height = 0.0

[[step]]
name = "bore A"   # the left one
kind = "circle"
region = { ring = { centre = [15, 12], inner = 1.0, outer = 3.2 } } # wide enough
limits.diameter = { lower = 4.30, upper = 4.50 } # drawing HV-60

[[step]]
name = "bore B"
kind = "circle"
region = { ring = { centre = [23, 12], inner = 1.0, outer = 3.2 } }

[[step]]
name = "pitch"
kind = "distance"
between = ["bore A", "bore B"]
limits.distance = { lower = 7.9, upper = 8.1 }
"""


def picture(diameter_mm: float = 4.4, seed: int = 1, size: tuple[int, int] = (640, 480)) -> np.ndarray:
    """Draw a bright plate with dark bores at 15, 12 and 23, 12 mm and a slot 3 mm wide about 15, 19 mm."""
    y, x = np.mgrid[: size[1], : size[0]].astype(float)
    away = np.minimum.reduce([
        np.hypot(x - 300, y - 240) - diameter_mm / 2 / 0.05,
        np.hypot(x - 460, y - 240) - 4.0 / 2 / 0.05,
        np.maximum(np.abs(x - 300) - 60, np.abs(y - 100) - 30),
        # Outside of the plate it is dark as well.
        -np.maximum(np.abs(x - 340) - 250, np.abs(y - 215) - 200),
    ])  # fmt: skip
    grey = 50 + 150 * np.clip(away + 0.5, 0, 1) + np.random.default_rng(seed).normal(0, 1, away.shape)
    return np.clip(np.rint(grey), 0, 255).astype(np.uint8)


def new_station(folder: Path, recipe: str | None = RECIPE) -> Path:
    """Write a station with a tie, three shots and a draft."""
    (folder / "recipes").mkdir(parents=True)
    (folder / "shots" / "plates").mkdir(parents=True)
    (folder / "station.toml").write_text('format = "tiepoint/station/1"\nname = "hinge plates"\n', encoding="utf-8")
    write_document(folder / "ties" / "plane.json", "tie", to_document(plain_tie()))
    if recipe is not None:
        (folder / PATH).write_text(recipe, encoding="utf-8")
    for k, diameter in enumerate((4.4, 4.55, 4.4), 1):
        Image.fromarray(picture(diameter, k)).save(folder / "shots" / "plates" / f"plate-{k}.png")
    with Ledger(folder / "ledger.sqlite", create=True):
        pass
    users = [User(role, role, None, token_sha(role)) for role in ("look", "change")]
    write_users(folder / "private" / "users.json", users)
    open_station(folder)
    return folder


class Asked:
    """A station that is served, asked by a token."""

    def __init__(self, folder: Path, served: Served) -> None:
        self.folder, self.served = folder, served

    def __call__(self, method: str, path: str, content=None, token: str = "change"):
        headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
        body = None if content is None else json.dumps(content)
        status, _, answer = self.served.ask(method, path, headers=headers, body=body)
        return status, json.loads(answer) if status < 400 else refusal(status, answer)

    def tried(self, edit=None, **more):
        """Return the draft as it is judged."""
        wanted = {"recipe": PATH, "shot": SHOT, **({"edit": edit} if edit else {}), **more}
        status, told = self("POST", "/api/recipe/try", wanted)
        assert status == 200, told
        return told

    def edit(self, edit, sha=None, shot=SHOT):
        """Edit the draft as it is; return status and answer."""
        sha = sha or self.tried(shot=shot)["sha"]
        return self("POST", "/api/recipe/edit", {"recipe": PATH, "shot": shot, "sha": sha, "edit": edit})

    def ended(self, job):
        """Wait for the end of a job, by asking."""
        while job["state"] in ("waiting", "running"):
            _, job = self("GET", f"/api/jobs/{job['id']}")
        return job
