"""How sentences of a station are made: counts, whole sentences, and none that tells where its folder lies."""

import re
from pathlib import Path

import pytest

import tiepoint
from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.rounding import THIN
from tiepoint.station.folder import Station, StationTable
from tiepoint.station.stages import IDS, stages_of
from tiepoint.station.there import demand_there, is_station
from tiepoint.station.words import counted, limits_said, sentence, without_folder


@pytest.mark.parametrize(
    ("n", "said"), [(0, "0 ties"), (1, "1 tie"), (2, "2 ties"), (1234, "1234 ties"), (41_207, f"41{THIN}207 ties")]
)
def test_counts_are_grouped_from_five_digits_on(n, said):
    """As `docs/explanations/look-and-tone.md` has numbers."""
    assert counted(n, "tie") == said


def test_a_plural_of_its_own_is_taken():
    assert (counted(1, "study", "studies"), counted(3, "study", "studies")) == ("1 study", "3 studies")


@pytest.mark.parametrize(
    ("says", "whole"), [("no edge lies there", "No edge lies there."), ("Made anew.", "Made anew.")]
)
def test_what_a_room_says_becomes_a_whole_sentence(says, whole):
    assert sentence(says) == whole


@pytest.mark.parametrize(
    ("lower", "upper", "said"),
    [
        (4.4, 4.6, "4.4 to 4.6"),
        (None, 1234.567, "at most 1234.567"),
        (0.0, None, "at least 0"),
        (None, None, ""),
    ],
)
def test_limits_are_told_as_they_were_stated(lower, upper, said):
    assert limits_said(lower, upper) == said


def test_no_sentence_tells_where_the_folder_lies(tmp_path):
    folder = tmp_path / "plates"
    files = without_folder(f"cannot read {folder / 'recipes' / 'plates.toml'}: it is not there", folder)
    assert files == f"cannot read {Path('recipes') / 'plates.toml'}: it is not there"
    assert (
        without_folder(f"nothing is accepted at {folder}; accept", folder)
        == "nothing is accepted at the station; accept"
    )
    with pytest.raises(UnusableInput) as refused:
        Station(folder, StationTable(format="tiepoint/station/1", name="plates")).relative(tmp_path / "else")
    says = without_folder(str(refused.value), folder)
    assert str(folder) not in says
    assert "does not lie in the station's folder; copy it there" in says


def test_a_folder_that_was_taken_away_is_told_alike_of_every_stage(tmp_path):
    gone = Station(tmp_path / "plates", StationTable(format="tiepoint/station/1", name="plates"))
    assert not is_station(gone.folder)
    with pytest.raises(UnusableInput, match=r"is not there any more, or has no station.toml; bring it back"):
        demand_there(gone.folder)
    stages = stages_of(gone)
    assert [stage.id for stage in stages] == list(IDS)
    assert {(stage.line, stage.rests) for stage in stages} == {("Cannot be read", False)}
    assert {stage.to_do[0].partition(",")[0] for stage in stages} == {"The station's folder is not there any more"}


def test_no_room_makes_these_sentences_by_hand():
    """Each of these was written in several places, and differed: one cut the folder out of half of a sentence."""
    by_hand = {
        r"replace\((f\"\{|str\()[\w.]*folder": "station/words.py: without_folder; web/refused.py: told_here",
        r"\[:1\]\.upper\(\)\}\{\w+\[1:\]\}\.": "station/words.py: sentence",
        r"/ STATION\)\.(is_file|exists)\(": "station/there.py: is_station",
    }
    own = {
        "station/words.py",
        "station/there.py",
        "web/users.py",
    }  # the last asks it of any folder
    root = Path(tiepoint.__file__).parent
    files = [path for room in ("cli", "station", "web") for path in (root / room).rglob("*.py")]
    again = [
        f"{path.relative_to(root)}: use {instead}"
        for path in files
        if path.relative_to(root).as_posix() not in own
        for pattern, instead in by_hand.items()
        if re.search(pattern, path.read_text(encoding="utf-8"))
    ]
    assert len(files) > 150
    assert again == []
