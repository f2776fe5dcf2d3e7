"""The file side of running a recipe: documents in, records out. What the command line calls.

prepared = prepare(Path("recipes/plate.toml"), variants_path=Path("variants.csv"), variant="left")
for sentence in prepared.warnings: ...                 # what can never conform, said before the first shot
for ran in run_shots(prepared, [Path("shot-0001.png")]):
    ran.record                                         # model.record.Record
    ran.overlay()                                      # an SVG document as text
write_records(Path("out"), records)                    # records.jsonl and records.csv
"""

import math
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import Any

from tiepoint.documents.canonical import sha256
from tiepoint.documents.files import kind_of, read_document
from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.foundation.reasons import FLAGS, Reason, flag, forbidding, in_short
from tiepoint.foundation.sources import Source, Value
from tiepoint.model.record import Record
from tiepoint.model.shot import Shot
from tiepoint.recipe.feature_width import FEATURE_PX
from tiepoint.recipe.foresee import foresee
from tiepoint.recipe.grips import Arm, GripTable, arm_of, riding_of
from tiepoint.recipe.lights import LightsDocument, load_lights
from tiepoint.recipe.lit import Lit, plane_of
from tiepoint.recipe.overlay import Level, overlay_svg
from tiepoint.recipe.recipe import Recipe, Step, load_recipe
from tiepoint.recipe.records import add_record, demand_no_records, record_json, sealed, write_records
from tiepoint.recipe.runner import Clock, Job, Outcome, Seen, run, unread
from tiepoint.recipe.shots import LoadedShot, load_shot, shots_in
from tiepoint.recipe.tables import shown
from tiepoint.recipe.variants import Variant, choose, load_variants
from tiepoint.ties import belt as belts
from tiepoint.ties.document import from_document
from tiepoint.ties.grip import PlanarRobot
from tiepoint.ties.hand_eye_document import hand_eye_from_document
from tiepoint.ties.lean import Lean, lean_of
from tiepoint.ties.move import move
from tiepoint.ties.tie import Tie
from tiepoint.vision.relief import NAMES

__all__ = [
    "Level",
    "Prepared",
    "Ran",
    "add_record",
    "demand_no_records",
    "prepare",
    "record_json",
    "run_shot",
    "run_shots",
    "shots_in",
    "write_records",
]


@dataclass(frozen=True)
class Ran:
    """One shot's record, what each step found, and its overlay when asked for.

    `unreadable`: why the shot could not be read, one of several; then nothing was loaded, and all is unread.
    """

    shot_path: Path
    record: Record
    outcome: Outcome
    loaded: LoadedShot | None
    unreadable: str | None = None

    def overlay(
        self,
        level: Level = "everything",
        solo: str | None = None,
        *,
        role: str | None = None,
        link: str | None = None,
        whole: bool = False,
        most_px: int = 1600,
    ) -> str:
        """Return the overlay as a self-contained SVG document.

        `level`: from which verdict on a step is drawn; `solo`: one step alone. `role`: which picture, the first by
        default. `link`: refer to the picture by this address instead of embedding it, at `most_px` at most. `whole`:
        the whole picture, and not only where something was sought or found.
        """
        if self.loaded is None:
            raise UnusableInput(f"there is no picture to draw over: {self.unreadable}")
        picture = self.loaded.pictures[role or self.record.shot.pictures[0].role]
        return overlay_svg(
            self.outcome, picture.pixels, role=role, level=level, solo=solo, link=link, whole=whole, most_px=most_px
        )


@dataclass(frozen=True)
class Prepared:
    """A recipe with its tie and variants, checked and ready to run.

    `jobs` holds what was prepared, by variant (None: the recipe as it stands).
    """

    recipe_path: Path
    tie: Tie | None
    tie_shas: tuple[str, ...]
    variants: Mapping[str, Variant]
    variant: str | None
    notes: tuple[str, ...]
    lights: LightsDocument | None = None
    jobs: dict[str | None, Job] = field(default_factory=dict)

    @property
    def each(self) -> tuple[str, ...]:
        """The lamps that a shot has a picture of each of; none where shots are single pictures."""
        return () if self.lights is None else self.lights.each

    @property
    def warnings(self) -> tuple[str, ...]:
        """Sentences for standard error: what can never conform, and whatever every record notes."""
        return tuple(dict.fromkeys(n for job in self.jobs.values() for n in job.notes))

    def job(self, shot_variant: str | None) -> Job:
        """Return the job for a shot: for the variant that was asked for, or for the shot's own."""
        name = self.variant or (shot_variant if self.variants else None)
        if name not in self.jobs:
            self.jobs[name] = self._prepared_for(name)
        job = self.jobs[name]
        if self.variant and shot_variant and self.variant != shot_variant:
            raise UnusableInput(
                f"the shot is of variant {shown(shot_variant)}, and {shown(self.variant)} was asked for; leave out "
                "--variant, or sort the shots by variant"
            )
        return job

    def _prepared_for(self, name: str | None) -> Job:
        variant = None if name is None else choose(self.variants, name)
        if variant is not None and not variant.is_for(self.recipe_path):
            raise UnusableInput(
                f"variant {shown(name)} is measured by {shown(variant.recipe)}, not by {self.recipe_path.name}; "
                "run that recipe, or correct the column recipe"
            )
        recipe = load_recipe(self.recipe_path, None if variant is None else variant.columns)
        stated = _stated_height(recipe, variant)
        tie = self.tie if self.tie is None or stated is None else _at(self.tie, stated)
        lean = _lean(recipe, tie)
        if lean is not None and tie is not None:
            tie = lean.tied(tie)
        flags = () if stated is not None or _is_indifferent_to_height(self.tie) else (flag("height_not_stated"),)
        told = tuple(FLAGS[code].sentence for code in flags)
        return Job(
            recipe,
            tie,
            self.tie_shas,
            name,
            software=f"tiepoint {version('tiepoint')}",
            notes=self.notes + told + tuple(f.sentence for f in foresee(recipe, tie) if not f.possible),
            arms=tuple(_arm(grip, self.recipe_path, recipe.head.mm_per_unit) for grip in recipe.grips),
            height=stated or (None if self.tie is None else _own_height(self.tie)),
            lean=lean,
            flags=flags,
            lit=_lit(recipe, self.lights, tie),
        )


def prepare(
    recipe_path: Path,
    *,
    tie_path: Path | None = None,
    lights_path: Path | None = None,
    variants_path: Path | None = None,
    variant: str | None = None,
) -> Prepared:
    """Load and check all that a run rests on. Raises a `TiepointError` with one sentence."""
    if variant is not None and variants_path is None:
        raise UnusableInput(f"the variant {shown(variant)} needs a table to be looked up in; give --variants too")
    variants = {} if variants_path is None else load_variants(variants_path)
    row = None if variant is None else choose(variants, variant, str(variants_path)).columns
    # Where the variant comes with each shot, the head is read by the recipe's first line: its keys are there in all.
    first = next((v.columns for v in variants.values() if v.is_for(recipe_path)), None)
    recipe = load_recipe(recipe_path, row if row is not None else first)
    path, notes = _tie_path(recipe, recipe_path, tie_path)
    tie: Tie | None = None
    shas: tuple[str, ...] = ()
    if path is not None:
        document = _tie_document(path, recipe_path, tie_path is None)
        tie, shas = from_document(document, str(path)), (sha256(document),)
        _check_frames(tie, path)
    lights, of_lights = _lights(recipe, recipe_path, lights_path)
    prepared = Prepared(recipe_path, tie, shas, variants, variant, notes + of_lights, lights)
    names: list[str | None] = [v.name for v in variants.values() if variant is None and v.is_for(recipe_path)]
    for name in names or [None]:
        prepared.job(name)
    return prepared


def run_shots(
    prepared: Prepared,
    shot_paths: Iterable[Path],
    *,
    progress: Callable[[str], None] | None = None,
    clock: Clock | None = time.perf_counter,
) -> Iterator[Ran]:
    """Run the recipe over shots, one `Ran` each, in their order.

    A shot that cannot be read is unread, and the next is looked at; where it is the only one, it raises
    `TiepointError`, since then no work was done.
    """
    paths = list(shot_paths)
    for seq, path in enumerate(paths, 1):
        if progress is not None:
            progress(path.name)
        if len(paths) == 1:
            yield run_loaded(prepared, path, load_shot(path, prepared.each), seq, clock)
        else:
            yield run_shot(prepared, path, seq=seq, clock=clock)


def run_shot(prepared: Prepared, path: Path, *, seq: int = 1, clock: Clock | None = time.perf_counter) -> Ran:
    """Run the recipe over one of several shots; one that cannot be read is unread."""
    try:
        loaded = load_shot(path, prepared.each)
    except TiepointError as error:
        return _unread(prepared, path, str(error), seq)
    return run_loaded(prepared, path, loaded, seq, clock)


def run_loaded(
    prepared: Prepared, path: Path, loaded: LoadedShot, seq: int = 1, clock: Clock | None = time.perf_counter
) -> Ran:
    """Run the recipe over a shot whose pictures are decoded; `path`: what it is called by."""
    outcome = run(prepared.job(loaded.shot.variant), seen_of(loaded), seq=seq, clock=clock)
    return Ran(path, sealed(outcome.record), outcome, loaded)


def _unread(prepared: Prepared, path: Path, why: str, seq: int) -> Ran:
    job = next(iter(prepared.jobs.values()))
    shot = Shot(path.stem, (), status="incomplete")
    record = sealed(unread(job, shot, Reason("shot_unreadable", {"detail": why.rstrip(".")}), seq=seq))
    return Ran(path, record, Outcome(record, ()), None, why)


def seen_of(loaded: LoadedShot) -> Seen:
    """Return a shot's pictures as the runner takes them."""
    grey = {role: picture.grey for role, picture in loaded.pictures.items()}
    colour = {role: p.pixels for role, p in loaded.pictures.items() if p.pixels.ndim == 3}
    return Seen(loaded.shot, grey, loaded.sensors, colour)


def _tie_path(recipe: Recipe, recipe_path: Path, given: Path | None) -> tuple[Path | None, tuple[str, ...]]:
    """Return the tie's file, and the note where another than the recipe's was asked for."""
    if given is not None:
        if not recipe.needs_tie:
            return None, ("The tie that was given is not used: every step of the recipe measures in the image.",)
        if recipe.head.tie is not None and (recipe_path.parent / recipe.head.tie).resolve() == given.resolve():
            return given, ()
        instead = f" instead of the recipe's {shown(recipe.head.tie)}" if recipe.head.tie else ""
        return given, (f"The tie {shown(given.name)} was given on the command line and used{instead}.",)
    if not recipe.needs_tie:
        return None, ()
    if recipe.head.tie is None:
        raise UnusableInput(
            f"{recipe_path.name} measures in the plane and states no tie; give one with --tie, or state tie in it"
        )
    return recipe_path.parent / recipe.head.tie, ()


def _lights(recipe: Recipe, recipe_path: Path, given: Path | None) -> tuple[LightsDocument | None, tuple[str, ...]]:
    """Return the lights, which say what pictures a shot has, and the note where others than the recipe's are used."""
    looking = [s for s in recipe.steps if s.looks_at]
    stated = None if recipe.head.lights is None else recipe_path.parent / recipe.head.lights
    if given is None and stated is None:
        _demand_no_relief(looking, recipe_path)
        return None, ()
    if not looking:
        unused = "The lights that were given are not used: no step of the recipe looks at a picture."
        return None, () if given is None else (unused,)
    if given is None or (stated is not None and stated.resolve() == given.resolve()):
        assert stated is not None
        return load_lights(stated), ()
    instead = f" instead of the recipe's {shown(recipe.head.lights)}" if stated else ""
    return load_lights(given), (f"The lights {shown(given.name)} were given on the command line and used{instead}.",)


def _demand_no_relief(looking: Iterable[Step], recipe_path: Path) -> None:
    for step in looking:
        name = step.looks_at[0] if step.looks_at else None
        if name in NAMES:
            raise UnusableInput(
                f'{recipe_path.name}: step {step.number} "{step.name}" looks at "{name}" of the relief, and there are '
                "no lights to compute it with; give them with --lights, or state lights in the recipe"
            )


def _lit(recipe: Recipe, document: LightsDocument | None, tie: Tie | None) -> Lit | None:
    """Return what the relief of shots is computed with.

    Raises a `TiepointError` where the lamps, or a known step, cannot be read: now, and not at the first shot.
    """
    if document is None:
        return None
    feature = recipe.head.feature
    in_px, in_mm = (feature or FEATURE_PX, None) if tie is None else (FEATURE_PX, feature)
    lit = Lit(document, None if in_mm is None else in_mm * recipe.head.mm_per_unit, in_px)
    step = document.step_pictures
    if tie is None:
        lit.scale(None, 0.0)
        return lit
    if tie.sensor is not None:
        plane = plane_of(tie, shape := (tie.sensor.height_px, tie.sensor.width_px))
        lit.lights(plane, tie.height_mm)
        # A part of the sensor alone lies who knows where on it until a shot says so.
        if step is not None and step[0].shape[:2] == shape:
            lit.scale(plane, tie.height_mm)
    return lit


def _tie_document(path: Path, recipe_path: Path, from_recipe: bool) -> dict[str, Any]:
    """Return what a tie's file holds. Where a recipe names one that is not there, nobody has typed its name."""
    try:
        return read_document(path, "tie")
    except UnusableInput as error:
        if not from_recipe or not isinstance(error.__cause__, FileNotFoundError):
            raise
        raise UnusableInput(
            f"{recipe_path.name} rests on the tie {path}, and there is none; make it with tiepoint tie, correct tie in "
            "the recipe, or give one with --tie"
        ) from error


def _check_frames(tie: Tie, path: Path) -> None:
    if (tie.from_frame, tie.to_frame) != ("image", "plane"):
        raise UnusableInput(
            f"{path.name} is a tie from {tie.from_frame} to {tie.to_frame}; a recipe measures through one from image "
            "to plane"
        )


def _arm(grip: GripTable, recipe_path: Path, unit: float) -> Arm:
    """Return a grip with the robot that its tie or hand-eye leads to; raises a `TiepointError` where that is none."""
    path = recipe_path.parent / grip.robot
    belt = None
    if grip.belt is not None:
        carrier = recipe_path.parent / grip.belt
        belt = belts.from_document(read_document(carrier, "belt"), str(carrier))
    if kind_of(path) == "robot":
        eye = hand_eye_from_document(read_document(path, "robot"), str(path))
        if doubts := forbidding(eye.flags):
            raise UnusableInput(
                f"{path.name} is not a robot to move, since its ± may not hold ({in_short(doubts)}); make it again"
            )
        if grip.plane_z or grip.u_plane_z:
            raise UnusableInput(
                f'the grip "{grip.name}" states plane_z, and {path.name} is a hand-eye, which knows where the plane '
                "lies; leave plane_z and u_plane_z out"
            )
        return arm_of(grip, eye.robot, unit, riding_of(grip, eye), belt)
    label = "Height of the plane in the robot's frame"
    source = Source(f"plane-z:{grip.robot}", label, "B", grip.u_plane_z, "station")
    at = Value(grip.plane_z, {source: 1.0} if grip.u_plane_z > 0 else {})
    robot = PlanarRobot(from_document(read_document(path, "tie"), str(path)), at)
    return arm_of(grip, robot, unit, belt=belt)


def _stated_height(recipe: Recipe, variant: Variant | None) -> Value | None:
    """Return the height of the part's surface in mm as the variant or the recipe states it, None where neither does."""
    head = recipe.head
    if variant is not None and variant.height_mm is not None:
        return height_value(variant.height_mm, _u_height_mm(recipe, variant), f"{head.name}/{variant.name}")
    if head.height is None:
        return None
    return height_value(head.height * head.mm_per_unit, (head.u_height or 0.0) * head.mm_per_unit, head.name)


def _lean(recipe: Recipe, tie: Tie | None) -> Lean | None:
    """Return how the part's surface may lean; None where that is not stated, or nothing is measured in the plane."""
    if tie is None or recipe.head.u_lean_deg == 0:
        return None
    return lean_of(tie, math.radians(recipe.head.u_lean_deg), recipe.head.name)


def _own_height(tie: Tie) -> Value:
    source = Source(f"tie:{tie.id}:height", "Height of the tie's plane", "B", tie.u_height_mm, "tie")
    return Value(tie.height_mm, {source: 1.0} if tie.u_height_mm > 0 else {})


def height_value(height_mm: float, u_height_mm: float, whose: str) -> Value:
    """Return a height as a value: one source for all parts that the statement `whose` is about."""
    source = Source(f"height:{whose}", "Height of the part's surface", "B", u_height_mm, "station")
    return Value(height_mm, {source: 1.0} if u_height_mm > 0 else {})


def _u_height_mm(recipe: Recipe, variant: Variant) -> float:
    """Return the standard uncertainty of a variant's height: its own, or that of the recipe's heights."""
    if variant.u_height_mm is not None:
        return variant.u_height_mm
    if recipe.head.u_height is None:
        raise UnusableInput(
            f"variant {shown(variant.name)} has a height_mm without u_height_mm, and the recipe states no u_height; "
            "state its standard uncertainty, as in 0.02 (0 takes the height as exact)"
        )
    return recipe.head.u_height * recipe.head.mm_per_unit


def _is_indifferent_to_height(tie: Tie | None) -> bool:
    """Whether it does not matter how high the measured edges lie: no plane, or parallel rays."""
    # As `ties.move` has it: a photo of a target that an affine model explains was taken by a telecentric lens.
    return tie is None or (tie.made == "target" and tie.model.startswith("affine"))


def at_height(tie: Tie, height_mm: float, u_height_mm: float, whose: str) -> Tie:
    """Return the tie for a surface at a height; `UnusableInput` where it cannot be moved there."""
    return _at(tie, height_value(height_mm, u_height_mm, whose))


def _at(tie: Tie, height: Value) -> Tie:
    if height.value == tie.height_mm and height.u <= tie.u_height_mm:
        return tie
    try:
        return move(tie, height)
    except UnusableInput as error:
        raise UnusableInput(
            f"the surface of the part is stated at {height.value:g} mm (u {height.u:g} mm), and the tie was made at "
            f"{tie.height_mm:g} mm: {error}"
        ) from error
