"""The page on cameras keeps its word: every table on it is read, and opens a camera."""

import re
import tomllib
from pathlib import Path

import pytest

from tiepoint.station.cameras.name_pattern import FIELDS
from tiepoint.station.cameras.receiver import is_password
from tiepoint.station.cameras.table import KINDS, camera_faults, open_camera
from tiepoint.station.folder import StationTable

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "how-to" / "cameras.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)


def read(block):
    text = f'format = "tiepoint/station/1"\nname = "hinge plates"\n\n{block}'
    return StationTable.read(tomllib.loads(text), "cameras.md: ").camera


@pytest.mark.parametrize("block", BLOCKS)
def test_every_table_is_read_and_opens_a_camera(block, tmp_path):
    (table,) = read(block)
    assert list(camera_faults([table], tmp_path)) == []
    camera = open_camera(table, tmp_path)
    assert camera.name == table.name
    assert camera.link[0] == "waiting"


def test_every_sort_of_camera_is_shown():
    assert {read(block)[0].comes_from for block in BLOCKS} == set(KINDS)
    assert {read(block)[0].kind for block in BLOCKS} == {kind for kinds in KINDS.values() for kind in kinds}


def test_the_password_on_the_page_is_one():
    (kept,) = {table.receiver.password for block in BLOCKS if (table := read(block)[0]).receiver}
    assert is_password("hinge plates", kept)


def test_every_field_of_names_is_explained():
    assert all(f"`{{{field}}}`" in PAGE for field in FIELDS)


def test_the_cautions_stand_where_lamps_are():
    lamps = PAGE.split("## Lamps")[1].split("```toml")[0]
    for words in ("3 to 30", "epilepsy", "IEC 62471", "Ultraviolet"):
        assert words in lamps
