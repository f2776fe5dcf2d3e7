"""Relief of 4 × 5 MP pictures, beside a plain loop of the same traffic, NumPy's pseudo-inverse and a bare DCT pair.

    python benchmarks/relief.py [--json] [--rounds 7]

The pictures are 8 bits, a matte bump with noise of 1.5 grey levels. *slopes*: the fused kernel to albedo and slopes
(all lamps used), beside a loop that reads the same 20 MB, converts them, and writes the same 60 MB. *left out*: that
with shadows and highlights judged and left out, and a map of the lamps used. *any*: the kernel for any number of lamps
and for near ones. *integration*: Poisson beside SciPy's dctn and idctn of one picture of the same size and type. *set*:
`relief_of` and all eight pictures. Times are processor times of one thread, the least of some rounds in turn: ratios
hold on a busy machine, the milliseconds on an idle core.
"""

import argparse
import json
import math
import time
from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numba import njit
from scipy import fft

from tiepoint.vision.relief import NAMES, Relief, relief_of, solve
from tiepoint.vision.relief_integrate import integrate
from tiepoint.vision.relief_kernels import solve_four
from tiepoint.vision.relief_lights import Light, Lights, field_of, from_angles, ground_of
from tiepoint.vision.relief_noise import no_surface

ROWS, COLUMNS = 2048, 2448
GOALS = {
    "slopes_over_plain_loop": 1.15,
    "pseudo_inverse_over_slopes": 15.0,
    "integration_over_dct_pair": 1.15,
    "set_ms": 90.0,
}
LIGHTS = Lights(tuple(Light(str(k), from_angles(90 * k, 45)) for k in range(4)))


@njit(cache=True, nogil=True)
def plain_loop(p0, p1, p2, p3, a, b, c):
    rows, cols = p0.shape
    for y in range(rows):
        for x in range(cols):
            v = np.float32(p0[y, x]) + np.float32(p1[y, x]) + np.float32(p2[y, x]) + np.float32(p3[y, x])
            a[y, x] = v
            b[y, x] = v + np.float32(1)
            c[y, x] = v + np.float32(2)


def scene() -> list[Any]:
    """Return four pictures of a bump 10 px high and 400 px wide."""
    y, x = np.mgrid[:ROWS, :COLUMNS].astype(np.float32)
    x, y = x - COLUMNS / 2, y - ROWS / 2
    z = 10 * np.exp(-(x * x + y * y) / (2 * 200**2))
    p, q = -x / 200**2 * z, y / 200**2 * z
    n = np.stack([-p, -q, np.ones_like(p)]) / np.sqrt(1 + p * p + q * q)
    rng = np.random.default_rng(0)
    light = (180 * np.tensordot(np.array(one.direction, np.float32), n, 1) for one in LIGHTS.lights)
    return [np.clip(np.rint(v + rng.normal(0, 1.5, v.shape)), 0, 255).astype(np.uint8) for v in light]


def pseudo_inverse(pictures: list[Any], inverse: Any) -> Any:
    """Return albedo and slopes as NumPy gives them, in single precision."""
    g = inverse @ np.stack(pictures).reshape(4, -1).astype(np.float32)
    return np.sqrt((g * g).sum(axis=0)), -g[0] / g[2], -g[1] / g[2]


def runs() -> dict[str, Callable[[], Any]]:
    """Return what is measured, by name."""
    pictures = scene()
    field = field_of(LIGHTS, (ROWS, COLUMNS), ground_of((ROWS, COLUMNS)))
    pulls, inverse = field.pulls[0, 0], field.inverse[0, 0]
    check = tuple(np.float32(v) for v in no_surface(pulls.astype(float))[:, 0])
    limits = tuple(np.float32(v) for v in (255, 4.5, 7.5, 0.04))
    out = [np.empty((ROWS, COLUMNS), np.float32) for _ in range(3)]
    used, rows = np.empty((ROWS, COLUMNS), np.uint16), tuple(tuple(row) for row in inverse)
    near = Lights(
        tuple(Light(str(k), position_mm=tuple(283 * np.array(one.direction))) for k, one in enumerate(LIGHTS.lights))
    )
    near_field = field_of(near, (ROWS, COLUMNS), ground_of((ROWS, COLUMNS), 0.02))
    found = relief_of(pictures, LIGHTS, register=False)
    assert isinstance(found, Relief)
    noise = np.random.default_rng(1).normal(size=(ROWS, COLUMNS)).astype(np.float32)

    def whole() -> None:
        told = relief_of(pictures, LIGHTS)
        assert isinstance(told, Relief)
        for name in NAMES:
            told.picture(name)

    return {
        "plain_loop": lambda: plain_loop(*pictures, *out),
        "slopes": lambda: solve_four(*pictures, np.float32(0), rows, check, pulls, limits, *out, None),
        "left_out": lambda: solve_four(*pictures, np.float32(0), rows, check, pulls, limits, *out, used),
        "any_near": lambda: solve(tuple(pictures), near_field, 0.0, limits),
        "pseudo_inverse": lambda: pseudo_inverse(pictures, inverse),
        "dct_pair": lambda: fft.idctn(fft.dctn(noise, 2), 2, overwrite_x=True),
        "integration": lambda: integrate(found.slope_x, found.slope_y),
        "set": whole,
    }


def least_ms(measured: dict[str, Callable[[], Any]], rounds: int) -> dict[str, float]:
    """Return the least processor time of each in ms, run in turn."""
    best = dict.fromkeys(measured, math.inf)
    for _ in range(rounds):
        for name, run in measured.items():
            began = time.process_time()
            run()
            best[name] = min(best[name], 1e3 * (time.process_time() - began))
    return best


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--json", action="store_true", help="print one JSON object")
    asked.add_argument("--rounds", type=int, default=7)
    options = asked.parse_args()
    cv2.setNumThreads(1)
    ms = least_ms(runs(), options.rounds)
    told = {
        "ms": ms,
        "slopes_over_plain_loop": ms["slopes"] / ms["plain_loop"],
        "left_out_over_plain_loop": ms["left_out"] / ms["plain_loop"],
        "pseudo_inverse_over_slopes": ms["pseudo_inverse"] / ms["slopes"],
        "integration_over_dct_pair": ms["integration"] / ms["dct_pair"],
        "set_over_dct_pair": ms["set"] / ms["dct_pair"],
        "set_ms": ms["set"],
        "goals": GOALS,
    }
    if options.json:
        print(json.dumps(told, indent=1))
        return
    for name, value in ms.items():
        print(f"{name:>16} {value:8.2f} ms")
    for name in ("slopes_over_plain_loop", "left_out_over_plain_loop", "pseudo_inverse_over_slopes"):
        print(f"{name:>28} {told[name]:6.2f}")
    for name in ("integration_over_dct_pair", "set_over_dct_pair"):
        print(f"{name:>28} {told[name]:6.2f}")
    print("\ngoals:", ", ".join(f"{name}: {value:g}" for name, value in GOALS.items()))


if __name__ == "__main__":
    main()
