"""See's lamps in turn, and a picture that is not as it was held: the bench's own brightness is the authority."""

import json

import numpy as np
import pytest
from tests.contract.test_work_tie import Page, ended
from tests.contract.test_work_tie_more import seen
from tests.helpers.served import Served, new_station
from tests.unit.test_work_see import a_station

from tiepoint.documents.pictures import load_picture
from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.see.eye import Eye
from tiepoint.station.see.in_turn import in_turn
from tiepoint.station.see.source import FolderSource
from tiepoint.web.users import User, token_sha, write_users


def test_each_lamp_alone_is_a_shot_that_can_be_undone(tmp_path):
    folder = new_station(tmp_path / "s")
    users = [User(role, role, None, token_sha(role)) for role in ("look", "change")]
    write_users(folder / "private" / "users.json", users)
    with Served(folder, requests_per_s=500) as served:
        page = Page(served, None)
        seen(page, "bench")
        page("POST", "/api/see/set", {"source": "bench", "bench": {"room": 0.0}})
        assert page("POST", "/api/see/in-turn", {"source": "bench"}, token="look")[0] == 403
        assert page("POST", "/api/see/in-turn", {"source": "camera:none"})[1]["where"] == "source"
        status, begun = page("POST", "/api/see/in-turn", {"source": "bench"})
        assert status == 202, begun
        job = ended(served, begun["id"])
        assert job["state"] == "done", job["fault"]
        pictures = {lamp: load_picture(folder / path).pixels for lamp, path in job["result"]["pictures"].items()}
        assert len(pictures) > 1
        # In a dark room each picture is of its own lamp: none is another's.
        shown = list(pictures.values())
        for k, one in enumerate(shown):
            for other in shown[k + 1 :]:
                assert float(np.mean(np.abs(one.astype(float) - other))) > 0.5
        # And the lamps are as they were.
        live = served.ask("GET", "/api/see/live?source=bench", headers={"Authorization": "Bearer look"})
        assert set(json.loads(live[2])["set"]["lamps"].values()) == {1.0}
        assert page("POST", "/api/undo", {})[0] == 200
        assert not any((folder / "pictures/shots").rglob("*.png"))


def test_a_camera_without_lamps_says_so(tmp_path):
    folder = a_station(tmp_path / "s")
    eye = Eye(lambda: FolderSource(folder / "incoming", "no picture yet"))
    try:
        with pytest.raises(UnusableInput, match="no lamps that can be switched"):
            in_turn(eye, wait_s=0.1)
    finally:
        eye.close()
