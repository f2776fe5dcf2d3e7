"""What a camera delivered, as a shot that a recipe can be run over."""

from dataclasses import replace
from pathlib import Path

from tiepoint.documents.pictures import Loaded, decode_picture, picture_of
from tiepoint.model.shot import Picture, Shot
from tiepoint.recipe.shots import LoadedShot, sensor_of
from tiepoint.station.cameras.delivery import Delivery, Frame


def loaded_of(delivery: Delivery) -> LoadedShot:
    """Return a delivery with its pictures decoded. Raises `UnusablePicture` where one cannot be."""
    loaded = {frame.role: _decoded(frame) for frame in delivery.frames}
    described = tuple(_described(frame, loaded[frame.role], delivery.camera) for frame in delivery.frames)
    sensors = {picture.role: sensor_of(picture) for picture in described}
    return LoadedShot(Path(delivery.id), shot_of(delivery, described), loaded, sensors)


def shot_of(delivery: Delivery, pictures: tuple[Picture, ...] = ()) -> Shot:
    """Return what a record keeps of a delivery; without pictures where none was looked at, and then not complete."""
    status = "incomplete" if not pictures and delivery.status == "complete" else delivery.status
    return Shot(
        delivery.id,
        pictures,
        taken_utc=delivery.taken_utc,
        taken_mono_ns=delivery.taken_mono_ns,
        part_id=delivery.part_id,
        variant=delivery.variant,
        encoder_count=delivery.encoder_count,
        robot_from_flange=delivery.robot_from_flange,
        temperature_c=delivery.temperature_c,
        status=status,
    )


def _decoded(frame: Frame) -> Loaded:
    if frame.data is not None:
        return decode_picture(frame.data, Path(frame.name))
    assert frame.pixels is not None
    return picture_of(frame.pixels, Path(frame.name))


def _described(frame: Frame, loaded: Loaded, camera: str) -> Picture:
    return replace(
        loaded.described(frame.role),
        bits=frame.bits or loaded.bits,
        camera=camera,
        light=frame.light,
        roi_offset=frame.roi_offset,
        binning=frame.binning,
        flip=frame.flip,
        exposure_s=frame.exposure_s,
        gain=frame.gain,
    )
