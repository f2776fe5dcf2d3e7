/** What is worked on: a recipe, a shot, and what the draft says of it; judged again after every edit, and while a hand drags. */
import { post, Refusal, type Answer } from "../../api/client";
import { here } from "../../api/here.svelte";
import { jobs } from "../../api/jobs.svelte";
import type { LengthUnit } from "../../marks/numbers";

export type Judged = Answer<"/api/recipe/try", "post">;
export type StepTold = Judged["steps"][number];
export type DraftStep = Judged["draft"][number];
export type Reading = StepTold["readings"][number];
export type HandleTold = StepTold["handles"][number];
export type Kind = Answer<"/api/recipe/card">["kinds"][number];
export type FormField = Kind["fields"][number];
export type Pair = [number, number];
export type Edit = { act: string } & Record<string, unknown>;
export type Stroke = { points_px: Pair[]; radius_px: number; erase: boolean };

export const unitOf = (dimension: string, isImage = false): string =>
  dimension === "angle" ? "°" : dimension === "length" || dimension === "area" ? `${isImage ? "px" : here.unit}${dimension === "area" ? "²" : ""}` : "";

/** Where an edit was refused: a key of the recipe's own is told apart from the same key of a step. */
const placeOf = (edit: Edit | null, where: string): string =>
  edit?.act === "put" && !("step" in edit) && !("grip" in edit) && !where.startsWith("edge.") && where === (edit["path"] as string[]).join(".") ? `head.${where}` : where;

const KEPT = "tiepoint recipe";

class Work {
  recipe = $state("");
  shot = $state("");
  variant = $state<string | null>(null);
  told = $state<Judged | null>(null);
  selected = $state("");
  /** A judgement is asked for; the old one stays meanwhile. */
  busy = $state(false);
  /** What was refused last, and at which field. */
  refused = $state<{ where: string; says: string } | null>(null);
  /** What teaching said last. */
  lesson = $state<string[]>([]);

  #asked: { edit: Edit | null; live: boolean } | null = null;
  #asking: Promise<void> | null = null;
  /** Edits are written one after the other: each is one of the file as the one before left it. */
  #writing: Promise<unknown> = Promise.resolve();
  /** Of which recipe, shot and variant `told` tells. */
  #of = "";
  /** Counts what was written: an answer that was asked for before tells of a draft that is no more. */
  #written = 0;

  /** The unit that the recipe is written in. */
  get unit(): LengthUnit {
    return this.told?.head["unit"] === "in" ? "in" : "mm";
  }
  get steps(): StepTold[] {
    return this.told?.steps ?? [];
  }
  get draft(): DraftStep[] {
    return this.told?.draft ?? [];
  }
  step(name: string): StepTold | undefined {
    return this.steps.find((one) => one.name === name);
  }
  drafted(name: string): DraftStep | undefined {
    return this.draft.find((one) => one.name === name);
  }

  /** What was open before the page was loaded anew. */
  recall(): void {
    try {
      const kept = JSON.parse(sessionStorage.getItem(KEPT) ?? "{}") as Record<string, string>;
      this.recipe = kept["recipe"] ?? "";
      this.shot = kept["shot"] ?? "";
      this.selected = kept["selected"] ?? "";
      this.variant = kept["variant"] || null;
    } catch {
      // nothing was kept
    }
  }
  #keep(): void {
    sessionStorage.setItem(KEPT, JSON.stringify({ recipe: this.recipe, shot: this.shot, selected: this.selected, variant: this.variant ?? "" }));
  }

  /** Judge by the limits of another variant; null: by that of the shot. */
  async turnTo(variant: string | null): Promise<void> {
    this.variant = variant;
    this.#keep();
    await this.again();
  }
  async open(recipe: string, shot: string): Promise<void> {
    if (recipe !== this.recipe) {
      this.variant = null;
      this.selected = "";
      this.told = null;
    }
    [this.recipe, this.shot] = [recipe, shot];
    this.#keep();
    await this.again();
  }
  async select(name: string): Promise<void> {
    if (this.selected === name) return;
    this.selected = name;
    this.refused = null;
    this.lesson = [];
    this.#keep();
    await this.again();
  }
  /** Judge the draft as it is. */
  again(): Promise<void> {
    return this.#ask(null, false);
  }
  /** Judge the draft as if a hand had let go here; whatever is asked for next takes its place. */
  look(edit: Edit): Promise<void> {
    return this.#ask(edit, true);
  }

  /** Ask for a judgement; returns once nothing is asked for any more. */
  #ask(edit: Edit | null, live: boolean): Promise<void> {
    if (this.recipe === "" || this.shot === "") return Promise.resolve();
    // One at a time, and the newest next; a whole judgement is not given up for a look.
    if (this.#asked === null || this.#asked.live || !live) this.#asked = { edit, live };
    this.#asking ??= this.#turn().finally(() => (this.#asking = null));
    return this.#asking;
  }
  async #turn(): Promise<void> {
    while (this.#asked !== null) {
      const next = this.#asked;
      this.#asked = null;
      await this.#judge(next.edit, next.live);
    }
  }
  async #judge(edit: Edit | null, live: boolean): Promise<void> {
    this.busy = !live;
    const written = this.#written;
    const of = `${this.recipe} ${this.shot} ${this.variant ?? ""}`;
    try {
      const told = await post("/api/recipe/try", {
        recipe: this.recipe, shot: this.shot, variant: this.variant, selected: this.selected || null, unit: here.unit, live, edit: edit as never,
      } as never) as Judged;
      if (written !== this.#written) this.#asked ??= { edit: null, live: false };
      else if (told.recipe === this.recipe) {
        this.#hear(told);
        this.#of = of;
      }
      if (!live) this.refused = this.refused?.where === "try" ? null : this.refused;
    } catch (error) {
      if (!(error instanceof Refusal)) throw error;
      if (live || error.status === 0) return;
      if (this.told === null || this.#of === of) this.refused = { where: "try", says: error.message };
      else {
        // No verdict and no reading of another shot stand for one that cannot be judged.
        const fault = { code: error.code, says: error.says, where: error.where, do: error.todo };
        this.told = { ...this.told, shot: null, fault, verdict: null, says: "", notes: [], steps: [], grips: [] };
      }
    } finally {
      this.busy = false;
    }
  }

  #hear(told: Judged): void {
    if (!told.is_partial || this.told === null) {
      this.told = told;
      return;
    }
    const anew = new Map(told.steps.map((one) => [one.name, one]));
    this.told = { ...this.told, verdict: told.verdict, says: told.says, ms: told.ms, steps: this.told.steps.map((one) => anew.get(one.name) ?? one) };
  }

  /** Edit the draft's file, and judge it then. Returns whether it was done. */
  edit(edit: Edit): Promise<boolean> {
    return this.#write("/api/recipe/edit", { edit });
  }
  paint(step: string, strokes: Stroke[], clear = false): Promise<boolean> {
    return this.#write("/api/recipe/mask", { step, strokes, clear });
  }
  #write(route: "/api/recipe/edit" | "/api/recipe/mask", more: object): Promise<boolean> {
    const done = this.#writing.then(() => this.#put(route, more));
    this.#writing = done.catch(() => undefined);
    return done;
  }
  async #put(route: "/api/recipe/edit" | "/api/recipe/mask", more: object): Promise<boolean> {
    if (this.told === null) return false;
    try {
      const done = await post(route, { recipe: this.recipe, shot: this.shot, variant: this.variant, sha: this.told.sha, ...more } as never) as { sha: string; step: string | null };
      this.refused = null;
      this.#written += 1;
      this.told = { ...this.told, sha: done.sha };
      if (done.step !== null) this.selected = done.step;
      else if ("edit" in more && (more.edit as Edit).act === "remove") this.selected = "";
      this.#keep();
      await Promise.all([this.again(), here.again()]);
      return true;
    } catch (error) {
      if (!(error instanceof Refusal)) throw error;
      await this.again(); // what the hand had moved stands where the draft has it
      this.refused = { where: placeOf("edit" in more ? (more.edit as Edit) : null, error.where) || "try", says: error.message };
      return false;
    }
  }

  /** What was refused is being mended: it is told no more. */
  mend(): void {
    this.refused = null;
  }

  /** Teach a find, or a new one, the outline of a drawing. */
  async outline(file: File, step: string | null, layer: string): Promise<void> {
    if (this.told === null) return;
    try {
      const whole = await new Promise<string>((resolve, reject) => {
        const reader = new FileReader();
        reader.onload = () => resolve(String(reader.result));
        reader.onerror = () => reject(new Refusal(422, "file", `${file.name} cannot be read`, "teach", ""));
        reader.readAsDataURL(file);
      });
      const drawing = whole.slice(whole.indexOf(",") + 1);
      const learnt = await post("/api/recipe/outline", { recipe: this.recipe, sha: this.told.sha, file: file.name, drawing, step, layer: layer.trim() || null, variant: this.variant });
      this.refused = null;
      this.#written += 1;
      await Promise.all([this.again(), here.again()]);
      if (step === null) await this.select(this.draft.at(-1)?.name ?? "");
      this.lesson = learnt.lines;
    } catch (error) {
      if (!(error instanceof Refusal)) throw error;
      this.refused = { where: step === null ? "draw" : "teach", says: error.message };
    }
  }

  async teach(step: string, shots: string[]): Promise<void> {
    if (this.told === null) return;
    try {
      const begun = await post("/api/recipe/teach", { recipe: this.recipe, sha: this.told.sha, step, shots, variant: this.variant } as never);
      const learnt = await jobs.end<{ lines: string[] }>(begun as never);
      this.refused = null;
      this.#written += 1;
      await Promise.all([this.again(), here.again()]);
      this.lesson = learnt.lines;
    } catch (error) {
      if (!(error instanceof Refusal)) throw error;
      this.refused = { where: "teach", says: error.message };
    }
  }
}

export const work = new Work();
