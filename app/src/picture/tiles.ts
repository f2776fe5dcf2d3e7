/** Pictures as the station gives them: tiles of 512 px of the picture, halved again and again. */
import { seen, type Box, type Size, type View } from "./view";

export const TILE = 512;

export interface PictureSource extends Size {
  /** The address of a tile; another picture has other addresses. */
  tile(level: number, col: number, row: number): string;
  /** The whole picture, reduced and at hand: no tile is asked for until one sees more than it shows. */
  overview?: ImageBitmap;
}

export interface Tile {
  readonly level: number;
  readonly col: number;
  readonly row: number;
}

/** The source of a picture whose tiles lie below an address. */
export function sourceOf(picture: Size, url: string): PictureSource {
  return { width: picture.width, height: picture.height, tile: (level, col, row) => `${url}/${level}/${col}/${row}` };
}

/** The level at which the whole picture is one tile. */
export const lastLevel = (picture: Size): number => Math.max(0, Math.ceil(Math.log2(Math.max(picture.width, picture.height) / TILE)));

/** The coarsest level that is still as fine as the screen. */
export function levelFor(scale: number, picture: Size, density: number): number {
  return Math.max(0, Math.min(lastLevel(picture), Math.floor(Math.log2(1 / (scale * density)) + 1e-6)));
}

/** Which tiles of a level show what is seen. */
export function tilesOf(view: View, picture: Size, map: Size, level: number): Tile[] {
  const box = seen(view, picture, map);
  const side = TILE * 2 ** level;
  const span = (from: number, to: number, length: number): [number, number] => [
    Math.max(0, Math.floor((from + 0.5) / side)),
    Math.min(Math.ceil(length / side) - 1, Math.floor((to + 0.5 - 1e-9) / side)),
  ];
  const [left, right] = span(box.left, box.right, picture.width);
  const [top, bottom] = span(box.top, box.bottom, picture.height);
  const found: Tile[] = [];
  for (let row = top; row <= bottom; row++) for (let col = left; col <= right; col++) found.push({ level, col, row });
  return found;
}

/** What a tile covers, in picture pixels, their edges included. */
export function covers({ level, col, row }: Tile, picture: Size): Box {
  const side = TILE * 2 ** level;
  return {
    left: col * side - 0.5,
    top: row * side - 0.5,
    right: Math.min(picture.width, (col + 1) * side) - 0.5,
    bottom: Math.min(picture.height, (row + 1) * side) - 0.5,
  };
}

const MOST = 160; // of 1 MB each, decoded

/** The tiles that were fetched, the least lately drawn of which are let go. `drawn` is called when one has come. */
export class Tiles {
  #kept = new Map<string, HTMLImageElement>();
  constructor(private readonly come: () => void) {}

  /** The image of a tile where it is there; asked for otherwise. */
  of(source: PictureSource, tile: Tile, ask = true): HTMLImageElement | null {
    const url = source.tile(tile.level, tile.col, tile.row);
    const known = this.#kept.get(url);
    if (known !== undefined) {
      this.#kept.delete(url);
      this.#kept.set(url, known);
      return known.complete && known.naturalWidth > 0 ? known : null;
    }
    if (!ask) return null;
    const image = new Image();
    image.decoding = "async";
    image.onload = () => this.come();
    image.onerror = () => this.#kept.delete(url); // asked for again when it is drawn again
    image.src = url;
    this.#kept.set(url, image);
    for (const [old] of this.#kept) {
      if (this.#kept.size <= MOST) break;
      this.#kept.delete(old);
    }
    return null;
  }
}

/** Draw what is seen: the coarsest tile first, so that something is always there, then the levels that are at hand. */
export function draw(ctx: CanvasRenderingContext2D, tiles: Tiles, source: PictureSource, view: View, map: Size, density: number): void {
  ctx.setTransform(1, 0, 0, 1, 0, 0);
  ctx.clearRect(0, 0, ctx.canvas.width, ctx.canvas.height);
  ctx.imageSmoothingEnabled = view.scale * density < 3; // close by, pixels are pixels
  ctx.setTransform(view.scale * density, 0, 0, view.scale * density, (map.width / 2 - view.x * view.scale) * density, (map.height / 2 - view.y * view.scale) * density);
  if (source.overview) {
    ctx.drawImage(source.overview, -0.5, -0.5, source.width, source.height);
    if (view.scale * density * source.width <= 1.5 * source.overview.width) return;
  }
  const best = levelFor(view.scale, source, density);
  for (let level = lastLevel(source); level >= best; level--) {
    const ask = level === best || level === lastLevel(source);
    for (const tile of tilesOf(view, source, map, level)) {
      const image = tiles.of(source, tile, ask);
      if (image === null) continue;
      const box = covers(tile, source);
      ctx.drawImage(image, box.left, box.top, box.right - box.left, box.bottom - box.top);
    }
  }
}
