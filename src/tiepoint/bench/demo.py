"""The whole job on the simulated station, whose exact truth stands beside every number that the job finds.

What an engineer would do is in `demo_work`, what is really so in `demo_bench`, what is told of both in
`demo_story`. The folder that is left is a station: it can be read, run again and taken over.
"""

import csv
import io
import json
import time
import webbrowser
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.bench import demo_accept, demo_face, demo_folder, demo_picks, demo_prove, demo_story, demo_work
from tiepoint.bench import demo_bench as world
from tiepoint.bench.demo_accept import Accepted, Extent
from tiepoint.bench.demo_bench import DemoBench, make_bench
from tiepoint.bench.demo_work import Kept, Laid
from tiepoint.bench.lengths import Bar
from tiepoint.documents.files import format_of, write_atomic, write_document
from tiepoint.documents.pictures import load_picture, save_png
from tiepoint.documents.software import software
from tiepoint.foundation.reasons import FLAGS
from tiepoint.foundation.rounding import fixed, with_unit
from tiepoint.foundation.sources import Value
from tiepoint.recipe.station import prepare, run_shots, write_records
from tiepoint.report.look import data_uri
from tiepoint.report.story import (
    Check,
    Coverage,
    OtherTie,
    Outcome,
    Plate,
    Story,
    TieStory,
    coverage,
    outcome,
    reading_checks,
)
from tiepoint.report.summary import summary_html
from tiepoint.report.tie_sheet import Margin, sheet_svg
from tiepoint.station.folder import Station
from tiepoint.targets import document as target_document
from tiepoint.targets import sheet as target_sheet
from tiepoint.targets.draw import Target
from tiepoint.targets.paper import apply_measure, print_scale
from tiepoint.ties.camera import CameraModel
from tiepoint.ties.move import move
from tiepoint.ties.tie import Tie
from tiepoint.ties.verdict import good_for

Pixels = NDArray[Any]
Progress = Callable[[str], None]

TOLERANCE_MM = 0.2
"""The widest tolerance of a place on the drawing: what the tie is asked for."""
SEED, PLATES = 7, 25
PICKS = 50
"""So many plates the robot picks."""
FACES = len(demo_face.DEFECTS)
"""So many plates have their faces read."""
MEASURED_UTC = "2026-01-05T07:30:00Z"
"""When the bars were measured, in the demo's own time: the same for every run, as all its documents are."""
SUMMARY = "summary.html"

WHAT = {
    "station.toml": "the station",
    "variants.csv": "heights and nominals by variant",
    "records.jsonl": "records, one a line, with hashes",
    "records.csv": "readings, one a row",
    "targets/target.json": "the target and what its bars measured",
    "targets/target.pdf": "the target, to print at 100 %",
    "targets/target.svg": "the target as a drawing",
    "ties": "a tie with its sources",
    "ties/camera.json": "the camera, from several views",
    "ties/plane-quality.svg": "residuals and uncertainty of the tie",
    "ties/pairs.csv": "points as a person types them",
    "recipes": "the recipe",
    "robot": "what the robot showed, for the commands that judge it",
    "shots": "a photograph",
    "shots/tool": "a pin in the robot's tool, turned about the tool point",
    "shots/cell": "a photograph of the picking cell",
    "shots/plates": "a photograph of a plate",
    "shots/views": "the target before the camera in another lean",
    "overlays": "what was found, over the photograph",
    "records-cell.jsonl": "records of the picking cell, with its grips",
    "lights.toml": "where the lamps of the close-up stand",
    "records-face.jsonl": "records of the faces, read from relief",
    "records-face-one-lamp.jsonl": "the same faces, read from each lamp alone",
    "shots/flat": "a flat card under one lamp",
    "shots/face": "a face under one lamp",
    "proof": "what the studies of the accepted station were made of",
    "station": "the accepted station: what it was ordered for and its drafts",
    "station/accepted": "what is accepted: never changed afterwards",
    "station/accepted.toml": "which accepted copy is run",
    "station/archive": "a judged shot, as it was kept",
    "station/studies": "a study that was made, with its data",
    "station/ledger.sqlite": "the ledger: records and acts, each chained to the one before it",
    "acceptance.pdf": "the report to sign",
    "acceptance.html": "the same as a page that works its numbers out again",
}


@dataclass(frozen=True)
class DemoResult:
    """What a demo found, against its truth, and where it stands."""

    folder: Path
    summary: Path
    lengths: Coverage
    readings: Coverage
    plates: Outcome
    story: Story
    accepted: Accepted


@dataclass(frozen=True)
class _Job:
    """One demo under way: where, on which bench, whom to tell, and what it has written so far."""

    folder: Path
    bench: DemoBench
    tell: Progress
    written: list[Path] = field(default_factory=list)

    def place(self, name: str) -> Path:
        """Return the path of a file that is about to be written, and remember it as the demo's own."""
        self.written.append(self.folder / name)
        return self.written[-1]

    def text(self, name: str, words: str) -> None:
        """Write a text file."""
        write_atomic(self.place(name), words.encode())

    def photograph(self, name: str, pixels: Pixels) -> Path:
        """Keep a photograph and return its path."""
        path = self.place(f"shots/{name}.png")
        save_png(path, pixels)
        return path

    def keep(self, name: str, tie: Tie) -> Kept:
        """Write a tie's document."""
        return demo_work.keep(tie, self.place(f"ties/{name}.json"))

    @property
    def distance(self) -> Value:
        """The camera's distance as it was measured."""
        return demo_work.distance_value(self.bench.measured_distance_mm, world.U_DISTANCE_MM)

    def height(self, what: str, height_mm: float) -> Value:
        """Return a height as a gauge told it."""
        return demo_work.height_value(what, height_mm, world.U_HEIGHT_MM)


def demo_once(
    folder: Path,
    progress: Progress | None = None,
    *,
    seed: int = SEED,
    plates: int = PLATES,
    faces: int = FACES,
    extent: Extent | None = None,
) -> DemoResult:
    """Do the whole job in a folder and return what it found; `progress` is told each step in a sentence.

    `extent`: how many parts and pictures the studies of the accepted station take, the usual numbers by default.

    The same seed leaves the same documents. Raises `UnusableInput` where the folder holds anything that no demo
    wrote; nothing is touched then.
    """
    started = time.perf_counter()
    demo_folder.claim(folder)
    job = _Job(folder, make_bench(seed, plates), progress or _silent)
    try:
        story, accepted = _story(job, faces, extent)
        told = replace(story, took_s=time.perf_counter() - started)
        job.text(SUMMARY, summary_html(told))
    finally:
        demo_folder.note(folder, [path for path in job.written if path.is_file()])
    found = coverage(reading_checks(told))
    return DemoResult(folder, folder / SUMMARY, coverage(told.lengths), found, outcome(told.plates), told, accepted)


def show(folder: Path, progress: Progress | None = None) -> DemoResult:
    """Do what `demo_once` does and open the summary in the browser."""
    result = demo_once(folder, progress)
    webbrowser.open(result.summary.resolve().as_uri())
    return result


def _silent(sentence: str) -> None:
    del sentence


def _story(job: _Job, faces: int, extent: Extent | None) -> tuple[Story, Accepted]:
    bench = job.bench
    job.text("station.toml", _station_toml(bench))
    job.tell("Writing down what the station is ordered for, and dating it before anything is measured.")
    station = demo_accept.ordered(job.folder, bench)
    job.tell("Drawing the target, printing it, and measuring its ruler bars.")
    target = _target(job)
    job.tell("Photographing the target and tying pixels to millimetres.")
    photo = job.photograph("target", bench.target_photo())
    kept = job.keep("plane", demo_work.tie_from_target(photo, target, job.distance))
    tie_story = _tie_story(job, kept, photo, target)
    job.tell("Reading known lengths that the tie never saw, on the table and on blocks.")
    lengths, bar_photos = _lengths(job, kept.tie)
    job.tell("Tying the same camera in the other ways of the trade.")
    camera = _camera(job, target)
    others = _others(job, photo, bar_photos, target, camera)
    job.tell(f"Photographing and judging {len(bench.plates)} plates.")
    plates = _plates(job)
    face = demo_face.read_faces(job.place, job.tell, seed=bench.seed, faces=faces)
    setup = demo_picks.set_up(job.place, job.tell, seed=bench.seed)
    job.tell("Proving the robot: its tool point, touches, repeatability, and a camera in its hand.")
    proved = demo_prove.prove_robot(setup, demo_prove.Views(bench, _view_paths(job), target, camera))
    picks = demo_picks.pick_plates(setup, job.tell, plates=PICKS)
    accepted = demo_accept.accept_and_prove(_demo(job, station), extent)
    mm_per_px = tie_story.view.mm_per_px
    story = Story(
        title="A hinge plate, from photograph to millimetre",
        where=f"bench station, seed {bench.seed}, {bench.size_px[0]} × {bench.size_px[1]} px, {mm_per_px:.3f} mm/px",
        job=demo_story.JOB,
        target=target,
        target_svg=target_sheet.svg(target),
        target_href="targets/target.pdf",
        print_scales=demo_story.print_scales(bench, target, np.sqrt(np.diag(print_scale(target).covariance))),
        tie=tie_story,
        others=others,
        lengths=lengths,
        lengths_said=(
            f"{len(lengths)} readings of gauge bars of {min(c.true for c in lengths):.0f} to "
            f"{max(c.true for c in lengths):.0f} mm, at five places in two directions and at two heights."
        ),
        plates=plates,
        recipe_toml=_recipe_text(),
        hand=demo_story.hand_of(plates, target, bench.measured_distance_mm, mm_per_px),
        files=demo_folder.listed(job.folder, job.written, WHAT),
        cautions=demo_story.CAUTIONS,
        software=software(),
        took_s=0.0,
        picks=picks,
        robot=proved,
        face=face,
        acceptance=demo_story.acceptance(accepted),
    )
    return story, accepted


def _demo(job: _Job, station: Station) -> demo_accept.Demo:
    return demo_accept.Demo(job.folder, station, job.bench, job.place, job.tell)


# ---------- target and tie ----------


def _target(job: _Job) -> Target:
    """Write the target's files and return it with what its print measured."""
    printed = job.bench.printed
    target = apply_measure(
        printed.target, printed.reading_x_mm, printed.reading_y_mm, printed.u_mm, printed.rule.name, MEASURED_UTC
    )
    write_atomic(job.place("targets/target.pdf"), target_sheet.pdf(target))
    job.text("targets/target.svg", target_sheet.svg(target))
    write_document(job.place("targets/target.json"), "target", target_document.to_document(target))
    return target


def _tie_story(job: _Job, kept: Kept, photo: Path, target: Target) -> TieStory:
    """Return the tie's part of the story, and leave its map as a drawing."""
    assert target.measured is not None
    m = target.measured
    done = (
        f"One photo of the {target.columns} by {target.rows} {target.pattern} target, pitch {target.pitch_mm:g} mm. "
        f"With the {m.with_} its bars measured {m.x_mm:.3f} and {m.y_mm:.3f} mm, so both axes are corrected."
    )
    judged = good_for(kept.tie, TOLERANCE_MM)
    told = demo_story.tie_story(job.bench, kept, load_picture(photo).grey, judged, done)
    margin = Margin(told.done, told.to_do, told.title_block)
    drawing = sheet_svg(told.view, told.photo_uri, "The tie by target", margin, f"±{TOLERANCE_MM:g} mm")
    job.text("ties/plane-quality.svg", drawing)
    return told


# ---------- known lengths ----------


def _lengths(job: _Job, tie: Tie) -> tuple[tuple[Check, ...], dict[str, Path]]:
    """Return every known length beside what the tie reads, and the photos of the bars on the table by direction."""
    checks: list[Check] = []
    on_table: dict[str, Path] = {}
    for height_mm in (0.0, world.SECOND_HEIGHT_MM):
        there = tie if height_mm == 0 else move(tie, job.height("blocks", height_mm))
        if height_mm:
            job.keep("plane-on-blocks", there)
        for axis in "xy":
            bars = job.bench.bars(height_mm, axis == "y")
            photo = job.photograph(f"bars-at-{height_mm:g}mm-along-{axis}", job.bench.bars_photo(bars))
            checks += _bar_checks(job, photo, bars, there, f"along {axis}", height_mm)
            on_table.setdefault(axis, photo)
    return tuple(checks), on_table


def _bar_checks(
    job: _Job, photo: Path, bars: Sequence[Bar], tie: Tie, direction: str, height_mm: float = 0.0
) -> list[Check]:
    read = demo_work.bar_readings(photo, [_laid(job, bar) for bar in bars], tie)
    return [
        Check.of(f"{place}, {direction}", height_mm, bar.true_mm, r)
        for place, bar, r in zip(world.BAR_PLACES, bars, read, strict=False)
    ]


def _laid(job: _Job, bar: Bar) -> Laid:
    return demo_work.laid(bar, job.bench.clicked(bar))


def _camera(job: _Job, target: Target) -> CameraModel:
    """Return the camera that several views of the target show, with its document written."""
    views = [job.photograph(f"views/view-{n}", job.bench.view_photo(n)) for n in range(1, world.CAMERA_VIEWS + 1)]
    camera = demo_work.camera_from_views(views, target)
    demo_work.keep_camera(camera, job.place("ties/camera.json"))
    return camera


def _view_paths(job: _Job) -> tuple[Path, ...]:
    return tuple(job.folder / f"shots/views/view-{n}.png" for n in range(1, world.CAMERA_VIEWS + 1))


def _others(
    job: _Job, photo: Path, bar_photos: dict[str, Path], target: Target, camera: CameraModel
) -> tuple[OtherTie, ...]:
    """Return the other ways to tie, each asked for the bar that lies along y in the middle."""
    asked = job.bench.bars(0.0, True)[:1]
    made = [_by_length(job, bar_photos["x"]), _by_pairs(job, photo, target), _by_views(job, photo, target, camera)]
    return tuple(
        OtherTie(how, rests_on, check, " ".join((says, *(FLAGS[code].sentence for code in tie.flags))))
        for how, rests_on, tie, says in made
        for check in _bar_checks(job, bar_photos["y"], asked, tie, "along y")
    )


def _by_length(job: _Job, photo: Path) -> tuple[str, str, Tie, str]:
    bar = _laid(job, job.bench.bars(0.0, False)[0])
    tie = demo_work.tie_from_length(photo, bar)
    job.keep("by-length", tie)
    said = f"Rests on one gauge bar of {bar.certified_mm:g} mm along x, clicked at both ends to a pixel."
    return (
        "by length",
        said,
        tie,
        (
            f"It cannot know tilt, unequal axes or the lens: up to {demo_work.TILT_DEG:g}° and "
            f"{100 * demo_work.LENS_SHARE:g} % at the corner are in its ±."
        ),
    )


def _by_pairs(job: _Job, photo: Path, target: Target) -> tuple[str, str, Tie, str]:
    table = demo_work.pairs_from_target(photo, target)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("from_x", "from_y", "to_x", "to_y"))
    writer.writerows(table.tolist())
    job.text("ties/pairs.csv", text.getvalue())
    tie = demo_work.tie_from_pairs(table, job.bench.size_px)
    job.keep("by-pairs", tie)
    said = (
        f"Rests on {len(table)} points round the plate, typed as pixels to 0.1 px and millimetres; model {tie.model}."
    )
    return "by pairs", said, tie, "It cannot know the lens, nor what is wrong with all its points alike."


def _by_views(job: _Job, photo: Path, target: Target, camera: CameraModel) -> tuple[str, str, Tie, str]:
    tie = demo_work.tie_from_target(photo, target, camera=camera)
    job.keep("by-views", tie)
    assert tie.distance_mm is not None
    found = with_unit(tie.distance_mm, demo_story.K95 * tie.u_distance_mm, "mm")
    true = fixed(float(job.bench.station.camera.centre_mm[2]), 2)
    said = (
        f"Rests on a camera document from {world.CAMERA_VIEWS} photos of the target in different leans, and on the one "
        "photo on the table. The distance of the lens need not be measured then: it comes out as "
        f"{found}, and is {true} mm."
    )
    return "by views", said, tie, "It cannot know the print's scale better than the target does."


# ---------- plates ----------


def _plates(job: _Job) -> tuple[Plate, ...]:
    """Photograph all plates, run the recipe over them, and return records and overlays beside the truth."""
    bench = job.bench
    numbers = range(1, len(bench.plates) + 1)
    photos = [job.photograph(f"plates/plate-{n:02d}", bench.plate_photo(n)) for n in numbers]
    job.text("recipes/hinge-plate.toml", _recipe_text())
    job.text("variants.csv", _variants_csv(bench.seed))
    recipe = job.folder / "recipes" / "hinge-plate.toml"
    prepared = prepare(recipe, variants_path=job.folder / "variants.csv", variant=demo_accept.VARIANT)
    for sentence in prepared.warnings:
        job.tell(sentence)
    plates = []
    for n, ran in zip(numbers, run_shots(prepared, photos, clock=None), strict=True):
        job.text(f"overlays/plate-{n:02d}.svg", ran.overlay())
        truth = demo_story.truth_of(n, bench, ran.record.readings)
        uri = data_uri(ran.overlay(most_px=1000).encode(), "image/svg+xml")
        plates.append(Plate(n, ran.record, truth, f"overlays/plate-{n:02d}.svg", uri))
        if n % 5 == 0:
            job.tell(f"{n} of {len(photos)} plates are judged.")
    for name in ("records.jsonl", "records.csv"):
        job.place(name)
    write_records(job.folder, [p.record for p in plates])
    return tuple(plates)


def _recipe_text() -> str:
    return (files("tiepoint.bench") / "hinge-plate.toml").read_text(encoding="utf-8")


def _variants_csv(seed: int) -> str:
    rows = (
        ("variant", "height_mm", "u_height_mm", "recipe", "bore_b", "lot"),
        (demo_accept.VARIANT, f"{world.PLATE_HEIGHT_MM:g}", f"{world.U_HEIGHT_MM:g}", "hinge-plate", "6.0", ""),
        ("vent-60-thick", "4", f"{world.U_HEIGHT_MM:g}", "hinge-plate", "6.0", ""),
        demo_face.variant_row(seed),
    )
    return "".join(",".join(row) + "\n" for row in rows)


def _station_toml(bench: DemoBench) -> str:
    width, height = bench.size_px
    return (
        "# A station is a folder. This one was made by the demo; its camera is simulated.\n"
        f"format = {json.dumps(format_of('station'))}\n"
        'name = "hinge-vent-demo"\nunit = "mm"\nlanguage = "en"\n\n'
        '[reference_plane]\nsays = "the table on which the target lay; heights count from it, towards the camera"\n\n'
        f'[[camera]]\nname = "top"\nsays = "bench camera, {width} × {height} px"\n'
        f"distance_mm = {bench.measured_distance_mm:g}\nu_distance_mm = {world.U_DISTANCE_MM:g}\n"
    )
