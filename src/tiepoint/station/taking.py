"""Pictures taken into a page's own from what a camera sees, or from what the station has: no file is chosen."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from tiepoint.foundation.errors import UnusableInput
from tiepoint.station.folder import Station

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tiepoint.station.drafting import Step
    from tiepoint.station.see.source import Seen
    from tiepoint.station.working_pictures import WorkingPicture

MOST_KEPT: Final = 24
_LOOKED_BACK: Final = 500
"""Entries of the ledger among which the last kept shots are looked for: a ledger may have millions."""


@dataclass(frozen=True, slots=True)
class Takeable:
    """A shot whose pictures can be taken: `ref` as `load_working_shot` takes it, and what it is called."""

    ref: str
    name: str


def takeable_shots(station: Station) -> Iterator[Takeable]:
    """Yield shots whose pictures can be taken: the last that were kept, the newest first, then those of its folders."""
    from tiepoint.station.archive import kept_of
    from tiepoint.station.ledger import Ledger, has_ledger
    from tiepoint.station.recipes.shots import RECORD, shot_files

    if has_ledger(station.ledger_place):
        with Ledger(station.ledger_place) as ledger:
            last = ledger.last("archived")
            entries = [] if last is None else list(ledger.entries("archived", after=max(last.seq - _LOOKED_BACK, 0)))
            kept = [k for k in (kept_of(station, e) for e in entries) if not k.is_lossy and k.files][-MOST_KEPT:]
            bodies = {e.seq: e.body for e in ledger.entries("record", only={k.record for k in kept})}
        for one in reversed(kept):
            shot = bodies.get(one.record, {}).get("shot", {})
            yield Takeable(f"{RECORD}{one.record}", f"record {one.record}, {shot.get('part_id') or shot.get('id', '')}")
    for file in shot_files(station):
        yield Takeable(file.ref, file.ref)


def take_seen(
    station: Station, use: str, seen: "Seen", where: str, *, who: str
) -> "tuple[Step, tuple[WorkingPicture, ...]]":
    """Take what a camera saw just now into the pictures of a `use`, losslessly; `where`: what the camera is called."""
    return _take(station, use, {f"{where}-{_stamp(seen)}.png": seen.loaded.pixels}, who)


def _stamp(seen: "Seen") -> str:
    """Return when it was seen, to the second, as a part of a name."""
    return "".join(c for c in seen.taken_utc[:19] if c.isalnum())


def take_lit(station: Station, seen: "Mapping[str, Seen]", *, who: str) -> "tuple[Step, tuple[WorkingPicture, ...]]":
    """Take pictures under one lamp each, by its name, as one shot to work on; in the order of the lamps."""
    named = {f"{k:02d}-{lamp}.png": one.loaded.pixels for k, (lamp, one) in enumerate(seen.items(), 1)}
    return _take(station, "shots", named, who, f"lamps-{_stamp(next(iter(seen.values())))}")


def take_shot(station: Station, use: str, ref: str, *, who: str) -> "tuple[Step, tuple[WorkingPicture, ...]]":
    """Take all pictures of a shot that the station has into the pictures of a `use`.

    Raises `UnusableInput` where there is none, and where its pictures are of a part of their sensor, binned or
    flipped: a picture file alone does not say so, and a tie by it would be off by all of that.
    """
    from tiepoint.recipe.shots import LoadedShot
    from tiepoint.station.ledger import Ledger
    from tiepoint.station.recipes.shots import RECORD, load_working_shot
    from tiepoint.ties.sensor import Sensor

    def loaded() -> LoadedShot:
        if not ref.startswith(RECORD):
            return load_working_shot(station, ref)
        with Ledger(station.ledger_place) as ledger:
            return load_working_shot(station, ref, (), ledger)

    shot = loaded()
    for role, sensor in shot.sensors.items():
        if sensor != Sensor(*sensor.size_px):
            raise UnusableInput(
                f"the picture {role} of {ref} is binned, flipped or of a part of its sensor, which a picture file does "
                "not say; tie by the shot's folder (tiepoint tie target), which does"
            )
    stem = ref.removeprefix(RECORD).rpartition("/")[2].rpartition(".")[0] or ref.rpartition("/")[2]
    name = f"record-{stem}" if ref.startswith(RECORD) else stem
    several = len(shot.pictures) > 1
    named = {f"{name}-{role}.png" if several else f"{name}.png": one.pixels for role, one in shot.pictures.items()}
    return _take(station, use, named, who)


def _take(
    station: Station, use: str, pixels: "Mapping[str, NDArray[Any]]", who: str, shot: str | None = None
) -> "tuple[Step, tuple[WorkingPicture, ...]]":
    import secrets
    import shutil

    from tiepoint.documents.pictures import save_png
    from tiepoint.station.drafting import coming
    from tiepoint.station.working_pictures import Come, add_pictures

    own = coming(station) / secrets.token_hex(8)
    own.mkdir()
    try:
        come = []
        for k, (name, one) in enumerate(pixels.items()):
            save_png(own / f"{k}.png", one)
            come.append(Come(name, own / f"{k}.png"))
        return add_pictures(station, use, come, who=who, shot=shot)
    finally:
        shutil.rmtree(own, ignore_errors=True)
