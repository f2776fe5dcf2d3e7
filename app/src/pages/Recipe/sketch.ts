/** What a hand is drawing, before the station makes a region of it: points in picture pixels, and the lines that show them. */
export type Pair = [number, number];
export type ShapeName = "rectangle" | "ring" | "arc" | "polygon" | "path";

/** Shapes that are drawn in one drag; the others are pressed point by point. */
export const isDragged = (shape: ShapeName): boolean => shape === "rectangle" || shape === "ring";

/** How many points end a shape by themselves; 0 where the hand says so. */
export const ends = (shape: ShapeName): number => ({ rectangle: 2, ring: 2, arc: 3, polygon: 0, path: 0 })[shape];

/** The fewest points that make a shape. */
export const least = (shape: ShapeName): number => ({ rectangle: 2, ring: 2, arc: 3, polygon: 3, path: 2 })[shape];

/** The lines of a sketch, the pointer being where the next point would be. */
export function lines(shape: ShapeName, points: readonly Pair[], pointer: Pair | null): Pair[][] {
  const all = pointer === null ? [...points] : [...points, pointer];
  if (all.length < 2) return [];
  const [a, b] = [all[0]!, all[1]!];
  if (shape === "rectangle") return [[a, [b[0], a[1]], b, [a[0], b[1]], a]];
  if (shape === "ring") {
    const r = Math.hypot(b[0] - a[0], b[1] - a[1]);
    const around = Array.from({ length: 65 }, (_, k): Pair => [a[0] + r * Math.cos((k * Math.PI) / 32), a[1] + r * Math.sin((k * Math.PI) / 32)]);
    return [around, [a, b]];
  }
  return [shape === "polygon" ? [...all, a] : all];
}

/** Whether a press closes a polygon: on its first point again, within so many pixels. */
export const closes = (points: readonly Pair[], at: Pair, within: number): boolean =>
  points.length >= 3 && Math.hypot(at[0] - points[0]![0], at[1] - points[0]![1]) <= within;

type Feature = string | null;

/** Whether features are, in this order, one of the ways in which a kind rests on others, or the start of one; a place is a point too. */
export function fits(ways: readonly (readonly string[])[], features: readonly Feature[]): { whole: boolean; more: boolean } {
  const same = (wanted: string, given: Feature) => wanted === given || (wanted === "point" && given === "place");
  const begun = ways.filter((way) => way.length >= features.length && features.every((feature, k) => same(way[k]!, feature)));
  return { whole: features.length > 0 && begun.some((way) => way.length === features.length), more: begun.some((way) => way.length > features.length) };
}
