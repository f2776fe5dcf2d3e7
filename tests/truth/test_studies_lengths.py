"""Known lengths: errors made on purpose are found, and what was not looked at is named."""

import numpy as np
import pytest
from scipy import stats

from tiepoint.foundation.errors import UnusableInput
from tiepoint.studies.lengths import KnownLengths, known_lengths, study_lengths


def measured(
    scale: float = 0.0, noise: float = 0.002, by_height: float = 0.0, u: float = 0.001, seed: int = 1
) -> KnownLengths:
    """Return five lengths at five positions, in two orientations and at two heights, three times each."""
    rng, rows = np.random.default_rng(seed), []
    for position in "abcde":
        for turn in ("0", "90"):
            for height in ("0", "12"):
                for known in (10.0, 25.0, 40.0, 60.0, 80.0):
                    for _ in range(3):
                        off = scale * known + (by_height * known if height == "12" else 0.0)
                        rows.append((known, known + off + rng.normal(0, noise), position, turn, height))
    known, value, position, turn, height = zip(*rows, strict=True)
    return known_lengths(known, value, u=u, position=position, orientation=turn, height=height)


def test_errors_within_the_maximum_are_shown_where_everything_was_looked_at() -> None:
    found = study_lengths(measured(), most_error=0.02)
    assert found.missing == ()
    assert found.good is True
    assert found.within == found.shown == 300


def test_a_scale_error_is_found_with_its_size() -> None:
    data = measured(scale=0.003)
    found = study_lengths(data, most_error=0.05)
    witness = stats.linregress(data.known, data.measured - data.known)
    assert found.scale is not None
    assert found.offset is not None
    assert found.scale.value == pytest.approx(witness.slope, abs=1e-12)
    assert found.offset.value == pytest.approx(witness.intercept, abs=1e-12)
    assert found.scale.low < 0.003 < found.scale.high
    assert found.good is False
    assert any("Errors grow with length" in s for s in found.sentences)
    assert "measure the bars" in found.sentences[-1]


def test_a_work_plane_that_lies_higher_shows_by_height() -> None:
    # L·h/(Z − h) with h 12, Z 400, L 50 → 1.546 mm: 3.09 % of each length.
    found = study_lengths(measured(by_height=12 / 388), most_error=0.05)
    by_height = {p.level: p for p in found.places if p.by == "height"}
    assert by_height["12"].mean == pytest.approx(12 / 388 * 43, rel=0.01)
    assert abs(by_height["0"].mean) < 0.002


def test_the_maximum_may_grow_with_length_and_the_rules_own_u_counts() -> None:
    data = measured(noise=1e-7, u=0.01)
    found = study_lengths(data, most_error=0.012, per_length=10_000.0)
    assert found.allowed is not None
    assert found.allowed == pytest.approx(0.012 + data.known / 10_000)
    # |0| + 1.645·0.01 keeps 0.012 + L/10000 from L = 44.5 on: two of five lengths.
    assert found.within == 300
    assert found.shown == 120
    assert found.good is False
    assert "known better" in found.sentences[-1]


def test_what_is_missing_is_named_and_keeps_it_from_being_shown() -> None:
    data = measured()
    few = [k for k in range(300) if data.position[k] in "ab" and data.height[k] == "0" and data.orientation[k] == "0"]
    part = known_lengths(
        data.known[few], data.measured[few], u=0.001, position=[data.position[k] for k in few],
        orientation=["0"] * len(few), height=["0"] * len(few),
    )  # fmt: skip
    found = study_lengths(part, most_error=0.02)
    assert found.good is False
    assert [m.partition(" (")[0] for m in found.missing] == ["3 more positions", "1 more orientation", "1 more height"]
    once = known_lengths([10.0], [10.0], position=["a"], orientation=["0"], height=["0"])
    assert any(m.startswith("repeats") for m in study_lengths(once).missing)


def test_scale_errors_are_claimed_falsely_in_five_of_a_hundred_studies_at_most() -> None:
    rng, claimed = np.random.default_rng(2), 0
    for _ in range(400):
        rule = rng.normal(0, 1e-4)  # one rule: all known lengths err by its scale
        data = measured(scale=rule, noise=0.01, u=0.0, seed=int(rng.integers(1 << 30)))
        data = known_lengths(
            data.known, data.measured, u=1e-4 * data.known, position=data.position, orientation=data.orientation,
            height=data.height,
        )  # fmt: skip
        scale = study_lengths(data).scale
        assert scale is not None
        claimed += not scale.low <= 0 <= scale.high
    assert claimed / 400 <= 0.05 + 4 * np.sqrt(0.05 * 0.95 / 400)


@pytest.mark.parametrize(
    ("known", "value", "u", "told", "said"),
    [
        ([0.0], [1.0], 0.0, {}, "row 1: the known length is 0"),
        ([1.0], [np.nan], 0.0, {}, "row 1: what was measured"),
        ([1.0], [1.0], -1.0, {}, "row 1: u of the known length"),
        ([1.0], [1.0], 0.0, {"most_error": 0.0}, "stated maximum is 0"),
        ([1.0], [1.0], 0.0, {"per_length": 5.0}, "needs the fixed part"),
        ([], [], 0.0, {}, "no length to study"),
    ],
)
def test_lengths_refuse_in_a_sentence(known, value, u, told, said) -> None:
    names = ["a"] * len(known)
    with pytest.raises(UnusableInput, match=said):
        study_lengths(known_lengths(known, value, u=u, position=names, orientation=names, height=names), **told)


def test_lengths_that_look_computed_are_refused() -> None:
    with pytest.raises(UnusableInput, match="off by the same 0; the values look computed"):
        study_lengths(measured(noise=0.0, u=0.001))


def test_a_study_holds_its_unit_and_what_it_was_made_of() -> None:
    data = measured(noise=0.002)
    found = study_lengths(data, unit="in")
    assert (found.unit, found.data) == ("in", data)
