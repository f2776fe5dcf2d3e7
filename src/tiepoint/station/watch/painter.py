"""Live detection probability: a current picture is copied, a defect painted into it, and judged off the wire.

Copies are made where pictures are kept, and given to be judged only in a gap of the line: nothing waits, and the next
part is not due before the copy is judged, by the shortest of the last gaps and the longest of the last judgements. One
that finds no such gap is dropped, and counted. Every few copies one has no defect: what is told of it is a false alarm.
"""

import math
import threading
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import TiepointError, UnusableInput
from tiepoint.model.record import Record
from tiepoint.recipe.regions import Path as PathShape
from tiepoint.recipe.regions import Rectangle
from tiepoint.recipe.shots import LoadedShot
from tiepoint.station.accepted import copy_of_recipe, preparation_of
from tiepoint.station.cameras.delivery import Delivery
from tiepoint.station.folder import Station
from tiepoint.station.watch.hold import is_golden
from tiepoint.station.watch.paint import Stroke, painted
from tiepoint.station.watch.table import Defect
from tiepoint.station.watch.tally import CONTROL
from tiepoint.ties.tie import Tie
from tiepoint.vision.full_scale import full_scale

if TYPE_CHECKING:
    from tiepoint.station.duty.loop import Duty

Array = NDArray[np.float64]

GAPS = 20
"""Gaps between parts, and judgements, that are remembered."""
STANDS = 10.0
"""A line stands where so many of its longest gaps have passed without a part."""
PATIENCE_S = 10.0
"""How long a copy waits for a gap before the next one takes its place: it is to be of a current picture."""
BLUR_PX = 0.7
MOST_TIES = 50
INCH_MM = 25.4

Judged = Callable[[str, bool | None], None]


@dataclass(frozen=True, slots=True)
class Copy:
    """A copy that waits for a gap: with the defect of which `name`, and as if a camera had delivered it."""

    name: str
    delivery: Delivery


class Painter:
    """Makes copies (`offer`, on the thread that keeps) and has them judged (`submit`, on the writer's)."""

    def __init__(self, station: Station, blurs: Mapping[str, float], judged: Judged, rng: np.random.Generator) -> None:
        """`blurs`: of pictures, by their roles, in px. `judged` is told the name of a defect and whether it was found,
        None where the copy was not judged.
        """
        self._station, self._table = station, station.table.watch
        self._defects = {defect.name: defect for defect in self._table.defect}
        self._blurs, self._judged, self._rng = dict(blurs), judged, rng
        self._ties: dict[tuple[str, str | None], Tie | None] = {}
        self._due: dict[str, float] = {}
        self._waiting: Copy | None = None
        self._lock = threading.Lock()
        self._is_out = False
        self._arrivals: deque[float] = deque(maxlen=GAPS + 1)
        self._took: deque[float] = deque(maxlen=GAPS)
        self._count, self._made_s = 0, -math.inf
        self.trouble: str | None = None
        """Why the last copy could not be painted, None where it could."""

    def arrived(self, record: Record, now_s: float) -> None:
        """Take note of a part of the line."""
        self._arrivals.append(now_s)
        if record.timings:
            self._took.append(sum(record.timings.values()))

    def wants(self, record: Record, delivery: Delivery, now_s: float) -> str | None:
        """Return the name of the defect that is due to be painted into this part, `CONTROL` for a copy without one."""
        if self._waiting is not None and now_s - self._made_s < PATIENCE_S:
            return None
        if record.verdict != "conforms" or delivery.status != "complete" or not delivery.frames:
            return None
        if is_golden(record, self._table):
            return None  # one part that is shown sixty times is no sixty parts
        rates = {name: one.per_hour for name, one in self._defects.items() if one.variant in (None, record.variant)}
        if self._defects and self._table.control_per_hour > 0:
            rates[CONTROL] = self._table.control_per_hour
        # The one that waits longest: the first would else be the only one where gaps are rare.
        name = min(rates, key=lambda one: self._due.get(one, -math.inf), default=None)
        if name is None or now_s < self._due.get(name, -math.inf):
            return None
        self._made_s, self._due[name] = now_s, now_s + 3600 / rates[name]
        return name

    def offer(self, name: str, record: Record, delivery: Delivery, loaded: LoadedShot) -> None:
        """Make a copy and let it wait for a gap; one that still waits is dropped."""
        defect = self._defects.get(name)
        try:
            pixels = self._pixels(record, loaded, defect)
        except TiepointError as error:
            self.trouble = str(error)
            self._judged(name, None)
            return
        self.trouble = None
        self._count += 1
        frames = tuple(replace(f, data=None, pixels=pixels[f.role]) for f in delivery.frames)
        like = replace(delivery, id=f"copy-{self._count}", frames=frames, variant=record.variant, token=None)
        with self._lock:
            before, self._waiting = self._waiting, Copy(name, like)
        if before is not None:
            self._judged(before.name, None)

    def submit(self, duty: "Duty", now_s: float, deadline_s: float) -> None:
        """Have the copy that waits judged, if the line leaves a gap."""
        if self._waiting is None or self._is_out or len(duty.waiting) or not self.is_gap(now_s, deadline_s):
            return
        with self._lock:
            copy, self._waiting = self._waiting, None
        if copy is None:
            return
        self._is_out = True

        def checked(record: Record) -> None:
            self._is_out = False
            self._told(copy, record)

        duty.came(replace(copy.delivery, taken_mono_ns=round(1e9 * now_s)), checked)

    def is_gap(self, now_s: float, deadline_s: float) -> bool:
        """Whether a copy that is given now will be judged before the next part is due."""
        arrivals = list(self._arrivals)
        gaps = [b - a for a, b in pairwise(arrivals)]
        if not gaps or not self._took:
            return False
        took = 1.5 * max(self._took)
        is_standing = now_s - arrivals[-1] > STANDS * max(gaps) and took < deadline_s / 2
        return is_standing or now_s + took < arrivals[-1] + min(gaps)

    def _told(self, copy: Copy, record: Record) -> None:
        codes = [reading.reason.code for reading in record.readings if reading.reason is not None]
        if not record.readings or any(code.startswith("shot_") for code in codes):
            self._judged(copy.name, None)
            return
        if record.timings:
            self._took.append(sum(record.timings.values()))
        self._judged(copy.name, is_found(record, self._defects.get(copy.name)))

    # --- painting ----------------------------------------------------------------------------------------------------

    def _pixels(self, record: Record, loaded: LoadedShot, defect: Defect | None) -> dict[str, NDArray[np.generic]]:
        pixels = {role: picture.pixels for role, picture in loaded.pictures.items()}
        defect = defect or self._nothing(record)
        if defect is None:
            return pixels
        if defect.reading is not None and all(r.id != defect.reading for r in record.readings):
            raise UnusableInput(
                f"watch.defect {defect.name} is to be found by the reading {defect.reading}, which the part's recipe "
                f"does not give; it gives {', '.join(r.id for r in record.readings[:20])}"
            )
        tie = self._tie(record)
        if tie is None:
            raise UnusableInput(f"watch.defect {defect.name} is in mm, and the part's recipe has no tie; leave it out")
        place, angle = place_of(defect, record, self._rng)
        stroke = stroke_of(defect, angle)
        roles = [role for role in pixels if defect.picture in (None, role)]
        if not roles:
            raise UnusableInput(f"watch.defect {defect.name} is in the picture {defect.picture}, which no shot has")
        for role in roles:
            here = tie.for_sensor(loaded.sensors[role])
            at = here.to_image(place)[0]
            if not np.isfinite(at).all():
                raise UnusableInput(f"watch.defect {defect.name} has places that the picture does not show")
            blur = defect.blur_px or self._blurs.get(role, BLUR_PX)
            jacobian = here.map(at[None], with_sources=False).d_px[0]
            full = full_scale([loaded.pictures[role].grey])
            at_px = float(at[0]), float(at[1])
            pixels[role] = painted(pixels[role], at_px, jacobian, stroke, blur, self._rng, full).pixels
        return pixels

    def _nothing(self, record: Record) -> Defect | None:
        """Return a spot or scratch as bright as what it covers: only its noise is painted. None where none is stated.

        A copy of the very pixels that conformed would conform again, and tell nothing of what painting does.
        """
        like = [
            one for one in self._defects.values()
            if one.kind in ("spot", "scratch") and one.variant in (None, record.variant)
        ]  # fmt: skip
        return like[self._rng.integers(len(like))].model_copy(update={"factor": 1.0}) if like else None

    def _tie(self, record: Record) -> Tie | None:
        key = record.recipe_sha, record.variant
        if key not in self._ties:
            sha = copy_of_recipe(self._station, record.recipe_sha)
            if len(self._ties) >= MOST_TIES:
                self._ties.clear()
            prepared = None if sha is None else preparation_of(self._station, sha).prepared()
            self._ties[key] = None if prepared is None else prepared.job(record.variant).tie
        return self._ties[key]


def is_found(record: Record, defect: Defect | None) -> bool:
    """Whether a copy was told to have a defect: it does not conform, and neither does the reading that is to tell."""
    if record.verdict == "conforms":
        return False
    if defect is None or defect.reading is None:
        return True
    return any(r.id == defect.reading and r.verdict not in (None, "conforms") for r in record.readings)


def stroke_of(defect: Defect, angle_rad: float) -> Stroke:
    """Return what is to be painted for a defect that lies at an angle."""
    if defect.kind == "gap":
        assert defect.path is not None
        return Stroke("gap", defect.size_mm, defect.path.width, angle_rad)
    width = defect.width_mm if defect.kind == "scratch" else defect.size_mm
    return Stroke(defect.kind, defect.size_mm, width, angle_rad, None if defect.kind == "hole" else defect.factor)


def place_of(defect: Defect, record: Record, rng: np.random.Generator) -> tuple[Array, float]:
    """Return a random place of a defect's region (1, 2) in mm of the plane, and its angle there.

    Raises `UnusableInput` where the part that the region lies in was not found.
    """
    place, angle = _own_place(defect, rng)
    if defect.in_ == "plane":
        return place[None], angle
    told = {r.quantity: r for r in record.readings if r.step == defect.in_ and r.value is not None}
    if not {"x", "y", "angle"} <= told.keys():
        raise UnusableInput(f"watch.defect {defect.name} lies in {defect.in_}, which the recipe does not find")
    x, y = (float(told[key].value or 0) * (INCH_MM if told[key].unit == "in" else 1.0) for key in ("x", "y"))
    turn = math.radians(float(told["angle"].value or 0))
    c, s = math.cos(turn), math.sin(turn)
    return np.array([[x + c * place[0] - s * place[1], y + s * place[0] + c * place[1]]]), angle + turn


def _own_place(defect: Defect, rng: np.random.Generator) -> tuple[Array, float]:
    free = rng.uniform(-math.pi, math.pi)
    if defect.points:
        return np.array(defect.points[rng.integers(len(defect.points))], float), 0.0
    if defect.rectangle is not None:
        return _in_rectangle(defect.rectangle, rng), free
    assert defect.path is not None
    if defect.kind == "gap":
        return _on_path(defect.path, rng, 0.0, defect.size_mm / 2)
    return _on_path(defect.path, rng, 1.0, 0.0)[0], free


def _in_rectangle(shape: Rectangle, rng: np.random.Generator) -> Array:
    own = np.array(shape.size) * rng.uniform(-0.5, 0.5, 2)
    c, s = math.cos(math.radians(shape.angle_deg)), math.sin(math.radians(shape.angle_deg))
    turned = np.array([c * own[0] - s * own[1], s * own[0] + c * own[1]])
    return np.asarray(np.array(shape.centre) + turned, float)


def _on_path(shape: PathShape, rng: np.random.Generator, spread: float, inside_mm: float) -> tuple[Array, float]:
    """Return a place on a path, each mm as likely as the next, with the path's direction there.

    No nearer than `inside_mm` to its ends: what lay half beyond them would be no gap of the stated size.
    """
    points = np.array(shape.points, float)
    legs = np.diff(points, axis=0)
    ends = np.cumsum(np.hypot(*legs.T))
    inside = min(inside_mm, ends[-1] / 2)
    at = rng.uniform(inside, ends[-1] - inside)
    k = min(int(np.searchsorted(ends, at)), len(legs) - 1)
    length = float(np.hypot(*legs[k]))
    way = legs[k] / length
    off = spread * shape.width * rng.uniform(-0.5, 0.5)
    return points[k] + way * (at - ends[k] + length) + off * np.array([-way[1], way[0]]), math.atan2(way[1], way[0])
