"""What the tie did to a shape that was taught through it.

A shape that a shot taught is as wide and as square as the tie showed it. Where the tie errs, the shape errs too, and
the part that it finds is placed so: most of what the tie does to the found edges it has done to the taught ones as
well. What is left, to first order, is how the shape was stretched and sheared about its own origin. The origin and the
direction of +x are where they were typed, as the same tie shows them.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.foundation.sources import Scope, Source
from tiepoint.recipe.ground import Ground
from tiepoint.ties.readers import array_in, source_in, source_out
from tiepoint.vision.seek_model import Pose, Taught

Array = NDArray[np.float64]

_PASSING: tuple[Scope, ...] = ("pixel", "shot", "load", "part")
"""What stays the same within these is another on the parts that are found later, as their lean is."""


@dataclass(frozen=True)
class Strain:
    """How a taught shape is strained with each of m `sources`, per unit of it: `c` (m, 3).

    The columns are the stretch along the part's x, that along its y, and the shear that moves x with y.
    """

    sources: tuple[Source, ...]
    c: Array

    def moves(self, points: Array) -> Array:
        """Return how points (n, 2) of the part's frame move with the sources, (n, 2, m)."""
        x, y = points[:, 0, None], points[:, 1, None]
        return np.stack([x * self.c[:, 0] + y * self.c[:, 2], y * self.c[:, 1]], axis=1)

    def sources_beside(self, others: Sequence[Source]) -> tuple[Source, ...]:
        """Return the sources as they stand beside those of the tie that finds the part.

        What is the same cause keeps its id. A tie that was made anew under its old name errs for itself: the causes of
        the one that taught the shape are told apart from its own.
        """
        same, names = frozenset(others), {s.ensemble for s in others}
        anew = {s.ensemble for s in self.sources if s.ensemble in names and s not in same}
        return tuple(_apart(s) if s.ensemble in anew else s for s in self.sources)

    def to_plain(self) -> dict[str, Any]:
        """Return numbers and lists, for a document."""
        return {"sources": [source_out(s) for s in self.sources], "c": self.c.tolist()}


def strain_from(plain: Mapping[str, Any]) -> Strain:
    """Return the strain of a document; `UnusableDocument` where it does not hold together."""
    try:
        sources = tuple(source_in(s) for s in plain["sources"])
        return Strain(sources, array_in(plain["c"], "c", (len(sources), 3)))
    except (KeyError, TypeError) as wrong:
        raise UnusableDocument(f"the strain of the taught shape is damaged ({wrong}): teach it anew") from wrong


def strain_of(ground: Ground, taught: Taught) -> Strain | None:
    """Return how a shape was strained by the ground that it has just been taught on; None where that cannot err."""
    if not ground.way.sources:
        return None
    home = Pose(*taught.home)
    there = ground.way.map(ground.sight.to_px(home.place(taught.points)))
    own = np.einsum("ji,njm->nim", home.linear, there.d_sources)
    n, _, m = own.shape
    affine = np.column_stack([taught.points, np.ones(n)])
    by_x, by_y, _ = np.linalg.lstsq(affine, own.reshape(n, 2 * m))[0].reshape(3, 2, m)
    sources = tuple(_apart(s) if s.scope in _PASSING else s for s in there.sources)
    # The turn of +x goes with the frame: what turns y against it shears.
    return Strain(sources, np.column_stack([by_x[0], by_y[1], by_y[0] + by_x[1]]))


def _apart(source: Source) -> Source:
    """Return the cause as it acted when the shape was taught, told apart from how it acts now."""
    return replace(source, id=f"taught/{source.id}")
