/** Where a picture stands in its map, as pure functions. Picture pixels: (0, 0) is the centre of the top-left one, y down. */

export interface Point {
  readonly x: number;
  readonly y: number;
}
export interface Size {
  readonly width: number;
  readonly height: number;
}
/** The picture pixel in the middle of the map, and how many map pixels one picture pixel takes. */
export interface View {
  readonly x: number;
  readonly y: number;
  readonly scale: number;
}
export interface Box {
  readonly left: number;
  readonly top: number;
  readonly right: number;
  readonly bottom: number;
}

export const CLOSEST = 64;

/** The view that shows a picture whole. */
export function whole(picture: Size, map: Size): View {
  const scale = Math.min(map.width / picture.width, map.height / picture.height) || 1;
  return { x: (picture.width - 1) / 2, y: (picture.height - 1) / 2, scale };
}

/** Whether a view shows a picture whole, so that there is nowhere to move it. */
export const isWhole = (view: View, picture: Size, map: Size): boolean => view.scale <= whole(picture, map).scale * (1 + 1e-9);

export const toMap = (view: View, map: Size, p: Point): Point => ({
  x: (p.x - view.x) * view.scale + map.width / 2,
  y: (p.y - view.y) * view.scale + map.height / 2,
});

export const toPicture = (view: View, map: Size, p: Point): Point => ({
  x: (p.x - map.width / 2) / view.scale + view.x,
  y: (p.y - map.height / 2) / view.scale + view.y,
});

/** Zoom by a factor, so that what lies under a point of the map stays there. */
export function zoomed(view: View, factor: number, at: Point, picture: Size, map: Size): View {
  const least = whole(picture, map).scale;
  const scale = Math.min(CLOSEST, Math.max(least, view.scale * factor));
  const held = toPicture(view, map, at);
  return clamped({ x: held.x - (at.x - map.width / 2) / scale, y: held.y - (at.y - map.height / 2) / scale, scale }, picture, map);
}

/** Move by map pixels. */
export const panned = (view: View, dx: number, dy: number, picture: Size, map: Size): View =>
  clamped({ ...view, x: view.x - dx / view.scale, y: view.y - dy / view.scale }, picture, map);

/** Keep the map on the picture; a picture that is smaller than the map stands in its middle. */
export function clamped(view: View, picture: Size, map: Size): View {
  const along = (at: number, length: number, room: number) => {
    const half = room / view.scale / 2;
    return 2 * half >= length ? (length - 1) / 2 : Math.min(length - 0.5 - half, Math.max(half - 0.5, at));
  };
  return { scale: view.scale, x: along(view.x, picture.width, map.width), y: along(view.y, picture.height, map.height) };
}

/** What of the picture is seen, in picture pixels, their edges included. */
export function seen(view: View, picture: Size, map: Size): Box {
  const a = toPicture(view, map, { x: 0, y: 0 });
  const b = toPicture(view, map, { x: map.width, y: map.height });
  return {
    left: Math.max(-0.5, a.x),
    top: Math.max(-0.5, a.y),
    right: Math.min(picture.width - 0.5, b.x),
    bottom: Math.min(picture.height - 0.5, b.y),
  };
}
