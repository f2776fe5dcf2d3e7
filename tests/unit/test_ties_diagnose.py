"""Typing errors are named with row and repair; clean sets raise no alarm.

The sets are simulated with known errors, so the truth behind every expected name is the error that was put in. Rates
over thousands of sets are measured in proofs/pairs.py; here the seeds are few and the bounds follow from the rates.
"""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tiepoint.documents.tables import read_numbers
from tiepoint.foundation.errors import TiepointError
from tiepoint.ties.diagnose import Diagnosis, Finding, diagnose
from tiepoint.ties.pairs import tie_by_pairs
from tiepoint.ties.slips import slips, typed_text
from tiepoint.ties.tie import Tie

PX = np.array([(100.0, 100), (1900, 120), (1880, 1300), (110, 1280)])
MM = np.array([(304.09, 44.23), (392.49, 27.56), (381.30, -30.36), (294.27, -13.95)])

F = np.array([(12.5, 8.0), (120.0, 5.5), (118.2, 80.1), (3.7, 77.3), (60.4, 41.9), (90.6, 20.2), (30.1, 55.8)])
ANGLE = math.radians(16.26)
TURN = np.array([[math.cos(ANGLE), -math.sin(ANGLE)], [math.sin(ANGLE), math.cos(ANGLE)]])
T = (F @ TURN.T + [400.0, -120.0] + np.random.default_rng(3).normal(0, 0.02, F.shape)).round(2)


def by_photo(px: np.ndarray, mm: np.ndarray) -> Diagnosis:
    return diagnose(px, mm, from_image=True, shapes=("similarity", "affine", "projective"))


def by_robot(f: np.ndarray, t: np.ndarray, texts: list[list[str]] | None = None) -> Diagnosis:
    return diagnose(f, t, from_image=False, shapes=("similarity", "affine"), same_unit=True, texts=texts)


def only(diagnosis: Diagnosis) -> Finding:
    assert len(diagnosis.findings) == 1, [f.sentence for f in diagnosis.findings]
    return diagnosis.findings[0]


def changed(array: np.ndarray, row: int, column: int, value: float) -> np.ndarray:
    out = array.copy()
    out[row - 1, column] = value
    return out


def exchanged(array: np.ndarray, i: int, j: int) -> np.ndarray:
    out = array.copy()
    out[[i - 1, j - 1]] = out[[j - 1, i - 1]]
    return out


def test_clean_sets_have_no_finding() -> None:
    assert by_photo(PX, MM).findings == ()
    assert by_robot(F, T).findings == ()


def test_swapped_columns_are_named_as_a_mirrored_set() -> None:
    finding = only(by_photo(PX, MM[:, ::-1]))
    assert finding.code == "mirrored"
    assert "most likely the to columns are swapped" in finding.sentence
    assert "then the turn is -10.0°" in finding.sentence
    assert finding.ratio > 100
    # The other causes leave other turns; they are offered too.
    assert "to_x has the wrong sign: then the turn is 80.0°" in finding.sentence


@pytest.mark.parametrize(
    ("px", "mm", "cause"),
    [
        (PX, MM * [1, -1], "to_y has the wrong sign"),
        (PX[:, ::-1], MM, "the from columns are swapped"),
    ],
)
def test_other_causes_of_a_mirrored_set(px: np.ndarray, mm: np.ndarray, cause: str) -> None:
    finding = only(by_photo(px, mm))
    assert finding.code == "mirrored"
    assert f"most likely {cause}" in finding.sentence


def test_exchanged_rows() -> None:
    finding = only(by_robot(F, exchanged(T, 2, 5)))
    assert (finding.code, finding.rows) == ("rows-exchanged", (2, 5))
    assert finding.sentence.startswith("rows 2 and 5 are exchanged")
    assert {(r.row, r.column): r.value for r in finding.repairs}[2, "to_x"] == T[1, 0]
    assert finding.ratio > 100


def test_exchanged_rows_of_four() -> None:
    finding = only(by_photo(PX, exchanged(MM, 1, 2)))
    assert (finding.code, finding.rows) == ("rows-exchanged", (1, 2))


def test_what_a_symmetric_set_cannot_tell_is_said() -> None:
    # Two opposite corners of a rectangle exchanged: the other two exchanged fit as well, turned by half a turn.
    box = np.array([(0.0, 0), (100, 0), (100, 60), (0, 60)])
    finding = only(by_robot(box, exchanged((box @ TURN.T + [400, 100]).round(2), 1, 3)))
    assert finding.code == "rows-exchanged"
    assert "the points cannot tell this from" in finding.sentence
    both = finding.sentence
    assert "rows 1 and 3" in both
    assert "rows 2 and 4" in both


def test_a_mistyped_cell_with_the_slip_that_made_it() -> None:
    finding = only(by_photo(PX, changed(MM, 2, 0, 329.49)))
    assert (finding.code, finding.rows) == ("row-mistyped", (2,))
    assert finding.sentence.startswith("row 2: to_x looks like 329.49 typed for 392.49 (two digits exchanged)")
    assert finding.repairs[0].column == "to_x"
    assert finding.repairs[0].value == 392.49


@pytest.mark.parametrize(
    ("row", "column", "value", "words"),
    [
        (4, 0, round(T[3, 0] * 10, 1), "the decimal point moved"),
        (4, 1, -T[3, 1], "the sign is wrong"),
        (1, 0, T[0, 0] + 30, "one digit wrong"),
    ],
)
def test_slips_of_one_cell(row: int, column: int, value: float, words: str) -> None:
    finding = only(by_robot(F, changed(T, row, column, value)))
    assert (finding.code, finding.rows) == ("row-mistyped", (row,))
    assert words in finding.sentence
    assert finding.repairs[0].value == pytest.approx(T[row - 1, column], abs=0.1)


def test_slips_on_the_from_side() -> None:
    finding = only(by_robot(changed(F, 3, 0, 1182.0), T))
    assert (finding.code, finding.rows) == ("row-mistyped", (3,))
    assert "from_x looks like 1182 typed for 118.2 (the decimal point moved)" in finding.sentence


def test_a_wrong_cell_without_a_known_slip_has_the_value_that_fits() -> None:
    finding = only(by_robot(F, changed(T, 4, 0, T[3, 0] + 5.43)))
    assert (finding.code, finding.rows) == ("row-mistyped", (4,))
    assert "and the other rows put it at" in finding.sentence
    assert finding.repairs[0].value == pytest.approx(T[3, 0], abs=0.1)


def test_a_wrong_point_has_the_place_where_it_should_be() -> None:
    wrong = changed(changed(T, 4, 0, T[3, 0] + 5.43), 4, 1, T[3, 1] - 3.17)
    finding = only(by_robot(F, wrong))
    assert (finding.code, finding.rows) == ("row-odd", (4,))
    assert "they put it at" in finding.sentence


def test_exchanged_axes_of_one_row() -> None:
    wrong = T.copy()
    wrong[2] = wrong[2, ::-1]
    finding = only(by_robot(F, wrong))
    assert (finding.code, finding.rows) == ("row-axes-exchanged", (3,))
    assert finding.sentence.startswith("row 3: to_x and to_y are exchanged")


def test_one_row_in_inch() -> None:
    wrong = T.copy()
    wrong[5] = (wrong[5] / 25.4).round(3)
    finding = only(by_robot(F, wrong))
    assert (finding.code, finding.rows) == ("row-unit", (6,))
    assert "inch for mm: times 25.4" in finding.sentence


def test_a_column_and_a_set_in_inch() -> None:
    column = only(by_robot(F, changed(T, 1, 0, T[0, 0]) * [1, 1 / 25.4]))
    assert column.code == "column-unit"
    assert "the column to_y looks like inch for mm" in column.sentence
    whole = only(by_robot(F, (T / 25.4).round(4)))
    assert whole.code == "unit"
    assert "the to values look like inch for mm" in whole.sentence


def test_rows_that_slipped_or_were_read_backwards() -> None:
    assert only(by_robot(F, np.roll(T, 1, axis=0))).code == "rows-slipped"
    assert "one row too low" in only(by_robot(F, np.roll(T, 1, axis=0))).sentence
    assert only(by_robot(F, T[::-1])).code == "rows-reversed"


def test_several_errors_at_once() -> None:
    wrong = exchanged(T, 1, 7)
    wrong[3, 0] += 5.43
    codes = {(f.code, f.rows) for f in by_robot(F, wrong * [-1, 1]).findings}
    assert {c for c, _ in codes} == {"mirrored", "rows-exchanged", "row-mistyped"}
    assert ("rows-exchanged", (1, 7)) in codes
    assert ("row-mistyped", (4,)) in codes


def test_what_four_points_cannot_tell_is_said() -> None:
    finding = only(by_photo(PX, changed(MM, 2, 0, 380.0)))
    assert (finding.code, finding.severity) == ("row-unnamed", "hint")
    assert "with 4 pairs one wrong row cannot be named; add two" in finding.sentence


def test_a_scale_that_is_not_one_is_a_hint() -> None:
    finding = only(by_robot(F * 1.003, T))
    assert (finding.code, finding.severity) == ("scale-off", "hint")
    assert "the scale is 0.997" in finding.sentence


def test_scatter_is_a_hint_and_not_an_alarm() -> None:
    rng = np.random.default_rng(8)
    diagnosis = by_robot(F, (T + rng.normal(0, 4.0, T.shape)).round(2))
    assert not diagnosis.refused
    assert {f.code for f in diagnosis.findings} == {"scattered"}


def clean_set(rng: np.random.Generator, n: int) -> tuple[np.ndarray, np.ndarray, bool]:
    """Pixels or a plane, any turn and scale, noise from a twentieth to two pixels (Gaussian or heavy-tailed)."""
    from_image = bool(rng.random() < 0.6)
    while True:
        f = rng.uniform([50, 50], [2400, 2000], (n, 2)) if from_image else rng.uniform(-150, 150, (n, 2))
        spread = np.linalg.svd(f - f.mean(axis=0), compute_uv=False)
        if spread[1] > 0.25 * spread[0]:
            break
    angle = rng.uniform(-math.pi, math.pi)
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    scale = 10 ** rng.uniform(-2, -0.7) if from_image else 1.0
    right = (f - f.mean(axis=0)) * ([1, -1] if from_image else [1, 1])
    if from_image:
        bend = rng.uniform(-1, 1, 2) * math.tan(math.radians(rng.uniform(0, 20))) / 7000
        right = right / (1 + right @ bend)[:, None]
    t = scale * right @ turn.T + rng.uniform(-300, 300, 2)
    noise = 10 ** (rng.uniform(-1.3, 0.3) if from_image else rng.uniform(-2, -0.3))
    draws = rng.standard_t(3, f.shape) if rng.random() < 0.3 else rng.normal(size=f.shape)
    return (f + noise * draws).round(1 if from_image else 2), t.round(3), from_image


def test_random_clean_sets_raise_no_alarm() -> None:
    # In proofs/pairs.py 3 of 4,000 clean sets raised one, all with heavy-tailed noise (a row that really is off by
    # many times the others). At four times that rate among 150 sets here, two alarms have a chance below 8 %.
    rng = np.random.default_rng(21)
    alarms = 0
    for _ in range(150):
        f, t, from_image = clean_set(rng, int(rng.integers(4, 12)))
        shapes = ("similarity", "affine", "projective") if from_image else ("similarity", "affine")
        alarms += diagnose(f, t, from_image=from_image, shapes=shapes, same_unit=not from_image).refused  # type: ignore[arg-type]
    assert alarms <= 1


@pytest.mark.parametrize("n", [5, 6, 9])
def test_random_exchanged_rows_are_named(n: int) -> None:
    rng = np.random.default_rng(n)
    named = 0
    for _ in range(15):
        f, t, from_image = clean_set(rng, n)
        i, j = sorted(int(k) for k in rng.choice(n, 2, replace=False))
        if np.hypot(*(t[i] - t[j])) < 0.2 * t.std():
            named += 1
            continue
        shapes = ("similarity", "affine", "projective") if from_image else ("similarity", "affine")
        found = diagnose(f, exchanged(t, i + 1, j + 1), from_image=from_image, shapes=shapes)  # type: ignore[arg-type]
        named += any(x.rows == (i + 1, j + 1) for x in found.findings)
    assert named >= 14


# --- slips of the fingers ------------------------------------------------------------------------------------------


def test_slips_hold_the_usual_ones() -> None:
    found = {s.value: s.kind for s in slips("16.9")}
    assert found[19.6] == "digits"
    assert found[61.9] == "digits"
    assert found[-16.9] == "sign"
    assert found[169.0] == "point"
    assert found[1.69] == "point"
    assert found[16.4] == "wrong-digit"
    assert found[16.95] == "missing-digit"
    assert found[6.9] == "extra-digit"
    assert 16.9 not in found


@given(st.decimals(-9999, 9999, places=2))
def test_slips_are_undone_by_slips(number: object) -> None:
    text = str(number)
    for slip in slips(text):
        if slip.kind in ("digits", "sign"):
            back = {s.value for s in slips(f"{slip.value:.2f}")}
            assert float(text) in back


@given(st.text(max_size=12))
def test_slips_take_any_text(text: str) -> None:
    for slip in slips(text):
        assert math.isfinite(slip.value)


def test_text_of_a_number_that_was_not_typed() -> None:
    assert typed_text(19.6) == "19.6"
    assert typed_text(-0.0) == "0"
    assert typed_text(1 / 3) == "0.333"
    assert typed_text(400.0) == "400"


# --- whatever is typed ---------------------------------------------------------------------------------------------

cell = st.one_of(
    st.floats(-5000, 5000).map(lambda v: f"{v:.2f}"),
    st.integers(-3, 3).map(str),
    st.sampled_from(["", "nan", "inf", "1e9", "-1e-9", "12mm", "0", "\u22125", "a", "1,5", '"', "\x00"]),
)


def tie_or_sentence(make: Callable[[], Tie]) -> Tie | str:
    """Return the tie, or what a person is told; any other exception is a crash and fails the test."""
    try:
        return make()
    except TiepointError as error:
        return str(error)


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.lists(cell, min_size=3, max_size=5), min_size=0, max_size=9),
    st.sampled_from([",", ";", "\t"]),
    st.booleans(),
)
def test_whatever_a_table_holds_is_a_tie_or_a_sentence(rows: list[list[str]], separator: str, robot: bool) -> None:
    text = "\n".join(separator.join(row) for row in [["from_x", "from_y", "to_x", "to_y"], *rows])

    def tie() -> Tie:
        table = read_numbers(text, ("from_x", "from_y", "to_x", "to_y"))
        values = np.array(table.values)
        frames = {"from_frame": "plane", "to_frame": "robot"} if robot else {}
        return tie_by_pairs(values[:, :2], values[:, 2:], texts=table.texts, **frames).tie  # type: ignore[arg-type]

    made = tie_or_sentence(tie)
    if isinstance(made, str):
        assert "\n" not in made
        return
    assert np.isfinite(made.factor).all()
    assert np.isfinite(made.matrix).all()


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(-100, 100), st.floats(-100, 100), st.floats(-100, 100), st.floats(-100, 100)),
        min_size=3,
        max_size=12,
    )
)
def test_unrelated_points_are_a_tie_or_a_sentence(rows: list[tuple[float, float, float, float]]) -> None:
    values = np.array(rows)
    made = tie_or_sentence(lambda: tie_by_pairs(values[:, :2], values[:, 2:], keep_suspects=True).tie)
    if isinstance(made, str):
        assert "\n" not in made
        return
    assert np.isfinite(made.map(values[:, :2]).xy_mm).all()
