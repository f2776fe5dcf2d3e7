"""Which requirement is shown: by the newest study of its kind, at the end of its interval that is against it."""

import dataclasses
import math

import numpy as np
import pytest

from tiepoint.documents.canonical import plain
from tiepoint.model.decide import Limits
from tiepoint.station.kept import KeptStudy
from tiepoint.station.ledger import Entry
from tiepoint.station.matrix import Known, all_shown, in_all, matrix
from tiepoint.station.requirements import Characteristic, Requirement
from tiepoint.studies.lengths import known_lengths, study_lengths
from tiepoint.studies.limits import stated_spread, study_limits
from tiepoint.studies.pose import cycles_of, study_pose
from tiepoint.studies.rates import rate
from tiepoint.studies.trial import Showing, study_trial

AGREED = Entry(3, "act", "2026-05-12T08:00:00.000Z", {}, "", "")
RR = Requirement(id="R1", says="GRR", by="rr", of="bore A.diameter", most=0.3)


def study(kind, outcome, seq=9, of="bore A.diameter", good=True, fault=None, data_sha=None, **document):
    act = Entry(seq, "act", "2026-05-20T08:00:00.000Z", {"data_sha": data_sha}, "", "")
    return KeptStudy(kind, of, good, {} if fault else {"outcome": outcome, **document}, act, fault)


def grr(low, value, high, of_tolerance=True):
    figure = {"value": value, "low": low, "high": high}
    return {"share_of_tolerance": figure if of_tolerance else None, "share_of_total": figure, "good": None}


def state(asked, *studies):
    (line,) = matrix([asked], AGREED, studies)
    return line.state


@pytest.mark.parametrize(
    ("high", "expected"), [(0.29, "shown"), (0.3, "shown"), (0.31, "not shown"), (None, "not shown")]
)
def test_the_unfavourable_end_decides_and_an_open_one_never_keeps_a_limit(high, expected):
    assert state(RR, study("rr", grr(0.1, 0.2, high))) == expected


def test_a_least_is_held_by_the_lower_end():
    asked = Requirement(id="R2", says="Cgk", by="type1", of="bore A.diameter", least=1.33)
    of = {"cgk": {"value": 1.5, "low": 1.34, "high": 1.7}}
    assert state(asked, study("type1", of)) == "shown"
    assert state(asked, study("type1", {"cgk": {**of["cgk"], "low": 1.32}})) == "not shown"


def test_the_newest_study_of_that_kind_and_reading_counts():
    good, bad = study("rr", grr(0.1, 0.2, 0.25)), study("rr", grr(0.3, 0.4, 0.5))
    assert state(RR, good, bad) == "not shown"
    assert state(RR, bad, good) == "shown"
    assert state(RR, study("rr", grr(0.1, 0.2, 0.25), of="bore B.diameter")) == "not tried"
    assert state(RR, study("type1", {})) == "not tried"


def test_what_was_not_done_is_not_tried_whatever_else_was():
    (line,) = matrix([Requirement(id="T", says="P99", by="times", most=0.5)], AGREED, [study("rr", grr(0, 0.1, 0.2))])
    assert (line.state, line.found) == ("not tried", None)
    assert "on duty" in line.why


def test_a_study_older_than_what_was_agreed_shows_nothing():
    (line,) = matrix([RR], AGREED, [study("rr", grr(0.1, 0.2, 0.25), seq=2)])
    assert line.state == "not shown"
    assert "older than what was agreed" in line.why


def test_an_altered_study_and_one_without_the_figure_show_nothing():
    (altered,) = matrix([RR], AGREED, [study("rr", {}, fault="studies/9-rr.json was altered after the study was made")])
    (empty,) = matrix([RR], AGREED, [study("rr", {"good": True})])
    assert (altered.state, empty.state) == ("not shown", "not shown")
    assert "was altered" in altered.why
    assert "does not hold the figure" in empty.why


def test_rates_of_a_trial_are_held_by_their_one_sided_bound():
    """No escape among 299 bad parts shows 1 % at 95 %, among 298 it does not (Clopper & Pearson; common practice)."""

    def of(n_bad):
        bad = [Showing(f"b{k}", "bad", "scratch", "rejected") for k in range(n_bad)]
        good = [Showing(f"g{k}", "good", "", "conforms") for k in range(60)]
        return study("trial", plain(dataclasses.asdict(study_trial([*bad, *good]))), of="trial")

    for asked_of in (None, "escapes", "scratch"):
        asked = Requirement(id="R3", says="Escapes", by="trial", of=asked_of, most=0.01)
        assert state(asked, of(299)) == "shown"
        assert state(asked, of(298)) == "not shown"
    unknown = Requirement(id="R4", says="Dents", by="trial", of="dent", most=0.01)
    (line,) = matrix([unknown], AGREED, [of(299)])
    assert (line.state, 'no class "dent"' in line.why) == ("not shown", True)
    surer = Requirement(id="R5", says="Escapes", by="trial", most=0.01, confidence=0.99)
    assert state(surer, of(299)) == "not shown"
    assert math.isclose(rate(0, 299).at_most, 1 - 0.05 ** (1 / 299))


def test_a_rate_that_is_not_shown_tells_how_many_more_parts_would():
    """Of 40 bad parts none passed; 299 without an escape show 1 % (Clopper & Pearson)."""
    parts = [Showing(f"b{k}", "bad", "", "rejected", 2.0) for k in range(40)]
    parts += [Showing(f"g{k}", "good", "", "conforms", 9.0) for k in range(40)]
    outcome = plain(dataclasses.asdict(study_trial(parts, most_escapes=0.01)))
    of_one, of_two = (Requirement(id="R", says="Escapes", by="trial", of="escapes", most=m) for m in (0.01, 0.02))
    (line,) = matrix([of_one], AGREED, [study("trial", outcome, of="trial")])
    assert (line.state, line.more) == ("not shown", 259)
    assert line.why.endswith("does not keep it; 259 more parts, all judged rightly, would")
    (other,) = matrix([of_two], AGREED, [study("trial", outcome, of="trial")])
    assert (other.state, other.more) == ("not shown", 109)  # 149 show 2 %, though the study was not asked for it


def figure(low, value, high):
    return {"value": value, "low": low, "high": high}


def check(name, holds):
    return {"name": name, "holds": holds, "sentence": f"{name} is told."}


def asking(by, *, most=None, least=None, of="bore A.diameter", **more):
    return Requirement(id="R", says="asked", by=by, of=of, most=most, least=least, **more)


@pytest.mark.parametrize(
    ("drift", "expected"),
    [
        ((-0.0535, -0.0515, -0.0494), "not shown"),
        ((-0.009, -0.005, 0.001), "shown"),
        ((0.001, 0.008, 0.012), "not shown"),
    ],
)
def test_a_drift_is_held_by_its_size_whichever_way_it_goes(drift, expected):
    of = {"drift": figure(*drift), "unit": "mm", "alarms": []}
    assert state(asking("stability", most=0.01), study("stability", of)) == expected


def test_a_study_with_alarms_shows_nothing():
    of = {"drift": figure(-0.001, 0.0, 0.001), "unit": "mm", "alarms": [{"chart": "single"}]}
    assert state(asking("stability", most=0.01), study("stability", of, good=False)) == "not shown"


@pytest.mark.parametrize(
    ("unit", "asked", "expected"),
    [
        ("in", "mm", "not shown"),
        ("in", "in", "shown"),
        ("um", "mm", "shown"),
        ("mm", "um", "shown"),
        ("px", "mm", "not shown"),
    ],
)
def test_a_limit_is_held_in_its_own_unit(unit, asked, expected):
    """0.00124 in are 0.0315 mm (the inch is 25.4 mm since 1959)."""
    of = {"largest": figure(0.0, 0.00124, 0.0013), "unit": unit}
    line = asking("linearity", most=2.0 if asked == "um" else 0.01, unit=asked)
    assert state(line, study("linearity", of)) == expected


def test_a_study_made_for_another_tolerance_than_the_drawings_shows_nothing():
    drawn = Characteristic(name="bore A", reading="bore A.diameter", drawing="C3", lower=4.3, upper=4.5)

    def of(tolerance, unit):
        return study("rr", {**grr(0.05, 0.09, 0.2), "tolerance": tolerance, "unit": unit})

    states = [matrix([RR], AGREED, [of(*t)], Known([drawn]))[0] for t in ((0.2, "mm"), (2.0, "mm"), (0.2 / 25.4, "in"))]
    assert [line.state for line in states] == ["shown", "not shown", "shown"]
    assert "made for a tolerance of 2 mm, and the drawing gives 0.2" in states[1].why


def test_a_share_of_the_variation_never_stands_in_for_that_of_the_tolerance():
    of = study("rr", grr(0.05, 0.09, 0.2, of_tolerance=False))
    assert state(RR, of) == "not shown"
    assert state(asking("rr", most=0.3, figure="GRR of the variation"), of) == "shown"
    (line,) = matrix([asking("rr", most=0.3, figure="GRR")], AGREED, [of])
    assert (line.state, "it has no GRR" in line.why) == ("not shown", True)


def test_a_measuring_system_alone_shows_nothing_of_the_process():
    of = study("capability", {"system": {"q": figure(0.01, 0.01, 0.01)}, "process": None, "unit": "mm"})
    assert state(asking("capability", most=0.3), of) == "not shown"
    assert state(asking("capability", most=0.15, figure="Q_MS"), of) == "shown"


@pytest.mark.parametrize(
    ("holds", "expected"), [((True, True), "shown"), ((None, None), "shown"), ((False, True), "not shown")]
)
def test_data_that_are_not_what_the_interval_takes_them_for_show_nothing(holds, expected):
    checks = [check("independence", holds[0]), check("normality", holds[1]), check("enough values", False)]
    of = {"cgk": figure(1.4, 1.5, 1.7), "checks": checks}
    assert state(asking("type1", least=1.33), study("type1", of)) == expected


def test_lengths_are_held_by_the_requirements_own_limit():
    """|error| + 1.645 u against the limit (ISO 14253-1, one side, 95 %)."""
    where = {name: ["a", "a"] for name in ("position", "orientation", "height")}
    lengths = study_lengths(known_lengths([10.0, 20.0], [10.02, 19.97], u=[0.001, 0.002], **where), most_error=0.1)
    of = {**plain(dataclasses.asdict(lengths)), "missing": [], "checks": []}
    assert state(asking("lengths", most=0.01), study("lengths", of)) == "not shown"
    assert state(asking("lengths", most=0.0333), study("lengths", of)) == "shown"
    assert state(asking("lengths", most=0.0332), study("lengths", of)) == "not shown"
    assert state(asking("lengths", most=0.1), study("lengths", {**of, "missing": ["two heights"]})) == "not shown"


def test_misses_are_held_by_the_requirements_own_limit():
    of = study("agreement", {"misses": dataclasses.asdict(rate(0, 299)), "false_alarms": None, "classes": []}, of=None)
    assert state(asking("agreement", most=0.01, of=None), of) == "shown"
    assert state(asking("agreement", most=0.009, of=None), of) == "not shown"
    assert state(asking("agreement", most=0.5, of="false alarms"), of) == "not shown"


def test_poses_are_held_by_the_worst_of_them():
    poses = [
        {"rp": figure(0.05, 0.06, 0.08), "ap": figure(0.1, 0.2, 0.3)},
        {"rp": figure(0.06, 0.07, 0.12), "ap": None},
    ]
    of = study("pose", {"poses": poses}, of="grip")
    assert state(asking("pose", most=0.12, of="grip"), of) == "shown"
    assert state(asking("pose", most=0.11, of="grip"), of) == "not shown"
    assert state(asking("pose", most=1.0, of="grip", figure="AP"), of) == "not shown"


def test_limits_are_held_by_the_risk_of_the_worst_station():
    placed = {
        "risks": {"average": {"consumer": 1e-5, "producer": 0.01}, "no_error": {"consumer": 0.0, "producer": 0.01}},
        "unfavourable": {"worst": {"consumer": 4e-5, "producer": 0.03}},
    }
    of = study("limits", {"by_risks": None, "by_rule": placed, "limits": {"lower": 4.4, "upper": 4.6}})
    assert state(asking("limits", most=4e-5), of) == "shown"
    assert state(asking("limits", most=3e-5), of) == "not shown"
    assert state(asking("limits", most=0.02, figure="producer's risk"), of) == "not shown"
    drawn = Characteristic(name="bore A", reading="bore A.diameter", drawing="C3", lower=4.3, upper=4.5)
    (line,) = matrix([asking("limits", most=4e-5)], AGREED, [of], Known([drawn]))
    assert (line.state, "other limits" in line.why) == ("not shown", True)


def line_of(asked, *studies):
    (found,) = matrix([asked], AGREED, studies)
    return found


def test_a_touch_test_is_held_by_its_largest_error():
    told = study("touch", {"worst_mm": figure(0.15, 0.2, 0.25)}, of=None)
    assert state(asking("touch", most=0.25, of=None), told) == "shown"
    assert state(asking("touch", most=0.24, of=None), told) == "not shown"
    assert state(asking("touch", most=0.3, of=None), study("touch", {"worst_mm": None}, of=None)) == "not shown"


def test_a_figure_that_is_asked_for_by_the_wrong_end_shows_nothing():
    judged = line_of(asking("type1", most=2.0), study("type1", {"cgk": figure(1.34, 1.5, 1.7)}))
    assert (judged.state, "state least" in judged.why) == ("not shown", True)
    judged = line_of(asking("rr", least=0.1), study("rr", grr(0.1, 0.2, 0.25)))
    assert (judged.state, "state most" in judged.why) == ("not shown", True)


def test_a_study_of_what_is_not_run_any_more_shows_nothing():
    later = Entry(12, "act", "2026-06-01T08:00:00.000Z", {}, "", "")
    judged = line_of(RR, dataclasses.replace(study("rr", grr(0.1, 0.2, 0.25)), replaced=later))
    assert judged.state == "not shown"
    assert "before entry 12 replaced it" in judged.why


def test_risks_are_counted_as_it_was_agreed_who_carries_undecided_parts():
    """Real studies: sorted by other means, good ones within the guard band are nobody's risk."""
    for undecided, name in (("not-accepted", "producer"), ("sorted", "good_rejected")):
        made = study_limits(Limits(-1.0, 1.0), stated_spread(0.0, 0.4), u_own=0.05, u_common=0.04, undecided=undecided)
        told, worst = study("limits", plain(dataclasses.asdict(made))), getattr(made.by_rule.risks.worst, name)
        asked = asking("limits", figure="producer's risk", most=1.001 * worst)
        assert state(asked, told) == "shown"
        assert state(asking("limits", figure="producer's risk", most=0.999 * worst), told) == "not shown"
    never = study_limits(Limits(-1.0, 1.0), stated_spread(0.0, 0.4), u_own=2.0)
    assert state(asking("limits", most=0.5), study("limits", plain(dataclasses.asdict(never)))) == "not shown"


def test_studies_of_the_whole_station_answer_whatever_they_are_called():
    rng = np.random.default_rng(1)
    cycles = [cycles_of(str(k), rng.normal(0, s, (30, 3)), [0, 0, 0]) for k, s in enumerate((0.01, 0.03, 0.02))]
    made = study_pose(cycles)
    high, told = max(p.rp.high for p in made.poses), study("pose", plain(dataclasses.asdict(made)), of="cell 2")
    assert state(asking("pose", most=high, of=None), told) == "shown"
    assert state(asking("pose", most=0.999 * high, of="cell 2"), told) == "not shown"
    assert state(asking("pose", most=high, of="cell 3"), told) == "not tried"
    assert state(asking("rr", most=0.3, of=None), study("rr", grr(0.1, 0.2, 0.25))) == "not tried"


# --- criteria before data, and accepted recipes -----------------------------------------------------------------------

GOOD = grr(0.1, 0.2, 0.25)


def held(asked, *studies, agreed=AGREED, **known):
    (found,) = matrix([asked], agreed, studies, Known(**known))
    return found


def test_a_requirement_counts_from_the_act_since_which_it_stands():
    relaxed = Entry(12, "act", "2026-05-21T08:00:00.000Z", {}, "", "")
    before, after = study("rr", GOOD, seq=9), study("rr", GOOD, seq=13)
    assert held(RR, before, agreed=relaxed).state == "not shown"
    line = held(RR, before, agreed=relaxed, since={"R1": AGREED})
    assert (line.state, line.agreed) == ("shown", AGREED)
    assert held(RR, after, agreed=relaxed).state == "shown"


def test_data_that_were_studied_before_the_criterion_show_nothing_of_it():
    """The same table studied again after its limit was relaxed: of the same bytes, whatever the file is called."""
    old, again = study("rr", GOOD, seq=2, data_sha="ab"), study("rr", GOOD, seq=9, data_sha="ab")
    line = held(RR, old, again)
    assert (line.state, "entry 2 was of the same" in line.why) == ("not shown", True)
    assert "2026-05-12T08:00:00.000Z (entry 3)" in line.why
    assert held(RR, old, study("rr", GOOD, seq=9, data_sha="cd")).state == "shown"
    assert held(RR, study("type1", {}, seq=2, data_sha="ab"), again).state == "not shown"
    assert held(RR, study("rr", GOOD, seq=4, data_sha="ab"), again).state == "shown"


@pytest.mark.parametrize(
    ("taken", "state"),
    [
        ("2026-05-12T07:59:59Z", "not shown"),
        ("2026-05-12T08:00:00Z", "shown"),
        ("2026-05-12T09:59:00+02:00", "not shown"),
        ("2026-05-12T08:30:00+00:00", "shown"),
        ("2026-05-11 19:59:59", "not shown"),  # in every zone on earth
        ("2026-05-12 07:00:00", "shown"),  # at 08:00 UTC, where clocks are behind
        ("yesterday", "shown"),
    ],
)
def test_data_that_tell_when_they_were_taken_are_held_to_it(taken, state):
    assert held(RR, study("rr", GOOD), data_from=lambda _: taken).state == state


def tried(seq, *shas, **document):
    parts = [Showing(f"b{k}", "bad", "scratch", "rejected", pictures=(sha,)) for k, sha in enumerate(shas)]
    parts.append(Showing("g", "good", "", "conforms", pictures=(f"good of {seq}",)))
    outcome = plain(dataclasses.asdict(study_trial(parts)))
    return study("trial", outcome, seq=seq, of=None, data_sha="labels", **document)


def test_a_trial_is_as_old_as_its_pictures_and_not_as_its_labels():
    asked = asking("trial", most=0.99, of=None)
    assert held(asked, tried(2, "p1", "p2"), tried(9, "p2", "p3")).state == "not shown"
    assert held(asked, tried(2, "p1", "p2"), tried(9, "p3", "p4")).state == "shown"


def test_a_part_that_was_shown_twice_is_counted_once_and_forbids_nothing():
    """n counts parts, each by its worst showing: the bound is that of so many parts already."""
    twice = [Showing(f"b{k // 2}", "bad", "scratch", "rejected") for k in range(598)]
    parts = [*twice, Showing("g", "good", "", "conforms")]
    asked, told = asking("trial", most=0.01, of=None), plain(dataclasses.asdict(study_trial(parts)))
    assert state(asked, study("trial", told, of=None)) == "shown"
    less = plain(dataclasses.asdict(study_trial(parts[2:])))
    assert state(asked, study("trial", less, of=None)) == "not shown"


def revision(recipe="r1", tie="t1", lights=None, lower=4.3, variant="thin"):
    limits = {"bore A.diameter": {"lower": lower, "upper": 4.5, "rule": "iso14253-1", "p": 0.95}}
    return {"recipe_sha": recipe, "tie_shas": [tie], "lights_sha": lights, "variant": variant, "limits": limits}


@pytest.mark.parametrize(
    ("made", "why"),
    [
        ([revision()], None),
        ([revision(variant=None)], None),
        ([revision(recipe="r2")], "made with a recipe that is not accepted (r2)"),
        ([revision(), revision(recipe="r2")], "made with a recipe that is not accepted (r2)"),
        ([revision(tie="t2")], "made with another tie than the accepted recipe's"),
        ([revision(lights="l2")], "made with other lights than the accepted recipe's"),
        ([revision(lower=4.0)], "made with other limits of bore A.diameter than are accepted"),
        (None, "does not say which recipe was tried"),
    ],
)
def test_a_trial_of_what_nobody_accepted_shows_nothing(made, why):
    more = {} if made is None else {"made_by": made}
    line = held(asking("trial", most=0.99, of=None), tried(9, "p1", **more), accepted=[revision()])
    assert (line.state, why is None or why in line.why) == ("shown" if why is None else "not shown", True)


def test_a_study_of_records_of_a_draft_shows_nothing_and_one_of_a_table_is_not_asked():
    assert held(RR, study("rr", GOOD, made_by=[revision("r2")]), accepted=[revision()]).state == "not shown"
    assert held(RR, study("rr", GOOD, made_by=[revision()]), accepted=[revision()]).state == "shown"
    assert held(RR, study("rr", GOOD), accepted=[revision()]).state == "shown"


def test_a_study_is_held_to_the_drawing_of_its_own_variant():
    def drawn(lower, upper, variant):
        return Characteristic(
            name=variant, reading="bore A.diameter", drawing="C3", lower=lower, upper=upper, variants=(variant,)
        )

    both = [drawn(4.3, 4.5, "thin"), drawn(4.5, 4.9, "wide")]
    of = {**GOOD, "tolerance": 0.4, "unit": "mm"}
    assert held(RR, study("rr", of), characteristics=both).state == "shown"
    assert held(RR, study("rr", of, made_by=[revision(variant="wide")]), characteristics=both).state == "shown"
    assert held(RR, study("rr", of, made_by=[revision(variant="thin")]), characteristics=both).state == "not shown"


def test_all_is_shown_when_only_duty_is_left_and_what_is_left_is_counted():
    duty = asking("times", most=0.5, of=None)
    good, never = study("rr", GOOD), asking("type1", least=1.33)
    lines = matrix([RR, duty], AGREED, [good])
    assert (all_shown(lines), in_all(lines)) == (True, "1 of 2 requirements are shown, and 1 of 2 not tried.")
    assert not all_shown(matrix([RR, never], AGREED, [good]))
    assert not all_shown(matrix([never], AGREED, []))
    assert in_all(matrix([RR], AGREED, [good])) == "1 of 1 requirement is shown."
    assert in_all(matrix([RR], AGREED, [study("rr", grr(0.2, 0.4, 0.5))])).startswith("Not shown: R1. 0 of 1")
