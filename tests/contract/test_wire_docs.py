"""The pages of wires: every register, bit, code and key stands there as the code has it, and the samples work."""

import re
import tomllib
from pathlib import Path

from tiepoint.recipe.tables import keys_of
from tiepoint.station.wires import table as tables
from tiepoint.station.wires.layout import ASKED, BITS, FIRST_MAPPED, LAST_MAPPED, NO_VALUE, REFUSALS, TOLD, VERDICTS
from tiepoint.station.wires.open import open_wires
from tiepoint.station.wires.table import WiresTable, faults

REFERENCE = Path(__file__).resolve().parents[2] / "docs" / "reference"
MAP = (REFERENCE / "modbus.md").read_text(encoding="utf-8")
KEYS = (REFERENCE / "wires.md").read_text(encoding="utf-8")


def rows(text, columns):
    pattern = r"^\| " + r" \| ".join([r"([^|]*?)"] * columns) + r" \|$"
    return set(re.findall(pattern, text, re.M))


def test_every_register_stands_on_the_page():
    shown = {row for row in rows(MAP, 4) if row[0][:1].isdigit() and row[1] != "as mapped"}
    assert shown == {
        (f"{p.at}–{p.at + p.words - 1}" if p.words > 1 else f"{p.at}", p.as_, p.name, p.says) for p in (*TOLD, *ASKED)
    }
    assert f"| {FIRST_MAPPED}–{LAST_MAPPED} | as mapped |" in MAP


def test_every_bit_and_every_code_stands_on_the_page():
    shown = rows(MAP, 3)
    assert {(str(k), *told) for k, told in enumerate(BITS)} <= shown
    assert {(str(k), *told) for k, told in enumerate(VERDICTS)} <= shown
    for kind, code in NO_VALUE.items():
        bits = 32 if kind.endswith("32") else 16
        assert f"`{code % 2**bits:X}` ({kind})" in MAP
    assert all(why in MAP for why in REFUSALS)


def test_registers_do_not_overlap():
    taken = [at for p in (*TOLD, *ASKED) for at in range(p.at, p.at + p.words)]
    assert len(set(taken)) == len(taken)
    assert not set(taken) & set(range(FIRST_MAPPED, LAST_MAPPED + 1))


def test_every_key_stands_on_the_page():
    kinds = ("Modbus", "Robot", "Mqtt", "Webhook", "RemoteIo", "Map", "Spool", "Wires")
    for kind in kinds:
        for key in keys_of(getattr(tables, f"{kind}Table")):
            assert re.search(rf"`{key}`|\[\[wires\.{key}\]\]|{key} =|\[wires\] {key}", KEYS), f"{kind}: {key}"


def test_the_sample_on_the_page_can_be_used(tmp_path):
    sample = tomllib.loads(re.search(r"```toml\n(.*?)```", KEYS, re.S)[1])
    table = WiresTable.read(sample["wires"], "")
    assert list(faults(table, ["bore A.diameter"])) == []
    assert [wire.name for wire in open_wires(table, tmp_path, "vents")] == ["controller", "arm", "plant"]
    assert all(wire.link[0] == "waiting" for wire in open_wires(table, tmp_path, "vents"))


def test_a_wire_that_was_never_started_can_be_stopped(tmp_path):
    sample = tomllib.loads(re.search(r"```toml\n(.*?)```", KEYS, re.S)[1])["wires"]
    (tmp_path / "secret").write_text("0123456789abcdef")
    more = {
        "allowed": ["http://127.0.0.1/"], "remote_io": [{"name": "io", "host": "127.0.0.1", "ready": 1}],
        "webhook": [{"name": "hook", "url": "http://127.0.0.1/x", "secret_file": "secret"}],
    }  # fmt: skip
    made = open_wires(WiresTable.read({**sample, **more}, ""), tmp_path, "vents")
    assert len(made) == 5
    for wire in made:
        wire.stop()
