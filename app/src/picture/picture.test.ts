import { expect, test } from "vitest";
import { planeAt, stepFor, ticks, type PlaneGrid } from "./graticule";
import { applied, dragged, handles, inverse, outlines, type Pair, type Shape } from "./shapes";
import { covers, lastLevel, levelFor, tilesOf } from "./tiles";
import { clamped, isWhole, panned, seen, toMap, toPicture, whole, zoomed } from "./view";

const picture = { width: 2448, height: 2048 };
const map = { width: 800, height: 600 };

test("a whole picture fits, and its outermost pixels' edges are seen", () => {
  const view = whole(picture, map);
  const box = seen(view, picture, map);
  expect([box.left, box.top, box.right, box.bottom]).toEqual([-0.5, -0.5, 2447.5, 2047.5]);
});

test("a picture shows whole until one looks closer, and once one has gone all the way back", () => {
  const close = zoomed(whole(picture, map), 1.2, { x: 100, y: 100 }, picture, map);
  expect([isWhole(whole(picture, map), picture, map), isWhole(close, picture, map)]).toEqual([true, false]);
  expect(isWhole(zoomed(close, 0.1, { x: 700, y: 20 }, picture, map), picture, map)).toBe(true);
});

test("zooming keeps what lies under the pointer, away from the picture's edges", () => {
  const at = { x: 420, y: 290 };
  let view = whole(picture, map);
  for (const factor of [1.7, 2.5, 3, 0.6]) {
    const before = toPicture(view, map, at);
    view = zoomed(view, factor, at, picture, map);
    const after = toPicture(view, map, at);
    expect(after.x).toBeCloseTo(before.x, 6);
    expect(after.y).toBeCloseTo(before.y, 6);
  }
});

test("map and picture are each other's inverse, and no pan leaves the picture", () => {
  let view = zoomed(whole(picture, map), 8, { x: 100, y: 100 }, picture, map);
  const p = { x: 123.4, y: 77.7 };
  expect(toPicture(view, map, toMap(view, map, p)).x).toBeCloseTo(p.x, 9);
  for (let k = 0; k < 50; k++) view = panned(view, 500, 500, picture, map);
  expect(seen(view, picture, map).left).toBe(-0.5);
  expect(clamped(view, picture, map)).toEqual(view);
});

test("the tiles of a level cover all that is seen, each pixel once", () => {
  for (const scale of [0.3, 1, 2.2]) {
    const view = clamped({ x: 1800, y: 300, scale }, picture, map);
    const level = levelFor(scale, picture, 1);
    const tiles = tilesOf(view, picture, map, level);
    const box = seen(view, picture, map);
    for (let k = 0; k < 400; k++) {
      const x = box.left + ((box.right - box.left) * ((k * 37) % 400)) / 400;
      const y = box.top + ((box.bottom - box.top) * ((k * 91) % 400)) / 400;
      const holding = tiles.filter((tile) => {
        const c = covers(tile, picture);
        return c.left <= x && x < c.right && c.top <= y && y < c.bottom;
      });
      expect(holding.length).toBe(1);
    }
  }
});

test("the last level is one tile", () => {
  for (const size of [picture, { width: 12000, height: 8400 }, { width: 300, height: 200 }, { width: 513, height: 1 }]) {
    expect(tilesOf(whole(size, map), size, map, lastLevel(size)).length).toBe(1);
  }
});

const grid: PlaneGrid = {
  x0: 0, y0: 0, step_x: 100, step_y: 100, cols: 3, rows: 3,
  X: [0, 10, 20, 1, 11, 21, 2, 12, 22],
  Y: [20, 20, 20, 10, 10, 10, 0, 0, 0],
};

test("a plane's coordinates are those of its grid, and between its points", () => {
  expect(planeAt(grid, { x: 100, y: 100 })).toEqual({ x: 11, y: 10 });
  expect(planeAt(grid, { x: 150, y: 50 })).toEqual({ x: 15.5, y: 15 });
});

test("ticks lie where the plane's lines leave the picture", () => {
  const box = { left: 0, top: 0, right: 200, bottom: 200 };
  expect(ticks(grid, box, "top", 10).map((t) => [Math.round(t.at), t.value, t.named])).toEqual([
    [0, 0, true], [50, 5, false], [100, 10, true], [150, 15, false], [200, 20, true],
  ]);
  for (const tick of ticks(grid, box, "bottom", 10)) expect(planeAt(grid, { x: tick.at, y: 200 }).x).toBeCloseTo(tick.value, 6);
  expect(ticks(grid, box, "left", 10).map((t) => t.value)).toEqual([20, 15, 10, 5, 0]);
});

test("steps are round", () => expect([stepFor(118, 6), stepFor(1, 6), stepFor(2448, 6)]).toEqual([20, 0.2, 500]));

const shapes: Shape[] = [
  { kind: "rectangle", centre: [10, 5], size: [8, 4], angle_deg: 30 },
  { kind: "ring", centre: [1, 2], inner: 1.5, outer: 3 },
  { kind: "arc", centre: [0, 0], radius: 5, width: 1, from_deg: 20, to_deg: 110 },
  { kind: "polygon", points: [[0, 0], [4, 0], [4, 3]] },
  { kind: "path", points: [[0, 0], [4, 0], [4, 3]], width: 0.5 },
];
const by: Pair = [0.21, -0.13];

test("corners, points and the middle follow the hand", () => {
  for (const shape of shapes) {
    for (const [name, at] of handles(shape)) {
      if (!/^(corner|point|middle)/.test(name)) continue;
      const after = handles(dragged(shape, name, by)).get(name)!;
      expect(after[0]).toBeCloseTo(at[0] + by[0], 9);
      expect(after[1]).toBeCloseTo(at[1] + by[1], 9);
    }
  }
});

test("a handle that is not moved changes nothing, and an unknown one neither", () => {
  for (const shape of shapes) {
    for (const name of handles(shape).keys()) {
      if (name.startsWith("between")) continue; // a point comes in there
      const after = handles(dragged(shape, name, [0, 0]));
      for (const [other, at] of handles(shape)) at.forEach((v, k) => expect(after.get(other)![k]).toBeCloseTo(v, 9));
    }
    expect(dragged(shape, "origin", by)).toBe(shape);
  }
});

test("a side that is dragged leaves the opposite one where it was", () => {
  const still = handles(shapes[0]!).get("side -x")!;
  const after = handles(dragged(shapes[0]!, "side +x", [3, 1])).get("side -x")!;
  expect(after[0]).toBeCloseTo(still[0], 9);
  expect(after[1]).toBeCloseTo(still[1], 9);
});

test("a turn handle turns to where it is dragged, counter-clockwise as seen", () => {
  const flat: Shape = { kind: "rectangle", centre: [0, 0], size: [4, 2], angle_deg: 0 };
  const from = handles(flat).get("turn")!;
  expect((dragged(flat, "turn", [-from[0], 5]) as { angle_deg: number }).angle_deg).toBeCloseTo(90);
});

test("no drag turns a shape inside out", () => {
  const ring = dragged(shapes[1]!, "inner", [99, 2]) as { inner: number; outer: number };
  expect(ring.inner).toBeLessThan(ring.outer);
  const box = dragged(shapes[0]!, "side +x", [-99, -60]) as { size: Pair };
  expect(box.size[0]).toBeGreaterThan(0);
});

test("a ring's outlines are its two circles; an arc's is closed", () => {
  expect(outlines(shapes[1]!).length).toBe(2);
  for (const [x, y] of outlines(shapes[1]!)[0]!) expect(Math.hypot(x - 1, y - 2)).toBeCloseTo(1.5);
  const arc = outlines(shapes[2]!)[0]!;
  expect(arc[0]).toEqual(arc[arc.length - 1]);
});

test("an affine map and its inverse cancel", () => {
  const m = { a: 16.1, b: -2.2, c: -2.3, d: -16, e: 700, f: 900 };
  const [x, y] = applied(inverse(m), applied(m, [3.3, -4.4]));
  expect([x.toFixed(9), y.toFixed(9)]).toEqual(["3.300000000", "-4.400000000"]);
});
