"""What to do next: each action's u and risks are those of the sources worked out by hand."""

import math

import pytest

from tiepoint.model.decide import Limits
from tiepoint.model.reading import SourceTerm
from tiepoint.studies.limits import zones_of
from tiepoint.studies.next_steps import ACTIONS, next_steps
from tiepoint.studies.risks import Normal, risks


def term(id_: str, u: float, scope: str, c: float = 1.0) -> SourceTerm:
    return SourceTerm(id_, id_, "B", "normal", u, math.inf, scope, c)


BARS = term("target:a/print-scale/x", 5e-4, "station", 50.0)  # 0.025 mm of 50 mm
HEIGHT = term("height:plate", 0.1, "station", 0.1)  # 0.010 mm
NOISE = term("edges:bore#0", 1.0, "pixel", 0.004)
PARTS, LIMITS = Normal(10.0, 0.06), Limits(9.85, 10.15)


def test_actions_come_in_the_order_of_what_they_buy() -> None:
    found = next_steps((BARS, HEIGHT, NOISE), LIMITS, PARTS)
    assert [s.action.partition(" ")[0] for s in found.steps] == ["measure", "tie", "take"]
    losses = [found.now.lost, *(s.after.lost for s in found.steps)]
    assert losses == sorted(losses, reverse=True)
    assert "measure the bars of the target to ±0.05 mm" in found.sentences[0]


def test_each_standing_is_that_of_its_sources() -> None:
    found = next_steps((BARS, HEIGHT, NOISE), LIMITS, PARTS)
    # A bar of 200 mm to ±0.05 mm, rectangular: u 0.05/√3 mm, of 50 mm a quarter.
    bars = 0.05 / math.sqrt(3) * 50 / 200
    for standing, u in (
        (found.now, math.sqrt(0.025**2 + 0.010**2 + 0.004**2)),
        (found.steps[0].after, math.sqrt(bars**2 + 0.010**2 + 0.004**2)),
        (found.steps[1].after, math.sqrt(bars**2 + 0.0025**2 + 0.004**2)),
        (found.steps[2].after, math.sqrt(bars**2 + 0.0025**2 + 0.002**2)),
    ):
        assert standing.u == pytest.approx(u, rel=1e-9)
        zones = zones_of(LIMITS, u, math.inf)
        assert zones is not None
        assert standing.risks is not None
        assert standing.risks.producer == pytest.approx(risks(PARTS, zones, u).producer, rel=1e-9)


def test_a_source_that_nothing_is_known_about_is_to_be_known_better() -> None:
    found = next_steps((term("oddity", 0.02, "station"), NOISE), LIMITS, PARTS)
    assert found.steps[0].action == "know “oddity” twice as well"
    assert found.steps[0].after.u == pytest.approx(math.hypot(0.01, 0.004))


def test_where_no_part_can_conform_the_first_step_says_so() -> None:
    found = next_steps((BARS,), Limits(9.98, 10.02), PARTS)
    assert found.now.risks is None
    assert found.sentences[0].startswith("As it stands no part can conform")


def test_where_nothing_is_lost_nothing_needs_to_be_done() -> None:
    found = next_steps((NOISE,), Limits(5.0, 15.0), PARTS)
    assert found.steps == ()
    assert "nothing needs to be done" in found.sentences[0]


def test_an_average_takes_nothing_off_what_four_shots_of_a_part_share() -> None:
    # Averaging reduces only scopes that vary. 0.006 by noise, 0.005 by the level of the part's own outline.
    level = term("level:plate-01/bead", 0.005, "part")
    found = next_steps((term("edges:plate-01/bead", 0.006, "pixel"), level), Limits(9.98, 10.02), PARTS)
    step = next(s for s in found.steps if s.action.startswith("take four shots"))
    assert level.label not in step.acts_on
    assert found.steps[0].action.startswith("take four shots")
    assert step.after.u == pytest.approx(math.hypot(0.003, 0.005), rel=1e-12)


def test_one_known_part_corrects_only_an_edge_that_is_the_same_on_all_parts() -> None:
    known = next(a for a in ACTIONS if a.name.startswith("measure one known part"))
    assert known.acts(term("edge:punched:edge-definition", 0.01, "station"))
    assert not known.acts(term("edge:punched/plate-01:edge-definition", 0.01, "part"))


@pytest.mark.parametrize(
    ("id_", "scope"),
    [
        ("edges:plate-01/height of the boss#0", "pixel"),
        ("edges:plate-01/temperature mark", "pixel"),
        ("edges:plate-01/tile-bias", "pixel"),
        ("edges:shot:bow", "pixel"),
    ],
)
def test_an_action_on_a_tie_does_not_act_on_a_step_that_is_named_like_its_cause(id_, scope) -> None:
    acting = [a.name for a in ACTIONS if a.acts(term(id_, 0.01, scope))]
    assert not [name for name in acting if not name.startswith(("take four shots", "bring more pixels"))]


def test_sources_of_the_demo_have_an_action_each() -> None:
    # Ids and scopes as ties and steps write them (ties/by_target, targets/paper, ties/move, recipe/sizes, fits).
    sources = (
        ("target:768b36f4/swelling/x", "station"), ("instrument:glass scale no 4/scale", "instrument"),
        ("target:a/bar-reading/y/2026-01-05", "station"), ("tie:target-b1:bow#2", "tie"),
        ("tie:target-b1:corners#4", "tie"), ("tie:target-b1:distance", "tie"),
        ("height:hinge plate/vent-60", "station"), ("edge:punched:edge-definition", "station"),
        ("edges:bore A/plate-01", "pixel"), ("model:edge-curvature", "instrument"), ("target:a/expansion", "station"),
        ("tie:length-1:lens", "tie"), ("lean:part:x", "part"),
    )  # fmt: skip
    for id_, scope in sources:
        assert any(action.acts(term(id_, 0.01, scope)) for action in ACTIONS), id_
