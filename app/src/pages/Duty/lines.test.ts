import { expect, test } from "vitest";
import { arrows, gravest, mayBeSaidIn, pathOf, yieldScale } from "./lines";

test("a line is a path through its places, and a single place is none", () => {
  expect(pathOf([[0, 0], [10.26, 3.04], [5, 5]])).toBe("M0 0L10.3 3L5 5");
  expect(pathOf([[1, 1]])).toBe("");
});

test("a dimension has its line, two heads and two stops; none where both ends are one", () => {
  expect(arrows([[0, 0], [100, 0]], 1).match(/M/g)).toHaveLength(5);
  expect(arrows([[0, 0], [100, 0]], 1)).toContain("M0 0L100 0");
  expect(arrows([[3, 3], [3, 3]], 1)).toBe("");
  expect(arrows([], 1)).toBe("");
});

test("a word waits until ten seconds after the one before", () => {
  expect(mayBeSaidIn(-Infinity, 5, 10_000)).toBe(0);
  expect(mayBeSaidIn(1000, 4000, 10_000)).toBe(7000);
  expect(mayBeSaidIn(1000, 12_000, 10_000)).toBe(0);
});

test("a yield stands on a scale that holds its interval", () => {
  for (const low of [0, 0.3, 0.79, 0.97, 0.9951]) {
    const { from, to, ticks } = yieldScale(low);
    expect(from <= low && to === 1).toBe(true);
    expect(ticks).toHaveLength(6);
    expect(ticks[5]).toBeCloseTo(1);
  }
});

test("the step that is drawn alone is the gravest, the first of several", () => {
  expect(gravest([{ name: "a", rank: 0 }, { name: "b", rank: 3 }, { name: "c", rank: 3 }])).toBe("b");
  expect(gravest([])).toBe("");
});
