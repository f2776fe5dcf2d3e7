"""The command line's contract: what stands on which stream, and with which exit code it ends."""

import json
import os
import re
import subprocess
import sys

import pytest

from tiepoint.cli import app
from tiepoint.cli.typed import ANGLES
from tiepoint.foundation.frames import CONVENTIONS
from tiepoint.ties.probe import length, probe


def test_a_point_is_where_the_closed_form_says(cli, tie_file):
    # x = 0.05·200, y = 24 − 0.05·80; the scale's u of 1e-4 acts on both in proportion.
    said = cli("tie", "probe", tie_file, "--at", "200,80", "--json")
    (point,) = said.json["points"]
    assert (said.code, said.err) == (0, "")
    assert (point["x"], point["y"]) == pytest.approx((10.0, 20.0))
    assert (point["u_x"], point["u_y"], point["r_xy"]) == pytest.approx((0.001, 0.002, 1.0))
    assert (point["unit"], point["frame"], point["height_mm"], point["inside"]) == ("mm", "plane", 0.0, True)
    assert point["reason"] is None
    assert [s["label"] for s in point["sources"]] == ["print scale"]


def test_a_length_shares_the_sources_of_its_ends(cli, tie_file):
    # 300 px at 0.05 mm/px; a scale error of 1e-4 is 1e-4 of the length.
    said = cli("tie", "probe", tie_file, "--length", "100,50", "400,50", "--json")
    (found,) = said.json["lengths"]
    assert (found["value"], found["u"]) == pytest.approx((15.0, 0.0015))
    assert found["U95"] == pytest.approx(1.959964 * 0.0015)
    assert found["unit"] == "mm"


def test_several_points_may_follow_one_option(cli, tie_file, tmp_path):
    said = cli("tie", "probe", tie_file, "--at", "10,10", "20,20", "--at", "30,30", "--json")
    assert {p["x"] for p in said.json["points"]} == {0.5, 1.0, 1.5}
    table = tmp_path / "points.csv"
    table.write_text("name, y, x\na, 10, 20\n\nb, 30, 40\n")
    said = cli("tie", "probe", tie_file, "--points", table, "--json")
    assert [p["x"] for p in said.json["points"]] == [1.0, 2.0]
    said = cli("tie", "probe", tie_file, "--length", "0,0", "100,0", "0,0", "0,200", "--json")
    assert [found["value"] for found in said.json["lengths"]] == pytest.approx([5.0, 10.0])


def test_outside_the_valid_region_there_is_no_value_and_code_1(cli, tie_file):
    said = cli("tie", "probe", tie_file, "--at", "620,100", "--json")
    (point,) = said.json["points"]
    assert said.code == 1
    assert (point["x"], point["inside"], point["reason"]["code"]) == (None, False, "outside_tie")
    asked = cli("tie", "probe", tie_file, "--at", "620,100", "--extrapolate", "--json")
    assert (asked.code, asked.json["points"][0]["flags"]) == (0, ["extrapolated"])


def test_what_a_person_reads_has_its_unit_its_interval_and_its_cause(cli, tie_file):
    said = cli("tie", "probe", tie_file, "--length", "100,50", "400,50")
    assert said.code == 0
    assert "15.0000 ± 0.0030 mm" in said.out
    assert "Print scale" in said.out
    assert "100 %" in said.out


@pytest.mark.parametrize("words", [(), ("target",), ("tie",), ("grip",), ("touch",), ("study",)])
def test_a_list_of_commands_says_what_each_does_in_a_whole_sentence(cli, words):
    said = cli(*words, "--help").out
    assert "Commands:" in said
    assert "..." not in said.split("Commands:")[1]


def test_the_conventions_of_angles_that_help_names_are_those_that_are_known(cli):
    for words in (("tie", "hand-eye"), ("study", "pose"), ("grip", "teach")):
        said = "".join(cli(*words, "--help").out.split())  # lines may break at hyphens
        assert [name for name in CONVENTIONS if name not in said] == [], words
    assert set(re.findall(r"[\w-]+-deg", ANGLES)) == set(CONVENTIONS)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["nonsense"], "no such command 'nonsense'"),
        (["tie", "nonsense"], "no such command 'nonsense'"),
        (["tie", "probe"], "missing argument 'TIE.json'"),
        (["run"], "missing argument 'RECIPE.toml'"),
        (["--loud"], "no such option: --loud"),
        (["tie", "probe", "TIE"], "give one of --at X,Y, --points POINTS.csv or --length X,Y X,Y"),
        (["tie", "probe", "TIE", "--at", "1,1", "--length", "1,1", "2,2"], "give one of --at"),
        (["tie", "probe", "TIE", "--length", "1,1"], "--length takes X,Y X,Y; see tiepoint tie probe --help"),
        (["tie", "probe", "TIE", "--at"], "--at takes X,Y; see tiepoint tie probe --help"),
        (["target", "draw", "--pitch"], "--pitch takes LENGTH; see tiepoint target draw --help"),
        (["run", "plate.toml", "--variants"], "see tiepoint run --help"),
        (["tie", "target", "p.png", "--out", "tie.json"], "`tiepoint target describe` for one printed elsewhere"),
        (["tie", "probe", "TIE", "--length", "1,1", "2,2", "3,3"], "3 points were given"),
        (["tie", "probe", "TIE", "--at", "1;1"], "--at: '1;1' is not a point; type its pixel as X,Y"),
        (["tie", "probe", "TIE", "--at", "nan,1"], "is not a point"),
        (["tie", "probe", "TIE", "--at", "1_0,2"], "is not a point"),
        (["tie", "probe", "TIE", "--at", "١,٢"], "is not a point"),
        (["tie", "probe", "TIE", "--at", "-5,1"], "lies outside the picture, which is 640 × 480 px"),
        (["tie", "probe", "TIE", "--length", "1,1", "1,1"], "both ends of the length are the same point"),
    ],
)
def test_mistyped_commands_are_one_sentence_with_code_2(cli, tie_file, words, sentence):
    said = cli(*[tie_file if word == "TIE" else word for word in words])
    assert (said.code, said.out) == (2, "")
    assert said.is_one_sentence(), said.err
    assert sentence in said.err


def test_with_json_an_error_is_an_object_too(cli, tmp_path):
    said = cli("tie", "probe", tmp_path / "none.json", "--at", "1,1", "--json")
    assert said.code == 2
    assert said.json["error"]["kind"] == "UnusableInput"
    assert said.json["error"]["sentence"] in said.err
    assert cli("tie", "probe", "--json").json["error"]["kind"] == "UsageError"


def test_a_fault_of_the_program_is_told_as_one_and_has_its_own_code(cli, tie_file, monkeypatch):
    def break_down(*_, **__):
        raise ZeroDivisionError("float division by zero")

    monkeypatch.setattr("tiepoint.ties.probe.probe", break_down)
    said = cli("tie", "probe", tie_file, "--at", "1,1", "--json")
    assert said.code == 3
    assert said.is_one_sentence()
    assert "a fault of tiepoint itself" in said.err
    assert said.json["error"]["kind"] == "Fault"
    monkeypatch.setenv(app.TRACE, "1")
    with pytest.raises(ZeroDivisionError):
        cli("tie", "probe", tie_file, "--at", "1,1")


def test_the_keyboard_stops_it_quietly(cli, tie_file, monkeypatch):
    def stop(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr("tiepoint.ties.probe.probe", stop)
    said = cli("tie", "probe", tie_file, "--at", "1,1")
    assert said.code == 130
    assert said.err.strip() == "tiepoint: stopped; what was not finished was not written"


def test_long_words_are_cut_and_broken_names_told(cli):
    said = cli("tie", "probe", "a" * 5000 + ".json", "--at", "1,1")
    assert said.code == 2
    assert said.is_one_sentence()
    assert len(said.err) < 400
    said = cli("tie", "probe", "caf\udce9.json", "--at", "1,1", "--json")
    assert (said.code, said.is_one_sentence()) == (2, True)
    said.json["error"]["sentence"].encode()


def process(*words: object, **more: object) -> subprocess.CompletedProcess:
    command = [sys.executable, "-m", "tiepoint.cli.main", *map(str, words)]
    return subprocess.run(command, capture_output="stdout" not in more, check=False, **more)


def test_the_installed_program_prints_one_object_and_nothing_else(tie_file):
    done = process("tie", "probe", tie_file, "--at", "1,1", "--json")
    assert (done.returncode, done.stderr) == (0, b"")
    assert json.loads(done.stdout)["points"]


@pytest.mark.parametrize("encoding", ["cp1252", "ascii", "utf-8"])
def test_signs_survive_the_code_page_of_an_old_console(tie_file, encoding):
    environment = {**os.environ, "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"}
    done = process("tie", "probe", tie_file, "--at", "1,1", env=environment)
    assert done.returncode == 0, done.stderr
    assert "±" in done.stdout.decode("utf-8")


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no /dev/full")
@pytest.mark.skipif(sys.platform == "darwin", reason="macOS has no /dev/full")
def test_a_full_disk_behind_standard_output_is_told(tie_file):
    with open("/dev/full", "wb") as full:  # noqa: PTH123  # a device
        done = process("tie", "probe", tie_file, "--at", "1,1", "--json", stdout=full, stderr=subprocess.PIPE)
    assert done.returncode == 2
    assert done.stderr.count(b"\n") == 1
    assert b"no space left" in done.stderr


def test_a_reader_that_leaves_early_is_no_error_to_talk_about(tie_file):
    command = [
        sys.executable,
        "-m",
        "tiepoint.cli.main",
        "tie",
        "probe",
        str(tie_file),
        "--at",
        *["1,1"] * 2000,
        "--json",
    ]
    # Unbuffered, Python itself loses what a pipe does not take at once, without a word.
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONUNBUFFERED"}
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment) as running:
        running.stdout.read(10)
        running.stdout.close()
        said = running.stderr.read()
        assert running.wait() == 0
    assert said == b""


@pytest.mark.skipif(sys.platform == "win32", reason="a POSIX shell closes the streams")
@pytest.mark.parametrize(
    ("words", "streams", "code"),
    [
        ("tie probe TIE --at 1,1", ">&-", 0),
        ("tie probe TIE --at 620,100", ">&-", 1),
        ("tie probe TIE --at 620,100", "| true; exit ${PIPESTATUS[0]}", 1),
        ("tie probe TIE --at 1,1", "2>&-", 0),
        ("tie probe none.json --at 1,1", ">&- 2>&-", 2),
        ("--help", ">&-", 0),
        ("--help", "| true; exit ${PIPESTATUS[0]}", 0),
    ],
)
def test_nobody_listening_changes_no_exit_code(tie_file, words, streams, code):
    command = f"{sys.executable} -m tiepoint.cli.main {words.replace('TIE', str(tie_file))} {streams}"
    done = subprocess.run(["bash", "-c", command], capture_output=True, check=False)
    assert (done.returncode, done.stderr) == (code, b"")


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="/dev/full is Linux's")
@pytest.mark.parametrize(("name", "code"), [("TIE", 0), ("none.json", 2)])
def test_a_full_disk_behind_standard_error_changes_no_exit_code(tie_file, name, code):
    with open("/dev/full", "wb") as full:  # noqa: PTH123  # a device
        words = ("tie", "move", tie_file if name == "TIE" else name, "--height", "0mm", "--u-height", "0mm")
        more = ("--distance", "400mm", "--u-distance", "4mm", "--out", tie_file.with_name("new.json"))
        done = process(*words, *more, stdout=subprocess.PIPE, stderr=full)
    assert done.returncode == code


def test_an_odd_date_for_reproducible_builds_is_no_obstacle(tie_file):
    done = process("tie", "probe", tie_file, "--at", "1,1", env={**os.environ, "SOURCE_DATE_EPOCH": "abc"})
    assert done.returncode == 0, done.stderr


def test_the_commands_answer_as_the_functions_do(cli, tie_file, plain_tie):
    tie = plain_tie
    assert cli("tie", "probe", tie_file, "--at", "3,4", "--json").json == probe(tie, [[3, 4]]).document()
    told = cli("tie", "probe", tie_file, "--length", "3,4", "9,9", "--json").json["lengths"]
    assert told == [length(tie, [3, 4], [9, 9]).document()]
