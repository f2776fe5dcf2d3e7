"""Pictures that a person works with, over HTTP: brought whole or not at all, shown in tiles, taken away and back."""

import hashlib
import io
import json
import socket
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from tests.helpers.served import Served, commit, keep_picture, new_station, refusal
from tests.helpers.wires import until

from tiepoint.station.folder import open_station
from tiepoint.station.working_pictures import pictures_of
from tiepoint.web.users import User, token_sha, write_users

BOUNDARY = "7f1c0ffee"


def with_users(folder):
    users = [User(role, role, None, token_sha(role)) for role in ("look", "operate", "change")]
    write_users(folder / "private" / "users.json", users)
    return folder


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    with Served(with_users(new_station(tmp_path_factory.mktemp("plates")))) as there:
        yield there


@pytest.fixture
def use(request):
    """Return a use that no other test has."""
    return "t" + hashlib.sha256(request.node.name.encode()).hexdigest()[:12]


def png(width=700, height=600, seed=1, mode="L"):
    pixels = np.random.default_rng(seed).integers(0, 256, (height, width, 3) if mode == "RGB" else (height, width))
    data = io.BytesIO()
    Image.fromarray(pixels.astype(np.uint8)).save(data, "PNG")
    return data.getvalue()


def body_of(files):
    parts = [
        f'--{BOUNDARY}\r\nContent-Disposition: form-data; name="{field}"; filename="{name}"\r\n'
        f"Content-Type: application/octet-stream\r\n\r\n".encode("utf-8", "surrogateescape")
        + data
        + b"\r\n"
        for field, name, data in files
    ]
    return b"".join(parts) + f"--{BOUNDARY}--\r\n".encode()


def bring(served, use, files, token="change", more=""):
    headers = {"Authorization": f"Bearer {token}", "Content-Type": f"multipart/form-data; boundary={BOUNDARY}"}
    body = body_of([("picture", name, data) for name, data in files])
    status, _, answer = served.ask("POST", f"/api/pictures?use={use}{more}", headers=headers, body=body)
    return status, json.loads(answer) if status < 400 else refusal(status, answer)


def ask(served, method, path, token="change", content=None):
    headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
    status, _, answer = served.ask(method, path, headers=headers, body=None if content is None else json.dumps(content))
    return status, json.loads(answer) if status < 400 else refusal(status, answer)


def decoded(data):
    return np.asarray(Image.open(io.BytesIO(data)))


def test_a_picture_is_brought_and_told(served, use):
    data = png()
    status, told = bring(served, use, [("photo 1.png", data)])
    assert status == 201
    (picture,) = told["pictures"]
    assert {k: picture[k] for k in ("use", "name", "width", "height", "bits", "channels", "shot", "fault")} == {
        "use": use, "name": "photo 1.png", "width": 700, "height": 600, "bits": 8, "channels": 1, "shot": None,
        "fault": "",
    }  # fmt: skip
    assert picture["sha"] == hashlib.sha256(data).hexdigest()
    assert (served.folder / picture["path"]).read_bytes() == data
    assert ask(served, "GET", f"/api/pictures?use={use}", "look")[1]["pictures"] == [picture]
    status, headers, back = served.ask("GET", picture["url"])
    assert (status, headers["content-type"], back) == (200, "image/png", data)
    assert served.ask("GET", picture["url"], headers={"If-None-Match": headers["etag"]})[0] == 304


def test_the_tiles_of_level_0_are_the_picture_and_above_its_means(served, use):
    data = png()
    whole = decoded(data)
    (picture,) = bring(served, use, [("a.png", data)])[1]["pictures"]
    rows = []
    for row in range(2):
        got = [served.ask("GET", f"{picture['tiles']}/0/{col}/{row}") for col in range(2)]
        assert {(status, headers["content-type"]) for status, headers, _ in got} == {(200, "image/png")}
        rows.append(np.hstack([decoded(tile) for _, _, tile in got]))
    assert np.array_equal(np.vstack(rows), whole)
    status, headers, tile = served.ask("GET", f"{picture['tiles']}/1/0/0")
    assert (status, headers["content-type"]) == (200, "image/jpeg")
    mean = whole.reshape(300, 2, 350, 2).mean((1, 3))
    assert decoded(tile).shape == mean.shape
    assert np.abs(decoded(tile) - mean).mean() < 6  # JPEG of noise
    for place in ("0/2/0", "0/0/2", "2/0/0", "20/0/0"):
        assert served.ask("GET", f"{picture['tiles']}/{place}")[0] == 404, place
    assert served.ask("GET", f"{picture['tiles']}/0/0/0", headers={"If-None-Match": '"x"'})[0] == 200
    etag = served.ask("GET", f"{picture['tiles']}/0/0/0")[1]["etag"]
    assert served.ask("GET", f"{picture['tiles']}/0/0/0", headers={"If-None-Match": etag})[0] == 304


def test_colour_and_16_bits_are_shown(served, use):
    deep = (np.arange(600 * 520).reshape(600, 520) % 4096).astype(np.uint16)  # 12 bits in 16
    data = io.BytesIO()
    Image.fromarray(deep).save(data, "PNG")
    colour = png(520, 600, mode="RGB")
    told = bring(served, use, [("deep.png", data.getvalue()), ("colour.png", colour)])[1]["pictures"]
    assert [(one["bits"], one["channels"]) for one in told] == [(16, 1), (8, 3)]
    shown = decoded(served.ask("GET", f"{told[0]['tiles']}/0/0/0")[2])
    assert np.array_equal(shown, (deep[:512, :512] >> 4).astype(np.uint8))
    assert np.array_equal(decoded(served.ask("GET", f"{told[1]['tiles']}/0/0/0")[2]), decoded(colour)[:512, :512])


def test_what_is_brought_twice_is_there_once(served, use):
    first = bring(served, use, [("a.png", png(seed=3))])[1]
    again = bring(served, use, [("b.png", png(seed=3)), ("a.png", png(seed=4))])[1]
    assert again["pictures"][0] == first["pictures"][0]
    assert again["pictures"][1]["name"] == "a-2.png"
    assert bring(served, use, [("c.png", png(seed=3))])[1]["step"] is None
    assert len(ask(served, "GET", f"/api/pictures?use={use}")[1]["pictures"]) == 2


def test_bringing_and_taking_away_are_undone(served, use):
    (picture,) = bring(served, use, [("a.png", png(seed=5))])[1]["pictures"]
    assert ask(served, "DELETE", picture["url"])[1]["says"] == "Take away a.png"
    assert served.ask("GET", f"{picture['tiles']}/0/0/0")[0] == 404
    assert ask(served, "POST", "/api/undo", content={})[0] == 200
    assert ask(served, "GET", f"/api/pictures?use={use}")[1]["pictures"] == [picture]
    assert ask(served, "POST", "/api/undo", content={})[0] == 200
    assert ask(served, "GET", f"/api/pictures?use={use}")[1]["pictures"] == []
    assert ask(served, "POST", "/api/redo", content={})[0] == 200
    assert served.ask("GET", picture["url"])[0] == 200


def test_a_shot_of_several_pictures_stays_together(served, use):
    files = [(f"{name}.png", png(64, 48, seed=k)) for k, name in enumerate(("left", "right"))]
    told = bring(served, use, files, more="&shot=plate%207")[1]["pictures"]
    assert [(one["shot"], one["name"]) for one in told] == [("plate 7", "left.png"), ("plate 7", "right.png")]
    ask(served, "DELETE", told[0]["url"])  # none describes it: the other one stays
    assert [one["name"] for one in ask(served, "GET", f"/api/pictures?use={use}")[1]["pictures"]] == ["right.png"]


def described(name="top.png", size=(64, 48)):
    content = {"format": "tiepoint/shot/1", "id": "GV-0007", "part_id": "GV-0007",
               "pictures": [{"role": "picture", "size": list(size), "file": name}]}  # fmt: skip
    return json.dumps(content).encode()


def test_a_shot_with_its_description_comes_and_goes_whole(served, use):
    told = bring(served, use, [("shot.json", described()), ("top.png", png(64, 48))])[1]["pictures"]
    assert [(one["shot"], one["name"]) for one in told] == [("GV-0007", "top.png")]
    folder = served.folder / "pictures" / use / "GV-0007"
    assert json.loads((folder / "shot.json").read_text())["part_id"] == "GV-0007"
    ask(served, "DELETE", told[0]["url"])
    assert not folder.exists()


@pytest.mark.parametrize("name", ["other.png", "../top.png", "../../station.toml"])
def test_a_description_of_other_pictures_is_refused(served, use, name):
    status, told = bring(served, use, [("shot.json", described(name)), ("top.png", png(64, 48))])
    assert (status, told["where"]) == (422, "picture")
    assert not list((served.folder / "pictures").glob(f"{use}/*"))


def test_a_description_that_calls_a_picture_otherwise_than_a_picture_is_refused(served, use):
    status, told = bring(served, use, [("shot.json", described("labels.csv")), ("labels.csv", png(64, 48))])
    assert (status, told["where"]) == (422, "picture")
    assert not list((served.folder / "pictures").glob(f"{use}/*"))


def test_more_than_are_taken_at_once_are_refused_with_how_many_may_come(served, use):
    status, told = bring(served, use, [(f"{k}.png", b"x") for k in range(70)])
    assert (status, told["where"], told["says"]) == (422, "picture", "more than 64 pictures came at once")


def test_who_goes_away_before_all_was_sent_is_no_fault_of_ours(served, use, caplog):
    body = body_of([("picture", "half.png", png())])
    head = f"POST /api/pictures?use={use} HTTP/1.1\r\nHost: {served.host}\r\nAuthorization: Bearer change\r\n"
    head += f"Content-Type: multipart/form-data; boundary={BOUNDARY}\r\nContent-Length: {len(body)}\r\n\r\n"
    log = served.folder / "private" / "access.jsonl"
    with socket.create_connection(("127.0.0.1", served.port), timeout=60) as raw:
        raw.sendall(head.encode() + body[: len(body) // 2])
    until(lambda: '"status":0' in log.read_text().replace(" ", "").splitlines()[-1])
    assert "fault of tiepoint" not in caplog.text
    assert not list((served.folder / ".undo" / "coming").glob("*"))


HOSTILE = [
    "../../evil.png", "..\\..\\evil.png", "/etc/passwd", "C:\\W\\evil.png", "con.png", "a:b*c?.png", ".hidden.png",
    "x" * 400 + ".png", "\u202egnp.exe", "a\tb.png", "évent.png", "evil.png.exe", "evil.html", "evil.svg", "", "..",
    "shot.json.png", "%2e%2e%2fevil.png", "<script>alert(1)</script>.png",
]  # fmt: skip


def test_hostile_names_become_names_in_the_folder(served, use):
    for k, name in enumerate(HOSTILE):
        status, told = bring(served, use, [(name, png(16, 16, seed=100 + k))])
        assert status == 201, (name, told)
        (picture,) = told["pictures"]
        place = (served.folder / picture["path"]).resolve()
        assert place.parent == (served.folder / "pictures" / use).resolve(), name
        assert place.suffix == ".png"
        assert place.is_file()
        assert not place.name.startswith(".")
        assert len(place.name) < 80
        assert not set(place.name) & set('<>:"/\\|?*\t\u202e')
    outside = [path for path in served.folder.parent.rglob("*evil*") if f"pictures/{use}" not in path.as_posix()]
    assert not outside


@pytest.mark.parametrize(
    ("name", "data", "says"),
    [
        ("a.png", b"not a picture", "a.png is not a picture that can be read"),
        ("a.png", png()[:-2000], "a.png cannot be decoded, it is cut off or damaged"),
        ("a.svg", b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>", "a.svg is not a picture"),
        ("a.html", b"<script>alert(1)</script>", "a.html is not a picture"),
        ("a.png", b"", "a.png is empty"),
        ("a.png", png(4, 4), "a.png has 4 × 4 px"),
        ("a.gif", b"GIF89a" + bytes(64), "a.gif"),
    ],
    ids=["text", "cut off", "drawing", "page", "empty", "tiny", "another format"],
)
def test_what_is_no_picture_is_refused_by_its_name_and_nothing_is_taken_in(served, use, name, data, says):
    status, told = bring(served, use, [("good.png", png(64, 48, seed=9)), (name, data)])
    assert (status, told["where"]) == (422, "picture")
    assert told["says"].startswith(says) or says in told["says"]
    assert str(served.folder) not in json.dumps(told)
    assert ask(served, "GET", f"/api/pictures?use={use}")[1]["pictures"] == []
    assert not list((served.folder / ".undo" / "coming").iterdir())


@pytest.mark.parametrize("use", ["", "..", "Tie", "a/b", ".undo", "x" * 40, "a b"])
def test_a_use_is_a_word(served, use):
    from urllib.parse import quote

    assert bring(served, quote(use, safe=""), [("a.png", png(64, 48))])[0] == 422


def test_who_may_not_change_sends_nothing_large(served):
    large = [("a.png", bytes(300_000))]
    for token, status in (("look", 403), ("operate", 403), ("nobody", 401)):
        assert bring(served, "tie", large, token)[0] == status
    status, _, answer = served.ask("POST", "/api/pictures?use=tie", body=bytes(300_000),
                                   headers={"Content-Type": "application/octet-stream"})  # fmt: skip
    assert (status, refusal(status, answer)["code"]) == (401, "not_known")


def test_a_draft_may_be_larger_than_what_strangers_send_but_not_by_much(served):
    content = {"number": 1, "more": "x" * 200_000}
    assert ask(served, "POST", "/api/undo", content=content)[0] == 422  # it was read, and is not what is asked for
    assert ask(served, "POST", "/api/undo", "look", content)[0] == 403
    # Refused by its head, before any of it is read.
    head = {"Authorization": "Bearer change", "Content-Type": "application/json", "Content-Length": "5000000"}
    status, _, answer = served.ask("POST", "/api/undo", headers=head)
    assert (status, refusal(status, answer)["code"]) == (413, "too_large")


def test_a_file_that_is_changed_underneath_is_another_picture(served, use):
    (before,) = bring(served, use, [("a.png", png(64, 48, seed=20))])[1]["pictures"]
    (served.folder / before["path"]).write_bytes(png(80, 60, seed=21))
    (after,) = ask(served, "GET", f"/api/pictures?use={use}")[1]["pictures"]
    assert (after["width"], after["height"]) == (80, 60)
    assert after["id"] != before["id"]
    assert served.ask("GET", f"{before['tiles']}/0/0/0")[0] == 404
    assert served.ask("GET", f"{after['tiles']}/0/0/0")[0] == 200


def test_a_broken_file_in_the_folder_is_told_and_keeps_no_other_from_being_shown(served, use):
    bring(served, use, [("a.png", png(64, 48, seed=30))])
    (served.folder / "pictures" / use / "b.png").write_bytes(b"text")
    told = ask(served, "GET", f"/api/pictures?use={use}")[1]["pictures"]
    assert [(one["name"], bool(one["fault"])) for one in told] == [("a.png", False), ("b.png", True)]
    assert ask(served, "GET", f"{told[1]['tiles']}/0/0/0")[1]["code"] == "not_shown"


def test_links_in_the_folder_lead_nowhere(served, use, tmp_path):
    (tmp_path / "secret.png").write_bytes(png(64, 48, seed=40))
    folder = served.folder / "pictures" / use
    folder.mkdir(parents=True)
    (folder / "link.png").symlink_to(tmp_path / "secret.png")
    (folder / "shot").symlink_to(tmp_path, target_is_directory=True)
    (served.folder / "pictures" / f"{use}x").symlink_to(tmp_path, target_is_directory=True)
    assert ask(served, "GET", "/api/pictures")[0] == 200
    assert pictures_of(open_station(served.folder), use) == ()
    assert pictures_of(open_station(served.folder), f"{use}x") == ()


def test_a_kept_picture_of_a_record_is_shown_in_tiles_too(tmp_path):
    folder = new_station(tmp_path / "plates")
    (seq,) = commit(folder, 1)
    path = keep_picture(folder, seq)
    whole = decoded(path.read_bytes())
    with Served(folder) as served:
        url = f"/api/records/{seq}/files/picture.png/tiles"
        status, headers, tile = served.ask("GET", f"{url}/0/3/2")
        assert (status, headers["content-type"]) == (200, "image/png")
        assert np.array_equal(decoded(tile), whole[1024:1500, 1536:2000])
        assert served.ask("GET", f"{url}/0/4/0")[0] == 404
        assert served.ask("GET", f"/api/records/{seq}/files/other.png/tiles/0/0/0")[0] == 404
    path.write_bytes(path.read_bytes() + b"x")
    with Served(folder) as served:
        assert served.ask("GET", f"{url}/0/0/0")[0] == 409


# --- 100 MP ----------------------------------------------------------------------------------------------------------


def peak_mb(pid):
    """Return the most memory that a process has held (VmHWM, proc(5)), in MB."""
    line = next(line for line in Path(f"/proc/{pid}/status").read_text().splitlines() if line.startswith("VmHWM"))
    return int(line.split()[1]) / 1024


def test_a_picture_of_100_mp_is_shown_with_bounded_memory(tmp_path):
    import http.client

    folder = with_users(new_station(tmp_path / "plates"))
    side = 10_000
    place = folder / "pictures" / "tie" / "large.png"
    place.parent.mkdir(parents=True)
    pixels = (np.add.outer(np.arange(side) // 7, np.arange(side) // 5) % 251).astype(np.uint8)
    Image.fromarray(pixels).save(place, compress_level=1)
    process = subprocess.Popen(
        [sys.executable, "-m", "tiepoint.web", str(folder), "--port", "0"], stdout=subprocess.PIPE, text=True
    )
    try:
        port = int(process.stdout.readline().rsplit(":", 1)[1].strip("/\n"))
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=120)

        def get(path):
            connection.request("GET", path)
            answer = connection.getresponse()
            return answer.status, answer.read()

        (picture,) = json.loads(get("/api/pictures?use=tie")[1])["pictures"]
        assert (picture["width"], picture["height"]) == (side, side)
        before = peak_mb(process.pid)
        status, small = get(f"{picture['tiles']}/5/0/0")
        assert status == 200
        assert abs(decoded(small).shape[0] - side / 32) < 1
        for level in (0, 1, 3, 5):
            cols = -(-side // (512 << level))
            for col, row in ((0, 0), (cols - 1, cols - 1)):
                assert get(f"{picture['tiles']}/{level}/{col}/{row}")[0] == 200
        assert np.array_equal(decoded(get(f"{picture['tiles']}/0/9/7")[1]), pixels[3584:4096, 4608:5120])
        # The picture itself is 100 MB; the decoder holds it once more, and a tile of it is made of 67 MP at most.
        assert peak_mb(process.pid) - before < 350
        connection.close()
    finally:
        process.terminate()
        process.wait(30)
        process.stdout.close()
