"""The uncertainty that a plan's camera would have: its pictures are rendered, and measured by the rooms that measure.

The target is tied, the tie moved to the part's height, and parts are read by a recipe, as at the station itself. The
renderer knows where everything truly is, so that what is foreseen is the stated ± and the true error beside it.
"""

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import TiepointError
from tiepoint.foundation.reasons import Reason
from tiepoint.foundation.sources import Source, Value, constant, measured
from tiepoint.model.decide import Limits, prospect
from tiepoint.model.reading import Reading
from tiepoint.model.shot import Picture as ShotPicture
from tiepoint.model.shot import Shot
from tiepoint.plan import scene
from tiepoint.plan.asked import Asked
from tiepoint.plan.lines_size import SHARE_OF_TOLERANCE
from tiepoint.plan.numbers import as_stated
from tiepoint.plan.sheet import Sheet
from tiepoint.plan.target import lens_to_target_mm
from tiepoint.recipe.recipe import Recipe, read_recipe
from tiepoint.recipe.runner import Job, Seen, run
from tiepoint.render.camera import UnrenderableScene, unproject
from tiepoint.ties.by_target import Setting, tie_by_target
from tiepoint.ties.move import move
from tiepoint.ties.tie import Sensor, Tie
from tiepoint.ties.verdict import U_at

Array = NDArray[np.float64]
Telling = Callable[[int, int, str], None]

LOADS = 5
EDGE = "bevel or burr"
"""What the edge definition of the plan's recipe is called: its name stands in the budget."""
GRID, RIM = 9, 0.04
"""Places by which a field is judged: so many along each side of the picture, from this share of it on."""


@dataclass(frozen=True, slots=True)
class Share:
    """One cause of a ±: its label, and its share of the variance."""

    label: str
    share: float


@dataclass(frozen=True, slots=True)
class Expected:
    """One characteristic over all loads, lengths in mm.

    `U`: the largest stated 95 % half-width. `bias`, `sd`, `worst`: of the true errors. `inside`: how many of the `n`
    values lie within their own U of the truth. `reason`: why there is no value, where one is missing. `possible`:
    whether any part could be shown to conform. `budget`: of the load with the largest U, largest first.
    """

    name: str
    nominal: float
    n: int
    U: float | None
    bias: float | None
    sd: float | None
    worst: float | None
    inside: int
    possible: bool
    smallest_tolerance: float | None
    budget: tuple[Share, ...]
    reason: str = ""


@dataclass(frozen=True, eq=False)
class Foreseen:
    """What the planned camera would deliver.

    `U_place_mm`: of a place, the largest in the tie's region at the part's height; `U_middle_mm` in the middle of the
    picture. `place_rms_mm`, `place_worst_mm`: true errors of places on a grid. `preview` and `target` are the rendered
    pictures.
    """

    good: bool
    never: bool
    sentences: tuple[str, ...]
    scale_mm: float
    U_place_mm: float | None
    U_middle_mm: float | None
    place_rms_mm: float | None
    place_worst_mm: float | None
    model: str
    readings: tuple[Expected, ...]
    preview: NDArray[Any]
    target: NDArray[Any]
    target_says: str


def foresee(sheet: Sheet, *, seed: int = 1, loads: int = LOADS, telling: Telling | None = None) -> Foreseen:
    """Return what the camera of a sheet would deliver over so many loads of its part.

    `telling(done, of, says)` hears of the progress, and ends the work by raising. Raises `UnrenderableScene` where
    that camera cannot be drawn.
    """
    tell = telling or _nothing
    rng = np.random.default_rng(seed)
    world = scene.world_of(as_stated(sheet.asked, sheet.chosen))
    of = loads + 2
    tell(0, of, "Photographing the target")
    photo, target = scene.photographed_target(world, rng)
    says = (
        f"{target.columns} × {target.rows} squares of {target.pitch_mm:g} mm, {target.size_mm[0]:g} "
        f"× {target.size_mm[1]:g} mm, "
        f"on {target.material}"
    )
    tell(1, of, "Tying by the target")
    try:
        tie = _tied(world, photo, target)
    except UnrenderableScene:
        raise
    except TiepointError as error:
        lying = scene.loaded(world, rng)
        preview = scene.photographed_part(world, lying, rng)
        why = (f"The target of this camera cannot be tied: {error}",)
        return Foreseen(False, True, why, world.planned.scale_mm, None, None, None, None, "", (), preview, photo, says)
    found: dict[str, list[tuple[Reading, float]]] = {}
    preview = photo
    for k in range(loads):
        tell(2 + k, of, f"Measuring part {k + 1} of {loads}")
        lying = scene.loaded(world, rng)
        picture = scene.photographed_part(world, lying, rng)
        preview = picture if k == 0 else preview
        for name, reading, truth in _read(world, tie, lying, picture, k):
            found.setdefault(name, []).append((reading, truth))
    expected = tuple(_expected(sheet.asked, name, rows) for name, rows in found.items())
    U_grid, errors = _places(world, tie)
    tell(of, of, "Done")
    good, never, sentences = _verdict(sheet, expected, float(U_grid.max()), float(np.hypot(*errors.T).max()))
    return Foreseen(
        good,
        never,
        sentences,
        world.planned.scale_mm,
        float(U_grid.max()),
        float(U_at(tie, _middle(world))[0]),
        float(np.sqrt((errors**2).sum(axis=1).mean())),
        float(np.hypot(*errors.T).max()),
        tie.model,
        expected,
        preview,
        photo,
        says,
    )


def _nothing(done: int, of: int, says: str) -> None:
    del done, of, says


def _tied(world: scene.World, photo: NDArray[Any], target: Any) -> Tie:
    asked, planned = world.asked, world.planned
    distance = lens_to_target_mm(asked)
    parallel = asked.lens.kind == "telecentric"
    u = asked.lens.stand_off_within_mm / math.sqrt(3)
    stated = Source("distance:plan", "Stand-off of the camera", "B", u, "station", "rectangular")
    setting = Setting(
        distance=None if parallel else measured(distance, stated),
        flatness_mm=scene.flatness_mm(asked),
        optics=asked.lens.kind,
        sensor=Sensor(planned.chosen.columns, planned.chosen.rows),
    )
    return move(tie_by_target([photo], target, setting), _height(asked), optics=asked.lens.kind)


def _height(asked: Asked) -> Value:
    if asked.part.u_height_mm == 0:
        return constant(asked.part.height_mm)
    source = Source("height:plan", "Height of the part", "B", asked.part.u_height_mm, "part")
    return measured(asked.part.height_mm, source)


def _read(
    world: scene.World, tie: Tie, lying: scene.Lying, picture: NDArray[Any], load: int
) -> Iterator[tuple[str, Reading, float]]:
    """Yield name, reading and truth of what a recipe reads of one part."""
    asked = world.asked
    columns, rows = world.planned.chosen.columns, world.planned.chosen.rows
    told = ShotPicture("main", f"{load:064d}", (columns, rows), asked.sensor.bits, f"Mono{asked.sensor.bits}")
    shot = Shot(f"plan-{load}", (told,), part_id=f"{load}")
    seen = Seen(shot, {"main": picture}, {"main": Sensor(columns, rows)})
    recipe = _recipe(world, lying)
    record = run(Job(recipe, tie, height=_height(asked)), seen).record
    truths = {
        "length": max(asked.part.size_mm),
        "width": min(asked.part.size_mm),
        "bore": scene.bore_mm(asked),
    }
    for reading in record.readings:
        if reading.name in truths and reading.quantity in ("width", "diameter"):
            yield reading.name, reading, truths[reading.name]


def _recipe(world: scene.World, lying: scene.Lying) -> Recipe:
    """Return the recipe that reads a part where a find would have found it."""
    asked, part = world.asked, world.asked.part
    long, short, bore = max(part.size_mm), min(part.size_mm), scene.bore_mm(asked)
    rim = min(scene.rim_of(world), (short - bore) / 4)
    bright = part.reflectance > part.ground
    centre = [lying.x_mm, lying.y_mm]
    # Beside the bore, so that it is no edge in the way.
    beside = (short + bore) / 4
    turn = math.radians(lying.angle_deg)
    off = [centre[0] - beside * math.sin(turn), centre[1] + beside * math.cos(turn)]
    aside = (long + bore) / 4
    right = [centre[0] + aside * math.cos(turn), centre[1] + aside * math.sin(turn)]

    def step(
        name: str, kind: str, quantity: str, nominal: float, region: Mapping[str, Any], rising: bool
    ) -> dict[str, Any]:
        limits = {quantity: {"nominal": nominal, "plus": part.tolerance_mm, "minus": part.tolerance_mm}}
        polarity = "rising" if rising else "falling"
        return {"name": name, "kind": kind, "edge": EDGE, "polarity": polarity, "region": region, "limits": limits}

    def box(at: list[float], along: float, across: float, angle: float) -> Mapping[str, Any]:
        return {"rectangle": {"centre": at, "size": [along, across], "angle_deg": angle}}

    ring = {"ring": {"centre": centre, "inner": max(bore / 2 - rim, bore / 6), "outer": bore / 2 + rim}}
    content = {
        "format": "tiepoint/recipe/1",
        "name": "plan",
        "unit": "mm",
        "height": part.height_mm,
        "u_height": part.u_height_mm,
        "edge": {EDGE: {"u": part.u_edge_mm, "scope": "part"}},
        "step": [
            step(
                "length",
                "width",
                "width",
                long,
                box(off, long + 2 * rim, 0.8 * (short - bore) / 2, lying.angle_deg),
                bright,
            ),
            step(
                "width",
                "width",
                "width",
                short,
                box(right, short + 2 * rim, 0.8 * (long - bore) / 2, lying.angle_deg + 90),
                bright,
            ),
            step("bore", "circle", "diameter", bore, ring, bright),
        ],
    }
    return read_recipe(content, "the plan's recipe")


def _expected(asked: Asked, name: str, rows: list[tuple[Reading, float]]) -> Expected:
    nominal = rows[0][1]
    kept = [(r, truth) for r, truth in rows if r.value is not None and r.U95 is not None]
    lost = next((r.reason for r, _ in rows if r.value is None), None)
    why = lost.sentence if isinstance(lost, Reason) else ""
    if not kept:
        return Expected(name, nominal, 0, None, None, None, None, 0, False, None, (), why)
    errors = np.array([float(r.value or 0.0) - truth for r, truth in kept])
    U = np.array([float(r.U95 or 0.0) for r, _ in kept])
    largest = kept[int(U.argmax())][0]
    told = prospect(
        float(largest.u or 0.0),
        float(largest.dof or math.inf),
        Limits(-asked.part.tolerance_mm, asked.part.tolerance_mm),
    )
    return Expected(
        name,
        nominal,
        len(kept),
        float(U.max()),
        float(errors.mean()),
        float(errors.std(ddof=1)) if len(errors) > 1 else None,
        float(np.abs(errors).max()),
        int((np.abs(errors) <= U).sum()),
        told.possible,
        told.smallest_tolerance,
        _budget(largest),
        why,
    )


def _budget(reading: Reading) -> tuple[Share, ...]:
    by_label: dict[str, float] = {}
    for term in reading.sources:
        by_label[term.label] = by_label.get(term.label, 0.0) + (term.c * term.u) ** 2
    total = math.fsum(by_label.values())
    ranked = sorted(by_label.items(), key=lambda item: -item[1])
    return tuple(Share(label, v / total) for label, v in ranked) if total > 0 else ()


def _places(world: scene.World, tie: Tie) -> tuple[Array, Array]:
    """Return U (n,) and the true errors (n, 2), in mm, of places all over the picture, where the tie holds."""
    chosen, height = world.planned.chosen, world.asked.part.height_mm
    x, y = (np.linspace(RIM, 1 - RIM, GRID) * side - 0.5 for side in (chosen.columns, chosen.rows))
    px = np.stack(np.meshgrid(x, y), axis=2).reshape(-1, 2)
    inside = tie.map(px).inside
    px = px[inside] if inside.any() else px
    true = unproject(world.camera, px, height)[:, :2]
    return U_at(tie, px), np.asarray(tie.map(px).xy_mm - true)


def _middle(world: scene.World) -> Array:
    chosen = world.planned.chosen
    return np.array([[(chosen.columns - 1) / 2, (chosen.rows - 1) / 2]])


def _verdict(
    sheet: Sheet, expected: tuple[Expected, ...], U_place: float, worst_place: float
) -> tuple[bool, bool, tuple[str, ...]]:
    tolerance = sheet.asked.part.tolerance_mm
    sentences: list[str] = []
    unread = [e for e in expected if e.U is None or e.reason]
    sentences += [f"The {e.name} could not always be read: {e.reason}" for e in unread]
    read = [e for e in expected if e.U is not None]
    never = not read or any(not e.possible for e in read)
    if not read:
        return False, True, tuple(sentences)
    worst = max(read, key=lambda e: e.U or 0.0)
    U = float(worst.U or 0.0)
    share = 100 * U / tolerance
    mostly = f" Mostly {worst.budget[0].label.lower()} ({100 * worst.budget[0].share:.0f} %)." if worst.budget else ""
    if not worst.possible:
        least = f"{(worst.smallest_tolerance or 0.0) / 2:.2g}"
        sentences.insert(
            0,
            f"No part can ever be shown to conform to ± {tolerance:g} mm: U is {1000 * U:.2g} µm for "
            f"the {worst.name}, and ± {least} mm is the least that could.{mostly}",
        )
    elif share > SHARE_OF_TOLERANCE:
        sentences.insert(
            0,
            f"Not good for ± {tolerance:g} mm: U is {1000 * U:.2g} µm for the {worst.name}, {share:.0f} "
            f"% of the tolerance, and {SHARE_OF_TOLERANCE:g} % are allowed.{mostly}",
        )
    else:
        sentences.insert(
            0,
            f"Good for ± {tolerance:g} mm: the largest U is {1000 * U:.2g} µm, for the {worst.name}, "
            f"{share:.0f} % of the tolerance.{mostly}",
        )
    sentences.append(f"A place is known within {1000 * U_place:.2g} µm everywhere in the field.")
    if worst_place > U_place:
        # A telecentric camera that leans shifts all of a plane above the target's, and no photo of it shows the lean.
        sentences.append(f"Places were up to {1000 * worst_place:.2g} µm off all the same, at the height of the part.")
    good = not never and not unread and share <= SHARE_OF_TOLERANCE and sheet.good
    return good, never, tuple(sentences)


def told_of(foreseen: Foreseen) -> dict[str, Any]:
    """Return what was foreseen as plain data, without the pictures; lengths in mm."""
    names = ("good", "never", "sentences", "scale_mm", "U_place_mm", "U_middle_mm", "place_rms_mm", "place_worst_mm")
    told = {name: getattr(foreseen, name) for name in (*names, "model", "target_says")}
    return {**told, "sentences": list(foreseen.sentences), "readings": [asdict(one) for one in foreseen.readings]}
