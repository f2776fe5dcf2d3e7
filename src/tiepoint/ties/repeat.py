"""Several photos of one pose: their corners averaged, and what their differences say about the stated noise."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput
from tiepoint.ties.family import Corners

Array = NDArray[np.float64]

MOVED_PX = 0.5
"""Photos whose common corners lie this far apart on average do not show one pose."""


@dataclass(frozen=True)
class Sighted:
    """Corners of one photo by their number in the target: `ids` (n,), and where they were seen."""

    ids: NDArray[np.int64]
    corners: Corners


@dataclass(frozen=True, slots=True)
class Repeatability:
    """How photos of one pose agree: rms difference of one corner in one photo from the mean, in px per axis.

    `ratio` is χ² of the differences over its degrees of freedom: 1 where they are as large as stated.
    """

    photos: int
    rms_px: float
    ratio: float
    dof: float


@dataclass(frozen=True)
class Pooled:
    """Corners of one pose, each averaged over the photos that show it; `repeatability` None for one photo."""

    ids: NDArray[np.int64]
    corners: Corners
    repeatability: Repeatability | None


def pool(photos: Sequence[Sighted]) -> Pooled:
    """Return the corners of one pose averaged over photos, weighted by their covariances.

    Where the differences exceed what the covariances state, the averaged covariances are raised in proportion.
    Raises `UnusableInput` where sizes differ or the photos do not show the same pose.
    """
    first = photos[0]
    if len(photos) == 1:
        return Pooled(first.ids, first.corners, None)
    for k, photo in enumerate(photos[1:], start=2):
        _check_same(first, photo, k)
    ids = np.unique(np.concatenate([p.ids for p in photos]))
    weight, moment = np.zeros((len(ids), 2, 2)), np.zeros((len(ids), 2))
    plane = np.zeros((len(ids), 2))
    for photo in photos:
        place = np.searchsorted(ids, photo.ids)
        information = np.asarray(np.linalg.inv(photo.corners.covariance))
        weight[place] += information
        moment[place] += np.einsum("nij,nj->ni", information, photo.corners.px)
        plane[place] = photo.corners.plane_mm
    mean = np.asarray(np.linalg.solve(weight, moment[:, :, None])[:, :, 0])
    agreement = _agreement(photos, ids, mean)
    covariance = np.asarray(np.linalg.inv(weight)) * max(1.0, agreement.ratio)
    return Pooled(ids, Corners(plane, mean, covariance, first.corners.size_px), agreement)


def _agreement(photos: Sequence[Sighted], ids: NDArray[np.int64], mean: Array) -> Repeatability:
    chi2, square, coordinates = 0.0, 0.0, 0
    for photo in photos:
        difference = photo.corners.px - mean[np.searchsorted(ids, photo.ids)]
        whitened = np.linalg.solve(photo.corners.covariance, difference[:, :, None])[:, :, 0]
        chi2 += float(np.sum(difference * whitened))
        square += float(np.sum(difference**2))
        coordinates += difference.size
    dof = coordinates - mean.size
    if dof <= 0:
        return Repeatability(len(photos), 0.0, 1.0, 0.0)
    return Repeatability(len(photos), math.sqrt(square / dof), chi2 / dof, float(dof))


def _check_same(first: Sighted, photo: Sighted, number: int) -> None:
    if photo.corners.size_px != first.corners.size_px:
        a, b = first.corners.size_px, photo.corners.size_px
        raise UnusableInput(
            f"photo {number} is {b[0]} × {b[1]} px and the first is {a[0]} × {a[1]}; "
            "photos of one pose are taken with one setting of the camera"
        )
    _, mine, theirs = np.intersect1d(first.ids, photo.ids, return_indices=True)
    if not len(mine):
        raise UnusableInput(
            f"photo {number} shows no corner that the first shows; repeat the same pose or leave it out"
        )
    moved = first.corners.px[mine] - photo.corners.px[theirs]
    distance = math.sqrt(float(np.mean(np.sum(moved**2, axis=1))))
    if distance > MOVED_PX:
        raise UnusableInput(
            f"photo {number} does not repeat the pose of the first: its corners lie {distance:.2g} px away; "
            "several photos are for one pose repeated, so hold target and camera still, or give one photo"
        )
