/** A record's picture with what is drawn over it: fetched whole before it takes the place of the one before. */
import { get, Refusal, type Answer } from "../../api/client";
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
    says = sentence(error.message);
  }
  const sheet = drawing?.sheets[Math.min(index, drawing.sheets.length - 1)] ?? null;
  const file = pictures.find((one) => one.name === sheet?.file) ?? pictures[0]!;
  const image = new Image();
  image.src = file.preview!;
  try {
    await image.decode();
  } catch {
    signal.throwIfAborted();
    says = await whyNot(file.preview!, says);
    return { ...none, sheets: drawing?.sheets ?? [], steps: drawing?.steps ?? [], says, file };
  }
  signal.throwIfAborted();
  const [width, height] = sheet === null ? [image.naturalWidth, image.naturalHeight] : [sheet.width, sheet.height];
  const tiles = `${file.href}/tiles`;
  const source = { width, height, tile: (level: number, col: number, row: number) => `${tiles}/${level}/${col}/${row}`, overview: image };
  return { seq, source, sheet, sheets: drawing?.sheets ?? [], steps: drawing?.steps ?? [], says, file };
}

const sentence = (says: string): string => `${says.charAt(0).toUpperCase()}${says.slice(1)}.`;

/** Why a picture is not given: an image tells nothing of its refusal, so it is asked for once more. */
async function whyNot(address: string, otherwise: string): Promise<string> {
  try {
    const answer = await fetch(address, { credentials: "same-origin" });
    const told = (await answer.json()) as { error?: { says?: string } };
    return told.error?.says ? sentence(told.error.says) : otherwise;
  } catch {
    return otherwise; // the station is away; that is said under the head
  }
}
