/** Where a pixel lies, read between the nodes of the station's grid while a pointer moves: the twin of `between` of report/tie_grid.py. */
import type { PlaneGrid } from "../../picture/graticule";
import type { Point } from "../../picture/view";

/** The grid as the station gives it, with the half-width at 95 % of each axis. */
export interface PointerGrid extends PlaneGrid {
  readonly U_x: readonly (number | null)[];
  readonly U_y: readonly (number | null)[];
}
export interface Read {
  readonly x: number;
  readonly y: number;
  readonly U_x: number;
  readonly U_y: number;
}

/** Weights of the two nodes before and after a place in a cell (Keys, IEEE Trans. ASSP 29, 1981, a = −1/2). */
function weights(t: number): number[] {
  return [-1, 0, 1, 2].map((k) => {
    const s = Math.abs(t - k);
    if (s <= 1) return (1.5 * s - 2.5) * s * s + 1;
    return s < 2 ? ((-0.5 * s + 2.5) * s - 4) * s + 2 : 0;
  });
}

/** The plane's place of a pixel and its ±; null where the tie has none. */
export function read(grid: PointerGrid, p: Point): Read | null {
  const [u, v] = [(p.x - grid.x0) / grid.step_x, (p.y - grid.y0) / grid.step_y];
  const i = Math.max(1, Math.min(grid.cols - 3, Math.floor(u)));
  const j = Math.max(1, Math.min(grid.rows - 3, Math.floor(v)));
  const [wx, wy] = [weights(u - i), weights(v - j)];
  const between = (values: readonly (number | null)[]) => {
    let sum = 0; // a node without a place is null, which must not count as nought
    for (let r = 0; r < 4; r++) for (let c = 0; c < 4; c++) sum += wy[r]! * wx[c]! * (values[(j + r - 1) * grid.cols + i + c - 1] ?? NaN);
    return sum;
  };
  const told = { x: between(grid.X), y: between(grid.Y), U_x: between(grid.U_x), U_y: between(grid.U_y) };
  return Object.values(told).every(Number.isFinite) ? told : null;
}

/** A value and its U as they are printed while the pointer moves: U with two figures, up, and the value to the same place. */
export function printed(value: number, U: number): { value: string; pm: string } {
  if (!(U > 0)) return { value: value.toFixed(3), pm: "" };
  const digits = Math.max(0, 1 - Math.floor(Math.log10(U)));
  const up = Math.ceil(U * 10 ** digits - 0.05) / 10 ** digits;
  return { value: value.toFixed(digits), pm: up.toFixed(digits) };
}

/** How many times larger than it is the pointer's ellipse is drawn: as the arrows, or less, so that the widest still is a mark. */
export function ellipseTimes(map: { width: number; mm_per_px: number; magnification: number; contours: readonly { U_um: number }[] }): number {
  const widest_px = Math.max(0, ...map.contours.map((c) => c.U_um)) / 1000 / map.mm_per_px;
  if (widest_px === 0) return map.magnification;
  const most = (0.06 * map.width) / widest_px;
  if (most >= map.magnification) return map.magnification;
  const power = 10 ** Math.floor(Math.log10(most));
  return power * (most >= 5 * power ? 5 : most >= 2 * power ? 2 : 1);
}
