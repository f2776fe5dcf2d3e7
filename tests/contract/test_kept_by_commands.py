"""What `study pose`, `limits` and `touch check` keep for a station, and which requirement it shows."""

import csv
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from tests.helpers.vent_station import REQUIREMENTS

from tiepoint.station.folder import open_station
from tiepoint.station.kept import kept_studies
from tiepoint.station.ledger import Ledger
from tiepoint.station.matrix import matrix
from tiepoint.station.requirements import agreed_requirements

ASKED = (
    REQUIREMENTS.replace('customer = "Line 4"', 'customer = "Line 4"\nundecided_are = "sorted"')
    + """
[[requirement]]
id = "R1"
says = "The robot repeats to 0.1 mm."
by = "pose"
most = 0.1

[[requirement]]
id = "R2"
says = "At most 0.1 % of all vents are bad and accepted."
by = "limits"
of = "bore.diameter"
most = 0.001

[[requirement]]
id = "R3"
says = "The robot touches within 0.3 mm."
by = "touch"
most = 0.3
"""
)


@pytest.fixture
def agreed(cli, vent):
    (vent.folder / "requirements.toml").write_text(ASKED)
    assert cli("accept", vent.folder, "--why", "order 7", "--who", "M. Weiss").code == 0
    return vent


def states(vent):
    station = open_station(vent.folder)
    with Ledger(station.ledger_path) as ledger:
        found, act = agreed_requirements(station, ledger)
        lines = matrix(found.table.requirement, act, list(kept_studies(station, ledger)))
    return {line.asked.id: line for line in lines}


def table(path, head, rows):
    with path.open("w", newline="") as file:
        csv.writer(file).writerows([head.split(","), *rows])
    return path


def cycles(path, sigma):
    rng = np.random.default_rng(1)
    rows = [[f"{v:.4f}" for v in np.array([400, 100, 50]) + rng.normal(0, sigma, 3)] for _ in range(30)]
    return table(path, "x_mm,y_mm,z_mm", rows)


def test_a_robots_poses_and_risks_are_kept_and_shown_and_the_newest_counts(cli, agreed, tmp_path):
    assert {line.state for line in states(agreed).values()} == {"not tried"}
    fine, coarse = cycles(tmp_path / "fine.csv", 0.01), cycles(tmp_path / "coarse.csv", 0.05)
    drawn = tmp_path / "fine.svg"
    words = ("--most-rp", "0.1mm", "--picture", drawn, "--for", agreed.folder, "--of", "cell 2")
    said = cli("study", "pose", fine, *words)
    assert said.code == 0
    assert "1: RP" in "".join(ET.parse(drawn).getroot().itertext())
    assert "entry" in said.err
    assert "In the manner of ISO 9283" in said.out
    assert states(agreed)["R1"].state == "shown"
    cli("study", "pose", coarse, "--for", agreed.folder)
    assert states(agreed)["R1"].state == "not shown"
    words = ("--lower", "4.3mm", "--upper", "4.5mm", "--mean", "4.4mm", "--spread", "0.03mm", "--u", "0.005mm")
    said = cli("limits", *words, "--for", agreed.folder, "--of", "bore.diameter", "--json")
    assert said.json["undecided"] == "sorted"  # as agreed, without being typed
    assert states(agreed)["R2"].state == "shown"
    typed = cli("limits", *words, "--for", agreed.folder, "--undecided", "accepted", "--json")
    assert typed.json["undecided"] == "accepted"


def test_limits_from_good_and_bad_parts_are_kept_with_their_table(cli, agreed, tmp_path):
    rows = [(f"g{k}", f"{0.1 * k:.2f}", "good") for k in range(20)] + [(f"b{k}", f"{8 + k}", "bad") for k in range(5)]
    path = table(tmp_path / "parts.csv", "part,value,label", rows)
    assert cli("limits", path, "--for", agreed.folder, "--of", "scratch").code == 0
    station = open_station(agreed.folder)
    with Ledger(station.ledger_path) as ledger:
        (kept,) = kept_studies(station, ledger)
    assert (kept.kind, kept.of, kept.fault) == ("limits", "scratch", None)
    assert (agreed.folder / "studies" / kept.document["data"]["file"]).read_bytes() == path.read_bytes()


@pytest.mark.parametrize(("off", "state"), [(0.05, "shown"), (0.5, "not shown")])
def test_a_touch_test_is_kept_and_held_by_its_largest_error(cli, agreed, tmp_path, off, state):
    places = np.array([(0, 0), (100, 0), (0, 80), (100, 80), (50, 40), (20, 60), (75, 15), (35, 35)], float)
    seen = places + np.array([400.0, 100.0]) + np.random.default_rng(1).normal(0, 0.01, places.shape)
    pairs = table(tmp_path / "pairs.csv", "from_x,from_y,to_x,to_y", np.hstack([places, seen]).tolist())
    tie = tmp_path / "robot.json"
    words = ("--unit", "mm", "--from", "plane", "--to", "robot", "--model", "rigid")
    assert cli("tie", "pairs", pairs, *words, "--out", tie).code == 0
    touched = [(30, 20, 430 + off, 120), (70, 30, 470, 130), (40, 70, 440, 170), (80, 65, 480, 165)]
    path = table(tmp_path / "touched.csv", "from_x,from_y,to_x,to_y", touched)
    said = cli("touch", "check", tie, path, "--tolerance", "0.3mm", "--u", "0.02mm", "--for", agreed.folder)
    assert said.code == (0 if state == "shown" else 1)
    line = states(agreed)["R3"]
    assert line.state == state
    assert line.found.value == pytest.approx(off, abs=0.02)


def test_a_design_is_dated_and_the_report_lists_it(cli, agreed, tmp_path):
    words = ("study", "design", "bore.diameter", "--tolerance", "0.2mm", "--seed", "3", "--for", agreed.folder)
    assert cli(*words).code == 0
    station = open_station(agreed.folder)
    with Ledger(station.ledger_path) as ledger:
        (kept,) = kept_studies(station, ledger)
    assert (kept.kind, kept.of, kept.good, kept.fault) == ("design", "bore.diameter", None, None)
    assert kept.document["outcome"]["seed"] == 3
    cli("study", "pose", cycles(tmp_path / "c.csv", 0.01), "--for", agreed.folder, "--of", "cell 2")
    out = tmp_path / "acceptance.html"
    assert cli("report", agreed.folder, "--out", tmp_path / "a.pdf", "--html", out).code in (0, 1)
    text = out.read_text(encoding="utf-8")
    assert "design" in text
    assert "cell 2" in text
