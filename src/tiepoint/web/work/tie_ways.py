"""The ways of tying, as the page of ties asks for them: what was typed is checked at once, and the work is a job."""

import threading
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from tiepoint.station.words import sentence
from tiepoint.web.here import Here
from tiepoint.web.jobs import Telling
from tiepoint.web.refused import Refused, told_here
from tiepoint.web.work.lengths import at_field, length_mm, needed_mm
from tiepoint.web.work.tie_asked import (
    ByHandEye,
    ByLength,
    ByPairs,
    ByTarget,
    ByViews,
    CellFault,
    FindingTold,
    Kept,
    Mended,
    PairRow,
    Pairs,
    PairsTold,
    Solved,
)


@cache
def warm_once() -> None:
    """Begin to do once, beside, all that a tie takes, so that the first photo that is dropped does not wait for it."""
    threading.Thread(target=_warm, name="tie", daemon=True).start()


def _warm() -> None:
    import tiepoint.recipe.shots  # noqa: F401
    from tiepoint.report.tie_grid import pointer_grid
    from tiepoint.report.tie_map import tie_map
    from tiepoint.station.tying import warm
    from tiepoint.ties.verdict import good_for

    tie = warm()
    assert tie.sensor is not None
    tie_map(tie, None, 0.1)
    pointer_grid(tie, tie.sensor.size_px)
    good_for(tie, 0.1)


def tie_place(here: Here, name: str) -> Path:
    """Return where a document of `ties/` lies; refused where there is none of that name."""
    from tiepoint.station.draft_names import place_of

    place = place_of(here.station.folder, f"ties/{name}.json")
    if not place.is_file():
        raise Refused(404, f"there is no tie of the name {name[:60]!r}", "look at the list again", where="name")
    return place


def tie_of(here: Here, name: str) -> Any:
    """Return a document of `ties/` that holds a tie, and the tie."""
    from tiepoint.station.tie_files import read_tie_file

    tie_place(here, name)
    file = read_tie_file(here.station.folder, name)
    if file.tie is None:
        raise Refused(422, file.fault or f"ties/{name}.json holds a {file.kind} and no tie", where="name")
    return file, file.tie


def photo_of(here: Here, path: str, where: str = "photo") -> Any:
    """Return a working picture as a photo to tie by; `where`: the field that names it."""
    from tiepoint.station import tie_pictures

    with at_field(here, where):
        return tie_pictures.photo_of(here.station, path)


def demand_size(photo: Any, size: tuple[int, int] | None) -> None:
    """Refuse a photo of another size than the pictures that a tie is to be for."""
    if size is not None and photo.sensor.size_px != size:
        a, b = photo.sensor.size_px, size
        says = f"{photo.name} has {a[0]} × {a[1]} px, and the tie is to be for pictures of {b[0]} × {b[1]} px"
        raise Refused(422, says, "use a photo of that camera and setting, or choose its size", where="photos")


def made_from(here: Here, photos: tuple[str, ...]) -> str | None:
    """Return the working picture that a tie was made from, where the station still has it."""
    from tiepoint.station.tie_pictures import picture_with

    return picture_with(here.station, photos)


def _height(wanted: Kept, of: str) -> Any:
    from tiepoint.station.tying import stated_height

    mm = length_mm("height", wanted.height, wanted.unit, "the height")
    u = length_mm("u_height", wanted.u_height, wanted.unit, "the height's standard uncertainty", least="0")
    return stated_height(of, mm, u)


def work_of(here: Here, wanted: Any, who: str) -> Callable[[Telling], BaseModel]:
    """Return the work of a job, all that was typed checked before it begins."""
    from tiepoint.station.draft_names import demand_draft

    with at_field(here, "name"):
        demand_draft(f"ties/{wanted.name}.json")
    ways: dict[str, Callable[[Here, Any, str], Callable[[Telling], BaseModel]]] = {
        "target": _by_target,
        "length": _by_length,
        "pairs": _by_pairs,
        "views": _by_views,
        "hand-eye": _by_hand_eye,
    }
    return ways[wanted.way](here, wanted, who)


def _target(here: Here, path: str) -> Any:
    from tiepoint.station.printed_targets import targets_in
    from tiepoint.targets.draw import Target

    target = dict(targets_in(here.station.folder)).get(path)
    if not isinstance(target, Target):
        raise Refused(422, target or "no target is chosen", "" if target else "draw one, or choose one", where="target")
    return target


def _by_target(here: Here, wanted: ByTarget, who: str) -> Callable[[Telling], BaseModel]:
    from tiepoint.station.tie_files import load_camera
    from tiepoint.station.tying import by_target

    target = _target(here, wanted.target)
    of = wanted.photos[0][-40:]
    up = _height(wanted, of)
    away = stated_far(wanted, of)
    camera = None
    if wanted.camera is not None:
        with at_field(here, "camera"):
            camera = load_camera(here.station.folder / "ties" / f"{wanted.camera}.json")

    def work(telling: Telling) -> BaseModel:
        photos = _photos(here, wanted.photos, telling, wanted.size)
        with at_field(here, "photos"):
            tied = by_target(photos, target, height=up, distance=away, camera=camera, unit=wanted.unit)
        telling.check()
        return keep(here, wanted, who, tied, f"Tie {wanted.name} by target")

    return work


def _photos(here: Here, paths: list[str], telling: Telling, size: tuple[int, int] | None = None) -> list[Any]:
    photos = []
    for k, path in enumerate(paths):
        telling(k, len(paths) + 1, f"Reading photo {k + 1} of {len(paths)}")
        photos.append(photo_of(here, path, "photos"))
        demand_size(photos[-1], size)
    telling(len(paths), len(paths) + 1, "Solving")
    return photos


def _by_length(here: Here, wanted: ByLength, who: str) -> Callable[[Telling], BaseModel]:
    from tiepoint.station.tying import by_length, known_length

    mm = needed_mm("length", wanted.length, wanted.unit, "the length")
    u = length_mm("u", wanted.u, wanted.unit, "the length's standard uncertainty", least="0")
    up = _height(wanted, wanted.photo[-40:])

    def work(telling: Telling) -> BaseModel:
        (photo,) = _photos(here, [wanted.photo], telling, wanted.size)
        known = known_length(mm, u if wanted.u.strip() else None, photo.sha)
        with at_field(here, "ends"):
            made = by_length(
                photo, (wanted.start, wanted.end), known, height=up, is_snapped=wanted.is_snapped, unit=wanted.unit
            )
        telling.check()
        said = [made.start.sentence("A"), made.end.sentence("B")]
        return keep(here, wanted, who, made.tie, f"Tie {wanted.name} by length", said)

    return work


def _by_pairs(here: Here, wanted: ByPairs, who: str) -> Callable[[Telling], BaseModel]:
    from tiepoint.station.drafting import Change
    from tiepoint.station.pairs_table import table_of

    up = _height(wanted, wanted.name)

    def work(telling: Telling) -> BaseModel:
        telling(0, 1, "Looking for slips")
        if wanted.photo is not None and wanted.from_frame == "image":
            demand_size(photo_of(here, wanted.photo), wanted.size)
        judged = _judge(here, wanted, up)
        if not judged.is_good or judged.made is None:
            refused = [f for f in judged.made.diagnosis.findings if f.severity == "refuse"] if judged.made else []
            raise Refused(422, judged.says or "; ".join(f.sentence for f in refused), where="rows")
        telling.check()
        table = Change(f"ties/{wanted.name}.csv", table_of(wanted.rows))
        return keep(here, wanted, who, judged.made.tie, f"Tie {wanted.name} by pairs", more=[table])

    return work


def _by_views(here: Here, wanted: ByViews, who: str) -> Callable[[Telling], BaseModel]:
    target = _target(here, wanted.target)

    def work(telling: Telling) -> BaseModel:
        from tiepoint.ties.camera import camera_to_document
        from tiepoint.ties.views import camera_by_photos

        photos = _photos(here, wanted.photos, telling)
        with at_field(here, "photos"):
            camera = camera_by_photos([p.grey for p in photos], target, [p.name for p in photos])
        telling.check()
        bad = [f"{view} does not belong to the others, and was left out." for view in camera.bad_views]
        seen = _written(here, wanted, who, "camera", camera_to_document(camera), f"Find the camera {wanted.name}", [])
        return Solved(name=wanted.name, kind="camera", seen=seen, sentences=[*bad, *camera.notes])

    return work


def _by_hand_eye(here: Here, wanted: ByHandEye, who: str) -> Callable[[Telling], BaseModel]:
    from tiepoint.station.hand_eyes import hand_eye_of, poses_of
    from tiepoint.station.tie_files import load_camera

    target = _target(here, wanted.target)
    with at_field(here, "poses"):
        typed = poses_of(wanted.poses, wanted.angles, "the table of poses")
    if len(typed) != len(wanted.photos):
        says = f"the table has {len(typed)} poses, and {len(wanted.photos)} photos are chosen"
        raise Refused(422, says, "give one photo for each pose, in its order", where="photos")
    with at_field(here, "camera"):
        camera = load_camera(here.station.folder / f"ties/{wanted.camera}.json" if wanted.camera else None)

    def work(telling: Telling) -> BaseModel:
        from tiepoint.foundation.frames import worked_pose
        from tiepoint.ties.hand_eye_document import hand_eye_to_document

        photos = _photos(here, wanted.photos, telling)
        plane = None if wanted.plane is None else photo_of(here, wanted.plane, "plane")
        with at_field(here, "poses"):
            tie, solved = hand_eye_of(typed, photos, target, eye=wanted.eye, camera=camera, plane=plane)
        telling.check()
        says = f"Tie the robot {wanted.name} by hand-eye"
        seen = _written(here, wanted, who, "robot", hand_eye_to_document(tie), says, [])
        taken = f"Angles were taken as {worked_pose(typed.convention)}."
        said = [f"{s}; ± {u}." for s, u in zip(tie.sentences, _widths(tie), strict=True)]
        return Solved(name=wanted.name, kind="robot", seen=seen, sentences=[*said, *tie.notes, *solved.notes, taken])

    return work


def _widths(tie: Any) -> list[str]:
    from tiepoint.foundation.rounding import value_and_pm

    def pm(value: float) -> str:
        return value_and_pm(value, value)[1]

    return [f"{pm(mm)} mm and {pm(deg)}° at most" for mm, deg in (tie.half_widths(p) for p in (tie.x, tie.y))]


def stated_far(wanted: Any, of: str) -> Any:
    """Return how far the lens is from the plane, as it was typed with its u; None where nothing was typed."""
    from tiepoint.station.tying import stated_distance

    away = length_mm("distance", wanted.distance, wanted.unit, "the distance", least="above 0")
    u_away = length_mm("u_distance", wanted.u_distance, wanted.unit, "its standard uncertainty", least="0")
    if away and not wanted.u_distance.strip():
        raise Refused(
            422, "the distance stands without its standard uncertainty", "say how sure it is", where="u_distance"
        )
    return stated_distance(of, away, u_away) if away else None


def keep(
    here: Here,
    wanted: Kept,
    who: str,
    tied: Any,
    says: str,
    said: list[str] | None = None,
    more: list[Any] | None = None,
) -> Solved:
    """Write a tie among the station's, as one step to be undone, which `says` what it did."""
    from tiepoint.ties.document import to_document

    seen = _written(here, wanted, who, "tie", to_document(tied), says, more or [])
    return Solved(name=wanted.name, kind="tie", seen=seen, sentences=said or [])


def _written(here: Here, wanted: Any, who: str, kind: str, content: dict[str, Any], says: str, more: list[Any]) -> str:
    import hashlib

    from tiepoint.documents.files import document_bytes
    from tiepoint.station.drafting import Change, Conflict, edit

    path, data = f"ties/{wanted.name}.json", document_bytes(kind, content)
    try:
        edit(here.station, says, [Change(path, data), *more], who=who, seen={path: wanted.seen})
    except Conflict as error:
        raise Refused(
            409, f"{path} was changed since you last saw it", "look at it, and tie again", where="name"
        ) from error
    return hashlib.sha256(data).hexdigest()


def _judge(here: Here, told: Pairs, height: Any = None) -> Any:
    from tiepoint.station.pairs_table import judge_pairs

    sensor = None if told.photo is None or told.from_frame != "image" else photo_of(here, told.photo).sensor
    return judge_pairs(
        told.rows, from_frame=told.from_frame, to_frame=told.to_frame, model=told.model, unit=told.pairs_unit,
        height=height, sensor=sensor,
    )  # fmt: skip


def pairs_told(here: Here, told: Pairs) -> PairsTold:
    """Return what pairs come to, row by row, and what would mend those that do not fit."""
    from tiepoint.foundation.rounding import value_and_pm

    judged = _judge(here, told)
    findings = judged.made.diagnosis.findings if judged.made is not None else ()
    return PairsTold(
        is_good=judged.is_good,
        says=told_here(judged.says, here.station.folder),
        model=judged.made.tie.diagnostics.reason if judged.made is not None else "",
        rows=[
            PairRow(
                off="" if row.off_mm is None else value_and_pm(1000 * row.off_mm, 1000 * row.off_mm)[0],
                is_refused=row.is_refused,
                at=_placed(cells, told.from_frame),
            )
            for row, cells in zip(judged.rows, told.rows, strict=True)
        ],
        findings=[
            FindingTold(
                code=f.code, rows=list(f.rows), says=sentence(f.sentence), is_refused=f.severity == "refuse",
                mends=[Mended(row=r.row, column=_COLUMNS.index(r.column), text=f"{r.value:.10g}") for r in f.repairs],
            )
            for f in findings
        ],
        faults=[CellFault(row=f.row, column=f.column, says=f.says) for f in judged.faults],
    )  # fmt: skip


_COLUMNS = ("from_x", "from_y", "to_x", "to_y")


def _placed(cells: list[str], frame: str) -> tuple[float, float] | None:
    from tiepoint.documents.tables import plain_number, with_plain_sign

    x, y = (plain_number(with_plain_sign(cell)) for cell in cells[:2])
    return None if frame != "image" or x is None or y is None else (x, y)
