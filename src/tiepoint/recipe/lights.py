"""`lights.toml`: the lamps of a station, in the order of the pictures that are taken under them.

    format = "tiepoint/lights/1"

    [[light]]
    id = "east"
    azimuth_deg = 0
    elevation_deg = 45

A lamp's direction is stated, or its `position_mm` in the plane's frame, or neither: then it is found in the picture of
a mirror ball (`[ball]`), or from how the light of a near lamp falls off over a flat plate (`[flat]` and a tie). A part
with a step of known height (`[step]`) scales the relief in mm.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from tiepoint.documents.canonical import sha256
from tiepoint.documents.files import check_format, read_document
from tiepoint.documents.pictures import Loaded, load_picture
from tiepoint.foundation.errors import PoorGeometry, TiepointError, UnusableDocument
from tiepoint.foundation.once import cached_property
from tiepoint.recipe.lamp_names import order_fault
from tiepoint.recipe.tables import Name, Number, Positive, Table, said_names, shown
from tiepoint.vision.full_scale import full_scale
from tiepoint.vision.relief_ball import Ball, lamp_from_ball, turned_to_plane
from tiepoint.vision.relief_lights import (
    CHANNELS,
    FEWEST,
    MOST,
    Light,
    Lights,
    demand_three_directions,
    from_angles,
    ground_of,
)
from tiepoint.vision.relief_places import lamps_from_flat
from tiepoint.vision.relief_step import Box, Step

Place = Annotated[tuple[Number, Number, Number], Field(strict=False)]
Pixel = Annotated[tuple[Number, Number], Field(strict=False)]
Elevation = Annotated[Number, Field(gt=0, le=90)]

LEAST_GAIN = 0.001
"""No two lamps that one exposure serves differ by more than a thousand times: beyond lies a slip of the hand."""
BLANK_SHARE = 0.5
"""A picture of a flat plate that is black or saturated over more of the field says nothing of its lamp."""


class LightTable(Table):
    """One `[[light]]`."""

    id: Name
    azimuth_deg: Number | None = None
    elevation_deg: Elevation | None = None
    position_mm: Place | None = None
    aim_mm: Place | None = None
    half_angle_deg: Annotated[Number, Field(gt=0, lt=90)] | None = None
    channel: Literal["r", "g", "b"] | None = None
    gain: Annotated[Number, Field(ge=LEAST_GAIN, le=1 / LEAST_GAIN)] = 1.0
    pulse_us: Positive | None = None
    wavelength_nm: Positive | None = None
    risk_group: Name | None = None


class FlatTable(Table):
    """`[flat]`: pictures of a flat, even, matte plate that fills the field, under the lamps, in their order."""

    pictures: Annotated[tuple[str, ...], Field(strict=False, min_length=1, max_length=MOST)]


class BallTable(Table):
    """`[ball]`: pictures of a mirror ball under the lamps, in their order, and its outline in them."""

    pictures: Annotated[tuple[str, ...], Field(strict=False, min_length=1, max_length=MOST)]
    centre_px: Pixel
    radius_px: Positive


class GroundTable(Table):
    """Level ground beside a step: a rectangle along the axes, in mm on the plane with a tie, in px without."""

    centre: Pixel
    size: Annotated[tuple[Positive, Positive], Field(strict=False)]

    @property
    def box(self) -> Box:
        """From where to where it is along x and y."""
        (x, y), (w, h) = self.centre, (side / 2 for side in self.size)
        return (x - w, x + w), (y - h, y + h)


class KnownStepTable(Table):
    """`[step]`: pictures of a part with a step of known height, under the lamps, in their order, and where it is."""

    pictures: Annotated[tuple[str, ...], Field(strict=False, min_length=1, max_length=MOST)]
    low: GroundTable
    high: GroundTable
    height_mm: Positive
    u_height_mm: Annotated[Number, Field(ge=0)]

    @property
    def step(self) -> Step:
        """The step as the relief's scale takes it."""
        return Step(self.low.box, self.high.box, self.height_mm, self.u_height_mm)


class LightsTable(Table):
    """The whole document."""

    format: str
    name: Name | None = None
    light: Annotated[tuple[LightTable, ...], Field(strict=False)]
    crosstalk: Annotated[tuple[Place, ...], Field(strict=False, min_length=3, max_length=3)] | None = None
    black_level: Annotated[Number, Field(ge=0)] = 0.0
    flat: FlatTable | None = None
    ball: BallTable | None = None
    step: KnownStepTable | None = None


@dataclass(frozen=True)
class LightsDocument:
    """A `lights.toml` that was read and checked: its `table`, the `sha` of its content, the folder of its pictures."""

    table: LightsTable
    sha: str
    where: str
    folder: Path | None

    @property
    def exposures(self) -> tuple[tuple[int, ...], ...]:
        """Which lamps each picture of a shot holds: one each, or several by channel."""
        return self._stated.exposures

    @property
    def each(self) -> tuple[str, ...]:
        """The id of the lamp that each picture of a shot goes by, in their order: the first that it shows."""
        return tuple(self.table.light[group[0]].id for group in self.exposures)

    @property
    def by_channel(self) -> bool:
        """Whether lamps are told apart by colour."""
        return self._stated.by_channel

    @cached_property
    def flat(self) -> tuple[NDArray[Any], ...] | None:
        """The pictures of the flat reference as `relief_of` takes them; None where none is named."""
        if self.table.flat is None:
            return None
        flat = self._pictures(self.table.flat.pictures, "[flat]")
        self._demand_light(flat)
        return flat

    @cached_property
    def step_pictures(self) -> tuple[NDArray[Any], ...] | None:
        """The pictures of the part with the known step as `relief_of` takes them; None where none is named."""
        return None if self.table.step is None else self._pictures(self.table.step.pictures, "[step]")

    def _demand_light(self, flat: tuple[NDArray[Any], ...]) -> None:
        full = full_scale(flat)
        for k, light in enumerate(self.table.light):
            plane = _plane_for(self._stated, flat, k)
            for what, blank in (("black", plane <= self.table.black_level), ("saturated", plane >= full)):
                if blank.mean() > BLANK_SHARE:
                    raise UnusableDocument(
                        f"{self.where}: [flat] is {what} under light {shown(light.id)}; take it again, bright and not "
                        "saturated"
                    )

    def lights(self, plane_from_image: NDArray[Any] | None = None) -> Lights:
        """Return the lamps; those without a stated direction or place are found, which takes its pictures.

        `plane_from_image` (2, 3) is needed where they are found from the flat reference. `UnusableDocument` otherwise.
        """
        lights = self._stated
        unknown = [k for k, one in enumerate(lights.lights) if one.direction is None and one.position_mm is None]
        if unknown:
            lights = (
                self._from_ball(lights, unknown, plane_from_image)
                if self.table.ball
                else self._from_flat(lights, plane_from_image)
            )
        if all(one.direction is not None for one in lights.lights):
            self._demand_directions(lights)
        return lights

    @cached_property
    def _stated(self) -> Lights:
        crosstalk = None if self.table.crosstalk is None else np.array(self.table.crosstalk, float)
        return Lights(tuple(_light(one) for one in self.table.light), crosstalk, self.table.black_level)

    def _demand_directions(self, lights: Lights) -> None:
        try:
            demand_three_directions(np.array([one.direction for one in lights.lights]))
        except PoorGeometry as error:
            raise UnusableDocument(f"{self.where}: {error}") from error

    def _from_ball(self, lights: Lights, unknown: list[int], plane_from_image: NDArray[Any] | None) -> Lights:
        assert self.table.ball is not None
        pictures = self._pictures(self.table.ball.pictures, "[ball]")
        found = list(lights.lights)
        ball = Ball(self.table.ball.centre_px, self.table.ball.radius_px)
        for k in unknown:
            try:
                seen = lamp_from_ball(_plane_for(lights, pictures, k), ball).direction
                found[k] = replace(found[k], direction=turned_to_plane(seen, plane_from_image))
            except PoorGeometry as error:
                raise UnusableDocument(f"{self.where}: light {shown(found[k].id)}: {error}") from error
        return replace(lights, lights=tuple(found))

    def _from_flat(self, lights: Lights, plane_from_image: NDArray[Any] | None) -> Lights:
        if self.flat is None:
            # Refused when the document was read.
            raise UnusableDocument(f"{self.where}: lamps without a direction need [ball] or [flat]")
        if plane_from_image is None:
            raise UnusableDocument(
                f"{self.where}: lamps are to be found from [flat], which takes a tie: give one, or state their "
                "azimuth_deg and elevation_deg"
            )
        planes = [_plane_for(lights, self.flat, k) for k in range(len(lights))]
        try:
            return lamps_from_flat(lights, planes, ground_of(planes[0].shape, plane_from_image=plane_from_image))
        except PoorGeometry as error:
            raise UnusableDocument(f"{self.where}: [flat]: {error}") from error

    def _pictures(self, names: tuple[str, ...], table: str) -> tuple[NDArray[Any], ...]:
        if (fault := order_fault(names, self.each, f"{self.where}: {table}")) is not None:
            raise UnusableDocument(fault)
        try:
            loaded = [load_picture((self.folder or Path()) / name) for name in names]
        except TiepointError as error:
            raise UnusableDocument(f"{self.where}: {table}: {error}") from error
        for one in loaded[1:]:
            if one.size != loaded[0].size or one.bits != loaded[0].bits:
                raise UnusableDocument(
                    f"{self.where}: {table} {one.path.name} has {_told(one)} where {loaded[0].path.name} has "
                    f"{_told(loaded[0])}"
                )
        return tuple(one.pixels if self._stated.by_channel else one.grey for one in loaded)


def load_lights(path: Path) -> LightsDocument:
    """Return the lights of a TOML file. `UnusableDocument` in a sentence where they cannot be used."""
    return read_lights(read_document(path, "lights"), str(path), path.parent)


def read_lights(content: Mapping[str, Any], where: str = "lights.toml", folder: Path | None = None) -> LightsDocument:
    """Return the lights that parsed TOML holds; their pictures stand in `folder`, and are not read yet."""
    check_format(dict(content), "lights", where)
    table = LightsTable.read(content, f"{where}: ")
    if not FEWEST <= len(table.light) <= MOST:
        raise UnusableDocument(
            f"{where} has {len(table.light)} lights; relief takes {FEWEST} to {MOST}, "
            "four at 90° to one another are usual"
        )
    for k, light in enumerate(table.light):
        _check_light(light, [one.id for one in table.light[:k]], f"{where}: light {shown(light.id)}")
    document = LightsDocument(table, sha256(content), where, folder)
    _check_channels(document)
    _check_ways(document)
    return document


def _check_light(light: LightTable, before: list[str], here: str) -> None:
    if light.id in before:
        raise UnusableDocument(f"{here} stands twice; give each lamp an id of its own")
    if (light.azimuth_deg is None) != (light.elevation_deg is None):
        missing = "elevation_deg" if light.elevation_deg is None else "azimuth_deg"
        raise UnusableDocument(f"{here} has no {missing}; state both angles, or position_mm")
    if light.azimuth_deg is not None and light.position_mm is not None:
        raise UnusableDocument(f"{here} has both azimuth_deg and position_mm; keep one")
    if light.position_mm is not None and light.position_mm[2] <= 0:
        raise UnusableDocument(
            f"{here}: position_mm is {list(light.position_mm)}; a lamp stands above the plane, z > 0"
        )
    if (light.aim_mm is None) != (light.half_angle_deg is None):
        raise UnusableDocument(f"{here}: aim_mm and half_angle_deg go together; state both or neither")
    if light.aim_mm is not None and light.position_mm is None:
        raise UnusableDocument(f"{here} has aim_mm without position_mm; only a lamp at a place points somewhere")
    if light.aim_mm is not None and light.aim_mm == light.position_mm:
        raise UnusableDocument(f"{here}: aim_mm is the lamp's own place; state the place that it points to")


def _check_channels(document: LightsDocument) -> None:
    table, where = document.table, document.where
    channels = [one.channel for one in table.light]
    if any(channels) and not all(channels):
        without = [one.id for one in table.light if one.channel is None]
        raise UnusableDocument(f"{where}: {said_names(without)} has no channel, and others have; give all one, or none")
    if table.crosstalk is None:
        return
    if len(table.light) != 3 or len({*channels}) != 3 or not all(channels):
        raise UnusableDocument(f"{where}: crosstalk is that of three lights with the channels r, g and b; state them")
    mixed = np.array(table.crosstalk, float)
    if not (mixed.diagonal() > 0).all():
        raise UnusableDocument(
            f"{where}: crosstalk has {mixed.diagonal().min():g} on its diagonal; state above 0 how strongly each "
            "channel sees its own lamp"
        )
    values = np.linalg.svd(mixed, compute_uv=False)
    if values[-1] < 0.05 * values[0]:
        raise UnusableDocument(f"{where}: crosstalk mixes the channels so that they cannot be parted; measure it again")


def _check_ways(document: LightsDocument) -> None:
    table, where = document.table, document.where
    exposures = len(document.exposures)
    for name, part in (("[flat]", table.flat), ("[ball]", table.ball), ("[step]", table.step)):
        if part is not None and len(part.pictures) != exposures:
            raise UnusableDocument(
                f"{where}: {name} names {len(part.pictures)} pictures where the lights take {exposures}; "
                "one each, in order"
            )
    unknown = [one.id for one in table.light if one.azimuth_deg is None and one.position_mm is None]
    if unknown and table.ball is None and table.flat is None:
        raise UnusableDocument(
            f"{where}: {said_names(unknown)} has neither azimuth_deg and elevation_deg nor position_mm, and there "
            "is no [ball] or [flat] to find it by; state one"
        )
    if not unknown and not any(one.position_mm for one in table.light):
        document._demand_directions(document._stated)


def _light(table: LightTable) -> Light:
    direction = None
    if table.azimuth_deg is not None and table.elevation_deg is not None:
        direction = from_angles(table.azimuth_deg, table.elevation_deg)
    return Light(
        table.id, direction, table.position_mm, table.gain, table.channel, table.aim_mm, table.half_angle_deg
    )  # fmt: skip


def _plane_for(lights: Lights, pictures: tuple[NDArray[Any], ...], k: int) -> NDArray[Any]:
    """Return the grey picture of lamp k: a picture of its own, or its channel of one."""
    n = next(j for j, group in enumerate(lights.exposures) if k in group)
    channel = lights.lights[k].channel
    return pictures[n] if channel is None else pictures[n][:, :, CHANNELS.index(channel)]


def _told(one: Loaded) -> str:
    return f"{one.size[0]} × {one.size[1]} px of {one.bits} bits"
