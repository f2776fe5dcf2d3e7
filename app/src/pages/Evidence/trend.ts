/** Where a thinned series stands on its chart, and what a brush means: pure functions. Places go by parts, not by time. */

export interface Bucket {
  readonly first: number;
  readonly last: number;
  readonly n: number;
  readonly missing: number;
  readonly against: number;
  readonly low: number | null;
  readonly high: number | null;
  readonly mean: number | null;
}
export interface Span {
  readonly first: number;
  readonly last: number;
}

/** From and to of the vertical scale: all values and the limits, with a little room. */
export function range(buckets: readonly Bucket[], limits: readonly (number | null)[]): [number, number] {
  let [low, high] = [Infinity, -Infinity];
  for (const one of buckets) {
    if (one.low !== null) low = Math.min(low, one.low);
    if (one.high !== null) high = Math.max(high, one.high);
  }
  if (low > high) return [0, 1];
  // A limit that is far away would flatten what is to be seen: it is left out.
  const room = high - low || Math.abs(high) || 1;
  for (const limit of limits) {
    if (limit !== null && limit > low - 4 * room && limit < high + 4 * room) [low, high] = [Math.min(low, limit), Math.max(high, limit)];
  }
  const more = 0.06 * (high - low || Math.abs(high) || 1);
  return [low - more, high + more];
}

export const xOf = (k: number, count: number, width: number): number => ((k + 0.5) / Math.max(1, count)) * width;
export const bucketAt = (x: number, count: number, width: number): number => Math.max(0, Math.min(count - 1, Math.floor((x / width) * count)));

/** The band from least to greatest as one closed path a stretch without a gap, and the line of means. */
export function paths(buckets: readonly Bucket[], width: number, height: number, [from, to]: readonly [number, number]): { band: string; mean: string; gaps: number[] } {
  const y = (v: number) => (height - ((v - from) / (to - from)) * height).toFixed(1);
  let [band, mean] = ["", ""];
  const gaps: number[] = [];
  const single = buckets.every((one) => one.n === 1); // a line says all of it
  let stretch: number[] = [];
  const close = () => {
    if (stretch.length > 0) {
      const half = width / Math.max(1, buckets.length) / 2;
      const at = (k: number, d: number) => (xOf(k, buckets.length, width) + d).toFixed(1);
      const ends = (k: number) => [at(k, -half), at(k, half)] as const;
      const up = stretch.map((k) => ends(k).map((x) => `${x} ${y(buckets[k]!.high!)}`).join("L")).join("L");
      const down = [...stretch].reverse().map((k) => [...ends(k)].reverse().map((x) => `${x} ${y(buckets[k]!.low!)}`).join("L")).join("L");
      if (!single) band += `M${up}L${down}Z`;
      mean += `M${stretch.map((k) => `${at(k, 0)} ${y(buckets[k]!.mean!)}`).join("L")}`;
      if (stretch.length === 1) mean += "h.1";
    }
    stretch = [];
  };
  buckets.forEach((one, k) => {
    if (one.low === null) {
      close();
      gaps.push(k);
    } else stretch.push(k);
  });
  close();
  return { band, mean, gaps };
}

/** What a brush from one place to another means; null where it is a click. */
export function brushed(buckets: readonly Bucket[], a: number, b: number, width: number): Span | null {
  if (Math.abs(a - b) < 5 || buckets.length === 0) return null;
  const [i, j] = [bucketAt(Math.min(a, b), buckets.length, width), bucketAt(Math.max(a, b), buckets.length, width)];
  return { first: buckets[i]!.first, last: buckets[j]!.last };
}

/** A span a factor as long about the same middle, within all there is. */
export function zoomed(span: Span, factor: number, all: Span): Span {
  const half = Math.max(4, ((span.last - span.first) / 2) * factor);
  const middle = (span.first + span.last) / 2;
  return { first: Math.max(all.first, Math.floor(middle - half)), last: Math.min(all.last, Math.ceil(middle + half)) };
}

/** A span moved by a share of its length, as far as there is something. */
export function moved(span: Span, share: number, all: Span): Span {
  const length = span.last - span.first;
  const by = Math.round(share * length);
  const first = Math.max(all.first, Math.min(all.last - length, span.first + by));
  return { first, last: Math.min(all.last, first + length) };
}

/** Values along the vertical scale, at round steps. */
export function graduations([from, to]: readonly [number, number], many: number): { values: number[]; digits: number } {
  const rough = (to - from) / many;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = power * ([1, 2, 5, 10].find((k) => k * power >= rough) ?? 10);
  const values: number[] = [];
  for (let k = Math.ceil(from / step); k * step <= to; k++) values.push(k * step);
  return { values, digits: Math.max(0, -Math.floor(Math.log10(step) + 1e-9)) };
}

/** About how wide a label is printed, in px. */
export const wideOf = (text: string): number => 6.2 * text.length;

/** Where labels stand along a line so that none overruns its ends or another; those in between give way. */
export function placed(marks: readonly { readonly x: number; readonly text: string }[], from: number, to: number): { k: number; x: number }[] {
  const told: { k: number; x: number; half: number }[] = [];
  const order = marks.map((_, k) => k);
  if (order.length > 1) order.splice(1, 0, order.pop()!); // the first and the last are worth most
  for (const k of order) {
    const half = wideOf(marks[k]!.text) / 2;
    const x = Math.max(from + half, Math.min(to - half, marks[k]!.x));
    if (2 * half <= to - from && told.every((one) => Math.abs(one.x - x) >= one.half + half + 8)) told.push({ k, x, half });
  }
  return told.sort((a, b) => a.k - b.k).map(({ k, x }) => ({ k, x }));
}
