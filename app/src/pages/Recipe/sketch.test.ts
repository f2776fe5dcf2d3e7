import { describe, expect, it } from "vitest";
import { closes, fits, lines } from "./sketch";

describe("sketches", () => {
  it("show a rectangle from corner to corner and a ring about its middle", () => {
    expect(lines("rectangle", [[0, 0]], [4, 2])).toEqual([[[0, 0], [4, 0], [4, 2], [0, 2], [0, 0]]]);
    const [ring] = lines("ring", [[10, 10]], [13, 14]);
    for (const [x, y] of ring!) expect(Math.hypot(x - 10, y - 10)).toBeCloseTo(5, 9);
    expect(lines("path", [[1, 1]], null)).toEqual([]);
  });
  it("close a polygon on its first point, and not before it has three", () => {
    expect(closes([[0, 0], [5, 0]], [0, 0], 3)).toBe(false);
    expect(closes([[0, 0], [5, 0], [5, 5]], [1, 1], 3)).toBe(true);
    expect(closes([[0, 0], [5, 0], [5, 5]], [4, 4], 3)).toBe(false);
  });
  it("know when enough steps were named", () => {
    const ways = [["point"], ["point", "line", "line"]];
    expect(fits(ways, ["place"])).toEqual({ whole: true, more: true });
    expect(fits(ways, ["point", "line"])).toEqual({ whole: false, more: true });
    expect(fits(ways, ["point", "line", "line"])).toEqual({ whole: true, more: false });
    expect(fits(ways, ["line"])).toEqual({ whole: false, more: false });
  });
});
