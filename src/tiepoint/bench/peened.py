"""Scenes of peened symbols, drawn widely: contrast, blur, slant, damage, texture, lamps near and far.

Readers are judged here and nowhere tuned: each scene follows from its seed and number alone, every factor is drawn by
itself, and a scene tells what was drawn, so that a result can be told by factor. Pictures lie as the plane does: image
+x is plane +x, and a symbol turns upon the face, not the camera.
"""

import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiepoint.bench.marked_symbols import PeenedSymbol, Peening, envelope, peened, square_symbol
from tiepoint.render.camera import perspective, project
from tiepoint.render.relief import Brushed, Coat, Finish, Item, Lobe, Mottle, Surface, surface
from tiepoint.render.relief_grid import Grid
from tiepoint.render.relief_lamps import Lamp, lit, ring
from tiepoint.render.relief_letters import lettering
from tiepoint.render.relief_photo import ReliefExposure, ReliefShot, Sight, take
from tiepoint.render.relief_shapes import Dent, Dot, Groove, Strokes
from tiepoint.render.sensor import EmvaSensor, Picture

Array = NDArray[np.float64]
Range = tuple[float, float]

CHARACTERS = list("ABCDEFGHJKLMNPQRSTUVWXYZ0123456789")
PITCH_MM = 0.4
WORN_DEPTH = 0.1
"""What is left of a dot's depth where the face is worn."""


@dataclass(frozen=True)
class Variety:
    """What scenes are drawn from; lengths on the symbol in pitches (a module's side, 0.4 mm).

    `pitch_px`: px per module. `depth`, `radius`, `place_sd`: of dots, in pitches; wide ones touch. `worn`: the radius
    of a worn disc, in sides of the symbol. `dirt`: what a dirty pit returns, as a share of the face. `tilt_deg`: of
    the camera from straight above. `grey`: what the bare face gives, as a share of full scale. `near_mm`: how far near
    lamps are. Shares say how many scenes have something at all.
    """

    pitch_px: Range = (5.0, 13.0)
    depth: Range = (0.03, 0.22)
    radius: Range = (0.3, 0.55)
    place_sd: Range = (0.0, 0.07)
    missing: Range = (0.0, 0.015)
    worn_share: float = 0.25
    worn: Range = (0.04, 0.1)
    dirty_share: float = 0.25
    dirt: Range = (0.15, 0.6)
    scratched_share: float = 0.4
    dented_share: float = 0.2
    lettered_share: float = 0.3
    tilt_deg: Range = (0.0, 25.0)
    blur_px: Range = (0.5, 1.8)
    grey: Range = (0.12, 0.6)
    albedo: Range = (0.1, 0.6)
    gloss: Range = (0.0, 0.4)
    roughness: Range = (0.12, 0.4)
    brushed_share: float = 0.5
    brushed_slope: Range = (0.01, 0.06)
    mottle_sd: Range = (0.0, 0.3)
    elevation_deg: Range = (25.0, 60.0)
    far_share: float = 0.5
    near_mm: Range = (40.0, 200.0)
    gain_sd: float = 0.01
    moved_share: float = 0.2
    moved_px: Range = (0.05, 0.4)
    gain_dn_per_e: Range = (0.01, 0.08)


@dataclass(frozen=True)
class Traits:
    """What was drawn for one scene, in the units of `Variety`; `modules` a side. `away_mm` is 0 for far lamps."""

    modules: int
    angle_deg: float
    pitch_px: float
    depth: float
    radius: float
    place_sd: float
    missing: float
    worn: float
    dirt: float
    scratches: int
    dents: int
    lettered: bool
    tilt_deg: float
    tilt_azimuth_deg: float
    blur_px: float
    grey: float
    albedo: float
    gloss: float
    roughness: float
    brushed_slope: float
    brush_deg: float
    mottle_sd: float
    elevation_deg: float
    away_mm: float
    moved_px: float
    gain_dn_per_e: float


@dataclass(frozen=True, eq=False)
class PeenedScene:
    """One symbol under four lamps: pictures (h, w) u8 in the lamps' order, what it says, where it lies.

    `corners_px` (4, 2): lower left (where the solid sides meet), lower right, upper right, upper left *of the symbol*.
    """

    number: int
    content: str
    symbol: PeenedSymbol
    shot: ReliefShot
    corners_px: Array
    mm_per_px: float
    traits: Traits

    @property
    def pictures(self) -> tuple[Picture, ...]:
        """The pictures, one per lamp."""
        return self.shot.pictures

    @property
    def lamps(self) -> tuple[Lamp, ...]:
        """Where the lamps are said to be: what a lights.toml would state."""
        return self.shot.lamps

    @property
    def factors(self) -> dict[str, float]:
        """What was drawn, by name."""
        return {name: float(value) for name, value in asdict(self.traits).items()}


def symbols(count: int, seed: int, variety: Variety | None = None) -> Iterator[PeenedScene]:
    """Yield so many scenes of a seed, numbered from 0."""
    for number in range(count):
        yield symbol_scene(number, seed, variety)


def symbol_scene(number: int, seed: int, variety: Variety | None = None) -> PeenedScene:
    """Return one scene; the same seed and number give the same pictures."""
    rng = np.random.default_rng([seed, number])
    content = _content(number, rng)
    traits = _drawn(variety or Variety(), len(square_symbol(content)), rng)
    symbol = _symbol(content, traits, rng)
    sight = _sight(traits, rng)
    face = surface(sight.grid(), _items(symbol, traits, rng), _finish(traits), rng)
    stated = _lamps(traits)
    exposure = ReliefExposure(
        traits.blur_px, _level(face, stated, traits), 0.01, EmvaSensor(gain_dn_per_e=traits.gain_dn_per_e)
    )
    gains = 1 + (variety or Variety()).gain_sd * rng.standard_normal(len(stated))
    real = [replace(each, gain=float(gain)) for each, gain in zip(stated, gains, strict=True)]
    shot = replace(take(face, sight, real, exposure, rng, _shifts(traits, rng)), lamps=stated)
    size = float(len(symbol.modules))
    corners = _on_picture(sight, symbol, np.array([0, size, size, 0]), np.array([0, 0, size, size]))
    return PeenedScene(number, content, symbol, shot, corners, sight.mm_per_px, traits)


def _content(number: int, rng: np.random.Generator) -> str:
    """Return a content that no other number has: digits, letters and digits, or an ISO/IEC 15434 message."""
    kind = int(rng.integers(3))
    if kind == 0:
        return f"{number:06d}" + "".join(map(str, rng.integers(0, 10, int(rng.integers(4, 25)))))
    text = f"{number:05d}" + "".join(rng.choice(CHARACTERS, int(rng.integers(2, 14))).tolist())
    return text if kind == 1 else envelope(f"1P{text}", f"S{int(rng.integers(1, 10**6)):06d}")


def _drawn(variety: Variety, modules: int, rng: np.random.Generator) -> Traits:
    def among(ends: Range) -> float:
        return float(rng.uniform(*ends))

    def sometimes(share: float, ends: Range) -> float:
        value = among(ends)
        return value if rng.random() < share else 0.0

    def some(share: float, most: int) -> int:
        count = int(rng.integers(1, most + 1))
        return count if rng.random() < share else 0

    return Traits(
        modules=modules,
        angle_deg=among((0.0, 360.0)),
        pitch_px=among(variety.pitch_px),
        depth=_evenly_in_ratio(variety.depth, rng),
        radius=among(variety.radius),
        place_sd=among(variety.place_sd),
        missing=among(variety.missing),
        worn=sometimes(variety.worn_share, variety.worn),
        dirt=sometimes(variety.dirty_share, variety.dirt) or 1.0,
        scratches=some(variety.scratched_share, 4),
        dents=some(variety.dented_share, 2),
        lettered=bool(rng.random() < variety.lettered_share),
        tilt_deg=among(variety.tilt_deg),
        tilt_azimuth_deg=among((0.0, 360.0)),
        blur_px=among(variety.blur_px),
        grey=among(variety.grey),
        albedo=among(variety.albedo),
        gloss=among(variety.gloss),
        roughness=among(variety.roughness),
        brushed_slope=sometimes(variety.brushed_share, variety.brushed_slope),
        brush_deg=among((0.0, 180.0)),
        mottle_sd=among(variety.mottle_sd),
        elevation_deg=among(variety.elevation_deg),
        away_mm=sometimes(1 - variety.far_share, variety.near_mm),
        moved_px=sometimes(variety.moved_share, variety.moved_px),
        gain_dn_per_e=_evenly_in_ratio(variety.gain_dn_per_e, rng),
    )


def _evenly_in_ratio(ends: Range, rng: np.random.Generator) -> float:
    return float(np.exp(rng.uniform(*np.log(ends))))


def _symbol(content: str, traits: Traits, rng: np.random.Generator) -> PeenedSymbol:
    """Return the symbol round the frame's origin, worn where it is worn."""
    side = traits.modules * PITCH_MM
    turn = math.radians(traits.angle_deg)
    c, s = math.cos(turn) * side / 2, math.sin(turn) * side / 2
    peening = Peening(
        PITCH_MM,
        traits.radius * PITCH_MM,
        traits.depth * PITCH_MM,
        rim_mm=0.12 * traits.depth * PITCH_MM,
        rim_width_mm=0.15 * PITCH_MM,
        place_sd_mm=traits.place_sd * PITCH_MM,
        size_sd=0.08,
        depth_sd=0.15,
        missing=traits.missing,
    )
    made = peened(content, s - c, -s - c, peening, rng, traits.angle_deg)
    worn_at, reach = rng.uniform(-side / 2, side / 2, 2), traits.worn * side
    return replace(made, dots=tuple(_worn(dot, worn_at, reach) for dot in made.dots))


def _worn(dot: Dot, at: Array, reach_mm: float) -> Dot:
    if math.hypot(dot.x_mm - at[0], dot.y_mm - at[1]) >= reach_mm:
        return dot
    return replace(dot, depth_mm=WORN_DEPTH * dot.depth_mm, rim_mm=WORN_DEPTH * dot.rim_mm)


def _items(symbol: PeenedSymbol, traits: Traits, rng: np.random.Generator) -> list[Item]:
    """Return the dots and what else happened to the face."""
    side, pitch = traits.modules * PITCH_MM, PITCH_MM
    dirt = Coat(traits.dirt, traits.dirt) if traits.dirt < 1 else None
    items = [Item(dot, dirt) for dot in symbol.dots]
    for _ in range(traits.scratches):
        middle, turn = rng.uniform(-side / 2, side / 2, 2), rng.uniform(0, math.pi)
        half = rng.uniform(0.2, 0.8) * side * np.array([math.cos(turn), math.sin(turn)])
        width = float(rng.uniform(0.1, 0.35)) * pitch
        items.append(
            Item(Groove(np.array([middle - half, middle + half]), width, float(rng.uniform(0.05, 0.25)) * width))
        )
    for _ in range(traits.dents):
        x, y = rng.uniform(-side / 2, side / 2, 2).tolist()
        sd = float(rng.uniform(0.5, 2.0)) * pitch
        items.append(Item(Dent(x, y, sd, float(rng.uniform(0.02, 0.08)) * sd)))
    if traits.lettered:
        # Beside the symbol, clear of its quiet zone: engraved at its own angle along its lower side.
        turn = math.radians(traits.angle_deg)
        down = np.array([math.sin(turn), -math.cos(turn)])
        x, y = (symbol.corners_mm[0] + (1.8 + 4.0) * pitch * down).tolist()
        word = "".join(rng.choice(CHARACTERS, 5).tolist())
        strokes = lettering(word, x, y, 4.0 * pitch, traits.angle_deg)
        items.append(Item(Strokes(strokes, 0.25 * pitch, 0.3 * pitch, -traits.depth * pitch)))
    return items


def _finish(traits: Traits) -> Finish:
    lobe = Lobe(traits.roughness, traits.roughness, traits.brush_deg)
    brushed = None
    if traits.brushed_slope:
        # Brushing roughens across itself: gloss is wider there.
        lobe = Lobe(0.7 * traits.roughness, 1.4 * traits.roughness, traits.brush_deg)
        brushed = Brushed(traits.brushed_slope, 3.0 * PITCH_MM, 0.1 * PITCH_MM)
    mottles = (
        Mottle(0.7 * traits.mottle_sd, 0.5 * PITCH_MM, 0.3 * PITCH_MM, traits.brush_deg),
        Mottle(0.7 * traits.mottle_sd, 3.0 * PITCH_MM, 2.0 * PITCH_MM, 0.0),
    )
    return Finish(traits.albedo, traits.gloss, lobe, brushed, mottles if traits.mottle_sd else ())


def _sight(traits: Traits, rng: np.random.Generator) -> Sight:
    """Return the view of the symbol, somewhat off its middle, with room round it."""
    diagonal = math.sqrt(2) * traits.modules * traits.pitch_px
    side_px = math.ceil(1.15 * diagonal + 90)
    focal, distance = 8000.0, 8000.0 * PITCH_MM / traits.pitch_px
    off = rng.uniform(-0.5, 0.5, 2) * 50 * PITCH_MM / traits.pitch_px
    camera = perspective(side_px, side_px, focal).aimed(
        (float(off[0]), float(off[1])),
        distance_mm=distance,
        tilt_deg=traits.tilt_deg,
        azimuth_deg=traits.tilt_azimuth_deg,
    )
    return Sight(camera)


def _lamps(traits: Traits) -> tuple[Lamp, ...]:
    near = {"away_mm": traits.away_mm, "flat": True} if traits.away_mm else {}
    return ring(traits.elevation_deg, span_deg=50.0, leds=3, **near)  # type: ignore[arg-type]


def _level(face: Surface, lamps: tuple[Lamp, ...], traits: Traits) -> float:
    """Return the exposure that gives the bare, even face its grey in the mean of all lamps."""
    even = surface(Grid(0.0, 0.0, 0.1, 2, 2), [], Finish(traits.albedo, traits.gloss, face.lobe))
    return traits.grey / float(np.mean([lit(even, by) for by in lamps]))


def _shifts(traits: Traits, rng: np.random.Generator) -> list[tuple[float, float]]:
    """Return how far each picture after the first has moved: on and on along one way, as a part on a belt does."""
    turn = rng.uniform(0, 2 * math.pi)
    step = traits.moved_px * np.array([math.cos(turn), math.sin(turn)]) / 3
    return [(float(k * step[0]), float(k * step[1])) for k in range(4)]


def _on_picture(sight: Sight, symbol: PeenedSymbol, column: NDArray[np.floating], row: NDArray[np.floating]) -> Array:
    """Return where places of the symbol, in modules from its lower left corner, are in the picture."""
    origin, along, _, up = symbol.corners_mm
    size = len(symbol.modules)
    flat = origin + np.outer(column / size, along - origin) + np.outer(row / size, up - origin)
    return project(sight.camera, np.column_stack([flat, np.zeros(len(flat))]))
