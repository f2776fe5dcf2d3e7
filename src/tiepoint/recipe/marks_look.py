"""What a step looks at to read a mark: the box of its region in each picture, with some ground around it."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.reasons import Reason
from tiepoint.recipe.context import Array, Context
from tiepoint.recipe.inside import inside
from tiepoint.recipe.regions import AreaRegion, shape_of
from tiepoint.vision.mark_stop import Around

Bools = NDArray[np.bool_]

MARGIN = 0.08
"""How much of the box is added on each side where the picture has it: a code needs light ground around it."""
WIDER = 0.5
"""How much is added on each side when it is asked whether the region cuts a mark."""


@dataclass(frozen=True)
class Look:
    """The box of a region with its margin: `left`, `top`, `rows`, `cols`; `looked` (rows, cols) at, `covered` by a mask
    (rows, cols).
    """

    left: int
    top: int
    looked: Bools
    covered: Bools

    def cut(self, picture: NDArray[Any]) -> NDArray[Any]:
        """Return the box out of a picture (rows, columns), what the mask covers at the level of the rest."""
        rows, cols = self.looked.shape
        box = picture[self.top : self.top + rows, self.left : self.left + cols]
        if not self.covered.any():
            return box
        plain = box.copy()
        plain[self.covered] = np.median(box[~self.covered]) if not self.covered.all() else 0
        return plain

    def is_within(self, place: Array) -> bool:
        """Whether a place (2,) px of the box lies in the region and under no mask."""
        x, y = (round(v) if np.isfinite(v) else -1 for v in place.tolist())
        rows, cols = self.looked.shape
        return 0 <= x < cols and 0 <= y < rows and bool(self.looked[y, x])

    def around(self, picture: NDArray[Any]) -> Around | None:
        """Return a wider view of the picture; None where the box is all of it."""
        rows, cols = self.looked.shape
        top, left = max(self.top - round(WIDER * rows), 0), max(self.left - round(WIDER * cols), 0)
        wide = picture[top : self.top + round((1 + WIDER) * rows), left : self.left + round((1 + WIDER) * cols)]
        if wide.shape == self.looked.shape:
            return None
        return Around(wide, (self.left - left, self.top - top), self.is_within)


def look(context: Context, region: AreaRegion | None) -> Look | Reason:
    """Return the box of a region, the whole picture without one; a reason where it leaves the picture."""
    assert context.picture is not None
    rows, cols = context.picture.shape
    if region is None:
        return Look(0, 0, np.ones((rows, cols), bool), np.zeros((rows, cols), bool))
    shape = shape_of(region)
    assert shape is not None
    whole = inside(context, shape, (rows, cols))
    if isinstance(whole, Reason):
        return whole
    if not whole.looked.any():
        return Reason("few_pixels", {"found": 0, "needed": 1})
    seen = whole.looked
    if context.beside.mask is not None:
        masked = inside(context, shape, (rows, cols), context.beside.mask)
        assert not isinstance(masked, Reason)
        seen = masked.looked
    high, wide = seen.shape
    add = (min(round(MARGIN * high), whole.top), min(round(MARGIN * wide), whole.left))
    more = (min(round(MARGIN * high), rows - whole.top - high), min(round(MARGIN * wide), cols - whole.left - wide))
    pad = tuple(zip(add, more, strict=True))
    return Look(whole.left - add[1], whole.top - add[0], np.pad(seen, pad), np.pad(whole.looked & ~seen, pad))
