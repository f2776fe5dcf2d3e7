"""The relief of a shot: which of its pictures was taken under which lamp, and what is computed from them, once."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.documents.canonical import pixels_sha256, sha256
from tiepoint.foundation.errors import UnusableDocument
from tiepoint.foundation.once import cached_property
from tiepoint.foundation.reasons import Reason
from tiepoint.model.shot import Picture
from tiepoint.recipe.feature_width import FEATURE_PX
from tiepoint.recipe.lights import LightsDocument
from tiepoint.recipe.lit_doubt import doubt_of
from tiepoint.ties.tie import Tie
from tiepoint.vision.relief import Relief, relief_of
from tiepoint.vision.relief_lights import Light, Lights
from tiepoint.vision.relief_step import Scale

Array = NDArray[np.float64]
Pixels = NDArray[Any]


@dataclass(frozen=True, eq=False)
class Lit:
    """What the relief of every shot is computed with: the lamps, and the flat reference that they were accepted with.

    `feature_mm`, or without it `feature_px`: the width of the detail that the composites bring out.
    """

    document: LightsDocument
    feature_mm: float | None = None
    feature_px: float = FEATURE_PX

    @cached_property
    def sha(self) -> str:
        """The hash of the lights with those of their flat reference and step: another plate is another light."""
        taken = [*(self.document.flat or ()), *(self.document.step_pictures or ())]
        return sha256([self.document.sha, *map(pixels_sha256, taken)]) if taken else self.document.sha

    @cached_property
    def _known(self) -> dict[bytes, Lights]:
        return {}

    def lights(self, plane: Array | None, height_mm: float) -> Lights:
        """Return the lamps as seen from a surface at a height; `plane` (2, 3) as `Relief` has it.

        Raises `UnusableDocument` where those that are to be found cannot be.
        """
        key = b"" if plane is None else plane.tobytes()
        if key not in self._known:
            lamps = self.document.lights(plane)
            self._known[key] = replace(lamps, lights=tuple(_lowered(lamp, height_mm) for lamp in lamps.lights))
        return self._known[key]

    @cached_property
    def _scales(self) -> dict[bytes, Scale | None]:
        return {}

    def scale(self, plane: Array | None, height_mm: float) -> Scale | None:
        """Return what makes millimetres of relief after the known step; None where none is named.

        Raises `UnusableDocument` where the step cannot be read.
        """
        key = b"" if plane is None else plane.tobytes()
        if key not in self._scales:
            self._scales[key] = self._scale(plane, height_mm)
        return self._scales[key]

    def _scale(self, plane: Array | None, height_mm: float) -> Scale | None:
        table, pictures = self.document.table.step, self.document.step_pictures
        if table is None or pictures is None:
            return None
        here = f"{self.document.where}: [step]"
        told = self.computed(pictures, plane, height_mm)
        if isinstance(told, Reason):
            raise UnusableDocument(f"{here}: {told.sentence.removesuffix('.')}")
        scale = told.scale_from(table.step)
        if isinstance(scale, str):
            raise UnusableDocument(f"{here}: {scale}")
        return scale

    def computed(self, taken: Sequence[Pixels], plane: Array | None, height_mm: float) -> Relief | Reason:
        """Return the relief of pictures in the order of the lights, not scaled, or why there is none."""
        lights = self.lights(plane, height_mm)
        if (doubt := doubt_of(taken, lights, self.document.each)) is not None:
            return doubt
        feature_px = self.feature_px
        if self.feature_mm is not None and plane is not None:
            feature_px = self.feature_mm / math.sqrt(abs(float(np.linalg.det(plane[:, :2]))))
        return relief_of(taken, lights, plane_from_image=plane, flat=self.document.flat, feature_px=feature_px)

    def told(self, taken: Sequence[Pixels], plane: Array | None, height_mm: float) -> Relief | Reason:
        """Return the relief of pictures in the order of the lights, in mm after a known step, or why there is none.

        Raises `UnusableDocument` where lamps or the step cannot be known.
        """
        scale = self.scale(plane, height_mm)
        step = self.document.step_pictures
        if step is not None and step[0].shape != taken[0].shape:
            raise UnusableDocument(
                f"{self.document.where}: [step] has {_size(step[0])} where the shot has {_size(taken[0])}; "
                "take both alike"
            )
        found = self.computed(taken, plane, height_mm)
        return found if scale is None or isinstance(found, Reason) else found.scaled(scale)

    def relief(
        self, pictures: Sequence[Picture], grey: Mapping[str, Pixels], colour: Mapping[str, Pixels], tie: Tie | None
    ) -> Relief | Reason:
        """Return the relief of a shot's pictures, by role, or why there is none. `tie`: placed for their sensor."""
        roles = roles_of(self.document, pictures)
        missing = [role for role in roles if role not in grey]
        if missing:
            return Reason("no_picture", {"picture": missing[0]})
        if len(roles) != (asked := len(self.document.each)):
            found = "1 picture" if len(roles) == 1 else f"{len(roles)} pictures"
            detail = f"the shot has {found} where the lights ask for {asked}; name the folder of them all"
            return Reason("relief_refused", {"detail": detail})
        plane = None if tie is None else plane_of(tie, grey[roles[0]].shape)
        by_channel = self.document.by_channel
        taken = [colour.get(role, grey[role]) if by_channel else grey[role] for role in roles]
        try:
            return self.told(taken, plane, 0.0 if tie is None else tie.height_mm)
        except UnusableDocument as error:
            return Reason("relief_refused", {"detail": str(error)})


def _size(picture: Pixels) -> str:
    return f"{picture.shape[1]} × {picture.shape[0]} px"


def roles_of(document: LightsDocument, pictures: Sequence[Picture]) -> list[str]:
    """Return the roles of the lamps' pictures: by the light that each states, or in their order where none does."""
    by_light = {p.light: p.role for p in pictures if p.light is not None}
    return [by_light.get(light, light) for light in document.each] if by_light else [p.role for p in pictures]


def _lowered(lamp: Light, height_mm: float) -> Light:
    """Return a lamp as it stands above a surface at a height: places are stated from the station's plane."""
    if lamp.position_mm is None:
        return lamp
    (x, y, z), aim = lamp.position_mm, lamp.aim_mm
    return replace(
        lamp, position_mm=(x, y, z - height_mm), aim_mm=None if aim is None else (aim[0], aim[1], aim[2] - height_mm)
    )


def plane_of(tie: Tie, shape: tuple[int, ...]) -> Array:
    """Return the plane as an affine map (2, 3) of the picture's pixels, that of its middle."""
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    there = tie.map(middle[None], with_sources=False)
    return np.column_stack([there.d_px[0], there.xy_mm[0] - there.d_px[0] @ middle])
