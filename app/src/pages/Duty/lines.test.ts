import { expect, test } from "vitest";
import { aheadBy, arrows, gravest, labelAt, labelsWithin, mayBeSaidIn, pathOf, sinceOf, yieldScale } from "./lines";

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

test("a phone's picture carries few labels, a desk's as many as ever", () => {
  expect(labelsWithin(340, 240)).toBe(3);
  expect(labelsWithin(740, 470)).toBe(12);
  expect(labelsWithin(2000, 1200)).toBe(12);
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

test("a label stands at the right of its place, at its left where it would overrun the edge, and never beyond the picture", () => {
  const seen = { left: -0.5, top: -0.5, right: 199.5, bottom: 99.5 };
  const lines = ["bore A", "4.502 mm"];
  expect(labelAt([50, 50], lines, true, 1, seen)).toEqual([57, 43]);
  const [left] = labelAt([190, 50], lines, true, 1, seen);
  expect(left).toBe(190 - 7 - 76);
  for (const at of [[-5, -5], [199, 99], [0, 99], [199, 0], [100, 4]]) {
    const [x, y] = labelAt(at, lines, true, 1, seen);
    expect(x! >= seen.left && x! + 76 <= seen.right && y! >= 12 && y! + 19 <= seen.bottom + 0.5).toBe(true);
  }
  expect(labelAt([10, 50], ["a very long name that no picture of this width has room for"], false, 1, { ...seen, right: 60 })[0]).toBe(3.5);
});

test("parts are counted by the clock that dates them: a day behind, today's are not missed", () => {
  const now = Date.parse("2026-11-27T10:00:30Z");
  const day = 86_400_000;
  expect(aheadBy("2026-11-27T10:01:00Z", now)).toBe(0); // the same clock, and the way of the word
  expect(aheadBy(null, now)).toBe(0);
  expect(aheadBy("2026-11-26T10:00:30Z", now)).toBe(-day);
  expect(sinceOf("hour", now + aheadBy("2026-11-26T10:00:30Z", now))).toBe("2026-11-26T09:00:00.000Z");
  const midnight = new Date(now - day);
  midnight.setHours(0, 0, 0, 0);
  expect(sinceOf("today", now - day)).toBe(midnight.toISOString());
});
