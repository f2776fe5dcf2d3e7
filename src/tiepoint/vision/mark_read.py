"""Reading a mark: rung by rung of the ladder of preparations, until one gives a sound reading.

Sound means that one reading is guarded by its own symbol (error correction that is not used up, check characters), or
is what was expected, or that two preparations or both readers read the same. Where two readings of one place differ,
none is believed: a misread is worse than no reading.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.vision.mark_dots import see_dots
from tiepoint.vision.mark_place import place_of_print
from tiepoint.vision.mark_rungs import Picture, Rung, prepare, px_each
from tiepoint.vision.mark_seen import Array, MarkSeen, is_guarded, read_again, see

LEAST_UNUSED = 0.2
"""Below this share of unused error correction, a reading needs a second one that says the same."""

BUDGET_PX = 60_000_000
"""How many prepared pixels are looked at, at most: some seconds."""


@dataclass(frozen=True)
class MarkRequest:
    """What is sought.

    `kinds`: none for all. `is_expected`: whether a text is one that may be there; None where nothing is known of it.
    `is_within`: whether a place (2,) in px lies in the region.
    """

    kinds: tuple[str, ...] = ()
    is_expected: Callable[[MarkSeen], bool] | None = None
    is_within: Callable[[Array], bool] = field(default=lambda _: True)
    with_second: bool = True
    budget_px: int = BUDGET_PX


@dataclass(frozen=True)
class MarksRead:
    """What the ladder came to.

    `marks`: all marks of the first rung that gave a sound one, in px of the region's picture; empty without. `rung`:
    that rung. `tried` rungs were looked at, `is_spent` where the budget ended them. `unsure`: readings that nothing
    bears out. `differing`: two contents that were read at one place. `damaged`: symbols found and not decoded.
    `by_second`: whether the second reader read the same; None where it was not asked.
    """

    marks: tuple[MarkSeen, ...] = ()
    rung: Rung | None = None
    tried: int = 0
    is_spent: bool = False
    unsure: tuple[MarkSeen, ...] = ()
    differing: tuple[MarkSeen, ...] = ()
    damaged: tuple[MarkSeen, ...] = ()
    by_second: bool | None = None


def read_marks(
    pictures: Callable[[str], NDArray[Any] | None], request: MarkRequest, rungs: Sequence[Rung]
) -> MarksRead:
    """Return what the first rung with a sound reading gives; `pictures` gives the region of each picture by name."""
    votes: list[MarkSeen] = []
    damaged: list[MarkSeen] = []
    spent = tried = 0
    for rung in rungs:
        picture = pictures(rung.picture)
        if picture is None:
            continue
        cost = round(picture.size / rung.shrink**2)
        if spent + cost > request.budget_px:
            return MarksRead(tried=tried, is_spent=True, unsure=tuple(votes), damaged=tuple(damaged))
        spent, tried = spent + cost, tried + 1
        prepared = prepare(picture, rung)
        scale = px_each(picture, prepared)
        looked = [mark.moved(scale) for mark in _look(prepared, rung, request)]
        seen = [mark for mark in looked if request.is_within(mark.centre)]
        damaged += [mark for mark in seen if not mark.is_whole]
        whole = tuple(mark for mark in seen if mark.is_whole)
        differing = _differing(votes, whole)
        if differing:
            return MarksRead((), rung, tried, unsure=tuple(votes), differing=differing)
        votes_before, votes = votes, [*votes, *whole]
        if any(_is_sound(mark, votes_before, request) for mark in whole):
            return _confirmed(prepared, scale, whole, rung, tried, request)
    return MarksRead(tried=tried, unsure=tuple(votes), damaged=tuple(damaged))


def _look(prepared: Picture, rung: Rung, request: MarkRequest) -> list[MarkSeen]:
    """Return what is seen in a prepared picture, in its own px."""
    if rung.dots:
        return see_dots(prepared, rung.dots == "bright") if not request.kinds or "data_matrix" in request.kinds else []
    return see(prepared, request.kinds, with_damaged=True)


def _is_sound(mark: MarkSeen, votes: Sequence[MarkSeen], request: MarkRequest) -> bool:
    if is_guarded(mark, LEAST_UNUSED) or any(_is_same(mark, vote) for vote in votes):
        return True
    return request.is_expected is not None and request.is_expected(mark)


def _is_same(one: MarkSeen, other: MarkSeen) -> bool:
    return one.content == other.content and one.kind == other.kind


def _differing(votes: Sequence[MarkSeen], marks: Sequence[MarkSeen]) -> tuple[MarkSeen, ...]:
    """Return two readings of one place with different contents; none where there are none."""
    for k, mark in enumerate(marks):
        for other in (*votes, *marks[:k]):
            if not _is_same(mark, other) and _overlap(mark, other):
                return other, mark
    return ()


def _overlap(one: MarkSeen, other: MarkSeen) -> bool:
    """Whether the middle of one mark lies in the box of the other."""
    return _holds(one.corners, other.centre) or _holds(other.corners, one.centre)


def _holds(corners: Array, place: Array) -> bool:
    low, high = corners.min(axis=0), corners.max(axis=0)
    return bool(np.all(place >= low) and np.all(place <= high))


def _confirmed(
    prepared: Picture,
    scale: tuple[float, float],
    marks: tuple[MarkSeen, ...],
    rung: Rung,
    tried: int,
    request: MarkRequest,
) -> MarksRead:
    """Return the marks of a rung, a single one placed, and after the second reader was asked about a Data Matrix."""
    if len(marks) > 1:
        return MarksRead(marks, rung, tried)
    only = marks[0].moved((1 / scale[0], 1 / scale[1]))
    marks = (_placed(prepared, only).moved(scale),)
    if only.kind != "data_matrix" or not request.with_second:
        return MarksRead(marks, rung, tried)
    again = read_again(prepared, only)
    if again is None:
        return MarksRead(marks, rung, tried, by_second=False)
    if _bare(again) == _bare(only.content):
        return MarksRead(marks, rung, tried, by_second=True)
    return MarksRead((), rung, tried, differing=marks)


def _placed(prepared: Picture, mark: MarkSeen) -> MarkSeen:
    """Return a mark of cells with its lattice fitted, where it is seen well enough and was not fitted before."""
    if mark.place is not None or mark.cells is None:
        return mark
    place = place_of_print(prepared, mark.corners, mark.cells)
    return mark if place is None else replace(mark, corners=place.corners, place=place)


def _bare(content: bytes) -> bytes:
    """Return content without separators: libdmtx leaves FNC1 out where zxing-cpp gives GS."""
    return content.replace(b"\x1d", b"")
