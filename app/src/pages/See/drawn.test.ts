import { describe, expect, it } from "vitest";
import { bestAgo, bubbleAt, edgeAsWide, levelRim, pathOf, sideOf, ticketAt } from "./drawn";

describe("drawings of See", () => {
  it("leaves gaps where there is no value", () => {
    expect(pathOf([1, null, 3], 0, 10, (v) => v)).toBe("M0.0 1.0M10.0 3.0");
  });
  it("puts the bubble towards where the target is farther, within the rim", () => {
    expect(bubbleAt(1, [0, -1], 2, 50)).toEqual({ x: 0, y: -25 });
    expect(bubbleAt(9, [1, 0], 2, 50)).toEqual({ x: 50, y: 0 });
    expect(levelRim(0.9, 0.1)).toBe(2);
    expect(levelRim(3)).toBe(5);
  });
  it("keeps tickets within the map", () => {
    const map = { width: 360, height: 300 };
    const size = { width: 90, height: 44 };
    for (const at of [{ x: 3, y: 3 }, { x: 357, y: 3 }, { x: 180, y: 150 }, { x: 357, y: 297 }, { x: 3, y: 297 }]) {
      const by = ticketAt(at, map, size);
      expect(at.x + by.x).toBeGreaterThanOrEqual(2);
      expect(at.x + by.x + size.width).toBeLessThanOrEqual(map.width - 2);
      expect(at.y + by.y).toBeGreaterThanOrEqual(2);
      expect(at.y + by.y + size.height).toBeLessThanOrEqual(map.height - 2);
    }
  });
  it("keeps tickets of five places apart, on a phone too", () => {
    for (const map of [{ width: 300, height: 250 }, { width: 700, height: 580 }]) {
      const size = { width: 88, height: 42 };
      const shares = [[0.34, 0.34], [0.3, 0.05], [0.7, 0.3], [0.3, 0.7], [0.68, 0.95]] as const;
      const boxes = shares.map(([u, v]) => {
        const at = { x: u * map.width, y: v * map.height };
        const by = ticketAt(at, map, size);
        return { left: at.x + by.x, top: at.y + by.y };
      });
      for (const [k, a] of boxes.entries())
        for (const b of boxes.slice(k + 1)) expect(Math.abs(a.left - b.left) >= size.width || Math.abs(a.top - b.top) >= size.height).toBe(true);
    }
  });
  it("names sides as a person would", () => {
    expect(sideOf([0.7, -0.7])).toBe("upper right");
    expect(sideOf([0, 1])).toBe("lower side");
    expect(sideOf([-1, 0.1])).toBe("left side");
  });
  it("draws an edge of 10 to 90 % as wide as it is said to be", () => {
    // Of a box 100 px wide that stands for 10 px of the picture, 2 px are 20.
    const points = [...edgeAsWide(2, 10, 100, 100).matchAll(/([\d.]+) (-?[\d.]+)/g)].map((m) => ({ x: Number(m[1]), y: 1 - Number(m[2]) / 100 }));
    const at = (level: number) => {
      const k = points.findIndex((p) => p.y >= level);
      const [a, b] = [points[k - 1]!, points[k]!];
      return a.x + ((level - a.y) / (b.y - a.y)) * (b.x - a.x);
    };
    expect(at(0.9) - at(0.1)).toBeCloseTo(20, 0);
  });
  it("says when it was best", () => {
    expect(bestAgo([3, 1, 2])).toBe(1);
    expect(bestAgo([null, null])).toBeNull();
  });
});
