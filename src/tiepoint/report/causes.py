"""Which causes of a ± are named in a list of them: the largest, and what is left as one."""

import math
from collections.abc import Mapping, Sequence

MOST_ROWS = 6
LEAST_SHARE = 0.005


def largest(variances: Mapping[str, Sequence[float]]) -> list[tuple[str, tuple[float, ...]]]:
    """Return causes with their variances (one or more each, in the same order), largest first, small ones as the last.

    A cause that adds nothing is left out; one alone that is small keeps its name.
    """
    rows = sorted(variances.items(), key=lambda row: -math.fsum(row[1]))
    told = [(label, tuple(parts)) for label, parts in rows if math.fsum(parts) > 0]
    total = math.fsum(math.fsum(parts) for _, parts in told)
    shown = max(1, min(MOST_ROWS, sum(math.fsum(parts) >= LEAST_SHARE * total for _, parts in told)))
    left = told[shown:]
    if not left:
        return told
    label = left[0][0] if len(left) == 1 else f"{len(left)} smaller ones"
    return [*told[:shown], (label, tuple(math.fsum(column) for column in zip(*(v for _, v in left), strict=True)))]
