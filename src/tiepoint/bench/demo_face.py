"""The demo's close-up station: marks, a bead and blemishes on plates' faces, which one lamp hides and four show.

The work is done with what a person has: a photographed target, where the lamps stand, pictures of a flat card. The
truth of the faces only says afterwards what should have been read.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tiepoint.bench.marked import MarkedFace, lot_of, marked_face
from tiepoint.bench.marked_station import MarkedStation, lights_toml
from tiepoint.bench.place import Place as Lying
from tiepoint.bench.printing import Rule, print_target
from tiepoint.documents.files import write_atomic, write_document
from tiepoint.documents.pictures import save_png
from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.rounding import HOLD, fixed
from tiepoint.foundation.sources import Source, measured
from tiepoint.model.reading import Reading
from tiepoint.recipe.marks_content import shown
from tiepoint.recipe.outlines import region_px
from tiepoint.recipe.overlay import overlay_svg, verdict_of
from tiepoint.recipe.records import records_jsonl, sealed
from tiepoint.recipe.runner import Trace, run
from tiepoint.recipe.shots import load_shot
from tiepoint.recipe.station import Prepared, Ran, prepare, run_shots, seen_of
from tiepoint.recipe.wording import said_value
from tiepoint.report.face_story import Drawn, Face, FaceStory, Mark, Shown
from tiepoint.report.story import Check
from tiepoint.targets.draw import new_target
from tiepoint.targets.paper import print_scale
from tiepoint.ties.by_target import Setting, tie_by_target
from tiepoint.ties.document import to_document
from tiepoint.ties.sensor import Sensor

Array = NDArray[np.float64]
Place = Callable[[str], Path]

DEFECTS = ("", "bead with a gap", "", "scratched", "", "stamp of another lot", "dented")
"""What is wrong with each face, in their order."""
VARIANT = "vent-60-face"
U_DISTANCE_MM, U_HEIGHT_MM = 2.0, 0.02
MPX = 1.0
"""So many million prepared pixels are looked at for the code in one lamp's picture; in relief it takes 0.06."""
MOST_PX = 1000

ONE_LAMP_HEAD = """# Marks in the picture of one lamp alone, sought where they are known to be.
format = "tiepoint/recipe/1"
name = "plate face, one lamp"
unit = "mm"
tie = "../ties/face.json"
lights = "../lights.toml"
height = 0.0
u_height = {u_height}
"""
ONE_LAMP = """
[[step]]
name = "code, {lamp}"
kind = "code"
picture = "{lamp}"
also = []
symbology = "data_matrix"
region.rectangle = {{ centre = [23.3, 9.7], size = [7.6, 7.6] }}
budget = {mpx}

[[step]]
name = "lot, {lamp}"
kind = "text"
picture = "{lamp}"
also = []
region.rectangle = {{ centre = [27.7, 15.7], size = [17.6, 3.6] }}
expected = {{ form = "{{capitals:2}}{{digits:2}}-{{digits:3}}" }}
"""


@dataclass(frozen=True)
class CloseUp:
    """The close-up station of a seed: `station` photographs, `fixture` is where plates truly lie."""

    seed: int
    station: MarkedStation
    fixture: Lying
    faces: tuple[MarkedFace, ...]

    @property
    def lot(self) -> str:
        """The lot that is made."""
        return lot_of(self.seed)

    @property
    def lamps(self) -> tuple[str, ...]:
        """The lamps, in the order of a shot's pictures."""
        return tuple(lamp.id for lamp in self.station.lamps)


def close_up_of(seed: int, faces: int) -> CloseUp:
    """Return the close-up station of a seed with so many faces."""
    rng = np.random.default_rng([seed, 81])
    height_mm = U_HEIGHT_MM * float(rng.standard_normal())
    kinds = [DEFECTS[k % len(DEFECTS)] for k in range(faces)]
    made = tuple(marked_face(number, seed, kind, lot_of(seed)) for number, kind in enumerate(kinds, 1))
    return CloseUp(seed, MarkedStation(), Lying(height_mm=height_mm), made)


def variant_row(seed: int) -> tuple[str, ...]:
    """Return the line of `variants.csv` for the faces of a seed: variant, height, u, recipe, bore_b, lot."""
    return VARIANT, "0", f"{U_HEIGHT_MM:g}", "face", "", lot_of(seed)


def read_faces(place: Place, tell: Callable[[str], None], *, seed: int, faces: int = len(DEFECTS)) -> FaceStory:
    """Photograph and judge the faces of plates; `place` returns where a named file is to be written."""
    close = close_up_of(seed, faces)
    tell("Tying the close-up camera, and photographing a flat card under its four lamps.")
    _set_up(close, place)
    tell(f"Reading the faces of {faces} plates from relief, and from one lamp alone.")
    shots = [_photographed(close, place, number) for number in range(1, faces + 1)]
    prepared, single = _recipes(close, place)
    judged = [_judged(prepared, path, seq) for seq, path in enumerate(shots, 1)]
    alone = list(run_shots(single, shots, clock=None))
    for name, runs in (("records-face", [ran for ran, _ in judged]), ("records-face-one-lamp", alone)):
        write_atomic(place(f"{name}.jsonl"), records_jsonl([ran.record for ran in runs]).encode())
    told = []
    for face, (ran, raised), single_ran in zip(close.faces, judged, alone, strict=True):
        overlay = f"overlays/face-{face.serial:02}.svg"
        write_atomic(place(overlay), overlay_svg(ran.outcome, raised, whole=True, most_px=MOST_PX).encode())
        told.append(_face(face, close.lamps, ran, single_ran, overlay))
    k = next((k for k, face in enumerate(told) if face.gap.true > 0), 0)
    story = FaceStory(tuple(told), close.lamps, close.lot, MPX, k)
    return replace(story, one_lamp=_under_one(alone[k], story.best_lamp), relief=_in_relief(*judged[k]))


# ---------- the work ----------


def _set_up(close: CloseUp, place: Place) -> None:
    """Tie the camera by a target that is larger than its field, and keep what says where the lamps stand."""
    station = close.station.station
    target = new_target("charuco", 2.5, 20, 10)
    printed = print_target(target, close.seed, rule=Rule("glass scale no 4", 2e-5, 0.005, 0.005))
    told = replace(target, measured=printed.measured("2026-01-05T07:30:00Z"))
    photo = station.photograph_target(printed, close.seed + 2, margin_mm=None).picture
    save_png(place("shots/face-target.png"), photo)
    away = float(station.camera.centre_mm[2])
    away += U_DISTANCE_MM * float(np.random.default_rng([close.seed, 82]).standard_normal())
    distance = measured(away, Source("face:distance", "Distance of the close-up camera", "B", U_DISTANCE_MM, "station"))
    sensor = Sensor(station.width_px, station.height_px)
    tie = tie_by_target([photo], told, Setting(distance=distance, scale=print_scale(told), sensor=sensor))
    write_document(place("ties/face.json"), "tie", to_document(tie))
    flat = close.station.photograph_flat(close.seed + 3).pictures
    names = [f"shots/flat/{k}-{lamp}.png" for k, lamp in enumerate(close.lamps, 1)]
    for name, picture in zip(names, flat, strict=True):
        save_png(place(name), picture)
    write_atomic(place("lights.toml"), lights_toml(close.station.lamps, names).encode())


def _photographed(close: CloseUp, place: Place, number: int) -> Path:
    """Return the folder of a face's shot, one picture for each lamp."""
    shot = close.station.photograph(
        close.faces[number - 1], close.seed * 10_000 + 800 + number, fixture=close.fixture
    ).shot
    paths = [place(f"shots/face/part-{number:02}/{k}-{lamp}.png") for k, lamp in enumerate(close.lamps, 1)]
    for path, picture in zip(paths, shot.pictures, strict=True):
        save_png(path, picture)
    return paths[0].parent


def _recipes(close: CloseUp, place: Place) -> tuple[Prepared, Prepared]:
    """Return the recipe for the relief and that for each lamp alone; `variants.csv` stands there already."""
    recipe, single = place("recipes/face.toml"), place("recipes/face-one-lamp.toml")
    write_atomic(recipe, (files("tiepoint.bench") / "face.toml").read_bytes())
    steps = [ONE_LAMP.format(lamp=lamp, mpx=MPX) for lamp in close.lamps]
    write_atomic(single, (ONE_LAMP_HEAD.format(u_height=U_HEIGHT_MM) + "".join(steps)).encode())
    variants = recipe.parent.parent / "variants.csv"
    return prepare(recipe, variants_path=variants, variant=VARIANT), prepare(single)


def _judged(prepared: Prepared, path: Path, seq: int) -> tuple[Ran, NDArray[np.uint8]]:
    """Return a face's record, and what is raised in it for looking at, from the relief that was computed for it."""
    loaded, job = load_shot(path, prepared.each), prepared.job(None)
    seen = seen_of(loaded).under(job)
    outcome = run(job, seen, seq=seq)
    raised = seen.picture("raised")
    assert not isinstance(raised, Reason)
    return Ran(path, sealed(outcome.record), outcome, loaded), np.asarray(raised / 257, np.uint8)


# ---------- beside the truth ----------


def _face(face: MarkedFace, lamps: Sequence[str], ran: Ran, alone: Ran, overlay: str) -> Face:
    """Return what was read of a face beside its truth."""
    told, single = _by_name(ran), _by_name(alone)
    says = shown(face.content), face.lot_text
    return Face(
        number=face.serial,
        record=ran.record,
        defects=_wrong(face),
        is_good=face.conforms,
        code=Mark(says[0], told["code", "content"].text),
        lot=Mark(says[1], told["lot", "content"].text),
        gap=Check.of(f"face {face.serial}", 0.0, face.truth["longest bead gap"], told["bead", "longest_gap"]),
        blemishes=_blemishes(told),
        by_lamp={
            lamp: (
                Mark(says[0], single[f"code, {lamp}", "content"].text),
                Mark(says[1], single[f"lot, {lamp}", "content"].text),
            )
            for lamp in lamps
        },
        overlay_href=overlay,
    )


def _by_name(ran: Ran) -> dict[tuple[str, str], Reading]:
    return {(r.step, r.quantity): r for r in ran.record.readings}


def _wrong(face: MarkedFace) -> tuple[str, ...]:
    """Return in words what is wrong with a face, with the true length of a blemish."""
    sizes = [f", {fixed(blemish.length_mm, 2)}{HOLD}mm" for blemish in face.blemishes]
    return tuple(f"{defect}{''.join(sizes)}" for defect in face.defects)


def _blemishes(told: dict[tuple[str, str], Reading]) -> tuple[str, ...]:
    """Return in words what was found where nothing should be."""
    words = []
    for step, one in (("scratches", "scratch"), ("dents", "dent")):
        count = told[step, "count"].value
        if count:
            pieces = f" in {count:.0f} pieces" if count > 1 else ""
            words.append(f"{one}{pieces}, {said_value(told[step, 'total'])}")
    return tuple(words)


# ---------- before and after ----------


def _under_one(alone: Ran, lamp: str) -> Shown:
    """Return a face under one lamp, with what was sought in that picture."""
    assert alone.loaded is not None
    drawn = tuple(_drawn(trace) for trace in alone.outcome.traces if trace.role == lamp)
    return Shown(alone.loaded.pictures[lamp].grey, drawn, f"Under the lamp in the {lamp} alone")


def _in_relief(ran: Ran, raised: NDArray[np.uint8]) -> Shown:
    """Return the same face as what is raised, with all that was read."""
    drawn = tuple(_drawn(trace) for trace in ran.outcome.traces if trace.step.kind.kind != "find")
    return Shown(raised, drawn, "What is raised, computed from pictures under all four")


def _drawn(trace: Trace) -> Drawn:
    """Return what a step read or sought, in px of the picture."""
    assert trace.ground is not None
    sight = trace.ground.sight
    found = tuple(sight.to_px(np.atleast_2d(line)) for line in trace.result.outlines)
    verdict = verdict_of(trace.readings)
    lines = found or (tuple(region_px(trace)) if verdict == "unread" else ())
    words, at = _words(trace), None
    if words and lines:
        every = np.vstack(lines)
        at = np.array([every[:, 0].min(), every[:, 1].max()])
        if trace.step.name == "bead" and trace.result.at is not None and verdict == "rejected":
            at = sight.to_px(np.atleast_2d(trace.result.at))[0]
    return Drawn(lines, verdict, words, at)


def _words(trace: Trace) -> str:
    """Return what is written beside a step; nothing where it found nothing, and nothing was to be found."""
    first = trace.readings[0]
    if not first.was_read:
        return f"{trace.step.name.partition(',')[0]}: unread"
    told = {r.quantity: r for r in trace.readings}
    if "fields" in told:
        fields = dict(re.findall(r"\((\w+)\)(\S+)", told["fields"].text or ""))
        return f"{fields.get('1P', '')}, no. {fields.get('S', '')}"
    if "longest_gap" in told:
        gap = told["longest_gap"]
        return f"gap {said_value(gap)}" if gap.value else f"no gap, {said_value(told['mean_width'])} wide"
    if "count" in told:
        return f"{trace.step.name}: {said_value(told['count'])}" if told["count"].value else ""
    return said_value(first)
