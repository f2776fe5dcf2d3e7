"""Verdicts where the distribution is not Student's, against closed forms: the probability of lying within the limits
(JCGM 106:2012, 7.4) of a rectangular distribution, and of the length of a vector with normal parts (Rayleigh, Rice).
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from tiepoint.foundation.sources import Source, half_width, measured
from tiepoint.model.decide import Limits, Verdict
from tiepoint.recipe.features import Derived
from tiepoint.recipe.judge import Asked, asked_of, read, stays_below
from tiepoint.recipe.recipe import read_recipe

HALF = 0.1
P = 0.95
FAR = 100.0
"""A second limit that no draw reaches."""


def asked(limits: Limits | None) -> Asked:
    step = {
        "name": "bar", "kind": "width", "in": "image",
        "region": {"rectangle": {"centre": [50, 50], "size": [40, 20]}},
    }  # fmt: skip
    recipe = read_recipe({"format": "tiepoint/recipe/1", "name": "one", "step": [step]})
    return replace(asked_of(recipe, recipe.steps[0])[0], limits=limits)


def verdict(value: float, limits: Limits) -> Verdict | None:
    source = half_width("box", "a box", HALF, "tie")
    reading = read(asked(limits), Derived(lambda v: v[0], [measured(value, source)]), None, (), "shot/step")
    assert reading.method == "monte-carlo"
    return reading.verdict


def expected(value: float, limits: Limits) -> Verdict:
    box = stats.uniform(value - HALF, 2 * HALF)
    inside = box.cdf(limits.upper if limits.upper is not None else math.inf)
    inside -= box.cdf(limits.lower if limits.lower is not None else -math.inf)
    return "conforms" if inside >= P else "rejected" if inside <= 1 - P else "undecided"


@pytest.mark.parametrize("second", [None, FAR], ids=["one limit", "and a far second"])
@pytest.mark.parametrize("side", [-1, 1], ids=["lower", "upper"])
@pytest.mark.parametrize("inside", [0.93, 0.87, 0.0, -0.87, -0.93])
def test_a_box_is_judged_by_its_closed_form_and_a_far_limit_changes_nothing(inside, side, second):
    # A limit `inside` half-widths beyond the value: within lie (1 + inside)/2, so 0.9 is where p = 0.95 is reached and
    # -0.9 where 1 - p is. Halving 1 - p between two limits would move them to 0.95 and -0.95.
    near = 5.0 + side * inside * HALF
    far = None if second is None else 5.0 - side * second
    limits = Limits(near, far) if side < 0 else Limits(far, near)
    assert verdict(5.0, limits) == expected(5.0, limits)
    assert expected(5.0, limits) == ("conforms" if inside > 0.9 else "rejected" if inside < -0.9 else "undecided")


@pytest.mark.parametrize("reach", [0.93, 0.97])
def test_two_near_limits_share_what_may_lie_outside(reach):
    # Both at ± reach half-widths: within lie just so many of a box.
    limits = Limits(5.0 - reach * HALF, 5.0 + reach * HALF)
    assert verdict(5.0, limits) == expected(5.0, limits) == ("conforms" if reach > P else "undecided")


def vector(x: float, u: float) -> Derived:
    parts = [measured(v, Source(n, n, "B", u, "shot")) for n, v in (("dx", x), ("dy", 0.0))]
    return Derived(lambda v: np.hypot(v[0], v[1]), parts, 0.0)


def test_what_a_length_stays_below_at_zero_is_the_quantile_of_rayleigh():
    assert stays_below(asked(None), P, vector(0.0, 0.01), "t") == pytest.approx(0.01 * stats.rayleigh.ppf(P), rel=0.01)


@pytest.mark.parametrize("u", [0.004, 0.01, 0.02])
def test_a_length_near_zero_conforms_as_rice_has_it(u):
    value = 0.015
    limit = u * stats.rice.ppf(P, value / u)
    for factor, said in ((1.05, "conforms"), (0.95, "undecided")):
        reading = read(asked(Limits(upper=factor * limit)), vector(value, u), None, (), "shot/step")
        assert reading.verdict == said


@pytest.mark.parametrize("value", [0.01, 0.02, 0.04])
def test_a_length_whose_parts_scatter_is_rarely_rejected_at_its_limit(value):
    # A true length at the limit: one in twenty may be rejected (ISO 14253-1), though scatter makes lengths longer.
    u, rng = 0.01, np.random.default_rng(3)
    limits = Limits(upper=value)
    rejected = 0
    for dx, dy in u * rng.standard_normal((400, 2)):
        parts = [
            measured(value + dx, Source("dx", "dx", "B", u, "shot")),
            measured(dy, Source("dy", "dy", "B", u, "shot")),
        ]
        reading = read(asked(limits), Derived(lambda v: np.hypot(v[0], v[1]), parts, 0.0), None, (), "s/t")
        rejected += reading.verdict == "rejected"
    # 400 trials at 5 %: 95 % of such sets have at most 28, 99.9 % at most 34 (binomial).
    assert rejected <= 34
