"""The recipe as it is written: the head of the file, and what every step states whatever its kind.

Everything is in the recipe's unit here (`in = "image"`: px), as a person wrote it; steps convert once, by
`Recipe.mm_per_unit`. Kinds add their own keys by deriving from `StepTable`.
"""

from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.units import MM_PER
from tiepoint.model.decide import ISO, SIMPLE, Limits, guard_mm
from tiepoint.recipe.tables import Name, NotNegative, Number, Positive, Table, Varying, said, shown

Channel = Literal["grey", "r", "g", "b", "L*"]
Polarity = Literal["either", "rising", "falling"]
Unit = Literal["mm", "in"]

FRAMES = ("plane", "image")


class Decide(Table):
    """The decision rule and the probability that it asks for."""

    rule: str = ISO
    p: Number = 0.95

    @model_validator(mode="after")
    def _known(self) -> Self:
        if not 0.5 < self.p < 1:
            raise said("p", f"is {self.p:g}; choose above 0.5 and below 1")
        if self.rule not in (ISO, SIMPLE):
            try:
                guard_mm(self.rule)
            except UnusableInput:
                raise said(
                    "rule", f'is {shown(self.rule)}; use "{ISO}", "{SIMPLE}" or a guard band, as in "guard:0.01mm"'
                ) from None
        return self

    @property
    def is_length(self) -> bool:
        """Whether the rule is a fixed guard band, which only a length can have."""
        return self.rule not in (ISO, SIMPLE)


class EdgeTable(Table):
    """What stands between the edge that light shows and the edge that the drawing means (bevel, burr, blooming).

    `bias`: how far the found edge lies towards the lit side of the edge that is meant, on average; it is corrected.
    `u`: standard uncertainty of that, in the recipe's unit. `scope`: whether it varies from `part` to part or is
    the same for the `station`.
    """

    bias: Number = 0.0
    u: NotNegative
    scope: Literal["part", "station"] = "part"


class LimitTable(Table):
    """`lower` and `upper`, or `nominal` with `plus` and `minus`; one side may be left open.

    Lengths are in the recipe's unit, angles in degrees. `lower = nominal - minus`, `upper = nominal + plus`.
    """

    lower: Varying | None = None
    upper: Varying | None = None
    nominal: Varying | None = None
    plus: Varying | None = None
    minus: Varying | None = None

    @model_validator(mode="after")
    def _one_way_up(self) -> Self:
        by_nominal = [k for k in ("plus", "minus") if getattr(self, k) is not None]
        by_limit = [k for k in ("lower", "upper") if getattr(self, k) is not None]
        if self.nominal is not None and by_limit:
            raise said(by_limit[0], "stands beside nominal; give lower and upper, or nominal with plus and minus")
        if self.nominal is None and by_nominal:
            raise said(by_nominal[0], "has no nominal beside it; state nominal, or give lower and upper")
        if not (by_limit or by_nominal):
            raise said("", "states no limit; give lower or upper, or nominal with plus or minus")
        lower, upper = self.bounds
        if lower is not None and upper is not None and lower > upper:
            raise said("", f"is upside down: lower {lower:g} is above upper {upper:g}; exchange them")
        return self

    @property
    def bounds(self) -> tuple[float | None, float | None]:
        """Lower and upper limit, None where open."""
        if self.nominal is None:
            return self.lower, self.upper
        return (
            None if self.minus is None else self.nominal - self.minus,
            None if self.plus is None else self.nominal + self.plus,
        )


class StepTable(Table):
    """What every step states.

    `in`: the frame that its region and its readings live in, `plane` (by default), `image` (px), or the name of a
    `find`, for the frame of the part that it found. `limits` go by
    quantity. `readings` names further quantities that are written though they have no limits. `drawing` is the
    reference on the drawing. `decide` replaces the recipe's rule for this step.
    """

    name: Name
    kind: str
    in_: str | None = Field(default=None, alias="in")
    limits: dict[str, LimitTable] = Field(default_factory=dict)
    readings: Annotated[tuple[str, ...], Field(strict=False)] = ()
    drawing: str | None = None
    decide: Decide | None = None

    @property
    def rests_on(self) -> tuple[str, ...]:
        """The names of the steps whose features this one takes."""
        return ()

    def expects(self, quantity: str) -> str | None:
        """Return in words what is expected of a text quantity, which is then judged; None where nothing is."""
        del quantity
        return None

    @property
    def lives_in(self) -> str | None:
        """The name of the find in whose part frame this step lives; None in the plane or the image."""
        return None if self.in_ in (None, *FRAMES) else self.in_

    @property
    def waits_for(self) -> tuple[str, ...]:
        """The names of all steps that come before this one."""
        return self.rests_on if self.lives_in is None else (self.lives_in, *self.rests_on)


class LookingTable(StepTable):
    """A step that looks at a picture.

    `picture`: which picture of the shot, by its role, its light, or its name in the relief (the first by default).
    `plane`: which channel of it; `L*` is the lightness of CIELAB, 0 to 100.
    `mask`: a picture file beside the recipe that covers the region's box; what is painted in it (not black) is not
    looked at, wherever the region goes.
    """

    picture: str | None = None
    plane: Channel = "grey"
    mask: str | None = None


class EdgedTable(LookingTable):
    """A step whose result rests on where edges are. `edge`: the name of an edge definition of the recipe."""

    edge: str | None = None

    @property
    def draws_by_level(self) -> bool:
        """Whether its edges are where a stated level draws them, and so stand for nothing else."""
        return False


class SoughtTable(EdgedTable):
    """A step that looks for edges in a picture.

    `edge`: the name of an edge definition of the recipe. `polarity` is along the direction of search:
    `rising` where it gets brighter, `falling` where darker.
    """

    polarity: Polarity = "either"


class BetweenTable(StepTable):
    """A step that rests on two others."""

    between: Annotated[tuple[Name, Name], Field(strict=False)]

    @property
    def rests_on(self) -> tuple[str, ...]:
        """The two steps it stands between."""
        return self.between


class Head(Table):
    """What the recipe is and what it rests on.

    `tie`: the tie's file, seen from the recipe's folder; recipes that live in the image alone need none. `height` of
    the measured surface above the plane, always with its standard uncertainty `u_height`: the tie is moved there, and a
    variant's height goes before it. Without any, the edges are taken to lie exactly in the tie's plane, and records say
    so. `lights`: the file of the lamps, for steps that look at the relief of a shot, and `feature`, the width of the
    detail that its composites bring out (in px where nothing is measured in the plane; 8 px by default). `u_lean_deg`:
    standard uncertainty of how far that surface leans against the plane, about each of its axes; a
    camera that leans sees a leaning part turned. `decide` and `edge` are described below.
    """

    format: str
    name: Name
    revision: Annotated[int, Field(ge=0, le=1_000_000_000)] = 1
    unit: Unit = "mm"
    tie: str | None = None
    lights: str | None = None
    feature: Positive | None = None
    height: Number | None = None
    u_height: NotNegative | None = None
    u_lean_deg: Annotated[float, Field(ge=0, le=10)] = 0.0
    decide: Decide = Field(default_factory=Decide)
    edge: dict[str, EdgeTable] = Field(default_factory=dict)
    step: list[dict[str, Any]] = Field(min_length=1, max_length=1000)
    grip: list[dict[str, Any]] = Field(default_factory=list, max_length=100)

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.u_height is not None and self.height is None:
            raise said("u_height", "has no height beside it; state the height of the part's surface above the plane")
        if self.height is not None and self.u_height is None:
            raise said(
                "height",
                "has no u_height beside it; state its standard uncertainty too, as in u_height = 0.02 (a height known "
                "within ± a has u = a/1.73; 0.0 takes it as exact)",
            )
        return self

    @property
    def mm_per_unit(self) -> float:
        """Millimetres in the recipe's unit."""
        return MM_PER[self.unit]


def limits_of(step: StepTable, quantity: str, rule: Decide) -> Limits | None:
    """Return the limits of a quantity under a rule, None without limits."""
    table = step.limits.get(quantity)
    if table is None:
        return None
    lower, upper = table.bounds
    return Limits(lower, upper, rule.rule, rule.p)
