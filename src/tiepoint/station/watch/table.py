"""`[watch]` of station.toml: what is looked at besides the parts, and from when on that is an alarm.

[watch]
every_s = 1.0              # a shot is looked at so often at most
quiet = 3_000_000          # looks (and parts) between false alarms of all charts together, at least
fault = ["position", "scale", "edge"]

[[watch.patch]]            # a fixed place that no part covers
name = "white tile"
box = [20, 30, 60, 40]     # x, y, width, height in px
picture = "left"           # of which lamp or role; left out: of each
sharp = true               # it has a pattern whose sharpness counts

[[watch.edge]]             # a fixed edge, crossed by a strip
name = "rail"
at = [120, 300]            # px
towards_deg = 0            # of the crossing: 0 to the right, 90 down

[watch.shares]             # of parts, as accepted
rejected = 0.02

[[watch.defect]]           # painted into copies of real pictures, to see whether they are found
name = "0.4 mm gap"
kind = "gap"
size_mm = 0.4
path = { points = [[10, 20], [60, 20]], width = 2 }
in = "plate"
reading = "bead.gap"
per_hour = 30
at_least = 0.95            # a smaller share of found ones is an alarm
"""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from tiepoint.recipe.regions import Path, Rectangle
from tiepoint.recipe.tables import Name, NotNegative, Number, Point, Positive, Table, said
from tiepoint.station.watch.kinds import Kind

Share = Annotated[float, Field(ge=0, lt=1)]


class Patch(Table):
    """One `[[watch.patch]]`."""

    name: Name
    box: Annotated[
        tuple[
            Annotated[int, Field(ge=0)],
            Annotated[int, Field(ge=0)],
            Annotated[int, Field(ge=3)],
            Annotated[int, Field(ge=3)],
        ],
        Field(strict=False),
    ]
    picture: Name | None = None
    sharp: bool = False


class Edge(Table):
    """One `[[watch.edge]]`: a strip `length` px long in the direction of the crossing, `width` px wide."""

    name: Name
    at: Point
    towards_deg: Number = 0.0
    length: Annotated[float, Field(ge=8, le=2000)] = 24.0
    width: Annotated[float, Field(ge=3, le=2000)] = 24.0
    picture: Name | None = None


class Allow(Table):
    """Changes that do not matter: of grey and sharpness as shares, of scale as a share, of position in px."""

    grey: Share = 0.02
    sharpness: Share = 0.1
    share: Share = 0.005
    position_px: NotNegative = 0.1
    scale: NotNegative = 1e-4
    temperature_c: NotNegative = 5.0
    runner_up: Share = 0.1
    golden: Share = 0.1


class Dirt(Table):
    """`of`: pictures in a median; `change`: of brightness, as a share, from which on a spot counts."""

    of: Annotated[int, Field(ge=5, le=200)] = 25
    change: Annotated[float, Field(gt=0, lt=1)] = 0.04


class Golden(Table):
    """Parts that come by again and again: a pattern (`*`, `?`) of their ids, each its own chart."""

    like: Name


class Lots(Table):
    """A part's lot is its id `before` a text, or its `first` letters; or what an act named last.

    `sigmas`: how many standard deviations a lot's mean is to stay within the limits.
    """

    before: Name | None = None
    first: Annotated[int, Field(ge=1, le=80)] | None = None
    sigmas: Positive = 3.0


class Shares(Table):
    """The shares of parts that were accepted."""

    rejected: Share | None = None
    undecided: Share | None = None
    unread: Share | None = None


class Disk(Table):
    """`hours`: a disk that will be full sooner is an alarm."""

    hours: Positive = 48.0
    every_s: Positive = 60.0


class Defect(Table):
    """One `[[watch.defect]]`: what is painted where, how often, and which reading is to find it.

    `size_mm`: the diameter of a spot or a hole, the length of a scratch, the length of a gap along its path. `factor`:
    the brightness of a spot or scratch over that of its surroundings. `width_mm` of a scratch. `blur_px`: of the
    picture; left out, as the fixed edges have it, or 0.7. `at_least`: the share that is to be found.
    """

    name: Name
    kind: Literal["spot", "scratch", "gap", "hole"]
    size_mm: Positive
    rectangle: Rectangle | None = None
    path: Path | None = None
    points: Annotated[tuple[Point, ...], Field(strict=False, max_length=1000)] = ()
    in_: Name = Field(default="plane", alias="in")
    picture: Name | None = None
    variant: Name | None = None
    reading: Name | None = None
    factor: Annotated[float, Field(ge=0, le=10)] = 0.6
    width_mm: Positive = 0.1
    blur_px: Positive | None = None
    per_hour: Annotated[float, Field(gt=0, le=3600)] = 30.0
    at_least: Share = 0.95

    @model_validator(mode="after")
    def _has_a_place(self) -> Self:
        given = [key for key in ("rectangle", "path", "points") if getattr(self, key)]
        if len(given) != 1:
            raise said("name", f"is {self.name}, and it states {len(given)} places; give rectangle, path or points")
        wanted = {"gap": ("path",), "hole": ("points",)}.get(self.kind, ("rectangle", "path"))
        if given[0] not in wanted:
            raise said(given[0], f"is no place for a {self.kind}; give {' or '.join(wanted)}")
        return self


class WatchTable(Table):
    """The whole section."""

    every_s: NotNegative = 1.0
    quiet: Annotated[float, Field(ge=1e3, le=1e7)] = 3e6
    fault: Annotated[tuple[Kind, ...], Field(strict=False)] = ("position", "scale", "edge")
    patch: Annotated[tuple[Patch, ...], Field(strict=False, max_length=50)] = ()
    edge: Annotated[tuple[Edge, ...], Field(strict=False, max_length=50)] = ()
    allow: Allow = Allow()
    dirt: Dirt | None = Dirt()
    golden: Golden | None = None
    lots: Lots = Lots()
    shares: Shares = Shares()
    disk: Disk = Disk()
    clock_s: Positive = 2.0
    defect: Annotated[tuple[Defect, ...], Field(strict=False, max_length=20)] = ()
    control_per_hour: Annotated[float, Field(ge=0, le=3600)] = 30.0

    @model_validator(mode="after")
    def _names_once(self) -> Self:
        for key in ("patch", "edge", "defect"):
            names = [one.name for one in getattr(self, key)]
            if (twice := next((name for name in names if names.count(name) > 1), None)) is not None:
                raise said(key, f"has two of the name {twice}; name each otherwise")
        return self
