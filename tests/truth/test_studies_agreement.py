"""Agreement, capability and lengths: published or independently computed figures beside each."""

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats import inter_rater

from tiepoint.foundation.errors import PoorGeometry, UnusableInput
from tiepoint.studies.agreement import (
    Decision,
    bad_of_refused,
    cohen_kappa,
    fleiss_kappa,
    kappa_of,
    study_agreement,
)


def decisions(good_good: int, false: int, missed: int, bad_bad: int) -> list[Decision]:
    made, n = [], 0
    for count, truth, said in (
        (good_good, "good", "good"), (false, "good", "bad"), (missed, "bad", "good"), (bad_bad, "bad", "bad"),
    ):  # fmt: skip
        for _ in range(count):
            n += 1
            made.append(Decision(f"p{n}", said, truth, where=f"row {n}"))
    return made


def test_kappa_passes_while_the_miss_rate_fails() -> None:
    # 92 / 4 / 2 / 52: κ .914, miss rate 3.70 %, which is above 2 %.
    found = study_agreement(decisions(92, 4, 2, 52), most_misses=0.02)
    assert found.kappa is not None
    assert found.misses is not None
    assert round(found.kappa.value, 3) == 0.914
    assert found.misses.value is not None
    assert round(100 * found.misses.value, 2) == 3.70
    assert found.good is False
    assert any("κ is 0.914" in s and "never stands alone" in s for s in found.sentences)


def test_rates_are_those_of_the_binomial_law() -> None:
    found = study_agreement(decisions(92, 4, 2, 52))
    for rate, events, n in ((found.misses, 2, 54), (found.false_alarms, 4, 96)):
        assert rate is not None
        exact = stats.binomtest(events, n).proportion_ci(0.95, "exact")
        assert (rate.low, rate.high) == pytest.approx((exact.low, exact.high), abs=1e-10)


@pytest.mark.parametrize("seed", range(5))
def test_kappa_and_its_error_agree_with_statsmodels(seed: int) -> None:
    table = np.random.default_rng(seed).integers(1, 60, (2 + seed % 3,) * 2).astype(float)
    kappa, error = cohen_kappa(table)
    witness = inter_rater.cohens_kappa(table)
    assert kappa == pytest.approx(witness.kappa, abs=1e-10)
    assert error == pytest.approx(witness.std_kappa, abs=1e-10)


def test_kappa_between_repeats_agrees_with_statsmodels() -> None:
    rng = np.random.default_rng(3)
    table = rng.multinomial(5, [0.6, 0.3, 0.1], 40)
    by_part = {
        str(k): [Decision(str(k), word) for word, n in zip("abc", row, strict=True) for _ in range(n)]
        for k, row in enumerate(table)
    }
    assert fleiss_kappa(by_part) == pytest.approx(inter_rater.fleiss_kappa(table), abs=1e-10)


def test_the_jackknife_covers_where_parts_are_decided_several_times() -> None:
    # Parts of which each is prone to err or is not: decisions on a part belong together. The truth is κ of a million.
    rng = np.random.default_rng(6)

    def draw(parts: int) -> list[Decision]:
        bad, prone = rng.random(parts) < 0.5, rng.random(parts) < 0.2
        wrong = rng.random((parts, 3)) < np.where(prone, 0.6, 0.02)[:, None]
        return [
            Decision(str(k), "bad" if b != w else "good", "bad" if b else "good")
            for k, (b, row) in enumerate(zip(bad, wrong, strict=True))
            for w in row
        ]

    p_wrong = 0.2 * 0.6 + 0.8 * 0.02
    truth = 1 - 2 * p_wrong  # both marginals are one half
    sets = [kappa_of(draw(60)) for _ in range(400)]
    covered = np.mean([f.low <= truth <= f.high for f in sets])
    assert covered >= 0.95 - 4 * math.sqrt(0.95 * 0.05 / 400)


def test_of_eleven_rejects_ten_are_good() -> None:
    # Bayes: .1 % bad, 99 % detected, 1 % false alarms → 9.0 %.
    assert round(100 * bad_of_refused(0.001, 0.99, 0.01), 1) == 9.0
    found = study_agreement(decisions(990, 10, 1, 99), prevalence=0.001)
    assert found.worth is not None
    assert round(100 * found.worth.bad_of_refused.value, 1) == 9.0
    assert found.worth.bad_of_refused.low < found.worth.bad_of_refused.value < found.worth.bad_of_refused.high
    passed = 0.001 * 0.01 / (0.001 * 0.01 + 0.999 * 0.99)
    assert found.worth.bad_of_passed.value == pytest.approx(passed)


def test_a_part_that_passes_in_one_repeat_is_missed() -> None:
    rows = [Decision("a", said, "bad") for said in ("bad", "good", "bad")] + [
        Decision("b", "good", "good") for _ in range(3)
    ]
    found = study_agreement(rows)
    assert found.misses is not None
    assert (found.misses.events, found.misses.n) == (1, 1)
    assert found.same is not None
    assert (found.same.events, found.same.n) == (1, 2)


def test_classes_of_bad_parts_stand_apart() -> None:
    rows = [Decision(f"s{k}", "scratch" if k else "good", "scratch") for k in range(10)]
    rows += [Decision(f"d{k}", "scratch" if k < 4 else "dent", "dent") for k in range(10)]
    rows += [Decision(f"g{k}", "good", "good") for k in range(10)]
    by_name = {c.name: c for c in study_agreement(rows, most_misses=0.5).classes}
    assert (by_name["scratch"].wrong.events, by_name["dent"].wrong.events) == (1, 0)
    assert by_name["dent"].named is not None
    assert by_name["dent"].named.events == 6
    assert by_name["dent"].asked is not None
    assert by_name["dent"].asked.shown


def test_without_a_reference_only_repeats_are_told() -> None:
    rows = [Decision(f"p{k}", "conforms" if k % 3 else "rejected") for k in range(20) for _ in range(2)]
    found = study_agreement(rows)
    assert found.kappa is None
    assert found.misses is None
    assert found.kappa_repeats == pytest.approx(1.0)
    assert "judged by a reference" in found.sentences[-1]


@pytest.mark.parametrize(
    ("rows", "told", "said"),
    [
        (
            [Decision("a", "good", "good", where="r1"), Decision("a", "good", "bad", where="r2")],
            {},
            "in r1 and bad in r2",
        ),
        ([Decision("a", "good", "good"), Decision("b", "good", "", where="r2")], {}, "r2: what part it is is not said"),
        ([Decision("a", "good"), Decision("b", "good")], {"most_misses": 0.1}, "give a column reference"),
        (decisions(1, 1, 1, 1), {"prevalence": 0.0}, "share of bad parts is 0"),
    ],
)
def test_agreement_refuses_in_a_sentence(rows, told, said) -> None:
    with pytest.raises(UnusableInput, match=said):
        study_agreement(rows, **told)


def test_one_part_is_too_few() -> None:
    with pytest.raises(PoorGeometry, match="1 part is too few"):
        study_agreement([Decision("a", "good", "good")])


def test_kappa_is_not_told_where_good_or_bad_parts_are_missing() -> None:
    only = study_agreement([Decision(f"p{k}", "good", "good") for k in range(3)])
    assert only.kappa is None
    assert not any("κ is" in sentence for sentence in only.sentences)
    assert "how many were missed is not tried" in only.sentences[0]


def test_kappa_of_decisions_that_all_agree_reaches_as_low_as_their_number_allows() -> None:
    found = study_agreement([Decision(f"p{k}", w, w) for k, w in enumerate(["good", "bad"] * 10)]).kappa
    # 0 of 20 parts: at most 16.84 % disagree, 95 % two-sided (SciPy's binomtest); chance agrees on one half.
    share = stats.binomtest(0, 20).proportion_ci(0.95, "exact").high
    assert found.value == found.high == 1.0
    assert found.low == pytest.approx(1 - share / 0.5, rel=1e-9)
