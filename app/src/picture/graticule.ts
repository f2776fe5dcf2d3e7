/** The collar round a picture: where lines of equal x or y leave it, in the unit of a plane or in pixels. */
import type { Box, Point } from "./view";

/** A plane's coordinates on a grid over the picture, as the station gives them; between its points they are taken as bilinear. */
export interface PlaneGrid {
  /** Picture pixels of the first point, and from one to the next. */
  readonly x0: number;
  readonly y0: number;
  readonly step_x: number;
  readonly step_y: number;
  readonly cols: number;
  readonly rows: number;
  /** Row by row. */
  readonly X: readonly number[];
  readonly Y: readonly number[];
}

export interface Tick {
  /** Picture pixels along the side. */
  readonly at: number;
  readonly value: number;
  readonly named: boolean;
}
export type Side = "top" | "bottom" | "left" | "right";

/** The plane's coordinates of a picture point; beyond the grid, its outermost cell goes on. */
export function planeAt(grid: PlaneGrid, p: Point): Point {
  const u = (p.x - grid.x0) / grid.step_x;
  const v = (p.y - grid.y0) / grid.step_y;
  const i = Math.max(0, Math.min(grid.cols - 2, Math.floor(u)));
  const j = Math.max(0, Math.min(grid.rows - 2, Math.floor(v)));
  const k = j * grid.cols + i;
  const between = (values: readonly number[]) => {
    const [a, b, c, d] = [values[k]!, values[k + 1]!, values[k + grid.cols]!, values[k + grid.cols + 1]!];
    const [s, t] = [u - i, v - j];
    return (a * (1 - s) + b * s) * (1 - t) + (c * (1 - s) + d * s) * t;
  };
  return { x: between(grid.X), y: between(grid.Y) };
}

/** A step of 1, 2 or 5 times a power of ten, of which about `many` fit into a length. */
export function stepFor(length: number, many: number): number {
  const rough = Math.abs(length) / many || 1;
  const power = 10 ** Math.floor(Math.log10(rough));
  const first = rough / power;
  return power * (first < 1.5 ? 1 : first < 3.5 ? 2 : first < 7.5 ? 5 : 10);
}

/** The ticks at each half step along a side of what is seen; those at whole steps are named. */
export function ticks(grid: PlaneGrid | null, box: Box, side: Side, step: number): Tick[] {
  const across = side === "top" || side === "bottom";
  const [from, to] = across ? [box.left, box.right] : [box.top, box.bottom];
  const other = { top: box.top, bottom: box.bottom, left: box.left, right: box.right }[side];
  const value = (at: number) => {
    const p = across ? { x: at, y: other } : { x: other, y: at };
    const q = grid === null ? p : planeAt(grid, p);
    return across ? q.x : q.y;
  };
  const parts = 96;
  const half = step / 2;
  const found: Tick[] = [];
  let a = value(from);
  for (let k = 1; k <= parts; k++) {
    const at = from + ((to - from) * k) / parts;
    const b = value(at);
    const [low, high] = [Math.min(a, b), Math.max(a, b)];
    for (let n = Math.ceil(low / half - 1e-9); n * half <= high + 1e-9 * step; n++) {
      const share = b === a ? 1 : (n * half - a) / (b - a);
      if (share < 1e-9 && k > 1) continue; // the part before ended on it
      found.push({ at: at - ((to - from) / parts) * (1 - share), value: n * half + 0, named: n % 2 === 0 });
    }
    a = b;
  }
  return found.sort((one, two) => one.at - two.at);
}
