/** Regions as pure functions: what is drawn of them, their handles, and what a drag makes of them.
 *
 * A region lives in the frame that the recipe names, in its unit, with y up, or in picture pixels (`up` = −1: y down). Angles
 * are counter-clockwise as seen in both. Where the frame lies in the picture is an affine map that the station gives.
 */
import type { Point } from "./view";

export type Pair = readonly [number, number];
export type Shape =
  | { readonly kind: "rectangle"; readonly centre: Pair; readonly size: Pair; readonly angle_deg: number }
  | { readonly kind: "ring"; readonly centre: Pair; readonly inner: number; readonly outer: number }
  | { readonly kind: "arc"; readonly centre: Pair; readonly radius: number; readonly width: number; readonly from_deg: number; readonly to_deg: number }
  | { readonly kind: "polygon"; readonly points: readonly Pair[] }
  | { readonly kind: "path"; readonly points: readonly Pair[]; readonly width: number }
  | { readonly kind: "point"; readonly at: Pair };
export type Up = 1 | -1;

export interface Handle {
  readonly id: string;
  readonly at: Pair;
}

/** x' = a x + c y + e, y' = b x + d y + f, as SVG writes it. */
export interface Affine {
  readonly a: number;
  readonly b: number;
  readonly c: number;
  readonly d: number;
  readonly e: number;
  readonly f: number;
}
export const SAME: Affine = { a: 1, b: 0, c: 0, d: 1, e: 0, f: 0 };
export const applied = (m: Affine, p: Pair): Pair => [m.a * p[0] + m.c * p[1] + m.e, m.b * p[0] + m.d * p[1] + m.f];
export function inverse(m: Affine): Affine {
  const det = m.a * m.d - m.b * m.c;
  const [a, b, c, d] = [m.d / det, -m.b / det, -m.c / det, m.a / det];
  return { a, b, c, d, e: -(a * m.e + c * m.f), f: -(b * m.e + d * m.f) };
}
export const pairOf = (p: Point): Pair => [p.x, p.y];

const LEAST = 1e-6;
const RAD = Math.PI / 180;

const turned = (p: Pair, deg: number, up: Up): Pair => {
  const [c, s] = [Math.cos(deg * RAD), Math.sin(deg * RAD) * up];
  return [c * p[0] - s * p[1], s * p[0] + c * p[1]];
};
const plus = (p: Pair, q: Pair): Pair => [p[0] + q[0], p[1] + q[1]];
const minus = (p: Pair, q: Pair): Pair => [p[0] - q[0], p[1] - q[1]];
const onCircle = (centre: Pair, radius: number, deg: number, up: Up): Pair => plus(centre, turned([radius, 0], deg, up));
const angleOf = (p: Pair, up: Up): number => Math.atan2(p[1] * up, p[0]) / RAD;
const near = (deg: number, to: number): number => deg + 360 * Math.round((to - deg) / 360);

/** Its outlines as polylines in its own frame; a closed one ends where it began. */
export function outlines(shape: Shape, up: Up = 1): Pair[][] {
  switch (shape.kind) {
    case "rectangle": {
      const [w, h] = [shape.size[0] / 2, shape.size[1] / 2];
      const corners: Pair[] = [[-w, -h], [w, -h], [w, h], [-w, h], [-w, -h]];
      return [corners.map((p) => plus(shape.centre, turned(p, shape.angle_deg, up)))];
    }
    case "ring":
      return [shape.inner, shape.outer].filter((r) => r > 0).map((r) => curve(shape.centre, r, 0, 360, up));
    case "arc": {
      const [inner, outer] = [shape.radius - shape.width / 2, shape.radius + shape.width / 2];
      const out = curve(shape.centre, outer, shape.from_deg, shape.to_deg, up);
      const back = curve(shape.centre, Math.max(0, inner), shape.to_deg, shape.from_deg, up);
      return [[...out, ...back, out[0]!]];
    }
    case "polygon":
      return [shape.points.length > 0 ? [...shape.points, shape.points[0]!] : []];
    case "path":
      return [[...shape.points]];
    case "point":
      return [];
  }
}

function curve(centre: Pair, radius: number, from: number, to: number, up: Up): Pair[] {
  const n = Math.max(2, Math.ceil(Math.abs(to - from) / 4));
  return Array.from({ length: n + 1 }, (_, k) => onCircle(centre, radius, from + ((to - from) * k) / n, up));
}

/** What a person takes hold of. `centre` moves the whole; `turn` turns it. */
export function handles(shape: Shape, up: Up = 1): Handle[] {
  switch (shape.kind) {
    case "rectangle": {
      const [w, h] = [shape.size[0] / 2, shape.size[1] / 2];
      const at = (p: Pair): Pair => plus(shape.centre, turned(p, shape.angle_deg, up));
      const places: [string, Pair][] = [
        ["centre", [0, 0]], ["right", [w, 0]], ["top", [0, h]], ["left", [-w, 0]], ["bottom", [0, -h]],
        ["right-top", [w, h]], ["left-top", [-w, h]], ["left-bottom", [-w, -h]], ["right-bottom", [w, -h]],
        ["turn", [w * 1.25 + LEAST, 0]],
      ];
      return places.map(([id, p]) => ({ id, at: at(p) }));
    }
    case "ring":
      return [
        { id: "centre", at: shape.centre },
        { id: "inner", at: plus(shape.centre, [shape.inner, 0]) },
        { id: "outer", at: plus(shape.centre, [shape.outer, 0]) },
      ];
    case "arc":
      return [
        { id: "centre", at: shape.centre },
        { id: "from", at: onCircle(shape.centre, shape.radius, shape.from_deg, up) },
        { id: "to", at: onCircle(shape.centre, shape.radius, shape.to_deg, up) },
        { id: "radius", at: onCircle(shape.centre, shape.radius, (shape.from_deg + shape.to_deg) / 2, up) },
        { id: "width", at: onCircle(shape.centre, shape.radius + shape.width / 2, (shape.from_deg + shape.to_deg) / 2, up) },
      ];
    case "polygon":
    case "path":
      return shape.points.map((at, k) => ({ id: `${k}`, at }));
    case "point":
      return [{ id: "centre", at: shape.at }];
  }
}

/** The shape, moved as a whole. */
export function moved(shape: Shape, by: Pair): Shape {
  switch (shape.kind) {
    case "polygon":
    case "path":
      return { ...shape, points: shape.points.map((p) => plus(p, by)) };
    case "point":
      return { ...shape, at: plus(shape.at, by) };
    default:
      return { ...shape, centre: plus(shape.centre, by) };
  }
}

/** What becomes of a shape when one of its handles is dragged to a place of its frame. A corner's opposite one stays. */
export function dragged(shape: Shape, handle: string, to: Pair, up: Up = 1): Shape {
  if (handle === "centre") return moved(shape, minus(to, shape.kind === "point" ? shape.at : "centre" in shape ? shape.centre : to));
  switch (shape.kind) {
    case "rectangle": {
      const local = turned(minus(to, shape.centre), -shape.angle_deg, up);
      if (handle === "turn") return { ...shape, angle_deg: near(angleOf(minus(to, shape.centre), up), shape.angle_deg) };
      const sx = handle.includes("right") ? 1 : handle.includes("left") ? -1 : 0;
      const sy = handle.includes("top") ? 1 : handle.includes("bottom") ? -1 : 0;
      const along = (sign: number, size: number, at: number): [number, number] => {
        if (sign === 0) return [size, 0];
        const still = (-sign * size) / 2;
        const length = Math.max(LEAST, sign * (at - still));
        return [length, still + (sign * length) / 2];
      };
      const [width, x] = along(sx, shape.size[0], local[0]);
      const [height, y] = along(sy, shape.size[1], local[1]);
      return { ...shape, size: [width, height], centre: plus(shape.centre, turned([x, y], shape.angle_deg, up)) };
    }
    case "ring": {
      const r = Math.hypot(...minus(to, shape.centre));
      return handle === "inner"
        ? { ...shape, inner: Math.min(r, shape.outer - LEAST) }
        : { ...shape, outer: Math.max(r, shape.inner + LEAST) };
    }
    case "arc": {
      const r = Math.hypot(...minus(to, shape.centre));
      const deg = angleOf(minus(to, shape.centre), up);
      if (handle === "radius") return { ...shape, radius: Math.max(r, shape.width / 2) };
      if (handle === "width") return { ...shape, width: Math.max(LEAST, Math.min(2 * Math.abs(r - shape.radius), 2 * shape.radius)) };
      if (handle === "from") return { ...shape, from_deg: Math.min(near(deg, shape.from_deg), shape.to_deg - LEAST) };
      return { ...shape, to_deg: Math.max(near(deg, shape.to_deg), shape.from_deg + LEAST) };
    }
    case "polygon":
    case "path":
      return { ...shape, points: shape.points.map((p, k) => (`${k}` === handle ? to : p)) };
    case "point":
      return { ...shape, at: to };
  }
}
