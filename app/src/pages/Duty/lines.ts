/** Lines over a picture as SVG paths, and how often a word may be said: pure functions. */

export type Place = readonly number[];

/** A line through places, to a tenth of a pixel. */
export function pathOf(line: readonly Place[]): string {
  return line.length < 2 ? "" : `M${line.map(([x, y]) => `${round(x!)} ${round(y!)}`).join("L")}`;
}
const round = (v: number) => Math.round(v * 10) / 10;

/** A dimension: its line, an arrow head and a stop at each end; `px`: picture pixels in a pixel of the screen. */
export function arrows([a, b]: readonly Place[], px: number): string {
  if (!a || !b) return "";
  const [dx, dy] = [b[0]! - a[0]!, b[1]! - a[1]!];
  const length = Math.hypot(dx, dy);
  if (length < 1e-6) return "";
  const [ux, uy] = [dx / length, dy / length];
  const head = Math.min(9 * px, length / 3);
  const end = (p: Place, s: number) => {
    const back = [p[0]! + s * head * ux, p[1]! + s * head * uy] as const;
    const wing = (t: number): Place => [back[0] - t * 0.4 * head * uy, back[1] + t * 0.4 * head * ux];
    const stop = (t: number): Place => [p[0]! - t * 7 * px * uy, p[1]! + t * 7 * px * ux];
    return `${pathOf([wing(1), p, wing(-1)])}${pathOf([stop(1), stop(-1)])}`;
  };
  return `${pathOf([a, b])}${end(a, 1)}${end(b, -1)}`;
}

/** When what changed may be announced: at once, or once the last word is old enough. */
export const mayBeSaidIn = (last: number, now: number, each: number): number => Math.max(0, last + each - now);

/** From and to of a scale on which a share and its interval are seen, with its steps; shares of 1. */
export function yieldScale(low: number): { from: number; to: number; ticks: number[] } {
  const from = [0.99, 0.95, 0.9, 0.8, 0.5].find((one) => low >= one) ?? 0;
  const step = (1 - from) / 5;
  return { from, to: 1, ticks: Array.from({ length: 6 }, (_, k) => from + k * step) };
}

/** The step that is drawn alone where nobody chose one: the first of the gravest. */
export function gravest<T extends { name: string; rank: number }>(steps: readonly T[]): string {
  return steps.reduce<T | null>((found, step) => (found === null || step.rank > found.rank ? step : found), null)?.name ?? "";
}

/** About how wide the longest line of a label is printed, in px of the screen. */
const longest = (lines: readonly string[]): number => 7 * Math.max(0, ...lines.map((line) => line.length));
const MARK = 20;
const LINE = 15;

/** How many labels a picture carries before they lie over one another; its width and height on the screen, in px. */
export const labelsWithin = (width: number, height: number): number => Math.min(12, Math.floor((width * height) / 24_000));

/** Where a label stands beside a place, in picture pixels, so that it stays within what is seen; `px`: as for `arrows`. */
export function labelAt([x = 0, y = 0]: Place, lines: readonly string[], hasMark: boolean, px: number, seen: { left: number; top: number; right: number; bottom: number }): Place {
  const wide = ((hasMark ? MARK : 0) + longest(lines)) * px;
  const tall = (LINE * (Math.max(1, lines.length) - 1) + 4) * px;
  const gap = 7 * px;
  // To the right of its place, or to the left where there is no room; at the least wholly within the picture.
  const right = x + gap + wide <= seen.right ? x + gap : x - gap - wide;
  const within = (v: number, from: number, to: number) => Math.max(from, Math.min(to, v));
  return [within(right, seen.left + 4 * px, Math.max(seen.left + 4 * px, seen.right - wide - 4 * px)), within(y - gap, seen.top + 16 * px, Math.max(seen.top + 16 * px, seen.bottom - tall))];
}

const SAME_CLOCK_MS = 90_000;

/** By how much the station's clock is ahead of the one here, in ms, as its last word tells; 0 where they are about the same. */
export function aheadBy(written: string | null, now: number): number {
  const ahead = Date.parse(written ?? "") - now;
  return Math.abs(ahead) > SAME_CLOCK_MS ? ahead : 0;
}

/** From when on parts are counted: since midnight where the person is, or for one hour, by the clock that dates the parts. */
export function sinceOf(period: "today" | "hour", now: number): string {
  const at = new Date(now);
  if (period === "today") at.setHours(0, 0, 0, 0);
  else at.setTime(Math.floor((now - 3_600_000) / 60_000) * 60_000);
  return at.toISOString();
}
