import { expect, test } from "vitest";
import { brushed, bucketAt, graduations, moved, paths, placed, range, wideOf, zoomed, type Bucket } from "./trend";

const bucket = (k: number, low: number | null = 4.4, high: number | null = 4.6): Bucket => ({ first: 10 * k + 1, last: 10 * k + 10, n: 10, missing: low === null ? 10 : 0, against: 0, low, high, mean: low === null || high === null ? null : (low + high) / 2 });
const MANY = Array.from({ length: 100 }, (_, k) => bucket(k));

test("the scale holds every value and the limits, but none that is far away", () => {
  const [from, to] = range(MANY, [4.3, 4.7]);
  expect(from < 4.3 && to > 4.7).toBe(true);
  expect(range(MANY, [0, null])[0]).toBeGreaterThan(4.3);
  expect(range([], [4.3, 4.7])).toEqual([0, 1]);
});

test("a brush is from the first part of one place to the last of another, whichever way it is drawn", () => {
  expect(brushed(MANY, 100, 205, 1000)).toEqual({ first: 101, last: 210 });
  expect(brushed(MANY, 205, 100, 1000)).toEqual({ first: 101, last: 210 });
  expect(brushed(MANY, 100, 103, 1000)).toBeNull();
  expect(bucketAt(-5, 100, 1000)).toBe(0);
  expect(bucketAt(5000, 100, 1000)).toBe(99);
});

test("a span is zoomed and moved within what there is", () => {
  const all = { first: 1, last: 1000 };
  expect(zoomed({ first: 400, last: 600 }, 2, all)).toEqual({ first: 300, last: 700 });
  expect(zoomed({ first: 1, last: 900 }, 4, all)).toEqual(all);
  expect(moved({ first: 800, last: 1000 }, 0.5, all)).toEqual({ first: 800, last: 1000 });
  expect(moved({ first: 400, last: 600 }, -0.5, all)).toEqual({ first: 300, last: 500 });
});

test("where no part has a value the band is broken", () => {
  const { band, mean, gaps } = paths([bucket(0), bucket(1, null, null), bucket(2), bucket(3)], 400, 100, [4, 5]);
  expect(band.match(/Z/g)).toHaveLength(2);
  expect(mean.match(/M/g)).toHaveLength(2);
  expect(gaps).toEqual([1]);
  expect(band.includes("NaN")).toBe(false);
});

test("graduations are round and within the scale", () => {
  const { values, digits } = graduations([4.37, 4.63], 4);
  expect(values.every((v) => v >= 4.37 && v <= 4.63)).toBe(true);
  expect(values.map((v) => v.toFixed(digits))).toEqual(["4.4", "4.5", "4.6"]);
});

test("labels stand within the line and apart, the first and the last before those between", () => {
  const mark = (x: number) => ({ x, text: "08:00:00" });
  const half = wideOf("08:00:00") / 2;
  expect(placed([mark(3), mark(20), mark(200), mark(399)], 0, 400)).toEqual([{ k: 0, x: half }, { k: 2, x: 200 }, { k: 3, x: 400 - half }]);
  expect(placed([mark(60)], 0, 120)).toEqual([{ k: 0, x: 60 }]);
  expect(placed([mark(0), mark(70)], 0, 70)).toHaveLength(1);
  expect(placed([mark(5)], 0, 30)).toEqual([]);
});
