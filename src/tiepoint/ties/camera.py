"""A full camera: focal length and lens, with what is not known about them, as plain data and back."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.foundation.sources import Source
from tiepoint.ties.lens import LENS_NAMES, Lens
from tiepoint.ties.readers import (
    array_in,
    fields_of,
    head_in,
    lens_in,
    number_in,
    read_in_sentences,
    source_out,
    text_in,
    whole_in,
)

Array = NDArray[np.float64]
Plain = dict[str, Any]

FORMAT = "tiepoint/camera/1"
CAMERA_PARAMETERS = ("focal", *LENS_NAMES)
"""Order of the camera's parameters in `CameraModel.factor`."""


@dataclass(frozen=True, slots=True)
class View:
    """One photo of the set: rms of its residuals in px, the same when it was left out of the fit, corners, pose.

    `bad` says that the set's rule set it aside; `photo` is its hash or name.
    """

    photo: str
    corners: int
    rms_px: float
    left_out_rms_px: float
    tilt_deg: float
    distance_mm: float
    bad: bool = False


@dataclass(frozen=True)
class CameraModel:
    """Square pixels, principal point at the lens centre: `focal_px` and `lens`, for pictures of `size_px`.

    `factor` (8, m): ∂(parameters)/∂source, order `CAMERA_PARAMETERS`. `rms_px`: residuals of the views in use.
    """

    id: str
    size_px: tuple[int, int]
    focal_px: float
    lens: Lens
    sources: tuple[Source, ...]
    factor: Array
    model: str
    rms_px: float
    chi2_per_dof: float
    dof: float
    views: tuple[View, ...] = ()
    target_id: str | None = None
    flags: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def covariance(self) -> Array:
        """Covariance (8, 8) of the parameters in the order of `CAMERA_PARAMETERS`."""
        spread = self.factor * np.array([s.u for s in self.sources])
        return np.asarray(spread @ spread.T)

    @property
    def u_focal_px(self) -> float:
        """Standard uncertainty of the focal length."""
        return float(np.sqrt(self.covariance[0, 0]))

    @property
    def bad_views(self) -> tuple[str, ...]:
        """The photos that the set's rule set aside."""
        return tuple(v.photo for v in self.views if v.bad)


def camera_to_document(camera: CameraModel) -> Plain:
    """Return the camera as JSON types; infinite degrees of freedom become null."""
    told = fields_of(camera)
    return {
        "format": FORMAT,
        **told,
        "size_px": list(camera.size_px),
        "parameters": list(CAMERA_PARAMETERS),
        "lens": fields_of(camera.lens),
        "sources": [source_out(s) for s in camera.sources],
        "factor": camera.factor.tolist(),
        "views": [fields_of(v) for v in camera.views],
        "flags": list(camera.flags),
        "notes": list(camera.notes),
    }


def camera_from_document(content: Mapping[str, Any], where: str = "the camera document") -> CameraModel:
    """Return the camera that a document holds; `UnusableDocument` in one sentence where it does not hold one."""
    return read_in_sentences(_read, content, where)


def _read(content: Mapping[str, Any]) -> CameraModel:
    head = head_in(content, FORMAT, CAMERA_PARAMETERS)
    focal = number_in(content["focal_px"], "focal_px")
    if focal <= 0:
        raise UnusableDocument(f"its focal_px is {focal:g}; it must be above 0")
    size = content["size_px"]
    return CameraModel(
        id=text_in(content["id"], "id"),
        size_px=(whole_in(size[0], "size_px"), whole_in(size[1], "size_px")),
        focal_px=focal,
        lens=lens_in(content["lens"]),
        sources=head.sources,
        factor=array_in(content["factor"], "factor", (len(CAMERA_PARAMETERS), len(head.sources))),
        model=text_in(content["model"], "model"),
        rms_px=number_in(content["rms_px"], "rms_px"),
        chi2_per_dof=number_in(content["chi2_per_dof"], "chi2_per_dof"),
        dof=number_in(content["dof"], "dof"),
        views=tuple(_view_in(v) for v in content["views"]),
        target_id=None if content["target_id"] is None else text_in(content["target_id"], "target_id"),
        flags=head.flags,
        notes=tuple(text_in(n, "notes") for n in content["notes"]),
    )


def _view_in(plain: Plain) -> View:
    rms, left_out, tilt, distance = (
        number_in(plain[k], k) for k in ("rms_px", "left_out_rms_px", "tilt_deg", "distance_mm")
    )
    corners, photo = whole_in(plain["corners"], "corners"), text_in(plain["photo"], "photo")
    return View(photo, corners, rms, left_out, tilt, distance, bool(plain["bad"]))
