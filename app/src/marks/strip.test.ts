import { expect, test } from "vitest";
import { figure } from "./numbers";
import { stripPlaces } from "./strip";

test("a reading in the middle of two limits stands in the middle of the strip", () => {
  const found = stripPlaces({ lower: 4.4, upper: 4.6 }, 4.5, 0.006, 92);
  expect(found.at).toBeCloseTo(46);
  expect((found.lower! + found.upper!) / 2).toBeCloseTo(46);
  expect(found.reach![1] - found.reach![0]).toBeCloseTo(6); // never narrower than that
});

test("what lies beyond the strip is an arrow on its side, and has no bar", () => {
  const found = stripPlaces({ lower: 4.4, upper: 4.6 }, 5.5, 0.006, 92);
  expect(found.off).toBe("right");
  expect(found.reach).toBeNull();
});

test("one limit alone leaves room for the reading", () => {
  for (const [limits, value] of [[{ lower: 0.7, upper: null }, 0.94], [{ lower: null, upper: 1 }, 0.31], [{ lower: null, upper: 1 }, 1.4]] as const) {
    const found = stripPlaces(limits, value, 0.01, 92);
    expect(found.off).toBeNull();
    expect(found.at! >= 0 && found.at! <= 92).toBe(true);
  }
});

test("no value has no place", () => expect(stripPlaces({ lower: 0, upper: 1 }, null, null, 92).at).toBeNull());

test("figures have a true minus, and groups from five digits on", () => {
  expect(figure("-0.307")).toBe("−0.307");
  expect(figure(41207)).toBe("41\u202f207");
  expect(figure("9999.5")).toBe("9999.5");
});
