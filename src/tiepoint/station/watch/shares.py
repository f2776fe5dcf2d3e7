"""Shares of parts against what was accepted, lots against their limits, both with a stated rate of false alarms.

A share is tested at the end of every 20 parts and of every 200, each test once, at a level for which both together
raise a false alarm once in `run` parts at most (Clopper and Pearson's lower bound, `studies.rates`).

A lot is tested after 10 parts, 20, 40 and so on: is its distance to the nearer limit, in standard deviations, smaller
than agreed? With normal values, t = √n·(limit − mean)/s is noncentral t (n − 1 degrees of freedom, noncentrality √n·the
true distance in σ): exact (Johnson & Welch, Biometrika 31 (1940) 362).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from scipy import special

from tiepoint.studies.rates import Rate, rate

BLOCKS = (20, 200)
FIRST = 10
"""Parts of a lot after which it is tested first; then after twice as many, and so on."""
LEVEL = 1e-4
"""Of the test of a lot: of lots that just keep what was agreed, so many are called too near, a test."""
CALM = 200


@dataclass(frozen=True, slots=True)
class Block:
    """The parts of a block so far: `events` among `n` of `size`."""

    size: int
    n: int = 0
    events: int = 0

    @property
    def is_full(self) -> bool:
        """Whether it is to be tested."""
        return self.n >= self.size


@dataclass(frozen=True, slots=True)
class Lot:
    """Values of one reading in one lot, as sums: `n`, `mean`, and the squares about it (Welford, 1962)."""

    n: int = 0
    mean: float = 0.0
    squares: float = 0.0

    @property
    def sigma(self) -> float:
        """Their standard deviation; 0 of fewer than two."""
        return math.sqrt(self.squares / (self.n - 1)) if self.n > 1 else 0.0


@dataclass(frozen=True, slots=True)
class Margin:
    """How far a lot's mean lies within its nearer limit: in the unit, and in its standard deviations.

    `p`: of so small a distance if the true one were what was agreed.
    """

    distance: float
    sigmas: float
    p: float


def counted(block: Block, is_event: bool) -> Block:
    """Return a block with one more part; a full one is begun anew."""
    if block.is_full:
        block = Block(block.size)
    return replace(block, n=block.n + 1, events=block.events + is_event)


def is_above(block: Block, most: float, run: float) -> Rate | None:
    """Return the rate of a full block where it is shown to be above `most`; None where it is not."""
    level = min(0.5, block.size / run / len(BLOCKS))
    found = rate(block.events, block.n, 1 - level)
    return found if found.at_least > most else None


def is_calm(block: Block, most: float) -> bool:
    """Whether a full block ends an alarm: the longer one, with no larger a share than was accepted."""
    return block.size == CALM and block.events <= most * block.n


def added(lot: Lot, value: float) -> Lot:
    """Return a lot with one more value."""
    n = lot.n + 1
    mean = lot.mean + (value - lot.mean) / n
    return Lot(n, mean, lot.squares + (value - lot.mean) * (value - mean))


def is_due(n: int) -> bool:
    """Whether a lot is tested after n parts."""
    k = n // FIRST
    return n == FIRST * k and k > 0 and k & (k - 1) == 0


def margin(lot: Lot, limits: Sequence[float | None], agreed_sigmas: float) -> Margin | None:
    """Return how near a lot is to its lower and upper limit; None where it cannot be told."""
    lower, upper = limits
    sides = [lot.mean - lower] if lower is not None else []
    sides += [upper - lot.mean] if upper is not None else []
    if not sides or lot.n < 2 or lot.sigma == 0:
        return None
    away = min(sides) / lot.sigma
    root = math.sqrt(lot.n)
    # Either side may be the nearer one: both count.
    p = float(special.nctdtr(lot.n - 1, root * agreed_sigmas, root * away)) * len(sides)
    return Margin(min(sides), away, min(1.0, p))
