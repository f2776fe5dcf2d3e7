/** A record's picture with what is drawn over it: fetched whole before it takes the place of the one before. */
import { get, Refusal, type Answer } from "../../api/client";
import { asSentence } from "../../marks/numbers";
import type { PictureSource } from "../../picture/tiles";

export type Drawing = Answer<"/api/records/{seq}/drawing">;
export type Step = Drawing["steps"][number];
export type Sheet = Drawing["sheets"][number];
export type File = Answer<"/api/records/{seq}">["files"][number];

export interface Shown {
  readonly seq: number;
  readonly source: PictureSource | null;
  readonly sheet: Sheet | null;
  readonly sheets: readonly Sheet[];
  readonly steps: readonly Step[];
  /** Why there is no picture or no drawing, or what to know of it. */
  readonly says: string;
  readonly file: File | null;
}

/** Fetch picture and drawing of a record; `index`: which of its pictures. What cannot be had is said, and never thrown. */
export async function fetchShown(seq: number, files: readonly File[], index: number, signal: AbortSignal): Promise<Shown> {
  const pictures = files.filter((file) => file.preview !== null);
  const none = { seq, source: null, sheet: null, sheets: [], steps: [], says: "", file: null };
  if (pictures.length === 0) return none;
  let drawing: Drawing | null = null;
  let says = "";
  try {
    drawing = await get("/api/records/{seq}/drawing", { path: { seq }, signal });
    says = drawing.says;
  } catch (error) {
    if (!(error instanceof Refusal)) throw error;
    says = asSentence(error.message);
  }
  const sheet = drawing?.sheets[Math.min(index, drawing.sheets.length - 1)] ?? null;
  const file = pictures.find((one) => one.name === sheet?.file) ?? pictures[0]!;
  const image = await decoded(`${file.preview!}?width=${enough()}`, signal);
  if (typeof image === "string") return { ...none, sheets: drawing?.sheets ?? [], steps: drawing?.steps ?? [], says: image || says, file };
  const [width, height] = sheet === null ? [image.width, image.height] : [sheet.width, sheet.height];
  const tiles = `${file.href}/tiles`;
  const source = { width, height, tile: (level: number, col: number, row: number) => `${tiles}/${level}/${col}/${row}`, overview: image };
  return { seq, source, sheet, sheets: drawing?.sheets ?? [], steps: drawing?.steps ?? [], says, file };
}

/** As many pixels as the sheet has: beside the numbers it takes about half of a desk, and all of a phone. */
const enough = (): number => (devicePixelRatio * (innerWidth < 1180 ? innerWidth : innerWidth / 2) > 960 ? 1280 : 960);

/** A picture, decoded beside the page and once; or why there is none, where that is known. An image element is decoded again when it is drawn. */
async function decoded(address: string, signal: AbortSignal): Promise<ImageBitmap | string> {
  try {
    const answer = await fetch(address, { credentials: "same-origin", signal });
    if (answer.ok) return await createImageBitmap(await answer.blob());
    const told = (await answer.json()) as { error?: { says?: string } };
    return told.error?.says ? asSentence(told.error.says) : "";
  } catch {
    signal.throwIfAborted();
    return ""; // the station is away, which is said under the head, or these bytes are no picture
  }
}
