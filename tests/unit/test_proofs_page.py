"""The page of proofs: a row says no more than its band shows, and what only tells of code makes nothing stale."""

import runpy
from pathlib import Path

import pytest

PROOFS = Path(__file__).resolve().parents[2] / "proofs"
STALE = runpy.run_path(str(PROOFS / "stale.py"))
CODE = runpy.run_path(str(PROOFS / "common.py"))["code_alone"]
TOLD = '''"""A head."""

# how many
LIMIT = 3  # parts
"""What a name is."""


def text(n):
    """Return a page.

    With a blank line.
    """
    # say it
    return f"""{n} # no comment

{LIMIT}"""
'''
BARE = '''LIMIT = 3
def text(n):
    return f"""{n} # no comment

{LIMIT}"""'''


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


def test_what_tells_of_code_is_no_code():
    assert CODE(TOLD) == BARE == CODE(TOLD.replace("how many", "how often").replace("Return a page", "Give it"))


@pytest.mark.parametrize(
    ("was", "is_now"), [("LIMIT = 3", "LIMIT = 4"), ("# no comment", "# a comment"), ("comment\n\n", "comment\n")]
)
def test_a_changed_constant_is_other_code(was, is_now):
    assert CODE(TOLD.replace(was, is_now)) != BARE
