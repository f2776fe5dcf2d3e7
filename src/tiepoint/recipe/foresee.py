"""What can be said of a recipe before the first shot: which limits no part could ever be shown to keep.

Every step is run as it will be, on edges that are assumed to lie in the middle of their strips with the noise of a
good picture. So the tie's own sources, the edge definitions and the geometry of the part act as they will; what a
real picture adds (texture, form, blur) comes on top, and "can never conform" holds all the more.
"""

import math
from dataclasses import dataclass

import numpy as np

from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Value
from tiepoint.model.decide import ISO, Limits, prospect
from tiepoint.model.shot import Picture, Shot
from tiepoint.recipe.context import Context, StepResult, Strips
from tiepoint.recipe.features import Derived, Feature, PartFeature
from tiepoint.recipe.ground import Ground, ImageGround, PlaneGround
from tiepoint.recipe.judge import Asked, asked_of, read, stays_below
from tiepoint.recipe.part import PartGround
from tiepoint.recipe.recipe import Recipe, Step
from tiepoint.recipe.runner import prefix_of, shift_of
from tiepoint.recipe.schema import SoughtTable
from tiepoint.ties.tie import Tie
from tiepoint.vision import strip_report as report
from tiepoint.vision.strips import StripEdges

NOISE_PX = 0.02
"""Standard uncertainty of an edge one pixel wide: contrast 100 times the noise, blur 0.8 px, levels unknown.

(σ/A)·√(2·w_e·√π) with w_e² = w² + 1/12 is 0.0173; levels that are fitted too make it 1.15 times larger.
"""

_SHOT = Shot("before the first shot", (Picture("picture", "", (0, 0), 8, "Mono8"),))


@dataclass(frozen=True, slots=True)
class Foresight:
    """What is known of a reading before the first shot, in the reading's unit.

    `possible`: whether a part could be shown to conform. `smallest_tolerance` that could, None without limits.
    """

    reading: str
    unit: str
    u: float
    dof: float
    possible: bool
    smallest_tolerance: float | None
    sentence: str


def foresee(recipe: Recipe, tie: Tie | None) -> list[Foresight]:
    """Return what is known of every limited reading; those that cannot be foreseen are left out."""
    features: dict[str, Feature] = {}
    parts: dict[str, Ground] = {}
    seen: list[Foresight] = []
    for step in recipe.order:
        ground: Ground | None = ImageGround() if step.base == "image" else PlaneGround(tie) if tie else None
        if ground is not None and step.table.lives_in is not None:
            ground = parts.get(step.table.lives_in)
        if ground is None or not all(n in features for n in step.table.rests_on):
            continue
        result = _result(recipe, step, ground, tuple(features[n] for n in step.table.rests_on))
        if isinstance(result.feature, PartFeature):
            parts[step.name] = PartGround(ground, result.feature, step.name)
        elif result.feature is not None:
            features[step.name] = result.feature
        for asked in asked_of(recipe, step):
            told = result.told.get(asked.quantity.name)
            if asked.limits is not None and isinstance(told, (Value, Derived)):
                seen += _foresight(asked, asked.limits, told)
    return seen


def assumed_edges(strips: Strips) -> StripEdges:
    """Return edges in the middle of their strips (a first and a last one a quarter from it), with assumed noise."""
    x, y, dx, dy = strips.boxes.T
    size = np.hypot(dx, dy)
    dx, dy = dx / size, dy / size
    position = {"nearest": -0.25, "clearest": 0.0, "farthest": 0.25}[strips.of_several] * strips.length_px
    told = np.zeros((len(size), report.TOLD_COLUMNS))
    told[:, report.S], told[:, report.U] = position, NOISE_PX / math.sqrt(strips.width_px)
    told[:, report.FREEDOM], told[:, report.SIGMA], told[:, report.CONTRAST] = math.inf, 1.0, 100.0
    told[:, report.POINT_X], told[:, report.POINT_Y] = x + position * dx, y + position * dy
    told[:, report.NORMAL_X], told[:, report.NORMAL_Y] = dx, dy
    told[:, report.OPTICAL], told[:, report.WHOLE_BLUR] = 0.8, math.hypot(0.8, math.sqrt(1 / 12))
    told[:, report.SENSE] = -1.0 if strips.polarity == "falling" else 1.0
    return StripEdges(told)


def _result(recipe: Recipe, step: Step, ground: Ground, features: tuple[Feature, ...]) -> StepResult:
    context = Context(
        table=step.table,
        picture=None,
        ground=ground,
        unit=1.0 if step.base == "image" else recipe.head.mm_per_unit,
        features=features,
        search=assumed_edges if isinstance(step.table, SoughtTable) else None,
        prefix=prefix_of(_SHOT, step),
        shift=shift_of(recipe, step, _SHOT),
        is_foreseen=True,
        beside=step.beside,
    )
    try:
        return step.kind.run(context)
    # A guest's step may need a real picture; then nothing can be foreseen of it, and nothing is said.
    except Exception as error:
        return StepResult.without(Reason("step_broke", {"detail": str(error)}))


def _foresight(asked: Asked, limits: Limits, told: Value | Derived) -> list[Foresight]:
    reading = read(asked, told, None, (), f"foreseen/{asked.step.name}")
    if reading.u is None or reading.dof is None:
        return []
    if isinstance(told, Derived) and told.at_least is not None and limits.lower is None and limits.rule == ISO:
        return [_bounded(asked, limits, told, reading.u, reading.dof)]
    outlook = prospect(reading.u, reading.dof, limits, asked.unit)
    return [_said(asked, limits, outlook.possible, outlook.smallest_tolerance, reading.u, reading.dof)]


def _bounded(asked: Asked, limits: Limits, told: Derived, u: float, dof: float) -> Foresight:
    """Return the outlook of a quantity that cannot be below zero and has an upper limit alone: best is zero itself."""
    best = Derived(told.formula, [v.at(0.0) for v in told.inputs], told.at_least)
    smallest = stays_below(asked, limits.p, best, f"foreseen/{asked.step.name}")
    assert limits.upper is not None
    return _said(asked, limits, limits.upper >= smallest, smallest, u, dof)


def _said(asked: Asked, limits: Limits, possible: bool, smallest: float, u: float, dof: float) -> Foresight:
    unit = "°" if asked.unit == "deg" else f" {asked.unit}"
    if possible:
        words = f"{asked.label}: a tolerance down to {smallest:.2g}{unit} can be shown to be kept"
    else:
        width = limits.upper if math.isinf(limits.width) else limits.width
        words = (
            f"{asked.label} can never conform: its tolerance is {width:.3g}{unit}, and with u = {u:.2g}{unit} the "
            f"smallest that could be shown to be kept is {smallest:.2g}{unit}"
        )
    return Foresight(asked.id, asked.unit, u, dof, possible, smallest, words + ".")
