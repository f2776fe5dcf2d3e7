"""Shapes measured as a step measures them, in the image alone: places in pixels with y turned up, as on any ground."""

import math
from functools import partial

import numpy as np

from tiepoint.recipe.context import Context
from tiepoint.recipe.ground import ImageGround
from tiepoint.recipe.layout import Box
from tiepoint.recipe.schema import SoughtTable
from tiepoint.recipe.seek import find_in
from tiepoint.recipe.shapes import measure_circle, measure_line

FULL_TURN = (0.0, math.tau)


def context_of(picture):
    """Return what a step is given that looks at a picture and lives in the image."""
    return Context(
        table=SoughtTable(name="shape", kind="circle"),
        picture=picture,
        ground=ImageGround(),
        unit=1.0,
        features=(),
        search=partial(find_in, picture),
        prefix="shape",
    )


def circle_in(picture, centre_px, radius_px, reach_px, span_rad=FULL_TURN, polarity="either"):
    """Measure the circle or arc expected within `reach_px` of a radius about a pixel (x, y)."""
    radii = (max(radius_px - reach_px, 1.0), radius_px + reach_px)
    return measure_circle(context_of(picture), np.array([centre_px[0], -centre_px[1]]), radii, span_rad, polarity)


def line_in(picture, from_px, to_px, reach_px, polarity="either"):
    """Measure the straight edge expected within `reach_px` of the way between two pixels."""
    ends = np.array([from_px, to_px], float) * (1.0, -1.0)
    way = ends[1] - ends[0]
    size = float(np.hypot(*way))
    box = Box(ends.mean(axis=0), np.array([way[1], -way[0]]) / size, reach_px, size / 2)
    return measure_line(context_of(picture), box, polarity)
