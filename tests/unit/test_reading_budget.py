"""What makes up the ± of a kept reading, against scipy's quantiles and sums by hand."""

import math

import pytest
from scipy import stats

from tiepoint.foundation.sources import Source, Value
from tiepoint.model.reading import Reading
from tiepoint.report.reading_budget import NOTHING, budget_of_reading


def kept(dof: float = math.inf, method: str = "linear") -> dict:
    """Return a reading of 12 mm as a record holds it: 3 µm of noise, twice 2 µm of a rule, a whisker of heat."""
    terms = {
        Source("noise", "noise of the edge", "A", 0.003, "shot", "normal" if math.isinf(dof) else "t", dof): 1.0,
        Source("rule#0", "rule", "B", 0.001, "instrument"): 2.0,
        Source("rule#1", "rule", "B", 0.001, "instrument"): -2.0,
        Source("heat", "heat", "B", 1e-5, "load"): 1.0,
    }
    told = {
        "name": "pitch",
        "kind": "distance",
        "quantity": "distance",
        "unit": "mm",
        "step": "pitch",
        "frame": "plane",
    }
    reading = Reading.of(Value(12.0, terms), limits=None, id="pitch.distance", **told)
    sources = [{**s._asdict(), "dof": None if math.isinf(s.dof) else s.dof} for s in reading.sources]
    return {"u": reading.u, "dof": reading.dof, "U95": reading.U95, "method": method, "sources": sources}


def test_causes_of_one_name_are_one_and_the_largest_is_first() -> None:
    made = budget_of_reading(kept(), "mm")
    u2 = 0.003**2 + 2 * 0.002**2 + 1e-10
    assert [(c.label, c.u[0]) for c in made.causes[:2]] == [("Noise of the edge", "0.0030"), ("Rule", "0.0028")]
    assert made.causes[0].share == pytest.approx(0.003**2 / u2)
    assert sum(c.share for c in made.causes) == pytest.approx(1)
    assert "1.960 times the standard uncertainty u = 0.0041\N{NO-BREAK SPACE}mm, by the normal" in made.says


def test_the_factor_is_students_for_the_freedom_that_the_causes_leave() -> None:
    # Welch and Satterthwaite (JCGM 100, G.2b) by hand, the quantile by scipy.
    u2 = 0.003**2 + 2 * 0.002**2 + 1e-10
    dof = u2**2 / (0.003**4 / 4)
    says = budget_of_reading(kept(4.0), "mm").says
    assert f"{stats.t.ppf(0.975, dof):.3f} times" in says
    assert f"for {dof:.3g} degrees of freedom" in says


@pytest.mark.parametrize(("method", "says"), [("convolution", "not all of which are normal"), ("monte-carlo", "draws")])
def test_a_factor_that_is_not_students_says_whose_it_is(method: str, says: str) -> None:
    assert says in budget_of_reading(kept(method=method), "mm").says


def test_a_reading_without_a_value_has_nothing_to_tell() -> None:
    assert budget_of_reading({"u": None, "U95": None, "sources": []}, "mm") == NOTHING
