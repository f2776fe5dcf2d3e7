"""How far a tie by target is off where its fit never looked, beside OpenCV on the same pictures.

    python benchmarks/tie_target.py [--views 8] [--patterns charuco checker dots] [--json]

Each view is a 5 MP photograph of a 17 × 12 target (tilt to 25°, distortion to 10 % at the corner, lens centre some
pixels off, blur 0.8 px, noise 1 %), rendered with the optics before the pixels. The error is that of the
predicted pixel at 400 points of the plane that no fit used, rms over both coordinates together. OpenCV calibrates the
same view with its best variant: principal point free, window 9, and the number of radial terms that serves it best
on the unseen points themselves. Times are processor times of one thread, the least of three runs in turn, so that their
ratio holds on a busy machine.
"""

import argparse
import json
import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.sources import constant, stack
from tiepoint.render.camera import Camera, project, with_division_corner
from tiepoint.render.photo import Exposure, photograph
from tiepoint.render.scene import WHITE_PAPER, Scene, target_sheet
from tiepoint.render.sensor import PlainSensor
from tiepoint.targets.draw import Target, grid, new_target, points, shapes
from tiepoint.ties.by_target import Setting, tie_by_target
from tiepoint.ties.kernel import locate, prepare
from tiepoint.ties.tie import Tie

Array = NDArray[np.float64]

WIDTH, HEIGHT = 2448, 2048
PITCH_MM = 6.0
GOALS = {"charuco": 0.002, "checker": 0.002, "dots": 0.004}
TRUE_SCALE = stack([constant(1.0), constant(1.0)])
"""The rendered print is true to scale, and its page is flat: what is left is the tie itself."""


@dataclass(frozen=True)
class View:
    """One photograph with its truth: unseen points in mm and px."""

    target: Target
    picture: NDArray[np.uint8]
    unseen_mm: Array
    unseen_px: Array
    tilt_deg: float
    distortion_percent: float


def view(pattern: str, number: int, views: int) -> View:
    """Return one rendered view; tilt and distortion run over their ranges, the rest is drawn by the number."""
    rng = np.random.default_rng([number, list(GOALS).index(pattern)])
    target = new_target(pattern, PITCH_MM, 17, 12)
    tilt = 25.0 * number / max(views - 1, 1)
    distortion = (-10.0, -5.0, -1.0, 3.0, -7.5, -2.5)[number % 6]
    off = rng.uniform(-12, 12, 2)
    middle = ((WIDTH - 1) / 2 + off[0], (HEIGHT - 1) / 2 + off[1])
    focal = 25.0e3 / 3.45
    camera = with_division_corner(Camera(WIDTH, HEIGHT, (focal, focal), middle), distortion)
    extent = np.array(target.size_mm)
    camera = camera.aimed(
        tuple(extent / 2),
        distance_mm=focal * float(np.max(extent / (WIDTH, HEIGHT))) * 1.16,
        tilt_deg=tilt,
        azimuth_deg=float(rng.uniform(0, 360)),
        roll_deg=float(rng.uniform(-6, 6)),
    )
    exposure = Exposure(blur_px=0.8, sensor=PlainSensor(0.01))
    scene = Scene(WHITE_PAPER, (target_sheet(shapes(target)),))
    picture = photograph(scene, camera, exposure, rng).picture
    _, plane = points(target)
    unseen = rng.uniform(plane.min(axis=0), plane.max(axis=0), (400, 2))
    unseen_px = project(camera, np.column_stack([unseen, np.zeros(len(unseen))]))
    shown = ((unseen_px > 0) & (unseen_px < (WIDTH - 1, HEIGHT - 1))).all(axis=1)
    assert picture.dtype == np.uint8
    return View(target, np.asarray(picture, np.uint8), unseen[shown], unseen_px[shown], tilt, distortion)


def rms(error: Array) -> float:
    """Return the rms length of errors (n, 2)."""
    return math.sqrt(float(np.mean(np.sum(error**2, axis=1))))


def ours(one: View, quick: bool) -> Tie:
    """Return our tie of a view."""
    return tie_by_target([one.picture], one.target, Setting(scale=TRUE_SCALE, flatness_mm=0.0), quick=quick)


def error_over_u(tie: Tie, one: View) -> float:
    """Return the mean of eᵀC⁻¹e/2 at the unseen points: 1 where u is as large as the errors are."""
    there = locate(tie, one.unseen_px)
    error = there.xy_mm - one.unseen_mm
    solved = np.linalg.solve(there.covariance, error[:, :, None])[:, :, 0]
    return float(np.mean(np.sum(error * solved, axis=1))) / 2


def opencv_points(one: View) -> tuple[Array, Array]:
    """Return plane points and pixels as OpenCV finds them, refined with window 9."""
    columns, rows, _ = grid(one.target)
    _, plane = points(one.target)
    if one.target.pattern == "dots":
        blobs = cv2.SimpleBlobDetector_Params()
        blobs.maxArea = 1e5
        found, px = cv2.findCirclesGrid(
            one.picture,
            (columns, rows),
            flags=cv2.CALIB_CB_SYMMETRIC_GRID,
            blobDetector=cv2.SimpleBlobDetector_create(blobs),
        )
        return (plane, _ordered(px[:, 0].astype(float), columns, rows)) if found else (plane[:0], plane[:0])
    if one.target.pattern == "charuco":
        family = getattr(cv2.aruco, f"DICT_{one.target.layout.family.upper()}")
        board = cv2.aruco.CharucoBoard(
            (one.target.columns, one.target.rows),
            PITCH_MM,
            PITCH_MM * one.target.layout.share,
            cv2.aruco.getPredefinedDictionary(family),
        )
        if one.target.layout.first_dark is False:
            board.setLegacyPattern(True)
        px, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(one.picture)
        if ids is None:
            return plane[:0], plane[:0]
        # The board counts its rows from the top.
        down, along = np.divmod(ids.ravel(), columns)
        plane, px = plane[(rows - 1 - down) * columns + along], px.reshape(-1, 1, 2).astype(np.float32)
    else:
        found, px = cv2.findChessboardCorners(one.picture, (columns, rows))
        if not found:
            return plane[:0], plane[:0]
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 1e-4)
    px = cv2.cornerSubPix(one.picture, px, (9, 9), (-1, -1), stop)[:, 0].astype(float)
    return plane, px if one.target.pattern == "charuco" else _ordered(px, columns, rows)


def _ordered(px: Array, columns: int, rows: int) -> Array:
    """Return a grid's points in the order of `points`: from the lower left, row by row upwards."""
    laid = px.reshape(rows, columns, 2)
    if abs(laid[0, -1, 0] - laid[0, 0, 0]) < abs(laid[-1, 0, 0] - laid[0, 0, 0]):
        laid = px.reshape(columns, rows, 2).transpose(1, 0, 2)
    if laid[0, 0, 0] > laid[0, -1, 0]:
        laid = laid[:, ::-1]
    if laid[0, 0, 1] < laid[-1, 0, 1]:
        laid = laid[::-1]
    return laid.reshape(-1, 2)


ZERO_TANGENT = cv2.CALIB_ZERO_TANGENT_DIST
VARIANTS = {
    "free centre, k1": ZERO_TANGENT | cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_FIX_K2 | cv2.CALIB_FIX_K3,
    "free centre, k1 k2": ZERO_TANGENT | cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_FIX_K3,
    "fixed centre, k1": ZERO_TANGENT
    | cv2.CALIB_FIX_ASPECT_RATIO
    | cv2.CALIB_FIX_K2
    | cv2.CALIB_FIX_K3
    | cv2.CALIB_FIX_PRINCIPAL_POINT,
}


def opencv_error(one: View, plane: Array, px: Array, flags: int) -> float:
    """Return OpenCV's error in px at the unseen points; infinite where it found no target."""
    if len(plane) < 20:
        return math.inf
    object_points = np.column_stack([plane, np.zeros(len(plane))]).astype(np.float32)
    # Its plane is right-handed with z away from the camera where y runs down.
    object_points[:, 1] *= -1
    focal = 7246.0
    start = np.array([[focal, 0, (WIDTH - 1) / 2], [0, focal, (HEIGHT - 1) / 2], [0, 0, 1]])
    _, matrix, distortion, turns, shifts = cv2.calibrateCamera(
        [object_points],
        [px.astype(np.float32)],
        (WIDTH, HEIGHT),
        start,
        None,
        flags=flags | cv2.CALIB_USE_INTRINSIC_GUESS,
    )
    unseen = np.column_stack([one.unseen_mm * (1, -1), np.zeros(len(one.unseen_mm))])
    there, _ = cv2.projectPoints(unseen, turns[0], shifts[0], matrix, distortion)
    return rms(there[:, 0] - one.unseen_px)


def opencv_whole(one: View) -> float:
    """Find and calibrate with OpenCV, as a user would: one variant."""
    return opencv_error(one, *opencv_points(one), VARIANTS["free centre, k1"])


def least_ms(runs: dict[str, Callable[[], Any]], rounds: int = 3) -> dict[str, float]:
    """Return the least time of each in ms, run in turn."""
    best = dict.fromkeys(runs, math.inf)
    for _ in range(rounds):
        for name, run in runs.items():
            began = time.process_time()
            run()
            best[name] = min(best[name], 1e3 * (time.process_time() - began))
    return best


def measure(one: View) -> dict[str, Any]:
    """Return errors, calibration and times of one view."""
    quick, full = ours(one, True), ours(one, False)
    plane, px = opencv_points(one)
    theirs = {name: opencv_error(one, plane, px, flags) for name, flags in VARIANTS.items()}
    times = least_ms(
        {
            "opencv": lambda: opencv_whole(one),
            "quick": lambda: ours(one, True),
            "full": lambda: ours(one, False),
        }
    )
    best = min(theirs.values())
    return {
        "pattern": one.target.pattern,
        "tilt_deg": one.tilt_deg,
        "distortion_percent": one.distortion_percent,
        "model": full.model,
        "flags": list(full.flags),
        "quick_px": rms(quick.to_image(one.unseen_mm) - one.unseen_px),
        "full_px": (full_px := rms(full.to_image(one.unseen_mm) - one.unseen_px)),
        "quick_z2": error_over_u(quick, one),
        "full_z2": error_over_u(full, one),
        "opencv_px": best if math.isfinite(best) else None,
        "share_of_opencv": full_px / best,
        **{f"{name}_ms": value for name, value in times.items()},
    }


def probe_ms() -> float:
    """Return the least time for 10,000 probes with joint covariance, in ms."""
    tie = prepare(ours(view("charuco", 3, 6), True))
    pixels = np.random.default_rng(0).uniform(0, (WIDTH, HEIGHT), (10_000, 2))
    return least_ms({"probe": lambda: locate(tie, pixels)}, rounds=30)["probe"]


def summary(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Return worst and pooled figures by pattern."""
    told = {}
    for pattern in dict.fromkeys(row["pattern"] for row in rows):
        mine = [row for row in rows if row["pattern"] == pattern]
        told[pattern] = {
            "goal_px": GOALS[pattern],
            "worst_full_px": max(row["full_px"] for row in mine),
            "worst_quick_px": max(row["quick_px"] for row in mine),
            "error_over_u": math.sqrt(float(np.mean([row["full_z2"] for row in mine]))),
            "worst_share_of_opencv": max(row["share_of_opencv"] for row in mine),
            "pooled_share_of_opencv": math.sqrt(
                sum(row["full_px"] ** 2 for row in mine if row["opencv_px"])
                / max(sum(row["opencv_px"] ** 2 for row in mine if row["opencv_px"]), 1e-12)
            ),
            "quick_over_opencv_time": float(np.median([row["quick_ms"] / row["opencv_ms"] for row in mine])),
            "full_ms": float(np.median([row["full_ms"] for row in mine])),
        }
    return told


def main() -> None:
    """Print the table, or everything as JSON."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--views", type=int, default=8)
    parser.add_argument("--patterns", nargs="+", default=list(GOALS), choices=list(GOALS))
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    ours(view("charuco", 0, 2), False)  # compile
    rows = []
    if not asked.json:
        print("pattern  tilt  dist   full px  quick px  OpenCV px  share  e/u   quick  full  OpenCV ms  model")
    for pattern in asked.patterns:
        for number in range(asked.views):
            row = measure(view(pattern, number, asked.views))
            rows.append(row)
            if not asked.json:
                theirs = f"{row['opencv_px']:9.5f}" if row["opencv_px"] else "     none"
                print(
                    f"{pattern:8s}{row['tilt_deg']:5.1f}{row['distortion_percent']:6.1f}  {row['full_px']:.5f}  "
                    f"{row['quick_px']:.5f}  {theirs}  {row['share_of_opencv']:5.2f}  {math.sqrt(row['full_z2']):4.2f} "
                    f"{row['quick_ms']:6.1f}{row['full_ms']:6.1f}{row['opencv_ms']:8.1f}  {row['model']} "
                    f"{','.join(row['flags'])}",
                    flush=True,
                )
    pooled = math.sqrt(float(np.mean([row["full_z2"] for row in rows])))
    told = {"pooled_error_over_u": pooled, "probe_10000_ms": probe_ms(), "patterns": summary(rows)}
    print(json.dumps({**told, "views": rows} if asked.json else told, indent=1))


if __name__ == "__main__":
    main()
