"""The page's own script beside the studies: what it works out from raw numbers is what tiepoint worked out.

It is run in a real browser. Its special functions are held to SciPy's, its gauge study and its linearity to the
published examples, and every figure of every kind of study to tiepoint's own, to 1e-9.
"""

import dataclasses
import math
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from scipy import special, stats
from tests.helpers.browsers import headless

from tiepoint.documents.revived import outcome_of
from tiepoint.model.decide import Limits
from tiepoint.report.study_numbers import worked
from tiepoint.studies.agreement import Decision, study_agreement
from tiepoint.studies.capability import Cause, study_capability
from tiepoint.studies.lengths import known_lengths, study_lengths
from tiepoint.studies.limits import sample_of_parts, spread_of_readings, stated_spread, study_limits
from tiepoint.studies.linearity import study_linearity
from tiepoint.studies.measured import Measured, read_measured
from tiepoint.studies.pose import cycles_of, study_pose
from tiepoint.studies.rates import agreed, rate
from tiepoint.studies.rr import study_rr
from tiepoint.studies.stability import study_stability
from tiepoint.studies.trial import Showing, study_trial
from tiepoint.studies.type1 import study_type1

DATA = Path(__file__).parents[1] / "data" / "studies"
GAUGE = read_measured(DATA / "rr_10x3x3.csv")
LINE = read_measured(DATA / "linearity_5x12.csv")
PICKED = "([f, i, raw, paths]) => { const found = FORMULAS[f](i, raw); return paths.map((p) => p.split('.').reduce((a, k) => a?.[k] ?? null, found)); }"  # noqa: E501


@pytest.fixture(scope="module")
def script():
    """Return a function that evaluates an expression in a browser that has the page's formulas, and nothing else."""
    with headless() as browser:
        page = browser.new_page()
        for name in ("statistics.js", "risks.js", "formulas.js"):
            page.add_script_tag(content=(files("tiepoint.report") / name).read_text(encoding="utf-8"))
        yield page.evaluate


def as_text(columns):
    """Return columns as the page has them: numbers to their last digit, nothing as a blank."""
    told = {True: lambda v: "", False: lambda v: repr(v) if isinstance(v, float) else str(v)}
    return {name: [told[v is None](v) for v in column] for name, column in columns.items()}


# --- special functions -----------------------------------------------------------------------------------------------


def test_special_functions_are_those_of_scipy(script):
    rng = np.random.default_rng(1)
    dofs = [1.0, 2.0, 2.5, 9.0, 18.0, 60.0, 299.0, 4999.0]
    tails = [0.001, 0.025, 0.05, 0.5, 0.95, 0.975, 0.9999]
    asked = [(p, d) for p in tails for d in dofs]
    many = [(p, d) for p in tails for d in (9999.0, 12345.6, 1.7e7)]
    got = script("(a) => a.map(([p, n]) => stat.tQuantile(p, n))", many)
    assert got == pytest.approx([stats.t.ppf(p, d) for p, d in many], rel=1e-10, abs=1e-12)
    at = [(t, d) for t in (-3.0, -0.01, 0.0, 1.6, 4.0, 40.0) for d in (1.0, 30.0, 12345.6, 1.7e7)]
    got = script("(a) => a.map(([t, n]) => stat.tBelow(t, n))", at)
    assert got == pytest.approx([float(stats.t.cdf(t, d)) for t, d in at], rel=1e-9)
    two = [(p, a, b) for p in tails for a in dofs for b in rng.choice(dofs, 3).tolist()]
    got = script("(a) => a.map(([p, n]) => stat.chi2Quantile(p, n))", asked)
    assert got == pytest.approx([float(special.chdtri(d, 1 - p)) for p, d in asked], rel=1e-10)
    got = script("(a) => a.map(([p, n]) => stat.tQuantile(p, n))", [(p, d) for p, d in asked if d > 1])
    assert got == pytest.approx([stats.t.ppf(p, d) for p, d in asked if d > 1], rel=1e-9, abs=1e-12)
    got = script("(a) => a.map(([p, m, n]) => stat.fQuantile(p, m, n))", two)
    assert got == pytest.approx([float(special.fdtri(a, b, p)) for p, a, b in two], rel=1e-9)
    got = script("(a) => a.map(([p, m, n]) => stat.betaQuantile(p, m, n))", two)
    assert got == pytest.approx([float(special.betaincinv(a, b, p)) for p, a, b in two], rel=1e-9)
    shifted = [(x, n, s) for x in (0.5, 8.0, 60.0) for n in (1.0, 4.0, 30.0) for s in (0.0, 0.3, 9.0, 80.0)]
    got = script("(a) => a.map(([x, n, s]) => stat.nonCentral(x, n, s))", shifted)
    assert got == pytest.approx([float(special.chndtr(x, n, s)) for x, n, s in shifted], rel=1e-9, abs=1e-15)
    at = np.linspace(-12, 12, 49).tolist()
    assert script("(a) => a.map(stat.normal)", at) == pytest.approx(special.ndtr(at).tolist(), rel=1e-12)
    assert script("(a) => a.map(stat.normalQuantile)", tails) == pytest.approx(stats.norm.ppf(tails), rel=1e-12)
    gammas = [0.5, 1.0, 2.5, 11.9, 12.0, 500.0, 1e5]
    got = script("(a) => a.map(stat.lnGamma)", gammas)
    assert got == pytest.approx(special.gammaln(gammas).tolist(), rel=1e-14, abs=2e-14)


def test_bounds_are_those_of_scipy_and_more_parts_those_of_tiepoint(script):
    for events, n in ((5, 100), (0, 299), (100, 100), (1, 4), (37, 4000)):
        found = script("(i) => FORMULAS.rate(i)", {"events": events, "n": n, "confidence": 0.95})
        exact = stats.binomtest(events, n).proportion_ci(method="exact")
        assert [found["low"], found["high"]] == pytest.approx([exact.low, exact.high], rel=1e-9)
        one = [stats.binomtest(events, n, alternative=a).proportion_ci(method="exact") for a in ("less", "greater")]
        assert [found["at_most"], found["at_least"]] == pytest.approx([one[0].high, one[1].low], rel=1e-9)
    more = {"events": 0, "n": 5, "most": 0.01, "confidence": 0.95}
    assert script("(i) => FORMULAS.more(i)", more) == agreed("x", rate(0, 5), 0.01).more == 299 - 5


# --- published examples ----------------------------------------------------------------------------------------------


def test_the_published_gauge_study_to_the_digits_given(script):
    # AIAG, Measurement Systems Analysis, 4th ed.: the 10 × 3 × 3 example, interaction pooled; sums of squares unpooled.
    raw = as_text({"part": GAUGE.part, "appraiser": GAUGE.factors["appraiser"], "value": GAUGE.values.tolist()})
    asked = {"factors": ["appraiser"], "every": [], "pool": "rule", "pool_above": 0.25, "tolerance": 8, "spread": 6}
    paths = ["ev.value", "av.value", "pv.value", "tv.value", "grr.value", "share_of_total.value"]
    found = script(PICKED, ["rr", asked, raw, paths])
    assert [round(v, 6) for v in found[:4]] == [0.199933, 0.226838, 1.042327, 1.0853]
    assert found[4] == pytest.approx(0.302373, abs=1.5e-6)
    assert round(100 * found[5], 2) == 27.86
    squares = script(PICKED, ["rr", {**asked, "pool": "never"}, raw, [f"terms.{k}.ss" for k in range(4)]])
    assert [round(v, 5) for v in squares] == [88.36193, 3.16726, 0.35898, 2.75893]


def test_the_published_linearity_example_to_the_digits_given(script):
    # AIAG, Measurement Systems Analysis, 4th ed.: 5 parts × 12 readings.
    raw = as_text({"reference": LINE.reference.tolist(), "value": LINE.values.tolist()})
    paths = ["slope.value", "intercept.value", "r_squared", "s", *(f"at.{k}.bias.value" for k in range(5))]
    found = script(PICKED, ["linearity", {"u_reference": 0}, raw, paths])
    assert [round(v, 6) for v in found[:2]] == [-0.131667, 0.736667]
    assert [round(v, 5) for v in found[2:4]] == [0.71432, 0.23954]
    assert [round(v, 4) for v in found[4:]] == [0.4917, 0.125, 0.025, -0.2917, -0.6167]


# --- every kind of study ---------------------------------------------------------------------------------------------


def measured(values, **told):
    return Measured(np.array(values), "mm", tuple(f"row {k}" for k in range(len(values))), **told)


def crossed(levels, repeats, drop=0):
    """Return a study of parts crossed with factors, with an interaction; each `drop`-th value is missing."""
    rng = np.random.default_rng(3)
    cells = [at for at in np.ndindex(*levels) for _ in range(repeats)]
    values = [10 + 0.05 * at[0] + sum(0.01 * v for v in at[1:]) + 0.01 * (math.prod(at) % 3) for at in cells]
    values = [v + rng.normal(0, 0.01) for v in values]
    kept = [k for k in range(len(cells)) if not drop or k % drop]
    factors = {f"f{j}": tuple(str(cells[k][j]) for k in kept) for j in range(1, len(levels))}
    return measured([values[k] for k in kept], part=tuple(str(cells[k][0]) for k in kept), factors=factors)


def type1(n, u, tolerance=0.2):
    values = 4.5 + np.random.default_rng(n).normal(0.0005, 0.002, n)
    return study_type1(measured(values), tolerance=tolerance, reference=4.5, u_reference=u)


def stability(n, sets):
    values = 4.5 + np.random.default_rng(n).normal(0, 0.002, n)
    if not sets:
        return study_stability(measured(values), base=25, most=0.01)
    days = {"day": tuple(str(k // sets) for k in range(n))}
    return study_stability(measured(values, factors=days), centre=4.5, most=0.01)


def lengths(most):
    places = [(L, p, o, h) for L in (10, 20, 30, 40, 50) for p in "abcde" for o in "xy" for h in "01" for _ in range(3)]
    known = np.array([float(p[0]) for p in places])
    noise = np.random.default_rng(5).normal(0, 0.003, known.size)
    position, orientation, height = zip(*(p[1:] for p in places), strict=True)
    told = {"position": position, "orientation": orientation, "height": height}
    return study_lengths(known_lengths(known, known * 1.0001 + noise, u=0.001, **told), most_error=most)


def decisions(raters):
    rng = np.random.default_rng(6)
    truths = ["good"] * 60 + ["scratch"] * 25 + ["dent"] * 25
    return [
        Decision(f"p{k}", "good" if (truth == "good") != (rng.random() < 0.03) else "scratch", truth, rater)
        for k, truth in enumerate(truths)
        for rater in raters
    ]


def all_right():
    return [Decision(f"p{k}", truth, truth) for k in range(12) for truth in (("good", "bad")[k % 2],)]


def capability(*more):
    causes = [("calibration", 0.001, math.inf), ("resolution", 0.002, math.inf), ("repeatability_reference", 0.002, 49)]
    return study_capability([Cause(*c) for c in (*causes, ("bias", 0.001, math.inf), *more)], 0.2)


def trial():
    rng = np.random.default_rng(8)
    made = []
    for k in range(200):
        kind = ("scratch" if k < 40 else "dent") if k < 80 else ""
        passes = k == 3 or (k >= 80 and k != 99)
        verdict = "conforms" if passes else "rejected"
        made.append(Showing(f"q{k}", "bad" if k < 80 else "good", kind, verdict, float(rng.normal())))
    return study_trial(made, most_escapes=0.01, most_false=0.05)


def pose(dimension, commanded, poses=2, flat=False):
    rng = np.random.default_rng(dimension + 10 * poses)
    made = []
    for k in range(poses):
        places = np.array([3.0, 4.0, 5.0][:dimension]) + rng.normal(0, 0.02, (30, dimension))
        if flat:
            places[:, 1] = 4.0
        made.append(cycles_of(f"P{k}", places, None if commanded is None else np.array(commanded) + 0.01 * k))
    return study_pose(made)


READ = 4.41 + np.random.default_rng(11).normal(0, 0.02, 60)


def limits(spread, due=None, **told):
    given = {"u_own": 0.002, "u_common": 0.003, **told}
    return study_limits(due or Limits(4.3, 4.5), spread, **given)


STUDIES = {
    "rr": lambda: study_rr(GAUGE, tolerance=8.0),
    "rr never pooled": lambda: study_rr(GAUGE, tolerance=8.0, pool="never"),
    "rr always pooled": lambda: study_rr(GAUGE, pool="always"),
    "rr of all levels": lambda: study_rr(GAUGE, tolerance=8.0, every=("appraiser",)),
    "rr without a factor": lambda: study_rr(dataclasses.replace(GAUGE, factors={})),
    "rr of two factors": lambda: study_rr(crossed((8, 3, 2), 2), tolerance=0.5),
    "rr of two factors, one of them whole": lambda: study_rr(crossed((8, 3, 2), 2), every=("f2",)),
    "rr of two factors, both whole": lambda: study_rr(crossed((8, 3, 2), 2), tolerance=0.5, every=("f1", "f2")),
    "rr of unequal repeats": lambda: study_rr(crossed((8, 3), 4, drop=7), tolerance=0.5),
    "type1": lambda: type1(50, 0.0003),
    "type1 of few": lambda: type1(10, 0.0),
    "type1 of a tolerance that is wide": lambda: type1(25, 0.0003, 3.0),
    "linearity": lambda: study_linearity(LINE, u_reference=0.01, most=0.5),
    "linearity, references uncertain each on its own": lambda: study_linearity(
        dataclasses.replace(LINE, u_reference=np.repeat([0.1, 0.02, 0.2, 0.05, 0.1], 12)), u_reference=0.01
    ),
    "stability": lambda: stability(40, 0),
    "stability by sets": lambda: stability(100, 5),
    "lengths": lambda: lengths(0.012),
    "lengths without a maximum": lambda: lengths(None),
    "agreement": lambda: study_agreement(decisions("ab"), most_misses=0.05),
    "agreement, decided once": lambda: study_agreement(decisions("a")),
    "agreement, all right": lambda: study_agreement(all_right()),
    "capability of the system": capability,
    "capability": lambda: capability(("repeatability_parts", 0.003, 60), ("reproducibility", 0.002, 2)),
    "trial": trial,
    "pose": lambda: pose(2, [3.02, 4.0]),
    "pose in space, three of them": lambda: pose(3, [3.0, 4.0, 5.0], poses=3),
    "pose that nobody commanded": lambda: pose(3, None, poses=7),
    "pose along one axis": lambda: pose(2, [3.0, 4.0], poses=4, flat=True),
    "limits of stated parts": lambda: limits(stated_spread(4.401, 0.02), u_common=0.0),
    "limits of stated parts, an error in common": lambda: limits(stated_spread(4.401, 0.02)),
    "limits of readings": lambda: limits(spread_of_readings(READ, 0.002), readings=READ, most_consumer=0.002),
    "limits of readings, sorted": lambda: limits(
        spread_of_readings(READ, 0.002), readings=READ, undecided="sorted", dof=12.0, most_producer=0.1
    ),
    "limits of parts as they are": lambda: limits(sample_of_parts(READ, 0.002), readings=READ, undecided="accepted"),
    "limits of one side, by a guard band": lambda: limits(
        stated_spread(4.43, 0.03), due=Limits(None, 4.5, "guard:5um"), most_consumer=0.004
    ),
}


@pytest.mark.parametrize("name", STUDIES)
def test_the_page_works_out_what_the_study_found(script, name):
    kind = name.partition(" ")[0].rstrip(",")
    found = worked(kind, outcome_of(STUDIES[name]()))
    due = {path: number for row in found.rows for path, number in row.numbers.items()}
    assert len(due) >= 6
    got = script(PICKED, [found.formula, dict(found.inputs), as_text(found.columns) or None, list(due)])
    off = {p: (g, d) for p, g, d in zip(due, got, due.values(), strict=True) if not math.isclose(g, d, rel_tol=1e-9)}
    assert off == {}


@pytest.mark.parametrize(
    ("ends", "folded", "due"),
    [
        ((-0.02, -0.03, -0.01), True, (20, 10, 30)),
        ((0.01, -0.03, 0.02), True, (10, 0, 30)),
        ((0.01, 0.005, 0.02), True, (10, 5, 20)),
        ((0.02, None, 0.03), False, (20, None, 30)),
    ],
)
def test_what_a_requirement_is_held_by_is_folded_and_put_into_its_unit(script, ends, folded, due):
    """Micrometres of millimetres; how far off it is, whichever way, has its interval on one side of 0."""
    of = {"drift": dict(zip(("value", "low", "high"), ends, strict=True))}
    at = [f"drift.{end}" for end in of["drift"]]
    found = script("(i) => FORMULAS.held(i)", {"of": of, "at": at, "folded": folded, "per": 1000.0})
    got = tuple(found[end] for end in ("value", "low", "high"))
    finite = [(g, d) for g, d in zip(got, due, strict=True) if d is not None]
    assert [g for g, _ in finite] == pytest.approx([d for _, d in finite], rel=1e-12)


def test_the_errors_of_a_touch_test_are_worked_out_again(script):
    """Errors of 3, 4 and of 5, 12, whose lengths are 5 and 13, and a point that does not count."""
    shown = [((400.0, 10.0), (403.0, 14.0)), ((90.0, 20.0), (85.0, 32.0)), (None, (1.0, 2.0))]
    points = [
        {
            "row": k,
            "plane_mm": (0.0, k),
            "expected_mm": due,
            "shown_mm": got,
            "size_mm": size,
            "verdict": said,
            "why": "",
        }
        for k, ((due, got), size, said) in enumerate(
            zip(shown, (5.0, 13.0, None), ("rejected", "rejected", None), strict=True), 1
        )
    ]
    rms = math.sqrt((25 + 169) / 2)
    worst = {"value": 13.0, "low": 12.0, "high": 14.0}
    # With 95 % on one side of a normal law 1.645 u is left open (tables of the normal law).
    touching = {"u_touch_mm": 1 / 1.6448536269514722, "dof_touch": None}
    found = worked("touch", {"points": points, "tolerance_mm": 0.3, "worst_mm": worst, "rms_mm": rms, **touching})
    due = {path: number for row in found.rows for path, number in row.numbers.items()}
    ends = {"worst_mm.value": 13.0, "worst_mm.low": 12.0, "worst_mm.high": 14.0}
    assert due == {**ends, "rms_mm": rms, "sizes.0": 5.0, "sizes.1": 13.0}
    got = script(PICKED, [found.formula, dict(found.inputs), as_text(found.columns), list(due)])
    assert got == pytest.approx(list(due.values()), rel=1e-12)


def test_verdicts_are_those_of_the_decision_rules(script):
    """The rule of ISO 14253-1 and the others, over values on both sides of near and far limits."""
    from tiepoint.model.decide import Limits, decide

    rng = np.random.default_rng(9)
    for limits in (
        Limits(4.4, 4.6), Limits(4.49, 4.51, p=0.9), Limits(None, 4.6), Limits(4.4, None, "simple"),
        Limits(4.4, 4.6, "guard:0.02mm"),
    ):  # fmt: skip
        rows = [
            (float(v), float(u), d)
            for v, u in zip(rng.normal(4.5, 0.08, 60), rng.uniform(0, 0.02, 60), strict=True)
            for d in (4.0, None)
        ]
        said = [decide(v, u, math.inf if d is None else d, limits) for v, u, d in rows]
        value, u, dof = zip(*rows, strict=True)
        raw = as_text({"value": value, "u": u, "dof": dof, "doubt": [None] * len(rows)})
        plainly = {"lower": limits.lower, "upper": limits.upper, "rule": limits.rule, "p": limits.p, "guard": 0.02}
        paths = ["conforms", "undecided", "rejected"]
        assert script(PICKED, ["reading", {"limits": plainly}, raw, paths]) == [said.count(v) for v in paths]
