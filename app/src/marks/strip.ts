/** Where a limit strip puts its limits and its reading; all values are the station's, only their places are worked out here. */

export interface Limits {
  lower: number | null;
  upper: number | null;
}

export interface StripPlaces {
  lower: number | null;
  upper: number | null;
  /** Half the width of a guard band. */
  guard: number;
  at: number | null;
  /** From where to where the ± reaches. */
  reach: [number, number] | null;
  off: "left" | "right" | null;
}

const IN = 0.12;

/** Return places in a strip of that width (px). One limit alone stands where the reading has room on its other side. */
export function stripPlaces(limits: Limits, value: number | null, U: number | null, width: number, guard: number | null = U): StripPlaces {
  const { lower, upper } = limits;
  let from: number;
  let to: number;
  if (lower !== null && upper !== null) {
    const span = upper - lower || Math.abs(upper) || 1;
    from = lower - (IN / (1 - 2 * IN)) * span;
    to = upper + (IN / (1 - 2 * IN)) * span;
  } else {
    const limit = lower ?? upper ?? 0;
    const beyond = value === null ? 0 : lower !== null ? limit - value : value - limit;
    const span = Math.max(-1.25 * beyond, 6 * (U ?? 0), Math.abs(limit) * 0.02, 1e-9);
    const bad = Math.max(0.2 * span, 1.25 * beyond);
    from = lower !== null ? limit - bad : limit - span;
    to = lower !== null ? limit + span : limit + bad;
  }
  const place = (v: number) => ((v - from) / (to - from)) * width;
  const at = value === null || !Number.isFinite(value) ? null : place(value);
  const half = Math.max(3, ((U ?? 0) / (to - from)) * width);
  const off = at === null ? null : at < 0 ? "left" : at > width ? "right" : null;
  return {
    lower: lower === null ? null : place(lower),
    upper: upper === null ? null : place(upper),
    guard: guard === null ? 0 : Math.max(1.5, (guard / (to - from)) * width),
    at,
    reach: at === null || off !== null ? null : [Math.max(0, at - half), Math.min(width, at + half)],
    off,
  };
}
