import { describe, expect, it } from "vitest";
import { ellipseTimes, printed, read, type PointerGrid } from "./grid";

/** A grid of functions of the pixel, one node beyond the picture on each side. */
function gridOf(X: (x: number, y: number) => number, Y: (x: number, y: number) => number): PointerGrid {
  const [cols, rows, step_x, step_y] = [9, 8, 50, 40];
  const nodes = Array.from({ length: rows * cols }, (_, k) => [(k % cols) * step_x - step_x, Math.floor(k / cols) * step_y - step_y] as const);
  const of = (f: (x: number, y: number) => number) => nodes.map(([x, y]) => f(x, y));
  return { x0: -step_x, y0: -step_y, step_x, step_y, cols, rows, X: of(X), Y: of(Y), U_x: of(() => 0.012), U_y: of((x) => 0.01 + x / 1e5) };
}

describe("a place between the nodes", () => {
  // Keys (1981): with a = −1/2 the cubic convolution gives back polynomials of the second degree exactly.
  const X = (x: number, y: number) => 3 + 0.06 * x - 0.002 * y + 1e-5 * x * x - 2e-6 * x * y;
  const Y = (x: number, y: number) => 80 - 0.06 * y + 4e-6 * y * y;
  const grid = gridOf(X, Y);
  it.each([[0, 0], [10.5, 17.25], [300, 200], [175, 120], [120.3, 199.9]])("is exact for parabolas at %d, %d", (x, y) => {
    const found = read(grid, { x, y })!;
    expect(found.x).toBeCloseTo(X(x, y), 9);
    expect(found.y).toBeCloseTo(Y(x, y), 9);
    expect(found.U_x).toBeCloseTo(0.012, 12);
    expect(found.U_y).toBeCloseTo(0.01 + x / 1e5, 12);
  });
  it("is none where a node is none", () => {
    const holed = { ...grid, X: grid.X.map((v, k) => (k === 2 * grid.cols + 2 ? (null as unknown as number) : v)) };
    expect(read(holed, { x: 60, y: 50 })).toBeNull();
  });
});

describe("what is printed while the pointer moves", () => {
  it.each([
    [97.42216, 0.0082, "97.4222", "0.0082"],
    [97.42216, 0.012, "97.422", "0.012"],
    [5, 1.5, "5.0", "1.5"],
    [1234.5, 23, "1235", "23"],
    [0.5, 0, "0.500", ""],
  ])("%d ± %d", (value, U, text, pm) => {
    expect(printed(value, U)).toEqual({ value: text, pm });
  });
});

describe("the pointer's ellipse", () => {
  const map = { width: 2000, mm_per_px: 0.05, magnification: 30000, contours: [{ U_um: 20 }, { U_um: 80 }] };
  it("is drawn as large as the arrows where it is as small", () => {
    expect(ellipseTimes({ ...map, magnification: 60 })).toBe(60);
  });
  it("is never wider than a mark", () => {
    // 80 µm are 1.6 px, and 6 % of the width are 120 px: 75 times at most, so 50.
    expect(ellipseTimes(map)).toBe(50);
  });
});
