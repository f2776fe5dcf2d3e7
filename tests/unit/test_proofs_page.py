"""The page of proofs: a row says no more than its band shows."""

import runpy
from pathlib import Path

import pytest

STALE = runpy.run_path(str(Path(__file__).resolve().parents[2] / "proofs" / "stale.py"))


@pytest.mark.parametrize(
    ("n", "low", "high", "said"),
    [
        (4000, 93.5, 96.9, "met"),
        (4000, 93.0, 97.0, "met"),
        (4000, 97.1, 98.4, "**not met**"),
        (4000, 90.0, 92.9, "**not met**"),
        (60, 88.8, 99.6, "not shown"),
        (4000, 96.3, 97.4, "not shown"),
        (0, None, None, "not shown"),
    ],
)
def test_a_claim_is_met_where_the_whole_band_is_within(n, low, high, said):
    assert STALE["met"]({"n": n, "low": low, "high": high}, (93.0, 97.0)) == said


def test_no_runs_are_no_share():
    row = {"what": "bowed paper", "n": 0, "percent": None, "low": None, "high": None}
    assert list(STALE["table"]([row], (93.0, 100.0)))[-1] == "| bowed paper | 0 | – | – | – | not shown |"
    assert list(STALE["table"]([row], None))[-1] == "| bowed paper | 0 | – | – | – |"
