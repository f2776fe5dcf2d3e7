"""A tie's map as data: what a page draws over the photo, all of it computed here, in pixels of the picture."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.report.tie_picture import (
    COLLAR,
    MAP_WIDTH,
    Legend,
    Paper,
    TieView,
    arrows_of,
    contours_of,
    in_region,
    label_place,
    legend,
    not_good_areas,
    place_in_picture,
    step_of,
)
from tiepoint.report.tie_view import samples, view_of
from tiepoint.ties.tie import Tie
from tiepoint.ties.verdict import SHARE_OF_TOLERANCE, uncertainty_map

Array = NDArray[np.float64]
Kind = Literal["contour", "index", "limit"]


@dataclass(frozen=True, slots=True)
class Contour:
    """The lines (k, 2) in px where U is `U_um`; `label`: x, y in px and the turn in degrees of its number."""

    U_um: float
    kind: Kind
    lines: tuple[Array, ...]
    label: tuple[float, float, float] | None


@dataclass(frozen=True, slots=True)
class TieMap:
    """All that a page draws of a tie `from_frame` image.

    `arrows` (k, 4): from a point to the tip of its magnified residual, which is `residual_um` (k,) long; `unseen` (k,)
    whether the fit did without it; `key_px`: the arrow of `key_um`. `areas`:
    closed lines whose interior (even-odd) is not good enough. `region` (r, 2): the tie's border. `axes` (3, 2): the
    origin and `step_mm` along x and y; None out of the picture.
    """

    size_px: tuple[int, int]
    mm_per_px: float
    step_mm: float
    contours: tuple[Contour, ...]
    limit_um: float | None
    areas: tuple[Array, ...]
    region: Array
    arrows: Array
    unseen: NDArray[np.bool_]
    residual_um: Array
    magnification: float
    key_um: float
    key_px: float
    worst: int
    axes: Array | None


def tie_map(tie: Tie, size_px: tuple[int, int] | None = None, tolerance_mm: float | None = None) -> TieMap:
    """Return the map of a tie over a picture of `size_px`, that of its sensor where none is named.

    `tolerance_mm`: half-width of the tolerance; hatched is where the tie is not good for it. Raises `UnusableInput`
    where the tie does not lead from a picture, or nobody knows how large that is.
    """
    if tie.from_frame != "image":
        raise UnusableInput(f"the tie leads from the {tie.from_frame}, so no picture can be drawn under it")
    size = size_px or (tie.sensor.size_px if tie.sensor is not None else None)
    if size is None:
        raise UnusableInput("the tie does not know how large its picture is; show the picture that it was made from")
    limit = None if tolerance_mm is None else SHARE_OF_TOLERANCE * tolerance_mm
    view = view_of(tie, size, uncertainty_map(tie, *samples(size)).U_um, limit)
    told, per_px = legend(view), MAP_WIDTH / size[0]
    starts = view.points_px
    return TieMap(
        size_px=size,
        mm_per_px=view.mm_per_px,
        step_mm=step_of(view),
        contours=tuple(_contours(view, told)),
        limit_um=view.limit_um,
        areas=tuple(not_good_areas(view)),
        region=view.region_px,
        arrows=np.hstack([starts, starts + arrows_of(view, told) / per_px]),
        unseen=view.unseen,
        residual_um=view.residual_um,
        magnification=told.magnification,
        key_um=told.key_um,
        key_px=told.key_length / per_px,
        worst=told.worst if told.worst_um > 0 else -1,
        axes=_axes(view),
    )


def _contours(view: TieView, told: Legend) -> Iterator[Contour]:
    """Yield the contours of U, the heaviest first, so that its label has the best place."""
    paper, taken = Paper(view.size_px), list[Array]()
    for level, kind, lines in reversed(contours_of(view, told)):
        shown = [paper.place(line[in_region(view, line)]) for line in lines]
        place = label_place([line for line in shown if len(line)], taken, paper)
        label = None
        if place is not None:
            x, y = (np.array(place[:2]) - COLLAR) / paper.scale - 0.5
            label = float(x), float(y), place[2]
        yield Contour(level, _KINDS[kind], tuple(lines), label)


_KINDS: dict[str, Kind] = {"contour": "contour", "contour index": "index", "contour limit": "limit"}


def _axes(view: TieView) -> Array | None:
    step = step_of(view)
    ends = [place_in_picture(view, at) for at in ((0.0, 0.0), (step, 0.0), (0.0, step))]
    return None if any(end is None for end in ends) else np.array(ends)
