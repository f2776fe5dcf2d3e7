"""Known lengths measured all over the field: is the largest error within what was stated?

In the manner of ISO 10360-7 and VDI/VDE 2634-1, without claiming conformity: known lengths at five positions or more,
in two orientations or more, at two heights or more; errors against a stated maximum A + L/B. An error within it is
*shown* where the test's own uncertainty does not change that: |error| + t·u_test ≤ maximum (ISO 14253-1, one side).
What of positions, orientations, heights, lengths and repeats is missing is named: an error is known only where it was
looked for. (Five lengths, three times each, is what those standards ask for; from memory.)
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.sources import coverage_factor
from tiepoint.studies.checks import Check, without_outliers
from tiepoint.studies.figure import Figure
from tiepoint.studies.measured import demand_not_pasted
from tiepoint.studies.wording import signed, unit_said

Array = NDArray[np.float64]

POSITIONS, ORIENTATIONS, HEIGHTS, LENGTHS, REPEATS = 5, 2, 2, 5, 3
P = 0.95
FEWEST_FOR_SCALE = 5


@dataclass(frozen=True)
class KnownLengths:
    """Known lengths `known` (n,) with standard uncertainties `u` (n,), and what was `measured` (n,), all in one unit.

    `position`, `orientation` and `height` (n,) are names of where each was; `where` (n,) tells its row.
    """

    known: Array
    measured: Array
    u: Array
    position: tuple[str, ...]
    orientation: tuple[str, ...]
    height: tuple[str, ...]
    where: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PlaceErrors:
    """Errors at one level of `by` (position, orientation or height): how many, their mean, and the largest."""

    by: str
    level: str
    n: int
    mean: float
    largest: float


@dataclass(frozen=True)
class LengthsStudy:
    """Errors (n,) with what was allowed of each (n,); `worst`: its row, and that with the test's own uncertainty.

    `largest`: the largest error without its sign, with what the known length leaves open of it (95 % on each side).
    `scale`: error for each unit of length, `offset` at length 0, by a straight line (None for one length). `within`:
    how many keep the maximum; `shown`: how many do whatever the test's own uncertainty. `missing`: what was not looked
    at. `good`: None where no maximum was stated. `data`, in `unit`: what it was made of.
    """

    errors: Array
    allowed: Array | None
    worst: int
    largest: Figure
    within: int | None
    shown: int | None
    scale: Figure | None
    offset: Figure | None
    places: tuple[PlaceErrors, ...]
    missing: tuple[str, ...]
    data: KnownLengths
    unit: str
    convention: str
    checks: tuple[Check, ...]
    good: bool | None
    sentences: tuple[str, ...]


def study_lengths(
    data: KnownLengths, *, most_error: float | None = None, per_length: float | None = None, unit: str = "mm"
) -> LengthsStudy:
    """Return the study. The stated maximum is `most_error` + length / `per_length` (None: the first alone).

    `good` where every error is shown to keep it, and nothing of what should be looked at is missing. Raises
    `UnusableInput` for what cannot be.
    """
    _checked(data, most_error, per_length)
    errors = data.measured - data.known
    allowed = None
    if most_error is not None:
        allowed = most_error + (data.known / per_length if per_length else np.zeros(errors.size))
    reach = coverage_factor(P, math.inf) * data.u
    size = np.abs(errors)
    missing = tuple(_missing(data))
    scale, offset = _line(data.known, errors, float(np.max(data.u / data.known)))
    shown = None if allowed is None else int(np.sum(size + reach <= allowed))
    worst = int(np.argmax(size if allowed is None else size - allowed))
    study = LengthsStudy(
        errors=errors,
        allowed=allowed,
        worst=worst,
        largest=Figure(
            float(size.max()), float(np.max(np.maximum(size - reach, 0.0))), float(np.max(size + reach)), 0.9
        ),
        within=None if allowed is None else int(np.sum(size <= allowed)),
        shown=shown,
        scale=scale,
        offset=offset,
        places=tuple(_places(data, errors)),
        missing=missing,
        data=data,
        unit=unit,
        convention=_convention(most_error, per_length, unit),
        checks=tuple(_checks(data, errors, allowed)),
        good=None if shown is None else shown == errors.size and not missing,
        sentences=(),
    )
    return replace(study, sentences=tuple(_sentences(study, data, unit)))


def known_lengths(
    known: ArrayLike,
    measured: ArrayLike,
    *,
    u: ArrayLike | float = 0.0,
    position: Sequence[str],
    orientation: Sequence[str],
    height: Sequence[str],
    where: Sequence[str] | None = None,
) -> KnownLengths:
    """Return known lengths from plain sequences; `u` may be one for all."""
    k = np.asarray(known, float)
    told = tuple(where) if where is not None else tuple(f"row {n + 1}" for n in range(k.size))
    every_u = np.broadcast_to(np.asarray(u, float), k.shape).copy()
    return KnownLengths(
        k, np.asarray(measured, float), every_u, tuple(position), tuple(orientation), tuple(height), told
    )


def _checked(data: KnownLengths, most_error: float | None, per_length: float | None) -> None:
    n = data.known.size
    if not n:
        raise UnusableInput("there is no length to study; give one row for each")
    for k in range(n):
        if not (math.isfinite(data.known[k]) and data.known[k] > 0):
            raise UnusableInput(f"{data.where[k]}: the known length is {data.known[k]:g}; give one above 0")
        if not math.isfinite(data.measured[k]):
            raise UnusableInput(
                f"{data.where[k]}: what was measured is no finite number; leave the row out, and say so"
            )
        if not (math.isfinite(data.u[k]) and data.u[k] >= 0):
            raise UnusableInput(f"{data.where[k]}: u of the known length is {data.u[k]:g}; give 0 or more")
    errors = data.measured - data.known
    if n > 1 and not float(np.ptp(errors)) > 1e-12 * float(np.max(data.known)):
        raise UnusableInput(
            f"every one of {n} lengths is off by the same {errors[0]:g}; the values look computed, not measured: look "
            "at the columns, or give more digits"
        )
    where = [data.position, data.orientation, data.height]
    demand_not_pasted([data.known, data.measured, *where], data.where, "the lengths")
    if most_error is not None and not (math.isfinite(most_error) and most_error > 0):
        raise UnusableInput(f"the stated maximum is {most_error:g}; give a length above 0")
    if per_length is not None and (most_error is None or not (math.isfinite(per_length) and per_length > 0)):
        raise UnusableInput("the part of the maximum that grows with length needs the fixed part, and a length above 0")


def _missing(data: KnownLengths) -> Iterable[str]:
    """Yield what is not looked at that should be."""
    for names, least, one, many in (
        (data.position, POSITIONS, "position", "positions"),
        (data.orientation, ORIENTATIONS, "orientation", "orientations"),
        (data.height, HEIGHTS, "height", "heights"),
        (tuple(f"{v:.9g}" for v in data.known), LENGTHS, "known length", "known lengths"),
    ):
        if (count := len(set(names))) < least:
            yield f"{least - count} more {one if least - count == 1 else many} (there {_are(count)}, of {least})"
    keys = list(zip(data.position, data.orientation, data.height, data.known.tolist(), strict=True))
    few = min(keys.count(key) for key in set(keys))
    if few < REPEATS:
        yield f"repeats (each length {few} {'time' if few == 1 else 'times'} in its place at least, of {REPEATS})"


def _are(count: int) -> str:
    return "is 1" if count == 1 else f"are {count}"


def _line(known: Array, errors: Array, u_scale: float) -> tuple[Figure | None, Figure | None]:
    """Return slope and intercept of errors over length with their 95 % intervals; None where lengths hardly differ.

    `u_scale`: relative u of the known lengths, which one rule for all of them has in common.
    """
    n = known.size
    if n < FEWEST_FOR_SCALE or not np.ptp(known) > 0.1 * known.max():
        return None, None
    away = known - known.mean()
    about = float(away @ away)
    slope = float(away @ errors) / about
    offset = float(errors.mean() - slope * known.mean())
    left = errors - offset - slope * known
    s = math.sqrt(float(left @ left) / (n - 2))
    t = float(special.stdtrit(n - 2, 0.975))
    reach = math.hypot(t * s / math.sqrt(about), 1.96 * u_scale), t * s * math.sqrt(1 / n + known.mean() ** 2 / about)
    return (
        Figure(slope, slope - reach[0], slope + reach[0]),
        Figure(offset, offset - reach[1], offset + reach[1]),
    )


def _places(data: KnownLengths, errors: Array) -> Iterable[PlaceErrors]:
    for by, names in (("position", data.position), ("orientation", data.orientation), ("height", data.height)):
        for level in dict.fromkeys(names):
            of = errors[np.array([name == level for name in names])]
            yield PlaceErrors(by, level, of.size, float(of.mean()), float(of[np.argmax(np.abs(of))]))


def _convention(most_error: float | None, per_length: float | None, unit: str) -> str:
    told = "no maximum was stated"
    if most_error is not None:
        grows = f" + L/{per_length:g}" if per_length else ""
        told = (
            f"the stated maximum is {most_error:g} {unit}{grows}, kept where |error| + {1.645:g} u of the length does"
        )
    return (
        f"Errors of known lengths in the manner of ISO 10360-7 and VDI/VDE 2634-1, without claiming conformity; {told}."
    )


def _checks(data: KnownLengths, errors: Array, allowed: Array | None) -> Iterable[Check]:
    yield without_outliers(errors, data.where, "the errors")
    if not (data.u > 0).all():
        yield Check("known lengths", False, "What the known lengths are uncertain by is not stated, and taken as 0.")
    elif allowed is not None:
        share = float(np.max(data.u / allowed))
        said = f"u of the known lengths is up to {100 * share:.2g} % of the stated maximum"
        yield Check("known lengths", share <= 0.1, said + ("." if share <= 0.1 else ": take better known ones."))


def _sentences(study: LengthsStudy, data: KnownLengths, unit: str) -> Iterable[str]:
    k, unit = study.worst, unit_said(unit)
    yield (
        f"The largest error is {signed(study.errors[k])} {unit} on {data.known[k]:.6g} {unit} ({data.where[k]}: "
        f"position {data.position[k]}, orientation {data.orientation[k]}, height {data.height[k]})."
    )
    n = study.errors.size
    if study.within is not None and study.shown is not None:
        yield f"{study.within} of {n} errors keep the stated maximum, and of {study.shown} it is shown."
    if study.missing:
        yield f"Not looked at: {'; '.join(study.missing)}."
    if study.scale is not None and (study.scale.low > 0 or study.scale.high < 0):
        yield f"Errors grow with length, by {signed(100 * study.scale.value, 2)} % of it: the scale is off."
    yield from _heights(study, unit)
    yield _next(study)


def _heights(study: LengthsStudy, unit: str) -> Iterable[str]:
    means = [p for p in study.places if p.by == "height"]
    if len(means) > 1:
        low, high = min(means, key=lambda p: p.mean), max(means, key=lambda p: p.mean)
        yield (
            f"The mean error is {signed(low.mean, 2)} {unit} at height {low.level} and {signed(high.mean, 2)} {unit} "
            f"at height {high.level}."
        )


def _next(study: LengthsStudy) -> str:
    if study.within is not None and study.within < study.errors.size:
        if study.scale is not None and (study.scale.low > 0 or study.scale.high < 0):
            return "Next: measure the bars of the target anew, tie at the height of the part, and repeat."
        return "Next: look where the errors are (positions, heights), tie with more views or a lens model, and repeat."
    if study.missing:
        return f"Next: measure {study.missing[0].partition(' (')[0]}, as above."
    if study.shown is not None and study.shown < study.errors.size:
        return "Next: take lengths that are known better, since their own uncertainty decides."
    if study.within is None:
        return "Next: state the maximum that the task allows, and ask again with it."
    return "Next: keep these lengths, and measure them again after each new tie and each change of the optics."
