"""Find a taught shape anywhere in a picture, at any angle, with its pose to a few thousandths of a pixel.

Four steps, each on what the one before left: every place and turn in a view reduced until the shape is some 20 cells
in radius; true directions at half that reduction; edges along the normals in the picture itself; last a fit to the
picture's own pixels across the outline, from which pose, covariance and the share that was seen are told.
"""

import math
from dataclasses import replace

import numpy as np

from tiepoint.foundation.errors import UnusableInput
from tiepoint.foundation.reasons import flag
from tiepoint.vision.seek_edges import fit_places
from tiepoint.vision.seek_maps import directions, reduced, view
from tiepoint.vision.seek_model import (
    ROUND,
    Array,
    Bools,
    FoundShape,
    Picture,
    Pose,
    Projection,
    Sought,
    Taught,
    identity,
)
from tiepoint.vision.seek_near import settle_near
from tiepoint.vision.seek_pose import carry, settle
from tiepoint.vision.seek_search import Turns, peaks, search
from tiepoint.vision.seek_teach import REACH_PX, check_picture, ground_of, noise_of
from tiepoint.vision.seek_told import (
    SEEN_PX,
    Candidate,
    Scene,
    Told,
    laid,
    mark_seen,
    pose_of,
    saturated_share,
    size_of,
    told,
    vector,
)

LEAST_SHARE = 0.45
"""Frozen by proofs/finding.py on other scenes than those that it was judged on."""
LOWEST_SCALE, HIGHEST_SCALE = 0.8, 1.25
CANDIDATES = 8
TURN_CELLS = 1.2
"""How far the rim of the shape moves from one turn that is tried to the next."""
QUICK_PLACES = 160
LIKELY, WORTH, SURE = 0.6, 0.7, 0.6
"""Candidates with so much of the best agreement of directions are looked at, and settled, too; `SURE` is a share."""
REACHES = np.array([6, 3])
HOPELESS = 0.2
"""Where so few places have an edge near, they are asked no further: the share that counts is smaller still."""
CLAIMED = 0.5
SAME_PLACE, SAME_TURN_RAD = 0.25, 0.35
AMBIGUOUS_SHARE = 0.03

Box = tuple[float, float, float, float]


def seek(
    picture: Picture,
    taught: Taught,
    to_px: Projection = identity,
    bounds: Box | None = None,
    *,
    angles: tuple[float, float] = (-math.pi, math.pi),
    scales: tuple[float, float] = (1.0, 1.0),
    most: int = 1,
    least_share: float = LEAST_SHARE,
    ignore: Bools | None = None,
    shift: float = 0.0,
) -> Sought:
    """Return up to `most` places of a shape in a picture (h, w; u8, u16 or f32), those seen best first.

    `bounds` (x0, y0, x1, y1), in ground units, is where the middle of the shape (`Taught.centre`) may lie: anywhere in
    the picture by default. `angles` (rad, from and to) and `scales` limit the pose. `ignore` (h, w) marks pixels that
    nobody may look at. `shift`, in ground units: how far the picture shows edges from where the shape has them, towards
    the bright side. Of turns that a symmetric shape cannot tell, the one nearest to the middle of `angles` is told.
    Raises `UnusableInput` for limits that cannot be met.
    """
    check_picture(picture)
    _check_asked(angles, scales, most, least_share, bounds)
    f = max(1, 1 << round(math.log2(taught.cell / taught.pixel)))
    box = bounds if bounds is not None else _whole(picture, to_px, taught)
    scene, box = _prepared(picture, taught, to_px, box, f, scales[1], ignore, shift)
    if scene is None:
        return Sought((), 0.0, None)
    starts = _coarse(scene, taught, f, box, angles, scales, most)
    free = np.array([True, True, taught.turns != ROUND, scales[1] > scales[0]])
    # What the coarse search's own true directions make far less likely than the best is not looked at.
    likely = [s for k, s in enumerate(starts) if k < most + 2 or s.share > LIKELY * starts[most - 1].share]
    near = sorted((_nearer(scene, taught, start, f, free) for start in likely), key=lambda c: -c.share)
    candidates: list[Candidate] = []
    for k, c in enumerate(near):
        # What is surely found needs one other to be compared with; else two are tried, and whatever else is worth it.
        sure = sum(other.share > SURE for other in candidates)
        if k >= most + (1 if sure >= most else 2) and c.share <= WORTH * near[most - 1].share:
            break
        settled = _on_edges(scene, taught, c.pose, c.sign, free)
        if settled is not None and _allowed(settled.pose, taught, box, angles, scales):
            candidates.append(settled)
    result = _chosen(scene, taught, candidates, free, angles, scales, box, most, least_share)
    return _moved_back(result, scene.corner) if scene.corner != (0.0, 0.0) else result


def _check_asked(
    angles: tuple[float, float], scales: tuple[float, float], most: int, least_share: float, bounds: Box | None
) -> None:
    if not (all(math.isfinite(a) for a in angles) and angles[0] <= angles[1]):
        raise UnusableInput(f"the angles {angles} are no range: give from and to, from first, in rad")
    if not (LOWEST_SCALE - 1e-9 <= scales[0] <= scales[1] <= HIGHEST_SCALE + 1e-9):
        told = f"the scales {scales[0]:g} to {scales[1]:g} cannot be sought"
        raise UnusableInput(f"{told}: choose them between {LOWEST_SCALE:g} and {HIGHEST_SCALE:g}, smaller first")
    if most < 1:
        raise UnusableInput(f"most is {most}; choose 1 or more")
    if not 0.2 <= least_share <= 1:
        raise UnusableInput(f"least_share is {least_share:g}; choose 0.2 to 1: less is seen anywhere")
    if bounds is not None and not (
        all(math.isfinite(v) for v in bounds) and bounds[0] <= bounds[2] and bounds[1] <= bounds[3]
    ):
        raise UnusableInput(f"the bounds {bounds} are no box: give x0, y0, x1, y1, the smaller ones first")


# --- where to look -------------------------------------------------------------------------------------------------


def _whole(picture: Picture, to_px: Projection, taught: Taught) -> Box:
    """Return the box on the ground that the picture shows."""
    rows, cols = picture.shape
    if to_px is identity:
        return 0.0, 0.0, cols - 1.0, rows - 1.0
    x, y = np.linspace(0, cols - 1, 5), np.linspace(0, rows - 1, 5)
    border = np.array([(a, b) for a in x for b in y if a in (0, cols - 1) or b in (0, rows - 1)])
    ground, _ = ground_of(border, to_px, np.array(taught.home[:2]))
    (x0, y0), (x1, y1) = ground.min(axis=0), ground.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def _prepared(
    picture: Picture, taught: Taught, to_px: Projection, box: Box, f: int, scale: float, ignore: Bools | None,
    shift: float,
) -> tuple[Scene | None, Box]:  # fmt: skip
    """Return the part of the picture that the box and the shape reach, reduced; and the box in its coordinates."""
    reach = taught.radius * scale + 2 * taught.cell
    rows, cols = picture.shape
    corner = (0.0, 0.0)
    if to_px is identity:
        # Whole cells are cut off, so that the grid of cells stays.
        x0, y0 = (max(0, int((box[k] - reach) // f) * f) for k in (0, 1))
        x1, y1 = min(cols, math.ceil(box[2] + reach) + 1), min(rows, math.ceil(box[3] + reach) + 1)
        if x1 - x0 < 8 * f or y1 - y0 < 8 * f:
            return None, box
        picture, corner = picture[y0:y1, x0:x1], (float(x0), float(y0))
        ignore = None if ignore is None else ignore[y0:y1, x0:x1]
        box = (box[0] - x0, box[1] - y0, box[2] - x0, box[3] - y0)
    if min(picture.shape) < 8 * f:
        return None, box
    near = max(f // 2, 1)
    levels = {near: reduced(picture, near)}
    if f > near:
        levels[f] = reduced(levels[near], 2)
    return Scene(picture, levels, to_px, noise_of(picture), ignore, corner, shift), box


def _turns(taught: Taught, angles: tuple[float, float], scales: tuple[float, float]) -> Turns:
    step = TURN_CELLS * taught.cell / (taught.radius * math.sqrt(scales[0] * scales[1]))
    span = angles[1] - angles[0]
    if taught.turns == ROUND:
        angle = np.array([(angles[0] + angles[1]) / 2])
    else:
        span = min(span, math.tau / taught.turns)
        middle = (angles[0] + angles[1]) / 2
        count = max(1, math.ceil(span / step))
        ends = span < math.tau / taught.turns
        steps = (
            np.linspace(-span / 2, span / 2, count + 1) if ends else (np.arange(count) + 0.5) * span / count - span / 2
        )
        angle = middle + steps
    sizes = max(1, math.ceil(math.log(scales[1] / scales[0]) * taught.radius / taught.cell) + 1)
    scale = np.geomspace(scales[0], scales[1], sizes) if scales[1] > scales[0] else np.array([scales[0]])
    sign = np.array([1.0]) if taught.signed else np.array([1.0, -1.0])
    a, s, g = (m.ravel() for m in np.meshgrid(angle, scale, sign, indexing="ij"))
    return Turns(a, s, g)


def _coarse(
    scene: Scene, taught: Taught, f: int, box: Box, angles: tuple[float, float], scales: tuple[float, float], most: int
) -> list[Candidate]:
    reach = math.ceil(taught.radius * scales[1] / taught.cell) + 1
    margin = reach * taught.cell
    around = (box[0] - margin, box[1] - margin, box[2] + margin, box[3] + margin)
    seen = view(scene.levels, f, taught.cell, around, scene.to_px)
    if min(seen.cells.shape) < 4:
        return []
    hidden = None
    if scene.mask is not None:
        covered = view({f: reduced(scene.mask.astype(np.uint8), f)}, f, taught.cell, around, scene.to_px)
        hidden = ~(covered.cells < 0.25)
    shown = directions(seen.cells, reach, hidden)
    turns = _turns(taught, angles, scales)
    rows, cols = seen.cells.shape
    c0, r0 = (max(0, math.floor((box[k] - o) / seen.cell)) for k, o in ((0, seen.x0), (1, seen.y0)))
    c1 = min(cols, math.ceil((box[2] - seen.x0) / seen.cell) + 1)
    r1 = min(rows, math.ceil((box[3] - seen.y0) / seen.cell) + 1)
    if c1 <= c0 or r1 <= r0:
        return []
    about = taught.coarse - np.array([*taught.centre, 0.0, 0.0])
    best, which, first = search(shown, about, taught.cell, turns, (r0, c0, r1, c1))
    step = TURN_CELLS * taught.cell / taught.radius
    got = peaks(
        best, which, first, turns, shown.unit, about, taught.cell,
        step=step, far=3.0, symmetry=taught.turns, most=CANDIDATES + 3 * (most - 1),
    )  # fmt: skip
    starts = []
    for row, col, angle, turn, score in zip(got.row, got.col, got.angle, got.turn, got.score, strict=True):
        x, y = seen.x0 + col * seen.cell, seen.y0 + row * seen.cell
        pose = _about_centre(taught, float(x), float(y), float(angle), float(turns.scale[turn]))
        starts.append(Candidate(pose, float(turns.sign[turn]), float(score)))
    return starts


def _about_centre(taught: Taught, x: float, y: float, angle: float, scale: float) -> Pose:
    """Return the pose that puts the shape's centre at (x, y)."""
    dx, dy = Pose(0.0, 0.0, angle, scale).linear @ taught.centre
    return Pose(x - float(dx), y - float(dy), angle, scale)


# --- candidates ----------------------------------------------------------------------------------------------------


def _nearer(scene: Scene, taught: Taught, start: Candidate, f: int, free: Bools) -> Candidate:
    """Return a coarse candidate moved to where true directions agree best, with their mean cosine."""
    step = taught.cell / taught.radius
    near = max(f // 2, 1)
    cells = scene.levels[near]
    v = vector(start.pose)
    ground, normals, px, jac = laid(scene, taught.near, start.pose, start.sign)
    turns = np.array([-1.0, -0.5, 0.0, 0.5, 1.0]) * step if free[2] else np.zeros(1)
    sizes = np.array([-0.5, 0.0, 0.5]) * step if free[3] else np.zeros(1)
    least = (6.0 * scene.noise / near) ** 2
    score = settle_near(cells, float(near), px, jac, ground, normals, v, turns, sizes, least)
    return Candidate(pose_of(v), start.sign, float(score))


def _on_edges(scene: Scene, taught: Taught, pose: Pose, sign: float, free: Bools) -> Candidate | None:
    chosen = np.linspace(0, len(taught.points) - 1, min(QUICK_PLACES, len(taught.points))).astype(int)
    ground, normals, px, jac = laid(scene, taught.features[chosen], pose, sign)
    n = len(ground)
    v, off = vector(pose), np.empty(n)
    start = v.copy()
    share = settle(scene.picture, px, jac, ground, normals, v, free, REACHES, HOPELESS, 2.5 * scene.noise, off)
    if share == 0.0 or not abs(v[3]) < 1:
        return None
    if share < HOPELESS:
        return Candidate(pose_of(v), sign, float(share))
    # The share that counts asks each place for one clean step; half of the places tell it well enough.
    places, across, asked = np.empty((n, 2)), np.empty((n, 2)), np.empty((n // 2, 6))
    carry(px, jac, ground, normals, start, v, places, across)
    blur = fit_places(scene.picture, places[1::2], across[1::2], off[1::2], 1.0, REACH_PX, scene.noise, asked)
    seen = np.empty(len(asked), np.bool_)
    mark_seen(asked, scene.noise, seen)
    seen &= np.abs(asked[:, 0]) <= SEEN_PX
    return Candidate(pose_of(v), sign, float(seen.mean()), float(blur))


def _allowed(pose: Pose, taught: Taught, box: Box, angles: tuple[float, float], scales: tuple[float, float]) -> bool:
    """Whether a settled pose still lies within what was asked, give or take a step of the coarse search."""
    slack = taught.cell
    x, y = pose.place(taught.centre[None])[0]
    inside = box[0] - slack <= x <= box[2] + slack and box[1] - slack <= y <= box[3] + slack
    sized = scales[0] * 0.98 <= pose.scale <= scales[1] * 1.02
    return bool(inside and sized and _turned_into(pose.angle, taught, angles) is not None)


def _turned_into(angle: float, taught: Taught, angles: tuple[float, float]) -> float | None:
    """Return the equal turn that is nearest to the middle of `angles`; None where it lies beyond them."""
    middle, half = (angles[0] + angles[1]) / 2, (angles[1] - angles[0]) / 2
    if taught.turns == ROUND:
        return middle
    period = math.tau / taught.turns
    told = middle + (angle - middle + period / 2) % period - period / 2
    return told if abs(told - middle) <= half + 1.5 * taught.cell / taught.radius else None


# --- results -------------------------------------------------------------------------------------------------------


def _chosen(
    scene: Scene,
    taught: Taught,
    candidates: list[Candidate],
    free: Bools,
    angles: tuple[float, float],
    scales: tuple[float, float],
    box: Box,
    most: int,
    least_share: float,
) -> Sought:
    fitted: list[Told] = []
    others: list[tuple[Pose, float]] = []
    for c in sorted(candidates, key=lambda c: -c.share):
        enough = sorted((t.share for t in fitted), reverse=True)[most - 1 : most]
        one = None
        if any(_same_place(c.pose, t.pose, taught) for t in fitted):
            continue  # two starts that settled at one place
        if not fitted or c.share >= max(0.6 * least_share, 0.8 * enough[0] if enough else 0.0):
            one = told(scene, taught, c, free)
        if one is None:
            others.append((c.pose, c.share))
        else:
            fitted.append(_turned_best(scene, taught, one, free, angles, scales, box))
    fitted.sort(key=lambda t: -t.share)
    kept: list[Told] = []
    for one in fitted:
        enough_seen = len(kept) < most and one.share >= least_share
        if enough_seen and not any(_same_place(one.pose, k.pose, taught) or _claims(one, k, taught) for k in kept):
            kept.append(one)
        else:
            others.append((one.pose, one.share))
    best = (fitted[0].pose, fitted[0].share) if fitted else max(others, key=lambda o: o[1], default=(None, 0.0))
    rest = [share for pose, share in others if not any(_same_place(pose, k.pose, taught) for k in kept)]
    runner_up = max(rest, default=0.0)
    found = tuple(_result(scene, taught, one, runner_up, angles, free) for one in kept)
    return Sought(found, best[1], best[0])


def _turned_best(
    scene: Scene, taught: Taught, one: Told, free: Bools, angles: tuple[float, float], scales: tuple[float, float],
    box: Box,
) -> Told:  # fmt: skip
    """Try the turns that the shape may be mistaken at; return the best, with the shares of the others."""
    if not len(taught.alike):
        return one
    others: list[tuple[float, Told]] = []
    for ax, ay, turn, _ in taught.alike:
        pose = one.pose.after(float(ax), float(ay), float(turn))
        if not _allowed(pose, taught, box, angles, scales):
            continue
        tried = told(scene, taught, Candidate(pose, one.sign, 0.0), free)
        if tried is not None:
            others.append((float(turn), tried))
    best = max([(0.0, one), *others], key=lambda o: o[1].share)
    if best[1] is one:
        return replace(one, alike=tuple((t, o.share) for t, o in others))
    turn0 = best[0]
    alike = [(-turn0, one.share), *((t - turn0, o.share) for t, o in others if o is not best[1])]
    return replace(best[1], alike=tuple(alike))


def _same_place(one: Pose, other: Pose, taught: Taught) -> bool:
    """Whether two poses are the same place at the same angle, up to equal turns, give or take a quarter radius."""
    a, b = (pose.place(taught.centre[None])[0] for pose in (one, other))
    if float(np.hypot(*(a - b))) > max(2 * taught.cell, SAME_PLACE * taught.radius):
        return False
    if taught.turns == ROUND:
        return True
    period = math.tau / taught.turns
    turn = (one.angle - other.angle) % period
    return min(turn, period - turn) < SAME_TURN_RAD


def _claims(one: Told, better: Told, taught: Taught) -> bool:
    """Whether most of what was seen of one are edges that a better one explains."""
    mine, theirs = one.edges.ground[one.edges.seen], better.edges.ground[better.edges.seen]
    apart = (mine[:, None, :] - theirs[None]) / taught.pixel
    near = (apart**2).sum(axis=2).min(axis=1) < 3.0**2
    return bool(near.mean() > CLAIMED)


def _result(
    scene: Scene, taught: Taught, one: Told, rejected: float, angles: tuple[float, float], free: Bools
) -> FoundShape:
    told = _turned_into(one.pose.angle, taught, angles)
    pose = one.pose
    if told is not None and abs(told - pose.angle) > 1e-12:
        pose = pose.after(*taught.equal_move(told - pose.angle)) if taught.turns != 1 else replace(pose, angle=told)
    doubtful = [t for t, share in one.alike if share > one.share - AMBIGUOUS_SHARE]
    runner = max([rejected, *(share for _, share in one.alike)])
    known = taught.turns != ROUND
    ambiguous = tuple(sorted({*taught.equal_turns, *(t % math.tau for t in doubtful)}))
    flags = []
    if doubtful:
        flags.append(flag("angle_ambiguous"))
    if one.blur > 3:
        flags.append(flag("blurred"))
    if saturated_share(scene.picture, one.edges) > 0.02:
        flags.append(flag("saturated"))
    inverted = one.sign < 0
    cov = one.cov
    if pose is not one.pose and taught.turns != 1:
        cov = _cov_elsewhere(cov, one.pose, pose)
    size = size_of(scene, taught, one, free)
    return FoundShape(
        pose, cov, one.share, runner / one.share, ambiguous, known, inverted, one.rms, one.blur, tuple(flags),
        one.edges, size,
    )  # fmt: skip


def _cov_elsewhere(cov: Array, old: Pose, new: Pose) -> Array:
    """Carry a covariance to the pose whose origin is another point of the same body."""
    dx, dy = new.x - old.x, new.y - old.y
    G = np.eye(4)
    G[:2, 2] = -dy, dx
    G[:2, 3] = dx / old.scale, dy / old.scale
    return np.asarray(G @ cov @ G.T)


def _moved_back(result: Sought, corner: tuple[float, float]) -> Sought:
    """Return results of a cut-out picture in the coordinates of the whole."""
    shift = np.array(corner)

    def moved(pose: Pose) -> Pose:
        return Pose(pose.x + corner[0], pose.y + corner[1], pose.angle, pose.scale)

    found = tuple(
        replace(f, pose=moved(f.pose), edges=replace(f.edges, ground=f.edges.ground + shift, px=f.edges.px + shift))
        for f in result.found
    )
    return Sought(found, result.best_share, moved(result.best_pose) if result.best_pose else None)
