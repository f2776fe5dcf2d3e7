"""Trials by labelled parts: counts by hand, bounds by SciPy's exact binomial test."""

import numpy as np
import pytest
from scipy import stats

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.sources import Source, measured
from tiepoint.model.decide import Limits, overall
from tiepoint.model.reading import Reading
from tiepoint.model.record import Record
from tiepoint.model.shot import Shot
from tiepoint.studies.trial import Showing, margin_of, study_trial


def shown(part: str, truth: str, verdict: str, kind: str = "", margin: float | None = None, **told: object) -> Showing:
    return Showing(part, truth, kind, verdict, margin, where=f"shot {part}", **told)  # type: ignore[arg-type]


def many(n: int, truth: str, verdict: str, kind: str = "", start: int = 0) -> list[Showing]:
    return [shown(f"{truth}{kind}{k}", truth, verdict, kind, 8.0) for k in range(start, start + n)]


def test_counts_and_bounds_are_those_of_the_binomial_law() -> None:
    showings = [*many(196, "good", "conforms"), *many(4, "good", "undecided", start=196)]
    showings += [*many(58, "bad", "rejected"), *many(2, "bad", "conforms", start=58)]
    found = study_trial(showings)
    for rate, events, n in ((found.escapes, 2, 60), (found.false_rejects, 4, 200)):
        assert (rate.events, rate.n) == (events, n)
        two = stats.binomtest(events, n).proportion_ci(0.95, "exact")
        one = stats.binomtest(events, n, alternative="less").proportion_ci(0.95, "exact")
        assert (rate.low, rate.high, rate.at_most) == pytest.approx((two.low, two.high, one.high), abs=1e-10)
    assert [c.counts for c in found.classes] == [(196, 4, 0, 0), (2, 0, 0, 58)]
    assert [p.worst.part for p in found.wrong][:2] == ["bad58", "bad59"]


def test_n_counts_parts_and_not_showings() -> None:
    # Five bad parts shown sixty times each are no 300 parts: 299 would show 1 %, five do not show 45 %.
    showings = [shown(f"b{k % 5}", "bad", "rejected") for k in range(300)]
    found = study_trial(showings, most_escapes=0.01)
    assert found.escapes.n == 5
    assert found.escapes.at_most == pytest.approx(1 - 0.05 ** (1 / 5))
    assert found.good is False
    assert found.asked[0].more == 294
    check = next(c for c in found.checks if c.name == "distinct parts")
    assert check.holds is False
    assert "300 showings are of 5 parts" in check.sentence


@pytest.mark.parametrize(
    ("truth", "verdicts", "worst", "wrong"),
    [
        ("bad", ("rejected", "conforms", "undecided"), "conforms", True),
        ("bad", ("rejected", "unread", "undecided"), "undecided", False),
        ("good", ("conforms", "undecided", "conforms"), "undecided", True),
        ("good", ("unread", "undecided", "rejected"), "rejected", True),
        ("good", ("conforms", "conforms"), "conforms", False),
    ],
)
def test_a_part_counts_by_its_worst_showing(truth, verdicts, worst, wrong) -> None:
    found = study_trial([shown("a", truth, v) for v in verdicts])
    assert found.parts[0].worst.verdict == worst
    assert found.parts[0].is_wrong is wrong
    assert found.parts[0].times == len(verdicts)


@pytest.mark.parametrize(("n", "is_shown", "more"), [(299, True, None), (298, False, 1), (100, False, 199)])
def test_shown_takes_299_parts_for_one_per_cent(n, is_shown, more) -> None:
    found = study_trial([*many(n, "bad", "rejected"), *many(10, "good", "conforms")], most_escapes=0.01)
    assert found.good is is_shown
    assert found.asked[0].more == more
    word = "shown." if is_shown else f"not shown; {more} more"
    assert any(word in s for s in found.sentences)


def test_what_tuned_the_recipe_proves_nothing_and_is_named() -> None:
    showings = [shown("a", "bad", "rejected", pictures=("p1",)), shown("b", "bad", "rejected", pictures=("p2",))]
    showings += [shown("c", "bad", "conforms", pictures=("p3",)), shown("c", "bad", "rejected", pictures=("p4",))]
    found = study_trial(showings, tuning_parts={"a"}, tuning_pictures={"p1", "p4"})
    assert found.in_both == ("a", "c")
    assert found.same_pictures == ("c",)
    assert (found.escapes.n, found.escapes.events) == (1, 0)
    assert "1 of them by a picture's hash alone" in found.sentences[0]
    assert "a, c" in found.sentences[0]


def test_a_side_that_was_not_tried_is_not_shown() -> None:
    found = study_trial(many(3, "good", "conforms"), most_escapes=0.01, most_false=0.9)
    assert found.good is False
    assert found.escapes.value is None
    assert any("No bad part was tried" in s for s in found.sentences)
    assert any("at most 1 %: not tried" in s for s in found.sentences)
    assert found.sentences[-1].startswith("Next: bring known-bad parts")
    assert next(c for c in found.checks if c.name == "challenge parts").holds is False


def test_each_class_has_its_own_bound() -> None:
    showings = [*many(300, "bad", "rejected", "scratch"), *many(20, "bad", "rejected", "dent")]
    found = study_trial([*showings, *many(5, "good", "conforms")], most_escapes=0.01)
    assert found.good is True
    by_name = {c.name: c for c in found.classes}
    assert by_name["scratch"].asked.shown
    assert not by_name["dent"].asked.shown
    assert any("Of dent (20 parts, 0 wrong) alone it is not shown" in s for s in found.sentences)


def test_labels_that_contradict_each_other_are_refused() -> None:
    with pytest.raises(UnusableInput, match="part a is good in shot a and bad in shot a"):
        study_trial([shown("a", "good", "conforms"), shown("a", "bad", "rejected")])
    with pytest.raises(UnusableInput, match="the same picture, of part a and of part b"):
        study_trial([shown(p, "bad", "rejected", pictures=("x",)) for p in "ab"])
    with pytest.raises(UnusableInput, match="one row for each shot"):
        study_trial([])


def test_the_margin_is_that_of_the_reading_nearest_to_its_limit() -> None:
    told = {"kind": "circle", "unit": "mm", "step": "s", "frame": "plane", "quantity": "diameter"}

    def reading(name: str, value: float, limits: Limits | None) -> Reading:
        return Reading.of(
            measured(value, Source(name, name, "A", 0.01, "shot")), limits=limits, id=name, name=name, **told
        )

    readings = (
        reading("a", 4.55, Limits(4.4, 4.6)), reading("b", 7.02, Limits(upper=7.0)), reading("c", 1.0, None)
    )  # fmt: skip
    record = Record("s", 1, Shot("x", ()), "0" * 64, (), "t", readings, overall([r.verdict for r in readings]))
    margin, nearest = margin_of(record)
    assert nearest == "b"
    assert margin == pytest.approx(-2.0)  # 0.02 beyond, at u 0.01


def test_bounds_hold_in_95_of_100_trials() -> None:
    rng, p, n, trials = np.random.default_rng(8), 0.03, 120, 2000
    events = rng.binomial(n, p, trials)
    held = np.mean([study_trial(_with(int(k), n)).escapes.at_most >= p for k in np.unique(events)])
    weights = np.array([np.mean(events == k) for k in np.unique(events)])
    covered = sum(
        w * (study_trial(_with(int(k), n)).escapes.at_most >= p)
        for k, w in zip(np.unique(events), weights, strict=True)
    )
    assert held > 0
    assert covered >= 0.95 - 4 * np.sqrt(0.95 * 0.05 / trials)


def _with(events: int, n: int) -> list[Showing]:
    return [*many(events, "bad", "conforms"), *many(n - events, "bad", "rejected", start=events)]
