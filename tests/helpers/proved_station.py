"""A station with every kind of study, as an acceptance report would have them: known figures, drawn by a fixed seed."""

import csv
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from tests.helpers.vent_station import Vent, picture

BORE = "bore.diameter"
DATA = Path(__file__).parents[1] / "data" / "studies"

ORDERED = """
format = "tiepoint/requirements/1"
title = "Hinge plates for greenhouse vents"
customer = "Assembly, line 4"
supplier = "Vision, hall 2"
scope = "The bore of the plate, lying flat on the table of the fixture."
undecided = "sorted by hand, at the supplier's cost"
takt_s = 0.5
not_checked = ["the back of the plate"]

[[characteristic]]
name = "bore"
reading = "bore.diameter"
drawing = "HV-60, sheet 2, C3"
lower = 4.3
upper = 4.5

[[requirement]]
id = "R1"
says = "Measuring takes no more than 30 % of the tolerance of the bore."
by = "rr"
of = "bore.diameter"
most = 0.3

[[requirement]]
id = "R2"
says = "The gauge is capable on a reference."
by = "type1"
of = "bore.diameter"
least = 1.33

[[requirement]]
id = "R3"
says = "No more than 0.1 % of bad parts pass."
by = "trial"
of = "escapes"
most = 0.001

[[requirement]]
id = "R4"
says = "The bias keeps 0.02 mm over the range."
by = "linearity"
of = "bore.diameter"
most = 0.02

[[requirement]]
id = "R5"
says = "A part takes 0.5 s at most, on duty."
by = "times"
most = 0.5

[[influence]]
name = "light of the hall"
tested = "300 to 900 lx"

[control]
golden = ["G1", "G2"]
every = "each shift"
alarms = ["a golden part leaves the limits of the stability chart"]
[[control.again]]
change = "another lamp or exposure"
tests = ["type1", "stability"]
[[control.again]]
change = "camera moved, or tied anew"
tests = ["type1", "rr", "lengths", "trial"]

[[signature]]
role = "For the supplier"
name = "M. Weiss"
[[signature]]
role = "For the customer"
"""


def table(path: Path, head: Sequence[str], rows: Iterable[Sequence[Any]]) -> Path:
    """Write a table of a study."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([head, *rows])
    return path


def prove(cli: Callable[..., Any], vent: Vent, ordered: str = ORDERED) -> None:
    """Order, accept, judge, and keep a study of every kind that the command line keeps."""
    (vent.folder / "requirements.toml").write_text(ordered, encoding="utf-8")
    assert cli("accept", vent.folder, "--why", "order 7", "--who", "M. Weiss").code == 0
    for name in ("thin", "wide"):
        cli("run", vent.folder, vent.shots, "--variant", name)
    for words in studies(vent.folder.parent / "data"):
        said = cli(*words, "--for", vent.folder)
        assert said.code in (0, 1), said.err
    words = _touched(cli, vent.folder.parent / "robot")
    assert cli(*words, "--for", vent.folder).code == 1
    copy = next(iter(sorted((vent.folder / "accepted").glob("*/recipes"))))
    labels = _challenge(vent.folder.parent / "proof")
    rates = ("--most-escapes", "0.1%", "--most-false", "20%")
    words = (
        "trial",
        copy / "bore.toml",
        labels,
        "--variant",
        "thin",
        "--variants",
        copy.parent / "variants.csv",
        *rates,
    )
    assert cli(*words, "--for", vent.folder).code == 1


def _touched(cli: Callable[..., Any], folder: Path) -> tuple[Any, ...]:
    """Make a robot's tie by pairs, and touch six points with a tip that was bent since."""
    turn = np.array([[np.cos(0.4), -np.sin(0.4)], [np.sin(0.4), np.cos(0.4)]])
    rng = np.random.default_rng(4)
    columns = ("from_x", "from_y", "to_x", "to_y")

    def rows(places: Sequence[tuple[float, float]], off: float) -> list[tuple[float, ...]]:
        to = np.array(places) @ turn.T + [400.0, -150.0] + rng.normal(0, 0.02, (len(places), 2)) + off
        return [(*place, *shown) for place, shown in zip(places, to.round(3).tolist(), strict=True)]

    pairs = table(folder / "pairs.csv", columns, rows([(x, y) for x in (10, 60, 110) for y in (10, 45, 80)], 0.0))
    places = [(97.5, 15.0), (22.5, 75.0), (22.5, 15.0), (97.5, 75.0), (60.0, 30.0), (30.0, 45.0)]
    touched = table(folder / "touched.csv", columns, rows(places, 1.0))
    robot = folder / "robot.json"
    tied = cli("tie", "pairs", pairs, "--unit", "mm", "--from", "plane", "--to", "robot", "--out", robot)
    assert tied.code == 0, tied.err
    return ("touch", "check", robot, touched, "--tolerance", "0.3mm", "--of", "robot")


def _challenge(folder: Path) -> Path:
    """Draw good and bad parts, one of each labelled as what it is not: both are judged wrongly."""
    sizes = [("good", "", 4.40), ("good", "", 4.41), ("good", "", 4.7), ("bad", "large", 4.8), ("bad", "large", 4.42)]
    rows = []
    for k, (label, kind, size) in enumerate(sizes):
        picture(folder / f"p{k}.png", size, 40 + k)
        rows.append((f"p{k}.png", f"P{k}", label, kind))
    return table(folder / "labels.csv", ("shot", "part_id", "label", "class"), rows)


def studies(folder: Path) -> Iterable[tuple[Any, ...]]:
    """Yield the commands of the studies, their tables written beside; 4.4 mm is true, σ is 2 µm."""
    rng = np.random.default_rng(7)
    once = [(v,) for v in (4.4005 + rng.normal(0, 0.002, 50)).round(5)]
    of = ("--of", BORE)
    block = table(folder / "block.csv", ("value",), once)
    yield ("study", "type1", block, "--unit", "mm", "--reference", "4.4mm", "--tolerance", "0.2mm", *of)
    cells = [(p, c, t) for p in range(10) for c in "ABC" for t in range(3)]
    rr = [(p, c, t, round(4.36 + 0.008 * p + 0.001 * "ABC".index(c) + rng.normal(0, 0.002), 5)) for p, c, t in cells]
    loads = table(folder / "loads.csv", ("part", "carrier", "trial", "value"), rr)
    yield ("study", "rr", loads, "--unit", "mm", "--factor", "carrier", "--tolerance", "0.2mm", "--most", "30%", *of)
    yield ("study", "rr", DATA / "rr_10x3x3.csv", "--tolerance", "8mm", "--of", "published example")
    steps = [
        (r, round(r + 0.0004 * (r - 4.4) + rng.normal(0, 0.002), 5))
        for r in (4.2, 4.3, 4.4, 4.5, 4.6)
        for _ in range(10)
    ]
    line = table(folder / "steps.csv", ("reference", "value"), steps)
    yield ("study", "linearity", line, "--unit", "mm", "--most-bias", "0.02mm", "--u-reference", "0.5um", *of)
    yield ("study", "linearity", DATA / "linearity_5x12.csv", "--unit", "mm", "--of", "published example")
    visits = [(v, round(4.4 + rng.normal(0, 0.002), 5)) for v in range(20) for _ in range(5)]
    golden = table(folder / "golden.csv", ("visit", "value"), visits)
    yield ("study", "stability", golden, "--unit", "mm", "--by", "visit", "--most-drift", "0.01mm", *of)
    places = [
        (k, p, o, h) for k in (10, 20, 30, 40, 50) for p in "abcde" for o in "xy" for h in (0, 5) for _ in range(3)
    ]
    known = [(*place, round(place[0] * 1.00005 + rng.normal(0, 0.003), 5)) for place in places]
    bars = table(folder / "lengths.csv", ("known", "position", "orientation", "height", "value"), known)
    yield ("study", "lengths", bars, "--unit", "mm", "--most-error", "0.02mm", "--u", "1um", "--of", "field")
    causes = [("calibration", 0.0005, ""), ("resolution", 0.001, ""), ("repeatability_reference", 0.002, 49),
              ("bias", 0.0005, ""), ("repeatability_parts", 0.0022, 60), ("reproducibility", 0.001, 2)]  # fmt: skip
    yield (
        "study",
        "capability",
        table(folder / "causes.csv", ("cause", "value", "dof"), causes),
        "--tolerance",
        "0.2mm",
        *of,
    )
    shares = ("--most-consumer", "1%", "--most-producer", "10%")
    parts = table(folder / "parts.csv", ("value", "u"), [(v, 0.002) for v in (4.4 + rng.normal(0, 0.02, 60)).round(5)])
    yield ("limits", parts, "--lower", "4.3mm", "--upper", "4.5mm", "--u-common", "1um", *shares, *of)
    labelled = [(round(0.1 + 0.01 * rng.random(), 5), "good") for _ in range(40)]
    labelled += [(round(0.2 + 0.02 * rng.random(), 5), "bad") for _ in range(30)]
    yield ("limits", table(folder / "burr.csv", ("value", "label"), labelled), "--most-escapes", "10%", "--of", "burr")
    cycles = np.array([100.0, 50.0]) + rng.normal(0, 0.02, (30, 2))
    reached = [(*c, 100, 50) for c in cycles.round(4).tolist()]
    columns = ("x_mm", "y_mm", "commanded_x_mm", "commanded_y_mm")
    yield ("study", "pose", table(folder / "cycles.csv", columns, reached), "--most-rp", "0.2mm", "--of", "home")
    said = []
    for k in range(60):
        truth = "good" if k < 35 else "scratch" if k < 50 else "dent"
        for shift in "AB":
            right = rng.random() > 0.03
            said.append((f"q{k}", shift, "good" if (truth == "good") == right else "bad", truth))
    decided = table(folder / "decided.csv", ("part", "shift", "value", "reference"), said)
    yield ("study", "agreement", decided, "--by", "shift", "--most-misses", "5%")
