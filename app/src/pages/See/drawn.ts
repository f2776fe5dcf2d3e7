/** Drawings of See as paths: places alone are worked out here, all numbers are the station's. */

export interface XY {
  readonly x: number;
  readonly y: number;
}

/** The path through values at even steps, in a box with its zero at the bottom; gaps where there is none. */
export function pathOf(values: readonly (number | null)[], left: number, right: number, y: (value: number) => number): string {
  const step = values.length > 1 ? (right - left) / (values.length - 1) : 0;
  let drawn = "";
  let pen = false;
  values.forEach((value, k) => {
    if (value === null || !Number.isFinite(value)) {
      pen = false;
      return;
    }
    drawn += `${pen ? "L" : "M"}${(left + k * step).toFixed(1)} ${y(value).toFixed(1)}`;
    pen = true;
  });
  return drawn;
}

/** An edge in a ticket: the grey across it as it was seen, `span` picture pixels wide, in a box of that width and height. */
export function edgeOf(profile: readonly number[], step: number, span: number, width: number, height: number): string {
  const middle = (profile.length - 1) / 2;
  const points = profile
    .map((grey, k) => ({ x: width / 2 + ((k - middle) * step * width) / span, y: height - Math.max(-0.1, Math.min(1.1, grey)) * height }))
    .filter((p) => p.x >= -0.5 && p.x <= width + 0.5);
  return points.map((p, k) => `${k === 0 ? "M" : "L"}${p.x.toFixed(1)} ${p.y.toFixed(1)}`).join("");
}

/** The edge that is as wide as a number says, from 10 to 90 %: a logistic, which a drawing of this size cannot tell apart. */
export function edgeAsWide(width: number, span: number, boxWidth: number, boxHeight: number): string {
  const grey = (px: number) => 1 / (1 + Math.exp((-4.394 * px) / width));
  const count = 28;
  return Array.from({ length: count + 1 }, (_, k) => {
    const px = (k / count - 0.5) * span;
    return `${k === 0 ? "M" : "L"}${((k / count) * boxWidth).toFixed(1)} ${(boxHeight - grey(px) * boxHeight).toFixed(1)}`;
  }).join("");
}

/** The grey curve's outline over its bins; the highest of those that are neither end fills the box. */
export function curveOf(shares: readonly number[], left: number, right: number, top: number, bottom: number): string {
  const most = Math.max(1e-9, ...shares.slice(1, -1));
  const line = pathOf(shares.map((share) => Math.sqrt(Math.min(1, share / most))), left, right, (v) => bottom - v * (bottom - top));
  return `${line}L${right} ${bottom}L${left} ${bottom}Z`;
}

/** Where the bubble of a circular level stands: towards where the target is farther, never beyond the rim. */
export function bubbleAt(lean: number, farther: readonly [number, number], most: number, radius: number): XY {
  const share = Math.min(1, lean / most);
  return { x: farther[0] * share * radius, y: farther[1] * share * radius };
}

/** Up to how many degrees a level's rim goes. */
export const levelRim = (...leans: number[]): number => [2, 5, 10, 20, 45].find((rim) => Math.max(...leans) <= 0.95 * rim) ?? 90;

/** Where a ticket lies beside its place, in map pixels from it: within its own ninth of the map, so that no two meet. */
export function ticketAt(at: XY, map: { width: number; height: number }, size: { width: number; height: number }): XY {
  const gap = 20;
  const ninth = (along: number, length: number) => Math.max(0, Math.min(2, Math.floor((3 * along) / length)));
  const within = (value: number, from: number, length: number, own: number) => {
    const left = from + Math.max(1, Math.min(value, length / 3 - own - 1));
    return Math.max(2, Math.min(map[own === size.width ? "width" : "height"] - own - 2, left));
  };
  const [column, row] = [ninth(at.x, map.width), ninth(at.y, map.height)];
  const [left, top] = [(column * map.width) / 3, (row * map.height) / 3];
  // Away from the place on the side where its ninth has more room.
  const above = at.y - top > map.height / 6;
  const y = above ? at.y - gap - size.height : at.y + gap;
  const x = at.x - left > map.width / 6 ? at.x - gap - size.width * 0.7 : at.x + gap - size.width * 0.3;
  return { x: within(x - left, left, map.width, size.width) - at.x, y: within(y - top, top, map.height, size.height) - at.y };
}

/** Corners of a polygon as an SVG path. */
export const closed = (points: readonly (readonly [number, number])[]): string => points.map(([x, y], k) => `${k === 0 ? "M" : "L"}${x.toFixed(1)} ${y.toFixed(1)}`).join("") + "Z";

/** Which side of the picture a direction points to, in words (x right, y down). */
export function sideOf([x, y]: readonly [number, number]): string {
  const far = Math.hypot(x, y);
  const across = x > 0 ? "right" : "left";
  const along = y > 0 ? "lower" : "upper";
  if (Math.abs(x) < 0.38 * far) return `${along} side`;
  return Math.abs(y) < 0.38 * far ? `${across} side` : `${along} ${across}`;
}

/** How many pictures ago a trace was smallest; null where it has no value. */
export function bestAgo(values: readonly (number | null)[]): number | null {
  let best: number | null = null;
  values.forEach((value, k) => {
    if (value !== null && (best === null || value <= (values[best] as number))) best = k;
  });
  return best === null ? null : values.length - 1 - best;
}

