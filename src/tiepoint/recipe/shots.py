"""A SHOT on a command line: one picture file, or a folder with `shot.json` and its pictures."""

import dataclasses
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any, get_args

from tiepoint.documents.canonical import plain, sha256
from tiepoint.documents.files import name_of, read_document, reason_of, write_document
from tiepoint.documents.pictures import Loaded, load_picture
from tiepoint.foundation.errors import UnusableDocument, UnusableInput
from tiepoint.model.shot import Flip, Picture, RobotPose, Shot, ShotStatus
from tiepoint.recipe.lamp_names import lights_named
from tiepoint.recipe.tables import said_names, shown
from tiepoint.ties.sensor import Sensor

_RFC_3339 = re.compile(r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]00:00)\Z", re.ASCII)
_POSE = ("position_mm", "quaternion")
_LARGEST_PX = 10**6
_LONG = 2**63

PICTURE_ENDINGS = frozenset({".png", ".tif", ".tiff", ".jpg", ".jpeg", ".bmp", ".pgm"})


@dataclass(frozen=True)
class LoadedShot:
    """A shot with its decoded pictures, by role, and the sensor setting as far as it is stated."""

    path: Path
    shot: Shot
    pictures: Mapping[str, Loaded]
    sensors: Mapping[str, Sensor]

    @property
    def hints(self) -> tuple[str, ...]:
        """What a person should know of the pictures' files: sentences."""
        return tuple(hint for picture in self.pictures.values() for hint in picture.hints)


def load_shot(path: Path, lights: Sequence[str] = ()) -> LoadedShot:
    """Return the shot of a picture file or of a folder.

    `lights`: the lamps that a folder without `shot.json` holds one picture of each: that which its name tells, where
    all tell one (`north.png`, `3-north.png`), and else in the order of the names.
    Raises `UnusableInput` where there is no picture, more than one without `shot.json`, not one for each light, or one
    that differs from the hash that `shot.json` states.
    """
    if not path.is_dir():
        return _single(path, path)
    if (path / "shot.json").exists():
        return _described(path)
    files = _pictures_in(path)
    if len(lights) > 1:
        return _lit(path, files, lights)
    if len(files) != 1:
        found = f"{len(files)} pictures" if files else "no picture"
        raise UnusableInput(f"{path} holds {found} and no shot.json; name one picture file, or add a shot.json")
    return _single(files[0], path)


def shots_in(named: Sequence[Path], each: int = 1) -> list[Path]:
    """Return the shots that paths name: a picture, the folder of a shot, a folder of shots, a pattern (`*`, `?`, `[`).

    Folders and patterns give their shots in the order of their names. Where a shot has several pictures (`each`), a
    folder that holds pictures is one shot. Raises `UnusableInput` where one gives none.
    """
    shots: list[Path] = []
    for path in named:
        if path.is_dir() and not (path / "shot.json").exists():
            shots += _in_folder(path, each)
        elif not path.exists() and set("*?[") & set(path.name):
            shots += _by_pattern(path)
        else:
            shots.append(path)
    return shots


def _in_folder(folder: Path, each: int) -> list[Path]:
    if each > 1:
        if _pictures_in(folder):
            return [folder]
        shots = [p for p in sorted(folder.iterdir()) if p.is_dir() and ((p / "shot.json").exists() or _pictures_in(p))]
    else:
        inside = sorted(folder.iterdir())
        shots = [p for p in inside if p.suffix.lower() in PICTURE_ENDINGS or (p / "shot.json").exists()]
    if not shots:
        raise UnusableInput(f"{folder} holds no picture and no shot; name a folder that does, or a picture file")
    return shots


def _pictures_in(folder: Path) -> list[Path]:
    try:
        return sorted(f for f in folder.iterdir() if f.suffix.lower() in PICTURE_ENDINGS)
    except OSError as error:
        raise UnusableInput(f"cannot read {folder}: {reason_of(error)}") from error


def _by_pattern(path: Path) -> list[Path]:
    try:
        found = sorted(path.parent.glob(path.name))
    except (OSError, ValueError) as error:
        raise UnusableInput(f"{path} is no pattern that can be looked for: {error}") from error
    shots = [p for p in found if p.suffix.lower() in PICTURE_ENDINGS or (p / "shot.json").exists()]
    if not shots:
        raise UnusableInput(f"no picture and no shot fits {path}; look for a slip of the hand in it")
    return shots


def write_shot(folder: Path, shot: Shot) -> None:
    """Write `shot.json` into a folder; the pictures stand beside it under the names in `Picture.file`."""
    write_document(folder / "shot.json", "shot", plain(shot))


def _single(file: Path, path: Path) -> LoadedShot:
    loaded = load_picture(file)
    picture = loaded.described()
    # The pixels are part of the id: the same picture is the same shot wherever it lies, and no other is.
    shot = Shot(f"{Path(name_of(file)).stem}-{picture.pixels_sha256[:12]}", (picture,))
    return LoadedShot(path, shot, {picture.role: loaded}, {picture.role: Sensor(*loaded.size)})


def _lit(folder: Path, files: Sequence[Path], lights: Sequence[str]) -> LoadedShot:
    """Return a shot of one picture for each light, whose id tells its pixels as that of a single picture does."""
    if len(files) != len(lights):
        raise UnusableInput(
            f"{folder} holds {len(files)} pictures where there are {len(lights)} lights ({said_names(lights)}); put "
            "one picture of each there, named by its light or in that order, or add a shot.json"
        )
    by_name = lights_named([file.name for file in files], lights)
    files = files if by_name is None else [files[by_name.index(light)] for light in lights]
    pictures = {light: load_picture(file) for light, file in zip(lights, files, strict=True)}
    described = tuple(replace(p.described(light), light=light) for light, p in pictures.items())
    sha = sha256([p.pixels_sha256 for p in described])
    sensors = {light: Sensor(*p.size) for light, p in pictures.items()}
    return LoadedShot(folder, Shot(f"{name_of(folder.resolve())}-{sha[:12]}", described), pictures, sensors)


def _described(folder: Path) -> LoadedShot:
    where = str(folder / "shot.json")
    shot = read_shot(read_document(folder / "shot.json", "shot"), where)
    pictures: dict[str, Loaded] = {}
    sensors: dict[str, Sensor] = {}
    for picture in shot.pictures:
        if picture.file is None or PurePosixPath(picture.file).name != picture.file or "\\" in picture.file:
            raise UnusableDocument(f"{where}: the picture {shown(picture.role)} names no file beside shot.json")
        loaded = load_picture(folder / picture.file)
        if picture.pixels_sha256 and loaded.described().pixels_sha256 != picture.pixels_sha256:
            raise UnusableInput(
                f"{folder / picture.file} is not the picture that shot.json describes: its hash differs"
            )
        if loaded.size != picture.size:
            raise UnusableInput(
                f"{folder / picture.file} has {loaded.size[0]} × {loaded.size[1]} px where shot.json states "
                f"{picture.size[0]} × {picture.size[1]}"
            )
        pictures[picture.role], sensors[picture.role] = loaded, sensor_of(picture)
    return LoadedShot(folder, shot, pictures, sensors)


def sensor_of(picture: Picture) -> Sensor:
    """Return the sensor setting that a described picture states."""
    flip = ("x" in picture.flip, "y" in picture.flip) if picture.flip != "none" else (False, False)
    return Sensor(*picture.size, picture.roi_offset, picture.binning, flip)


def read_shot(content: Mapping[str, Any], where: str = "shot.json") -> Shot:
    """Return the shot that a document holds; `UnusableDocument` in one sentence where it holds none."""
    try:
        return _shot(content, where)
    except KeyError as error:
        raise UnusableDocument(f"{where} has no {error.args[0]!r}") from error
    except (TypeError, ValueError, AttributeError) as error:
        raise UnusableDocument(f"{where} cannot be used: {error}") from error


def _shot(content: Mapping[str, Any], where: str) -> Shot:
    known = {f.name for f in dataclasses.fields(Shot)}
    _only(content, known | {"format"}, where)
    raw, status = content["pictures"], content.get("status", "complete")
    if not isinstance(raw, list) or (not raw and status == "complete"):
        raise UnusableDocument(f"{where}: pictures is {shown(raw)}; list at least one picture")
    pictures = tuple(_picture(p, f"{where}: pictures[{k}]") for k, p in enumerate(raw))
    roles = [p.role for p in pictures]
    for k, role in enumerate(roles):
        if role in roles[:k]:
            raise UnusableDocument(f"{where}: two pictures have the role {shown(role)}; give each its own")
    if status not in get_args(ShotStatus):
        raise UnusableDocument(f"{where}: status is {shown(status)}; use {said_names(get_args(ShotStatus))}")
    return Shot(
        id=_typed(content["id"], str, f"{where}: id"),
        pictures=pictures,
        taken_utc=_utc(content.get("taken_utc"), f"{where}: taken_utc"),
        taken_mono_ns=_within(content.get("taken_mono_ns"), int, f"{where}: taken_mono_ns", 0, _LONG),
        part_id=_maybe(content.get("part_id"), str, f"{where}: part_id"),
        variant=_maybe(content.get("variant"), str, f"{where}: variant"),
        encoder_count=_within(content.get("encoder_count"), int, f"{where}: encoder_count", -_LONG, _LONG),
        robot_from_flange=_pose(content.get("robot_from_flange"), f"{where}: robot_from_flange"),
        temperature_c=_within(content.get("temperature_c"), float, f"{where}: temperature_c", -273.15, 1e4),
        status=status,
    )


def _picture(raw: Any, where: str) -> Picture:
    if not isinstance(raw, Mapping):
        raise UnusableDocument(f"{where} is {shown(raw)}; give a table")
    _only(raw, {f.name for f in dataclasses.fields(Picture)}, where)
    flip = raw.get("flip", "none")
    if flip not in get_args(Flip):
        raise UnusableDocument(f"{where}.flip is {shown(flip)}; use {said_names(get_args(Flip))}")
    return Picture(
        role=_typed(raw["role"], str, f"{where}.role"),
        pixels_sha256=_typed(raw.get("pixels_sha256", ""), str, f"{where}.pixels_sha256"),
        size=_pair(raw["size"], f"{where}.size", 1),
        bits=_within(raw.get("bits", 8), int, f"{where}.bits", 1, 32),
        pixel_format=_typed(raw.get("pixel_format", "Mono8"), str, f"{where}.pixel_format"),
        camera=_typed(raw.get("camera", ""), str, f"{where}.camera"),
        light=_maybe(raw.get("light"), str, f"{where}.light"),
        roi_offset=_pair(raw.get("roi_offset", [0, 0]), f"{where}.roi_offset", 0),
        binning=_pair(raw.get("binning", [1, 1]), f"{where}.binning", 1),
        flip=flip,
        exposure_s=_within(raw.get("exposure_s"), float, f"{where}.exposure_s", 0, 1e6),
        gain=_within(raw.get("gain"), float, f"{where}.gain", -1e6, 1e6),
        file=_maybe(raw.get("file"), str, f"{where}.file"),
    )


def _only(raw: Mapping[str, Any], known: set[str], where: str) -> None:
    for key in raw:
        if key not in known:
            raise UnusableDocument(f"{where}: {shown(key)} is not known here; known are {said_names(sorted(known))}")


def _typed(raw: Any, kind: type, where: str) -> Any:
    words = {str: "text", int: "a whole number", float: "a number"}
    good = isinstance(raw, (int, float) if kind is float else kind) and not isinstance(raw, bool)
    if not good or (kind is float and not abs(raw) < 1e300):
        raise UnusableDocument(f"{where} is {shown(raw)}; give {words[kind]}")
    return float(raw) if kind is float else raw


def _maybe(raw: Any, kind: type, where: str) -> Any:
    return None if raw is None else _typed(raw, kind, where)


def _within(raw: Any, kind: type, where: str, least: float, most: float) -> Any:
    """Return None, or a number from `least` to `most`: what lies beyond no camera states."""
    value = _maybe(raw, kind, where)
    if value is not None and not least <= value <= most:
        raise UnusableDocument(f"{where} is {shown(raw)}; give a number from {least:.6g} to {most:.6g}")
    return value


def _utc(raw: Any, where: str) -> str | None:
    text: str | None = _maybe(raw, str, where)
    if text is not None and not (_RFC_3339.match(text) and _is_a_time(text)):
        raise UnusableDocument(f"{where} is {shown(raw)}; give a UTC time, as in 2026-01-05T07:30:00Z")
    return text


def _is_a_time(text: str) -> bool:
    try:
        datetime.fromisoformat(text[:19])
    except ValueError:
        return False
    return True


def _pair(raw: Any, where: str, least: int) -> tuple[int, int]:
    if not isinstance(raw, (list, tuple)) or len(raw) != 2:
        raise UnusableDocument(f"{where} is {shown(raw)}; give two whole numbers, as in [{least}, {least}]")
    two = _typed(raw[0], int, where), _typed(raw[1], int, where)
    if min(two) < least or max(two) > _LARGEST_PX:
        raise UnusableDocument(f"{where} is {shown(raw)}; give two whole numbers of {least} to {_LARGEST_PX}")
    return two


def _pose(raw: Any, where: str) -> RobotPose | None:
    if raw is None:
        return None
    good = isinstance(raw, Mapping) and all(isinstance(raw.get(k), (list, tuple)) for k in _POSE)
    if not good or [len(raw[k]) for k in _POSE] != [3, 4]:
        raise UnusableDocument(f"{where} is {shown(raw)}; give three numbers in position_mm and four in quaternion")
    _only(raw, set(_POSE), where)
    x, y, z = (_within(_given(v, where), float, f"{where}.position_mm", -1e7, 1e7) for v in raw["position_mm"])
    q = tuple(_within(_given(v, where), float, f"{where}.quaternion", -2, 2) for v in raw["quaternion"])
    if abs(math.hypot(*q) - 1) > 1e-3:
        raise UnusableDocument(f"{where}.quaternion has the length {math.hypot(*q):.4g}; give one of length 1")
    return RobotPose((x, y, z), q)


def _given(raw: Any, where: str) -> Any:
    if raw is None:
        raise UnusableDocument(f"{where} holds null; give a number")
    return raw
