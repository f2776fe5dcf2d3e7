"""A tie's quality as a map: the screened photo in a collar graduated in mm of the plane, what the fit left over
as magnified arrows, and U as contours in µm.

Arrays in, SVG text out. Picture coordinates count from the centre of the first pixel; the drawing counts from
its corner, and `Paper.place` is the only place where the two meet.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.rounding import short
from tiepoint.report import svg
from tiepoint.report.contours import above, contour
from tiepoint.report.figures import nice_step

Array = NDArray[np.float64]

MAP_WIDTH = 760.0
COLLAR = 34.0
BAR = 6.0
FOOT = 40.0
SHORTEST_ARROW = 5.0
"""In drawing units: a residual that would be drawn shorter is a dot."""


@dataclass(frozen=True)
class TieView:
    """A tie over its photo, sampled: all that the map shows, as arrays.

    `x_px` (n,), `y_px` (m,) are the columns and rows of the samples, the first and last on the picture's border;
    `x_mm`, `y_mm` (m, n) the plane there; `U_um` (m, n) the larger half axis of U at 95 %, also beyond the region
    (so that lines run up to its border), NaN where there is none. `points_px` (k, 2), `residual_px` (k, 2) as seen
    in the picture, `residual_um` (k,) its length in the plane, `unseen` (k,) whether the fit did without the point.
    `limit_um`: up to which U the tie is good enough, None where no tolerance was asked for. `region_px` (r, 2):
    where the tie is valid, a convex polygon; empty: everywhere.
    """

    size_px: tuple[int, int]
    x_px: Array
    y_px: Array
    x_mm: Array
    y_mm: Array
    U_um: Array
    points_px: Array
    residual_px: Array
    residual_um: Array
    unseen: NDArray[np.bool_]
    limit_um: float | None = None
    region_px: Array = field(default_factory=lambda: np.empty((0, 2)))

    @property
    def mm_per_px(self) -> float:
        """Scale in the middle of the picture."""
        row, column = self.x_mm.shape[0] // 2, self.x_mm.shape[1] // 2
        dx = self.x_px[column] - self.x_px[column - 1]
        step_x, step_y = (v[row, column] - v[row, column - 1] for v in (self.x_mm, self.y_mm))
        return float(np.hypot(step_x, step_y) / dx)


@dataclass(frozen=True)
class Paper:
    """From picture pixels to the drawing."""

    size_px: tuple[int, int]

    @property
    def scale(self) -> float:
        """Drawing units a pixel."""
        return MAP_WIDTH / self.size_px[0]

    @property
    def height(self) -> float:
        """Of the picture, in drawing units."""
        return self.size_px[1] * self.scale

    def place(self, px: Array) -> Array:
        """Return drawing coordinates (n, 2) of picture points (n, 2)."""
        return np.asarray((np.asarray(px, float) + 0.5) * self.scale + COLLAR)


@dataclass(frozen=True, slots=True)
class Legend:
    """What the key must say of a map: the arrow of the key, its magnification, the levels of U."""

    key_um: float
    key_length: float
    magnification: float
    levels_um: tuple[float, ...]
    limit_um: float | None
    worst_um: float
    worst: int


def legend(view: TieView) -> Legend:
    """Choose magnification and levels: the longer residuals become arrows of a twentieth of the picture's width."""
    finite = np.isfinite(view.residual_um)
    sizes = np.where(finite, view.residual_um, 0.0)
    long_um = float(np.quantile(sizes, 0.9)) if sizes.size else 1.0
    per_um = MAP_WIDTH / 20 / max(long_um, 1e-9)
    key_um = nice_step(34.0 / per_um * 2, 2)
    mm_per_unit = view.mm_per_px * view.size_px[0] / MAP_WIDTH
    worst = int(np.argmax(sizes)) if sizes.size else -1
    return Legend(
        key_um=key_um,
        key_length=key_um * per_um,
        magnification=per_um * 1000 * mm_per_unit,
        levels_um=_levels(_valid_U(view)),
        limit_um=view.limit_um,
        worst_um=float(sizes.max(initial=0.0)),
        worst=worst,
    )


def map_svg(view: TieView, photo_uri: str, title: str, name: str = "map") -> str:
    """Return the map with its collar and scale bar: a drawing for a page that brings the style sheet.

    `name` sets its ids apart from those of other maps on the page.
    """
    paper = Paper(view.size_px)
    told = legend(view)
    lines, labels = _contours(view, paper, told)
    inside = "".join(
        (
            _photo(paper, photo_uri),
            _graticule(view, paper),
            _within(_not_good(view, paper, f"{name}-hatch") + lines, view, name),
            _region(view, paper, f"{name}-hatch"),
            _axes(view, paper),
            _arrows(view, paper, told),
            labels,
        )
    )
    window = svg.element("rect", x=COLLAR, y=COLLAR, width=MAP_WIDTH, height=paper.height)
    width, height = map_size(view)
    return svg.drawing(
        width,
        height,
        svg.element("title", title),
        svg.element(
            "defs",
            svg.element("clipPath", window, id=f"{name}-window"),
            svg.element("clipPath", svg.element("path", d=_outline(view, paper)), id=f"{name}-region"),
            _hatch(f"{name}-hatch", "not-good"),
        ),
        svg.element("g", inside, clip_path=f"url(#{name}-window)"),
        "".join(_collar(view, paper)),
        _scale_bar(view, paper),
        class_="map",
        role="img",
    )


def map_size(view: TieView) -> tuple[float, float]:
    """Return width and height of the map in drawing units."""
    return MAP_WIDTH + 2 * COLLAR, Paper(view.size_px).height + 2 * COLLAR + FOOT


def _photo(paper: Paper, uri: str) -> str:
    box = {"x": COLLAR, "y": COLLAR, "width": MAP_WIDTH, "height": paper.height}
    return svg.element("rect", class_="paper", **box) + svg.element("image", class_="photo", href=uri, **box)


def _hatch(name: str, class_: str) -> str:
    line = svg.element("path", d="M-3 3L3 -3M0 12L12 0M9 15L15 9", class_=class_)
    return svg.element("pattern", line, id=name, width=12, height=12, patternUnits="userSpaceOnUse")


def _graticule(view: TieView, paper: Paper) -> str:
    lines: list[Array] = []
    for values in (view.x_mm, view.y_mm):
        for level in _multiples(values, step_of(view)):
            lines += contour(view.x_px, view.y_px, values, level)
    return svg.element("path", class_="graticule", d=svg.paths(paper.place(line) for line in lines) or "M0 0")


def step_of(view: TieView) -> float:
    """Return the step in mm of the graticule."""
    span = max(float(np.nanmax(v) - np.nanmin(v)) for v in (view.x_mm, view.y_mm))
    return nice_step(span, 9)


def _multiples(values: Array, step: float) -> Array:
    """Return the multiples (n,) of a step within the range of values."""
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    return np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step


# ---------- uncertainty ----------


def _valid_U(view: TieView) -> Array:
    grid = np.stack(np.meshgrid(view.x_px, view.y_px), axis=2).reshape(-1, 2)
    return view.U_um.ravel()[in_region(view, grid)]


def _levels(U: Array) -> tuple[float, ...]:
    finite = U[np.isfinite(U)]
    if finite.size == 0 or finite.max() <= 0:
        return ()
    # What matters is the shape where the tie is used: the far corners may soar.
    low, high = float(finite.min()), float(np.quantile(finite, 0.985))
    step = nice_step(max(high - low, 0.02 * high), 6)
    return tuple(float(v) for v in _multiples(finite, step) if v <= high + step)


def _is_index(level: float, levels: tuple[float, ...]) -> bool:
    """Every second line is an index line, the even multiples of the step."""
    step = levels[1] - levels[0] if len(levels) > 1 else level
    return round(level / step) % 2 == 0


def contours_of(view: TieView, told: Legend) -> list[tuple[float, str, list[Array]]]:
    """Return level in µm, kind and lines (k, 2) in px of every contour of U; the tolerance's own, `limit`, is last."""
    drawn: list[tuple[float, str, list[Array]]] = []
    for level in told.levels_um:
        if told.limit_um is None or abs(level - told.limit_um) > 0.02 * told.limit_um:
            kind = "contour index" if _is_index(level, told.levels_um) else "contour"
            drawn.append((level, kind, contour(view.x_px, view.y_px, view.U_um, level)))
    if told.limit_um is not None:
        drawn.append((told.limit_um, "contour limit", contour(view.x_px, view.y_px, view.U_um, told.limit_um)))
    return drawn


def _contours(view: TieView, paper: Paper, told: Legend) -> tuple[str, str]:
    """Return the lines of U, and their labels, which stand above everything."""
    halos, inks = [], []
    taken: list[Array] = []
    labels = []
    for level, kind, lines in reversed(contours_of(view, told)):
        placed = [paper.place(line) for line in lines]
        shown = [paper.place(line[in_region(view, line)]) for line in lines]
        if not any(len(line) for line in shown):
            continue
        d = svg.paths(placed)
        halos.append(svg.element("path", class_=f"{kind} halo", d=d))
        inks.append(svg.element("path", class_=kind, d=d))
        labels.append(_label(shown, short(level), "limit" in kind, taken, paper))
    return "".join((*halos, *inks)), "".join(labels)


def _label(lines: list[Array], words: str, limit: bool, taken: list[Array], paper: Paper) -> str:
    place = label_place(lines, taken, paper)
    if place is None:
        return ""
    x, y, angle = place
    turned = f"translate({svg.number(x)} {svg.number(y)}) rotate({svg.number(angle)})"
    return svg.text(0, 4.5, words, class_="contour-label limit" if limit else "contour-label", transform=turned)


def label_place(lines: list[Array], taken: list[Array], paper: Paper) -> tuple[float, float, float] | None:
    """Return x, y and the turn in degrees of a label that rides on the longest line, in drawing units.

    It keeps away from the border and from earlier labels, which are `taken`, and is added to them.
    """
    line = max(lines, key=_length, default=np.empty((0, 2)))
    if len(line) < 4:
        return None
    inset = line[1:-1]
    room = np.min([inset - COLLAR, [COLLAR + MAP_WIDTH, COLLAR + paper.height] - inset], axis=(0, 2))
    others = np.min([np.hypot(*(inset - place).T) for place in taken], axis=0) if taken else np.full(len(inset), 60.0)
    # Labels keep to the lower left, where a map reader looks for them, when there is room.
    corner = np.hypot(*(inset - [COLLAR, COLLAR + paper.height]).T) / (MAP_WIDTH + paper.height)
    best = int(np.argmax(np.minimum(room, 26.0) + np.minimum(others, 60.0) - 20.0 * corner))
    if room[best] < 10:
        return None
    taken.append(inset[best])
    dx, dy = line[min(best + 3, len(line) - 1)] - line[max(best - 1, 0)]
    # Upright lines are labelled to be read from the right, as the figures of the collar are.
    angle = (np.degrees(np.arctan2(dy, dx)) + 100) % 180 - 100
    return float(inset[best][0]), float(inset[best][1]), float(angle)


def _length(line: Array) -> float:
    return float(np.hypot(*np.diff(line, axis=0).T).sum()) if len(line) > 1 else 0.0


def not_good_areas(view: TieView) -> list[Array]:
    """Return closed lines in px whose interior (even-odd) has a U above the limit, or none at all."""
    limit = np.inf if view.limit_um is None else view.limit_um
    if not (_valid_U(view) > limit).any() and np.isfinite(_valid_U(view)).all():
        return []
    level = limit if np.isfinite(limit) else 2 * float(np.nanmax(view.U_um, initial=1.0))
    return above(view.x_px, view.y_px, view.U_um, level)


def _not_good(view: TieView, paper: Paper, hatch: str) -> str:
    d = svg.paths((paper.place(area) for area in not_good_areas(view)), closed=True)
    return svg.element("path", d=d, fill=f"url(#{hatch})", fill_rule="evenodd") if d else ""


def _outline(view: TieView, paper: Paper) -> str:
    width, height = np.array(view.size_px) - 0.5
    whole = np.array([[-0.5, -0.5], [width, -0.5], [width, height], [-0.5, height]])
    return svg.path(paper.place(view.region_px if len(view.region_px) else whole), closed=True)


def _within(drawn: str, view: TieView, name: str) -> str:
    """Return what is said of the tie cut at the border of its region."""
    return svg.element("g", drawn, clip_path=f"url(#{name}-region)") if len(view.region_px) else drawn


def _region(view: TieView, paper: Paper, hatch: str) -> str:
    """Return the border of the region, and everything beyond it hatched."""
    if len(view.region_px) == 0:
        return ""
    border = _outline(view, paper)
    width, height = np.array(view.size_px) - 0.5
    whole = paper.place(np.array([[-0.5, -0.5], [width, -0.5], [width, height], [-0.5, height]]))
    beyond = svg.element("path", d=svg.path(whole, True) + border, fill=f"url(#{hatch})", fill_rule="evenodd")
    return beyond + svg.element("path", class_="region", d=border)


def in_region(view: TieView, px: Array) -> NDArray[np.bool_]:
    """Return which points (n, 2) lie in the region, which is convex."""
    corners = view.region_px
    if len(corners) == 0:
        return np.ones(len(px), bool)
    step = np.roll(corners, -1, axis=0) - corners
    away = px[:, None, :] - corners[None, :, :]
    side = step[:, 0] * away[:, :, 1] - step[:, 1] * away[:, :, 0]
    return np.asarray((side >= 0).all(axis=1) | (side <= 0).all(axis=1))


# ---------- residuals ----------


def arrows_of(view: TieView, told: Legend) -> Array:
    """Return the residuals as they are drawn, vectors (k, 2) in drawing units."""
    per_um = told.key_length / told.key_um
    with np.errstate(invalid="ignore", divide="ignore"):
        unit = view.residual_px / np.hypot(view.residual_px[:, 0], view.residual_px[:, 1])[:, None]
    return np.asarray(np.nan_to_num(unit) * np.nan_to_num(view.residual_um)[:, None] * per_um)


def _arrows(view: TieView, paper: Paper, told: Legend) -> str:
    starts, vectors = paper.place(view.points_px), arrows_of(view, told)
    crosses = "".join(_crosses(starts, view.unseen))
    drawn = [_arrow(start, vector) for start, vector in zip(starts, vectors, strict=True)]
    worst = ""
    if told.worst >= 0 and told.worst_um > 0:
        x, y = starts[told.worst] + vectors[told.worst] / 2
        radius = max(16.0, float(np.hypot(*vectors[told.worst])) / 2 + 8)
        worst = svg.element("circle", class_="worst", cx=float(x), cy=float(y), r=radius)
    return crosses + "".join(drawn) + worst


def _crosses(starts: Array, unseen: NDArray[np.bool_]) -> Iterator[str]:
    for seen_by_fit in (True, False):
        marks = starts[unseen != seen_by_fit]
        if len(marks):
            d = "".join(_cross(x, y, seen_by_fit) for x, y in marks.tolist())
            yield svg.element("path", class_="cross halo", d=d)
            yield svg.element("path", class_="cross" if seen_by_fit else "cross unseen", d=d)


def _cross(x: float, y: float, upright: bool) -> str:
    n = svg.number
    if upright:
        return f"M{n(x - 3.5)} {n(y)}h7M{n(x)} {n(y - 3.5)}v7"
    return f"M{n(x - 2.8)} {n(y - 2.8)}l5.6 5.6m-5.6 0l5.6 -5.6"


def _arrow(start: Array, vector: Array) -> str:
    length = float(np.hypot(*vector))
    if length < SHORTEST_ARROW:
        return svg.element("circle", class_="arrow-dot", cx=float(start[0]), cy=float(start[1]), r=1.6)
    along = vector / length
    across = np.array([-along[1], along[0]])
    tip = start + vector
    neck = tip - along * min(8.0, length)
    shaft = svg.path(np.stack([start, neck]))
    head = svg.path(np.stack([tip, neck + 3.2 * across, neck - 3.2 * across]), closed=True)
    return (
        svg.element("path", class_="arrow halo", d=shaft)
        + svg.element("path", class_="arrow-head", d=head)
        + svg.element("path", class_="arrow", d=shaft)
    )


# ---------- axes, collar, scale ----------


def _axes(view: TieView, paper: Paper) -> str:
    """Return the plane's axes at its origin, where the picture shows it."""
    step = step_of(view)
    ends = [place_in_picture(view, at) for at in ((0.0, 0.0), (step, 0.0), (0.0, step))]
    if any(end is None for end in ends):
        return ""
    origin, *tips = (paper.place(np.array([end]))[0] for end in ends if end is not None)
    drawn = [svg.element("circle", class_="tip", cx=float(origin[0]), cy=float(origin[1]), r=3.4)]
    for tip, name in zip(tips, "xy", strict=True):
        along = (tip - origin) / np.hypot(*(tip - origin))
        across = np.array([-along[1], along[0]])
        drawn.append(svg.element("path", d=svg.path(np.stack([origin, tip]))))
        head = svg.path(np.stack([tip + 8 * along, tip + 4 * across, tip - 4 * across]), closed=True)
        drawn.append(svg.element("path", class_="tip", d=head))
        x, y = tip + 19 * along
        drawn.append(svg.text(float(x), float(y) + 5, name, text_anchor="middle"))
    return svg.element("g", *drawn, class_="axis")


def place_in_picture(view: TieView, mm: tuple[float, float]) -> Array | None:
    """Return the pixel that shows a place of the plane, by linear interpolation in the samples; None if outside."""
    distance = np.hypot(view.x_mm - mm[0], view.y_mm - mm[1])
    if not np.isfinite(distance).any():
        return None
    row, column = np.unravel_index(int(np.nanargmin(distance)), distance.shape)
    r, c = min(max(int(row), 1), distance.shape[0] - 2), min(max(int(column), 1), distance.shape[1] - 2)
    here = np.array([view.x_mm[r, c], view.y_mm[r, c]])
    d_col = np.array([view.x_mm[r, c + 1] - view.x_mm[r, c - 1], view.y_mm[r, c + 1] - view.y_mm[r, c - 1]])
    d_row = np.array([view.x_mm[r + 1, c] - view.x_mm[r - 1, c], view.y_mm[r + 1, c] - view.y_mm[r - 1, c]])
    across, down = np.linalg.solve(np.column_stack([d_col, d_row]), np.array(mm) - here)
    if max(abs(across), abs(down)) > 1.0:
        return None
    width, height = view.x_px[c + 1] - view.x_px[c - 1], view.y_px[r + 1] - view.y_px[r - 1]
    return np.array([view.x_px[c] + across * width, view.y_px[r] + down * height])


def _collar(view: TieView, paper: Paper) -> Iterator[str]:
    """Yield the collar: bars every half step, where the graticule really leaves the picture, and their numbers."""
    step = step_of(view)
    low = COLLAR
    right, bottom = COLLAR + MAP_WIDTH, COLLAR + paper.height
    across = _along(view.x_mm[0], view.y_mm[0])
    down = _along(view.y_mm[:, 0], view.x_mm[:, 0])
    sides = (
        (view.x_px, (view.x_mm, view.y_mm)[across][0], True, low - BAR - 2, low - BAR - 7),
        (view.x_px, (view.x_mm, view.y_mm)[across][-1], True, bottom + 2, bottom + BAR + 15),
        (view.y_px, (view.y_mm, view.x_mm)[down][:, 0], False, low - BAR - 2, low - BAR - 8),
        (view.y_px, (view.y_mm, view.x_mm)[down][:, -1], False, right + 2, right + BAR + 15),
    )
    for at_px, values, horizontal, bar_at, text_at in sides:
        yield from _side(at_px, values, step, horizontal, bar_at, text_at, paper)
    for gap in (0.0, BAR + 4):
        yield svg.element(
            "rect", class_="frame", x=low - gap, y=low - gap, width=MAP_WIDTH + 2 * gap, height=paper.height + 2 * gap
        )
    yield svg.text(4, low - BAR - 7, f"{'yx'[down]}, mm", class_="t quiet")
    yield svg.text(right + COLLAR - 2, low - BAR - 7, f"{'xy'[across]}, mm", class_="t quiet end")


def _along(first: Array, second: Array) -> int:
    """Return 0 if the first coordinate runs along a side, 1 if the picture is turned and the second one does."""
    return int(np.ptp(np.nan_to_num(second)) > np.ptp(np.nan_to_num(first)))


def _side(
    at_px: Array, values: Array, step: float, horizontal: bool, bar_at: float, text_at: float, paper: Paper
) -> Iterator[str]:
    half = step / 2
    order = np.argsort(values)
    cuts = _multiples(values, half)
    where = np.interp(cuts, values[order], at_px[order])
    bounds = np.sort(np.concatenate([at_px[[0, -1]], where]))
    dark = np.floor(np.interp((bounds[1:] + bounds[:-1]) / 2, at_px, values) / half) % 2 == 0
    drawn = (bounds + 0.5) * paper.scale + COLLAR
    for start, end in zip(drawn[:-1][dark].tolist(), drawn[1:][dark].tolist(), strict=True):
        x, y, width, height = (start, bar_at, end - start, BAR) if horizontal else (bar_at, start, BAR, end - start)
        yield svg.element("rect", class_="bar-dark", x=x, y=y, width=width, height=height)
    yield from _numbers(cuts, (where + 0.5) * paper.scale + COLLAR, step, horizontal, text_at, paper)


def _numbers(cuts: Array, places: Array, step: float, horizontal: bool, text_at: float, paper: Paper) -> Iterator[str]:
    end = COLLAR + (MAP_WIDTH if horizontal else paper.height)
    for value, place in zip(cuts.tolist(), places.tolist(), strict=True):
        whole = abs(value / step - round(value / step)) < 1e-6
        # Room for the names of the axes at the corners.
        if not whole or not COLLAR + 12 < place < end - 12 or (horizontal and text_at < COLLAR and place > end - 30):
            continue
        if horizontal:
            yield svg.text(place, text_at, short(value), class_="t middle")
        else:
            turned = f"translate({svg.number(text_at)} {svg.number(place)}) rotate(-90)"
            yield svg.text(0, 0, short(value), class_="t middle", transform=turned)


def _scale_bar(view: TieView, paper: Paper) -> str:
    """Return a scale bar for the middle of the picture."""
    units_per_mm = paper.scale / view.mm_per_px
    step = nice_step(150.0 / units_per_mm, 2)
    length = step * units_per_mm
    y = COLLAR * 2 + paper.height + 4
    dark = svg.element("rect", class_="bar-dark", x=COLLAR, y=y, width=length, height=5)
    frame = svg.element("rect", class_="frame", x=COLLAR, y=y, width=2 * length, height=5)
    numbers = [
        svg.text(COLLAR + k * length, y + 20, short(k * step) + (" mm" if k == 2 else ""), class_="t middle")
        for k in (0, 1, 2)
    ]
    note = svg.text(COLLAR + 2 * length + 34, y + 20, "in the middle of the picture", class_="t quiet narrow-hide")
    return dark + frame + "".join(numbers) + note
