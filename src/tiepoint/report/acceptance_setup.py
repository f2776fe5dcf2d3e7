"""Set-up of a station in its report: accepted copies with their pictures, lamps, robot, ties, and what to beware of."""

from collections.abc import Iterator
from contextlib import suppress
from typing import Any

import tomlkit

from tiepoint.foundation.reasons import FLAGS
from tiepoint.foundation.rounding import fixed
from tiepoint.recipe.overlay import jpeg
from tiepoint.report import look, svg
from tiepoint.report.acceptance_shots import CHOICE, CROP_PX
from tiepoint.report.acceptance_story import AcceptanceStory, AcceptedSeen, TieSeen
from tiepoint.report.blocks import Block, Cell, Facts, Figure, Grid, Listed, Note, Picture, Pictures, Say, cells

CAUTIONS = (
    "The station is not a safety device: it detects no people and releases no guard (IEC 61496, ISO 13849).",
    "A printed target is not traceable until it was measured with a traceable instrument.",
    "Verdicts hold for the tested range of influences only.",
    "Local codes and licensed practice come first, whatever this report says.",
)
ROBOT = (
    "It never starts a motion. Robot frames and touch tests are made at reduced speed with the enabling device in hand "
    "(ISO 10218); a bad tie means no touch test.",
    "Guards and the cell's own safety functions stay as its risk assessment has them (ISO 12100): a grip that is told "
    "is no permission to move.",
)
LAMPS = (
    "Ask the supplier of each lamp for its risk group (IEC 62471); flashing at 3 to 30 Hz can trigger photosensitive "
    "epilepsy.",
)
UNSEEN = "Ultraviolet and infrared light are not seen: the eye does not turn away from them."
LASER = "A laser has its class on its plate (IEC 60825-1); nobody looks into its beam, and mirrors are kept out of it."
_SEEN_NM = (400.0, 700.0)


def setup(story: AcceptanceStory) -> Iterator[Block]:
    """Yield what is accepted, with a picture of each recipe at work, and the judged shots."""
    rows = tuple(_copy(one) for one in story.accepted)
    yield Grid(("Variant or recipe", "Recipe", "Accepted copy", "Rests on"), rows, frozenset(), (20, 20, 22, 38))
    about = story.station.table
    cameras = tuple((camera.name, camera.says or "no more is said of it") for camera in about.camera)
    plane = () if about.reference_plane is None else (("Reference plane", about.reference_plane.says),)
    software = dict.fromkeys(record.software for record in story.records)
    cameras = cameras or (("Cameras", "not stated in station.toml"),)
    yield Facts((*cameras, *plane, ("Software", ", ".join(software) or "no record yet")))
    yield from _lamps(story)
    yield from _recipes(story)
    yield from _files(story)
    if story.shots:
        yield Note(CHOICE.format(most=story.most_shots, of=len(story.kept)))
        yield Pictures(tuple(_shot(story, k) for k in range(len(story.shots))), across=3)
    else:
        yield Say("Pictures of judged shots: not shown; none was kept, or none was asked for.")


def _copy(one: AcceptedSeen) -> tuple[Cell, ...]:
    rest = ", ".join(f"{name} {sha[:8]}" for name, sha in one.bundle.shas.items() if name != one.bundle.recipe)
    return cells(one.name, one.prepared.recipe_path.name, one.sha[:16], rest)


def _recipes(story: AcceptanceStory) -> Iterator[Block]:
    for one in story.accepted:
        if one.shot is None:
            yield Say(f"What the recipe of {one.name} looks at: not shown; no shot judged by it was kept.")
        else:
            said = f"{one.name}: what its accepted recipe looks at, and what it found."
            yield Figure(one.shot.svg, said, one.shot.record.seq)


def _files(story: AcceptanceStory) -> Iterator[Block]:
    """Yield the pictures that accepted recipes rest on: masks, what was taught."""
    pictures: dict[str, Picture] = {}
    for one in story.accepted:
        for name, data in one.bundle.files.items():
            if name.endswith((".png", ".tif", ".tiff")) and one.bundle.shas[name] not in pictures:
                with suppress(ValueError):
                    pictures[one.bundle.shas[name]] = Picture(_small(data), f"{name}, {one.bundle.shas[name][:16]}")
    if pictures:
        yield Note("Pictures that the accepted recipes rest on, such as masks (white is left out) and what was taught:")
        yield Pictures(tuple(pictures.values()), across=3)


def _small(data: bytes) -> str:
    """Return a picture's file as a small drawing; raises `ValueError` where it is none."""
    import cv2
    import numpy as np

    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    if pixels is None:
        raise ValueError("no picture")
    flat = pixels if pixels.ndim == 2 else cv2.cvtColor(pixels[..., :3], cv2.COLOR_BGR2RGB)
    height, width = flat.shape[:2]
    image = svg.element(
        "image", width=float(width), height=float(height), href=look.data_uri(jpeg(flat, CROP_PX), "image/jpeg")
    )
    return svg.drawing(float(width), float(height), image)


def _shot(story: AcceptanceStory, k: int) -> Picture:
    record = story.shots[k].record
    part = "" if record.shot.part_id is None else f"part {record.shot.part_id}, "
    variant = "" if record.variant is None else f"{record.variant}, "
    return Picture(story.shots[k].svg, f"{part}{variant}{record.verdict}", record.seq)


# --- lamps and robot -------------------------------------------------------------------------------------------------


def lamps_of(story: AcceptanceStory) -> list[dict[str, Any]]:
    """Return the lamps of the accepted copies, as their documents state them."""
    lamps: dict[str, dict[str, Any]] = {}
    for one in story.accepted:
        for name, data in one.bundle.files.items():
            if name.rpartition("/")[2].startswith("lights") and name.endswith(".toml"):
                for lamp in tomlkit.parse(data.decode()).unwrap().get("light", ()):
                    lamps.setdefault(str(lamp["id"]), lamp)
    return list(lamps.values())


def _lamps(story: AcceptanceStory) -> Iterator[Block]:
    lamps = lamps_of(story)
    if not lamps:
        yield Note("Lamps: not stated; no accepted recipe rests on a lights.toml.")
        return
    rows = tuple(_lamp(lamp) for lamp in lamps)
    yield Grid(("Lamp", "Where", "Light", "Pulse", "Risk group"), rows, frozenset(), (18, 34, 16, 14, 18))


def _lamp(lamp: dict[str, Any]) -> tuple[Cell, ...]:
    light, pulse = _stated(lamp, "wavelength_nm", " nm"), _stated(lamp, "pulse_us", " µs")
    return cells(str(lamp["id"]), _place(lamp), light, pulse, str(lamp.get("risk_group", "not stated")))


def _place(lamp: dict[str, Any]) -> str:
    if "position_mm" in lamp:
        return "at " + ", ".join(f"{v:g}" for v in lamp["position_mm"]) + " mm"
    if "azimuth_deg" in lamp and "elevation_deg" in lamp:
        return f"azimuth {lamp['azimuth_deg']:g}°, elevation {lamp['elevation_deg']:g}°"
    return "found in its pictures"


def _stated(lamp: dict[str, Any], key: str, unit: str) -> str:
    return "not stated" if key not in lamp else f"{lamp[key]:g}{unit}"


def _has_robot(story: AcceptanceStory) -> bool:
    grips = any(record.grips for record in story.records)
    asked = any(line.asked.by in ("touch", "pose") for line in story.lines)
    return grips or asked or any(study.kind in ("touch", "pose") for study in story.studies)


def cautions(story: AcceptanceStory) -> tuple[str, ...]:
    """Return what to beware of, as far as the station has such a thing."""
    lamps = lamps_of(story)
    unseen = any(not _SEEN_NM[0] <= lamp.get("wavelength_nm", 550.0) <= _SEEN_NM[1] for lamp in lamps)
    words = " ".join(
        (story.station.table.says, *(c.says for c in story.station.table.camera), *map(str, lamps))
    ).lower()
    told = [*CAUTIONS[:1], *(ROBOT if _has_robot(story) else ()), *LAMPS]
    told += [UNSEEN] if unseen else []
    told += [LASER] if "laser" in words else []
    return (*told, *CAUTIONS[1:])


# --- ties ------------------------------------------------------------------------------------------------------------


def ties(story: AcceptanceStory) -> Iterator[Block]:
    """Yield the ties of the accepted recipes: their quality on points that the fit did not use, and their maps."""
    if not story.ties:
        yield Say("Ties: not tried; no accepted recipe measures by one.")
        return
    head = ("Tie", "Made", "Height", "Error at unseen points", "How")
    yield Grid(head, tuple(_tie(seen) for seen in story.ties), frozenset({2}), (20, 22, 12, 24, 22))
    if any("κ" in seen.tie.model for seen in story.ties):
        yield Note("κ of a tie: how its lens bends straight lines.")
    doubts = tuple(f"{seen.file}: {FLAGS[code].sentence}" for seen in story.ties for code in seen.tie.flags)
    if doubts:
        yield Listed(doubts)
    for seen in story.ties:
        if seen.svg is None:
            yield Say(f"The map of {seen.file}: not shown; no shot that it fits was kept.")
        else:
            yield Figure(seen.svg, f"{seen.file}: U at 95 % in µm over the field, and the errors at unseen points.")


def _tie(seen: TieSeen) -> tuple[Cell, ...]:
    tie, quality = seen.tie, seen.tie.quality
    told, how = "not known: it was made without points to spare", "not tried"
    if quality is not None:
        told = f"{quality.rms_mm * 1000:.1f} µm rms, {quality.max_mm * 1000:.1f} µm most"
        how = f"{quality.n} points, {quality.how}"
    return cells(seen.file, f"by {tie.made}, {tie.model}", f"{fixed(tie.height_mm, 2)} mm", told, how)
