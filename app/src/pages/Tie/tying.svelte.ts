/** What the page of ties knows: the station's ties, targets and photos, and the tie that is shown. All of it comes from the station. */
import { get, post, del, Refusal } from "../../api/client";
import { here } from "../../api/here.svelte";
import { inUnit, turned, type LengthUnit } from "../../marks/numbers";
import { jobs, type JobTold } from "../../api/jobs.svelte";
import type { components } from "../../api/schema";
import type { PlaneGrid } from "../../picture/graticule";
import type { Point } from "../../picture/view";
import type { PointerGrid } from "./grid";

type Schemas = components["schemas"];
export type TieTold = Schemas["TieTold"];
export type TieInShort = Schemas["TieInShort"];
export type TargetTold = Schemas["TargetTold"];
export type Way = "target" | "length" | "pairs" | "views" | "robot";
export type End = { at: Point; kind: Schemas["SnappedTold"]["kind"]; says: string };
export type PointTold = Schemas["PointTold"];
export type LengthTold = Schemas["LengthTold"];
export type PairsTold = Schemas["PairsTold"];
export type Row = [string, string, string, string];

/** A working picture, as the station tells it. */
export interface PictureTold {
  id: string;
  name: string;
  path: string;
  width: number;
  height: number;
  tiles: string;
  fault: string;
}

/** What a job that ties comes to. */
interface Solved {
  name: string;
  kind: "tie" | "camera" | "robot";
  sentences: string[];
}

/** What was typed and is not kept yet: it outlives a reload. */
interface Typed {
  way: Way;
  name: string;
  tolerance: string;
  height: string;
  u_height: string;
  distance: string;
  u_distance: string;
  target: string;
  camera: string;
  photos: string[];
  length: string;
  u: string;
  snap: boolean;
  ends: (End | null)[];
  rows: Row[];
  pairs_unit: "mm" | "in";
  from_frame: "image" | "plane";
  to_frame: "plane" | "robot";
  model: Schemas["Pairs"]["model"];
  chosen: string;
  /** Of the pictures that the tie is for, as "1224 × 1024"; empty: whichever. */
  size: string;
  envelope: Envelope;
  touch: { points: string; pitch: string; tolerance: string; u: string; of: string; rows: Row[] };
  /** In which lengths were typed. */
  unit: LengthUnit;
}
interface Planned {
  width: string;
  height: string;
  distance: string;
  px: { width: number; height: number } | null;
}
const LENGTHS = ["tolerance", "height", "u_height", "distance", "u_distance", "length", "u"] as const;
export type Envelope = Required<Schemas["EnvelopeTyped"]>;
export const NO_ENVELOPE: Envelope = { x_from: "", x_to: "", y_from: "", y_to: "", turn_from: "", turn_to: "" };
const BEGUN: Typed = {
  way: "target", name: "plane", tolerance: "", height: "", u_height: "", distance: "", u_distance: "", target: "", camera: "", photos: [], length: "", u: "", snap: true,
  ends: [null, null], rows: [], pairs_unit: "mm", from_frame: "image", to_frame: "plane", model: "auto", chosen: "",
  size: "", envelope: NO_ENVELOPE, touch: { points: "6", pitch: "", tolerance: "", u: "", of: "", rows: [] }, unit: "mm",
};
export const sizeOf = (one: { width: number; height: number }): string => `${one.width} × ${one.height}`;

class Tying {
  typed = $state<Typed>({ ...BEGUN });
  ties = $state<TieInShort[]>([]);
  targets = $state<TargetTold[]>([]);
  pictures = $state<PictureTold[]>([]);
  told = $state<TieTold | null>(null);
  grid = $state<PointerGrid | null>(null);
  /** What was refused, by the field that it is about; an empty name: none. */
  faults = $state<Record<string, string>>({});
  busy = $state("");
  /** What the plan says of the target's field, the pixels, and how far the lens is from the target; empty where it says nothing. */
  planned = $state<Planned>({ width: "", height: "", px: null, distance: "" });
  said = $state<string[]>([]);

  #key = "";

  async begin(): Promise<void> {
    this.#key = `tiepoint-tie-${here.station}`;
    let isNew = true;
    try {
      const kept = JSON.parse(localStorage.getItem(this.#key) ?? "null") as Partial<Typed> | null;
      if (kept !== null) this.typed = { ...BEGUN, unit: here.unit, ...kept };
      isNew = kept === null;
    } catch {
      // What an older page kept is no loss.
    }
    this.turnTo(here.unit);
    await Promise.all([this.again(), this.#propose()]);
    const first = this.solved.find((one) => one.from_frame === "image") ?? this.solved[0];
    if (isNew && first !== undefined) this.choose(first.name); // who has never been here sees what there is
  }
  /** What was said on the page Plan is not typed again. */
  async #propose(): Promise<void> {
    try {
      const plan = await get("/api/plan");
      if (plan.sha === null) return;
      const t = this.typed;
      const target = plan.look.sheet?.target;
      if (target) {
        const [width, height, distance] = [target.width_mm, target.height_mm, target.away_mm].map((mm) => String(inUnit(mm, "mm", t.unit))) as [string, string, string];
        this.planned = { width, height, distance, px: { width: target.width_px, height: target.height_px } };
      }
      t.tolerance ||= turned(plan.typed["part.tolerance_mm"] ?? "", "mm", t.unit);
      t.distance ||= this.planned.distance;
    } catch (error) {
      if (!(error instanceof Refusal)) throw error; // a plan that cannot be read proposes nothing
    }
  }
  /** Lengths that were typed stay what they are while the page is turned to another unit: an envelope does not grow by it. */
  turnTo(unit: LengthUnit): void {
    const t = this.typed;
    if (t.unit === unit) return;
    const turn = (text: string) => turned(text, t.unit, unit);
    for (const key of LENGTHS) t[key] = turn(t[key]);
    for (const key of ["x_from", "x_to", "y_from", "y_to"] as const) t.envelope[key] = turn(t.envelope[key]);
    for (const key of ["pitch", "tolerance", "u"] as const) t.touch[key] = turn(t.touch[key]);
    t.touch.rows = t.touch.rows.map((row) => row.map(turn) as Row);
    for (const key of ["width", "height", "distance"] as const) this.planned[key] = turn(this.planned[key]);
    t.unit = unit;
  }
  keep(): void {
    // What the plan alone proposes is asked of it again: it may say something else by then.
    const own = this.isOfPlan ? { ...this.typed, distance: "" } : this.typed;
    if (this.#key) localStorage.setItem(this.#key, JSON.stringify(own));
  }

  /** Read what the station has now, after an edit of whoever it was. */
  async again(): Promise<void> {
    const [ties, targets, pictures] = await Promise.all([
      get("/api/tie/ties"), get("/api/targets"), get("/api/pictures" as never, { query: { use: "tie" } as never }) as Promise<{ pictures: PictureTold[] }>,
    ]);
    this.ties = ties.ties;
    this.targets = targets.targets;
    this.pictures = pictures.pictures;
    if (!this.targets.some((one) => one.path === this.typed.target)) this.typed.target = this.targets.find((one) => !one.fault)?.path ?? "";
    this.typed.photos = this.typed.photos.filter((path) => this.pictures.some((one) => one.path === path));
    const shown = this.solved.find((one) => one.name === this.typed.chosen);
    if (shown === undefined && this.typed.chosen) this.choose("");
    else if (shown !== undefined) {
      await this.#showing; // it may be read just now
      if (shown.seen !== this.told?.seen) await this.show();
    }
    else if (shown === undefined) this.told = this.grid = null;
  }

  /** Ties of a picture, that can be used. */
  get solved(): TieInShort[] {
    return this.ties.filter((one) => one.kind === "tie" && !one.fault);
  }
  get picture(): PictureTold | null {
    const path = this.told?.picture ?? this.typed.photos[0];
    return this.pictures.find((one) => one.path === path) ?? null;
  }
  /** The sizes of the pictures that the station has for tying, and of its ties: of one camera and setting each. */
  get sizes(): string[] {
    const ties = this.solved.flatMap((one) => (one.size ? [sizeOf({ width: one.size[0], height: one.size[1] })] : []));
    return [...new Set([...this.pictures.filter((one) => !one.fault).map(sizeOf), ...ties])].sort();
  }
  get target(): TargetTold | null {
    return this.targets.find((one) => one.path === this.typed.target) ?? null;
  }
  /** The plane for the collar, in the unit of the page. */
  get plane(): PlaneGrid | null {
    if (this.grid === null || here.unit === "mm") return this.grid;
    return { ...this.grid, X: this.grid.X.map((v) => inUnit(v, "mm", here.unit)), Y: this.grid.Y.map((v) => inUnit(v, "mm", here.unit)) };
  }

  choose(name: string): void {
    this.typed.chosen = name;
    this.told = this.grid = null;
    this.said = [];
    if (name) void this.show();
  }

  #asked = 0;
  #showing: Promise<void> = Promise.resolve();
  /** Read the tie that is chosen, with the verdict for the tolerance that was typed; then its grid. */
  show(): Promise<void> {
    return (this.#showing = this.#show());
  }
  async #show(): Promise<void> {
    const [name, mine] = [this.typed.chosen, ++this.#asked];
    if (!name) return;
    const read = async (tolerance: string) => get("/api/tie/ties/{name}", { path: { name }, query: { unit: here.unit, tolerance } });
    try {
      const told = await read(this.typed.tolerance);
      if (mine !== this.#asked) return;
      this.fault("tolerance");
      const isOther = told.seen !== this.told?.seen;
      this.told = told;
      if (!isOther && this.grid !== null) return;
      const grid = told.map === null ? null : await get("/api/tie/ties/{name}/grid", { path: { name } });
      if (mine === this.#asked) this.grid = grid as PointerGrid | null;
    } catch (error) {
      if (this.say(error, "tie") !== "tolerance" || this.told !== null) return;
      const told = await read("");
      if (mine === this.#asked) this.told = told;
    }
  }

  /** Say at its field why something was refused; returns the field. */
  say(error: unknown, field: string): string {
    if (!(error instanceof Refusal)) throw error;
    const where = error.where && !error.where.startsWith("/") ? error.where.replace(/^(target|length|pairs|views|hand-eye)\./, "") : field;
    const at = where === "picture" ? "photos" : where;
    this.faults = { ...this.faults, [at]: error.message };
    return at;
  }
  /** Take away what was said at a field. */
  fault(field: string): void {
    if (field in this.faults) {
      const { [field]: _, ...others } = this.faults;
      this.faults = others;
    }
  }

  /** Send picture files to the station; returns their paths. */
  async drop(files: Iterable<File>): Promise<string[]> {
    const form = new FormData();
    for (const file of files) form.append("picture", file, file.name);
    this.fault("photos");
    this.busy = "photos";
    try {
      const told = (await post("/api/pictures" as never, form as never, { query: { use: "tie" } as never })) as { pictures: PictureTold[] };
      const added = told.pictures.map((one) => one.path);
      this.pictures = [...this.pictures.filter((one) => !added.includes(one.path)), ...told.pictures];
      return added;
    } catch (error) {
      this.say(error, "photos");
      return [];
    } finally {
      this.busy = "";
    }
  }
  /** Take the next picture of a camera, or a shot that the station has, among the photos; returns their paths. */
  async take(from: { source: string } | { ref: string }): Promise<string[]> {
    this.fault("take");
    this.busy = "take";
    try {
      const told = await post("/api/tie/take", from as never);
      const added = told.pictures.map((one) => one.path);
      this.pictures = [...this.pictures.filter((one) => !added.includes(one.path)), ...told.pictures];
      return added;
    } catch (error) {
      if (!(error instanceof Refusal)) throw error;
      this.faults = { ...this.faults, take: error.message };
      return [];
    } finally {
      this.busy = "";
    }
  }
  /** Keep the tie that is shown at another height, and show that. */
  async move(body: Record<string, unknown>): Promise<boolean> {
    const from = this.typed.chosen;
    const name = String(body.name).trim();
    this.faults = {};
    this.busy = "move";
    try {
      const kept = { name, seen: this.ties.find((one) => one.name === name)?.seen ?? null, unit: here.unit };
      const result = await post("/api/tie/ties/{name}/move", { ...body, ...kept } as never, { path: { name: from } });
      this.ties = (await get("/api/tie/ties")).ties;
      this.typed.chosen = result.name;
      await this.show();
      this.said = result.sentences;
      return true;
    } catch (error) {
      if (!(error instanceof Refusal)) throw error;
      this.faults = { [`move.${error.where || "solve"}`]: error.message };
      return false;
    } finally {
      this.busy = "";
    }
  }
  async takeAway(id: string): Promise<void> {
    try {
      await del("/api/pictures/{id}" as never, { path: { id } as never });
      await this.again();
    } catch (error) {
      this.say(error, "photos");
    }
  }

  /** Tie as it was asked, and show what it came to. The old tie stays in sight until then. */
  async solve(body: Record<string, unknown>): Promise<boolean> {
    const name = this.typed.name.trim();
    this.faults = {};
    this.busy = "solve";
    try {
      const kept = { name, seen: this.ties.find((one) => one.name === name)?.seen ?? null };
      const job = (await post("/api/tie/solve", { ...kept, ...body } as never)) as JobTold;
      const result = await jobs.end<Solved>(job);
      if (result.kind === "tie") {
        this.typed.chosen = result.name;
        await this.show();
        this.said = result.sentences;
      } else {
        this.said = result.sentences;
        if (result.kind === "camera") this.typed.camera = result.name;
      }
      this.ties = (await get("/api/tie/ties")).ties;
      return true;
    } catch (error) {
      this.say(error, "solve");
      return false;
    } finally {
      this.busy = "";
    }
  }

  /** How far the lens stands, where somebody says how sure that is: what the plan alone proposes is not known yet. */
  get away(): Record<string, string> {
    const { distance, u_distance } = this.typed;
    return this.isOfPlan ? {} : { distance, u_distance };
  }
  get isOfPlan(): boolean {
    return this.typed.distance === this.planned.distance && this.typed.u_distance.trim() === "";
  }
  get common(): Record<string, unknown> {
    const size = this.typed.size ? this.typed.size.split(" × ").map(Number) : null;
    return { unit: here.unit, height: this.typed.height, u_height: this.typed.u_height, size };
  }

  /** Tell exactly where a pixel lies. */
  async ask(points: Point[], lengths: [Point, Point][] = []): Promise<{ points: PointTold[]; lengths: LengthTold[] } | null> {
    const name = this.typed.chosen;
    if (!name) return null;
    const pair = (p: Point): [number, number] => [p.x, p.y];
    try {
      return await post("/api/tie/ties/{name}/ask", {
        points: points.map(pair), lengths: lengths.map(([a, b]) => [pair(a), pair(b)] as [[number, number], [number, number]]), unit: here.unit, extrapolate: false,
      }, { path: { name } });
    } catch (error) {
      if (!(error instanceof Refusal)) throw error;
      return null;
    }
  }

  async snap(at: Point, along: Point): Promise<End> {
    const photo = this.picture?.path;
    if (photo === undefined || !this.typed.snap) return { at, kind: "hand", says: "" };
    try {
      const told = await post("/api/tie/snap", { photo, at: [at.x, at.y], along: [along.x, along.y] });
      return { at: { x: told.x, y: told.y }, kind: told.kind, says: told.says };
    } catch (error) {
      this.say(error, "ends");
      return { at, kind: "hand", says: "" };
    }
  }
}

export const tying = new Tying();
