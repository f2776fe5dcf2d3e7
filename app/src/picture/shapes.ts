/** Regions under a hand, as pure functions: what is drawn of one, its handles, and what a drag makes of it.
 *
 * A region is told in the frame that its step lives in, in the recipe's unit, y up, with the affine map into the picture that
 * the station gives. It stands where the hand has it until the station has said its word: `station/recipes/handles.py` writes
 * what a drag comes to, and names the handles alike.
 */
export type Pair = readonly [number, number];
export type Shape =
  | { readonly kind: "rectangle"; readonly centre: Pair; readonly size: Pair; readonly angle_deg: number }
  | { readonly kind: "ring"; readonly centre: Pair; readonly inner: number; readonly outer: number }
  | { readonly kind: "arc"; readonly centre: Pair; readonly radius: number; readonly width: number; readonly from_deg: number; readonly to_deg: number }
  | { readonly kind: "polygon"; readonly points: readonly Pair[] }
  | { readonly kind: "path"; readonly points: readonly Pair[]; readonly width: number };

/** x' = a x + c y + e, y' = b x + d y + f, as SVG writes it. */
export interface Affine {
  readonly a: number;
  readonly b: number;
  readonly c: number;
  readonly d: number;
  readonly e: number;
  readonly f: number;
}
export const applied = (m: Affine, p: Pair): [number, number] => [m.a * p[0] + m.c * p[1] + m.e, m.b * p[0] + m.d * p[1] + m.f];
export function inverse(m: Affine): Affine {
  const det = m.a * m.d - m.b * m.c;
  const [a, b, c, d] = [m.d / det, -m.b / det, -m.c / det, m.a / det];
  return { a, b, c, d, e: -(a * m.e + c * m.f), f: -(b * m.e + d * m.f) };
}

const LEAST = 1e-3;
const STEM = 0.22;
const RAD = Math.PI / 180;

const towards = (deg: number): Pair => [Math.cos(deg * RAD), Math.sin(deg * RAD)];
const plus = (p: Pair, q: Pair, times = 1): Pair => [p[0] + times * q[0], p[1] + times * q[1]];
const minus = (p: Pair, q: Pair): Pair => [p[0] - q[0], p[1] - q[1]];
const dot = (p: Pair, q: Pair): number => p[0] * q[0] + p[1] * q[1];
const left = (p: Pair): Pair => [-p[1], p[0]];
const angleOf = (p: Pair): number => Math.atan2(p[1], p[0]) / RAD;
const modulo = (value: number, by: number): number => ((value % by) + by) % by;
const curve = (centre: Pair, radius: number, from: number, to: number): Pair[] => {
  const n = Math.max(2, Math.ceil(Math.abs(to - from) / 4));
  return Array.from({ length: n + 1 }, (_, k) => plus(centre, towards(from + ((to - from) * k) / n), radius));
};
function across(points: readonly Pair[]): Pair {
  const first = points.slice(1).map((p) => minus(p, points[0]!)).find((d) => Math.hypot(...d) > 0) ?? ([1, 0] as const);
  const length = Math.hypot(...first);
  return left([first[0] / length, first[1] / length]);
}

/** Its outlines as polylines in its own frame; a closed one ends where it began. */
export function outlines(shape: Shape): Pair[][] {
  switch (shape.kind) {
    case "rectangle": {
      const x = towards(shape.angle_deg);
      const at = (i: number, j: number) => plus(plus(shape.centre, x, (i * shape.size[0]) / 2), left(x), (j * shape.size[1]) / 2);
      return [[at(-1, -1), at(1, -1), at(1, 1), at(-1, 1), at(-1, -1)]];
    }
    case "ring":
      return [shape.inner, shape.outer].filter((r) => r > 0).map((r) => curve(shape.centre, r, 0, 360));
    case "arc": {
      const out = curve(shape.centre, shape.radius + shape.width / 2, shape.from_deg, shape.to_deg);
      const back = curve(shape.centre, Math.max(0, shape.radius - shape.width / 2), shape.to_deg, shape.from_deg);
      return [[...out, ...back, out[0]!]];
    }
    case "polygon":
      return [[...shape.points, shape.points[0]!]];
    case "path":
      return [[...shape.points]];
  }
}

/** The places to take it by. `middle` moves the whole. */
export function handles(shape: Shape): Map<string, Pair> {
  switch (shape.kind) {
    case "rectangle": {
      const [x, [w, h]] = [towards(shape.angle_deg), shape.size];
      const at = (i: number, j: number) => plus(plus(shape.centre, x, (i * w) / 2), left(x), (j * h) / 2);
      const signs = [["-", -1], ["+", 1]] as const;
      return new Map<string, Pair>([
        ["middle", shape.centre],
        ...signs.flatMap(([a, i]) => signs.map(([b, j]): [string, Pair] => [`corner ${a}${b}`, at(i, j)])),
        ...signs.map(([a, i]): [string, Pair] => [`side ${a}x`, at(i, 0)]),
        ...signs.map(([b, j]): [string, Pair] => [`side ${b}y`, at(0, j)]),
        ["turn", plus(shape.centre, x, w / 2 + STEM * Math.max(w, h))],
      ]);
    }
    case "ring":
      return new Map<string, Pair>([["middle", shape.centre], ["inner", plus(shape.centre, [shape.inner, 0])], ["outer", plus(shape.centre, [0, shape.outer])]]);
    case "arc": {
      const mid = (shape.from_deg + shape.to_deg) / 2;
      const at = (deg: number, radius = shape.radius) => plus(shape.centre, towards(deg), radius);
      return new Map<string, Pair>([
        ["middle", shape.centre], ["from", at(shape.from_deg)], ["to", at(shape.to_deg)], ["radius", at(mid)], ["width", at(mid, shape.radius + shape.width / 2)],
      ]);
    }
    default: {
      const { points } = shape;
      const following = shape.kind === "polygon" ? [...points.slice(1), points[0]!] : points.slice(1);
      const sum = points.reduce((a, b) => plus(a, b), [0, 0] as Pair);
      return new Map<string, Pair>([
        ["middle", [sum[0] / points.length, sum[1] / points.length]],
        ...points.map((p, k): [string, Pair] => [`point ${k}`, p]),
        ...following.map((p, k): [string, Pair] => [`between ${k}`, [(p[0] + points[k]![0]) / 2, (p[1] + points[k]![1]) / 2]]),
        ...(shape.kind === "path" ? [["width", plus(points[0]!, across(points), shape.width / 2)] as [string, Pair]] : []),
      ]);
    }
  }
}

/** What becomes of a shape whose handle is moved by so much; the shape as it was grabbed, so that nothing drifts. */
export function dragged(shape: Shape, handle: string, by: Pair): Shape {
  const from = handles(shape).get(handle);
  if (from === undefined) return shape;
  const at = plus(from, by);
  if (shape.kind === "polygon" || shape.kind === "path") return ofPoints(shape, handle, at, by);
  if (handle === "middle") return { ...shape, centre: plus(shape.centre, by) };
  const away = Math.hypot(...minus(at, shape.centre));
  if (shape.kind === "rectangle") return rectangle(shape, handle, at);
  if (shape.kind === "ring") return handle === "inner" ? { ...shape, inner: Math.min(Math.max(away, LEAST * shape.outer), 0.98 * shape.outer) } : { ...shape, outer: Math.max(away, 1.02 * shape.inner) };
  const deg = angleOf(minus(at, shape.centre));
  if (handle === "radius") return { ...shape, radius: Math.max(away, 0.51 * shape.width) };
  if (handle === "width") return { ...shape, width: Math.min(Math.max(2 * (away - shape.radius), LEAST * shape.radius), 1.98 * shape.radius) };
  if (handle === "from") return { ...shape, from_deg: Math.min(shape.to_deg - 360 + modulo(deg - shape.to_deg, 360), shape.to_deg - 1) };
  return { ...shape, to_deg: Math.max(shape.from_deg + modulo(deg - shape.from_deg, 360), shape.from_deg + 1) };
}

function rectangle(shape: Shape & { kind: "rectangle" }, handle: string, at: Pair): Shape {
  if (handle === "turn") return { ...shape, angle_deg: angleOf(minus(at, shape.centre)) };
  const [what, which] = handle.split(" ") as [string, string];
  const sides = what === "corner" ? [which[0], which[1]] : which[1] === "x" ? [which[0], ""] : ["", which[0]];
  const x = towards(shape.angle_deg);
  const size: [number, number] = [...shape.size];
  let centre = shape.centre;
  for (const [k, axis] of [x, left(x)].entries()) {
    if (sides[k] === "") continue;
    const sign = sides[k] === "+" ? 1 : -1;
    // The side across stays where it is.
    const length = Math.max(sign * dot(minus(at, shape.centre), axis) + shape.size[k]! / 2, LEAST * shape.size[k]!);
    centre = plus(centre, axis, (sign * (length - shape.size[k]!)) / 2);
    size[k] = length;
  }
  return { ...shape, centre, size };
}

function ofPoints(shape: Shape & { kind: "polygon" | "path" }, handle: string, at: Pair, by: Pair): Shape {
  const { points } = shape;
  if (handle === "middle") return { ...shape, points: points.map((p) => plus(p, by)) };
  if (handle === "width" && shape.kind === "path") return { ...shape, width: Math.max(Math.abs(2 * dot(minus(at, points[0]!), across(points))), LEAST * shape.width) };
  const [what, number] = handle.split(" ");
  const k = Number(number);
  return { ...shape, points: what === "between" ? [...points.slice(0, k + 1), at, ...points.slice(k + 1)] : [...points.slice(0, k), at, ...points.slice(k + 1)] };
}
